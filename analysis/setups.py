"""From what a person says of a pot to the parameters of its column, with how sure each is.

Owns the reading of the dated set-up (the plain `[[pot.setup]]` dict, in words or numbers), of its shelf (`air`,
`heat`) and of its pot (`likes`, `roots`). Every gap is filled by a guess that is wide and said. Must not know dates,
stores, the equation (`dry_layer.py`) or notes. Nothing here raises for a thin description: a pot that nobody
described is a pot of unknown mix with wide bands; what contradicts itself is read the safer way and said.

Words stand for (all assumed, from pots on the bench):
vents: few = 6 holes of 6 mm, many = 20 of 8 mm, wall 1.5 mm. wick: one strand, several = 3. gap: narrow = 3 mm,
wide = 12 mm of open water round the pot. air: still, gentle, draughty = vapour film 420, 350, 220 s/m, heat film 120,
100, 65 s/m, holes 1, 1.3, 3 times still diffusion. heat, W per m2 at the surface while it is on: lamp 25, sun 60,
heat_mat 15.
"""

from collections.abc import Mapping, Sequence
from math import pi

import numpy as np

from analysis.columns import Columns, FloatArray
from analysis.media import MEDIA, NON_POROUS, POT_LOG_SD, Mix, medium_named, mix_constants
from analysis.quantities import quantity

Description = Mapping[str, object]

WATER_ML_PER_MM3 = 1e-3

VENT_WORDS = {"none": (0, 8.0), "few": (6, 6.0), "many": (20, 8.0)}  # count, diameter mm
VENT_WALL_MM = 1.5
WICK_WORDS = {"none": 0, "one": 1, "several": 3}
WICK_MATERIAL_MM_PER_ML_PER_DAY = {"microfibre": 0.12, "cotton": 0.30, "nylon": 0.20, "polyester": 0.20, "felt": 0.15}
WICK_USUAL_MM_PER_ML_PER_DAY = 0.15
GAP_WORDS_MM = {"none": 0.0, "narrow": 3.0, "wide": 12.0}
AIR_WORDS = {"still": (420.0, 120.0, 1.0), "gentle": (350.0, 100.0, 1.3), "draughty": (220.0, 65.0, 3.0)}
AIR_UNTOLD = (350.0, 100.0, 1.0)
HEAT_WORDS = {"none": (0.0, 0.0), "lamp": (25.0, 12.0), "sun": (60.0, 4.0), "heat_mat": (15.0, 24.0)}  # W/m2, hours
LIKES_UPTAKE = {"wetter": 1.3, "even": 1.0, "airy": 0.8}
UPTAKE_ML_PER_DAY_PER_DM2 = 3.0
"""What a plant drinks at 1 kPa per dm2 of pot top, assumed: plants are potted to their size."""

VAPOUR_ENHANCEMENT = 1.5
VAPOUR_POT_LOG_SD = 0.2
HELD_LOG_SD = 0.7
UPTAKE_SHARE = 0.2
"""Roots spread over the wet column tax the supply to its top by 1 / (1 + n): each takes only what lies below it."""
VENT_SHARE_UNTOLD = 0.5
SHARE_EXPONENT = 4.0
USUAL_DRY_MM = 15.0

MEASURED_SURFACE_SD_MM = 2.0
GUESSED_SURFACE_SD_MM = 12.0

LAST_WATER_MM = 1.5
"""What a wick on an uneven floor, and a level sensor with its offset, leave in doubt: such a reservoir is empty."""


def column_parameters(
    setups: Sequence[Description],
    shelves: Sequence[Description | None] | None = None,
    pots: Sequence[Description | None] | None = None,
) -> Columns:
    """Column parameters of many pots from their descriptions.

    setups: one set-up dict a pot. shelves, pots: the dict of the shelf on which the set-up stands and of the pot
    itself, in the same order, or None. Returns `Columns` of shape `(pot,)`; `says` tells what was guessed.
    Raises ValueError when the lists differ in length.
    """
    given_shelves = list(shelves) if shelves is not None else [None] * len(setups)
    given_pots = list(pots) if pots is not None else [None] * len(setups)
    if not len(setups) == len(given_shelves) == len(given_pots):
        raise ValueError("set-ups, shelves and pots must be lists of the same length, one entry a pot")
    read = [
        _column(setup, shelf or {}, pot or {})
        for setup, shelf, pot in zip(setups, given_shelves, given_pots, strict=True)
    ]
    layers = max([len(one.layers) for one in read], default=1)
    media = tuple(MEDIA)
    padded = [[(0.0, one.layers[0][1])] * (layers - len(one.layers)) + one.layers for one in read]

    def by_pot(name: str) -> FloatArray:
        return np.array([one.numbers[name] for one in read], dtype=np.float64)

    def by_layer(constant: str) -> FloatArray:
        return np.array(
            [[float(getattr(pot[i][1], constant)) for pot in padded] for i in range(layers)], dtype=np.float64
        ).reshape(layers, len(read))

    share = np.zeros((layers, len(media), len(read)))
    for p, pot in enumerate(padded):
        for i, (_, mix) in enumerate(pot):
            for name, part in mix.shares.items():
                share[i, media.index(name), p] = part
    return Columns(
        layer_thickness_mm=np.array([[pot[i][0] for pot in padded] for i in range(layers)]).reshape(layers, len(read)),
        layer_l1_mm=by_layer("l1_mm"),
        layer_exponent=by_layer("exponent"),
        layer_vapour_filled=by_layer("vapour_filled"),
        media=media,
        layer_share=share,
        says=tuple(tuple(one.says) for one in read),
        **{name: by_pot(name) for name in (read[0] if read else _column({}, {}, {})).numbers},
    )


class _Reading:
    """One pot as it is read: numbers by name, layers as (thickness, mix) from the top, and sentences."""

    def __init__(self) -> None:
        self.numbers: dict[str, float] = {}
        self.layers: list[tuple[float, Mix]] = []
        self.says: list[str] = []


def _column(setup: Description, shelf: Description, pot: Description) -> _Reading:
    read = _Reading()
    _geometry(read, setup)
    _medium(read, setup)
    _cover(read, setup)
    _holes(read, setup, shelf)
    _water_ways(read, setup)
    _air(read, shelf)
    _plant(read, pot)
    n = read.numbers
    n["column_mm"] = sum(thickness for thickness, _ in read.layers)
    if n["column_mm"] > n["surface_height_mm"] + 5.0:
        read.says.append("the medium is thicker than its surface is high: taken to reach down to the floor")
    n["storage"] = sum(t * m.storage for t, m in read.layers) / max(n["column_mm"], 1.0)
    n["held"] = sum(t * m.held for t, m in read.layers) / max(n["column_mm"], 1.0)
    n["vent_vapour_filled"] = sum(t * m.vapour_filled for t, m in read.layers) / max(n["column_mm"], 1.0)
    n["pot_log_sd"] = float(np.hypot(POT_LOG_SD, max(m.extra_log_sd for _, m in read.layers)))
    n["vapour_enhancement"] = VAPOUR_ENHANCEMENT
    n["held_log_sd"] = HELD_LOG_SD
    n["vapour_pot_log_sd"] = VAPOUR_POT_LOG_SD
    return read


def _number(value: object) -> float | None:
    """A finite number, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float | np.floating | np.integer):
        return None
    return float(value) if np.isfinite(value) else None


def _measure(read: _Reading, value: object, what: str, low: float, high: float) -> float | None:
    """A number within believable bounds; one outside is left out, and said."""
    number = _number(value)
    if number is None or low <= number <= high:
        return number
    read.says.append(f"{what} of {number:g} cannot be: left out")
    return None


def _table(value: object) -> Description:
    return value if isinstance(value, Mapping) else {}


def _word(value: object, words: Mapping[str, object]) -> str | None:
    plain = value.strip().lower() if isinstance(value, str) else None
    return plain if plain in words else None


def _geometry(read: _Reading, setup: Description) -> None:
    pot, reservoir = _table(setup.get("pot")), _table(setup.get("reservoir"))
    size = _measure(read, pot.get("size_cm"), "a pot size in cm", 2.0, 100.0)
    top = _measure(read, pot.get("top_diameter_mm"), "a pot diameter", 20.0, 1000.0) or (10.0 * size if size else None)
    if top is None:
        top = 120.0
        read.says.append(f"the size of the pot is not noted: taken as {quantity(12, 'cm')}")
    height = _measure(read, pot.get("height_mm"), "a pot height", 10.0, 2000.0) or 0.9 * top
    read.numbers["area_mm2"] = 0.25 * pi * top**2
    read.numbers["_top"], read.numbers["_height"] = top, height
    deep = _measure(read, reservoir.get("height_mm"), "a reservoir height", 5.0, 1000.0) or 60.0
    mark = _measure(read, reservoir.get("fill_mark_mm"), "a fill mark", 1.0, 1000.0) or 0.8 * deep
    surface = _measure(read, setup.get("surface_height_mm"), "a surface height", 10.0, 2000.0)
    above_water = _measure(read, setup.get("surface_to_water_mm"), "a surface above the water", 0.0, 2000.0)
    read.numbers["_mark"] = mark
    sd = MEASURED_SURFACE_SD_MM
    if surface is None and above_water is not None:
        surface = mark + above_water
    if surface is None:
        # the usual pot stands with its foot about at the fill mark
        layers = _thicknesses(setup)
        surface = mark + (sum(layers) if layers else height) - 10.0
        sd = GUESSED_SURFACE_SD_MM
        read.says.append("the height of the medium's surface is not noted: guessed from the pot and its reservoir")
    read.numbers["surface_height_mm"] = max(surface, 10.0)
    read.numbers["surface_sd_mm"] = sd
    read.numbers["water_ml_per_mm"] = _water_ml_per_mm(read, reservoir, mark, top)


def _water_ml_per_mm(read: _Reading, reservoir: Description, mark: float, top: float) -> float:
    """Water per mm of level: the area less what stands in it, or mL per mark."""
    fill = _measure(read, reservoir.get("fill_ml"), "a filling in mL", 5.0, 100_000.0)
    if fill:
        return fill / mark
    area = _measure(read, reservoir.get("area_mm2"), "a reservoir area", 50.0, 1e7) or 0.25 * pi * (1.1 * top) ** 2
    filled = min(max(_number(reservoir.get("medium_fraction")) or 0.0, 0.0), 1.0)
    # of the room taken by clay balls about half is left between them
    return area * WATER_ML_PER_MM3 * (1.0 - filled * (1.0 - MEDIA["expanded_clay"].vapour_filled))


def _thicknesses(setup: Description) -> list[float]:
    layers = setup.get("layers")
    if not isinstance(layers, Sequence):
        return []
    return [t for layer in layers if (t := _number(_table(layer).get("thickness_mm"))) and 0.0 < t <= 2000.0]


def _medium(read: _Reading, setup: Description) -> None:
    layers = setup.get("layers")
    told = [_table(layer) for layer in layers] if isinstance(layers, Sequence) and not isinstance(layers, str) else []
    for layer in told:
        mix = mix_constants(layer.get("mix", "unknown"), layer.get("grain"))
        if _number(layer.get("thickness_mm")) == 0.0:
            continue
        thickness = _measure(read, layer.get("thickness_mm"), "a layer", 0.1, 2000.0)
        if thickness is None:
            thickness = read.numbers["_height"] / max(len(told), 1)
        if mix.says:
            read.says.append(mix.says)
        read.layers.append((thickness, mix))
    if not read.layers:
        read.says.append("the medium is not noted: taken as an unknown mix")
        read.layers.append((read.numbers["_height"], mix_constants("unknown")))


def _cover(read: _Reading, setup: Description) -> None:
    cover = _table(setup.get("top_layer"))
    kind = str(cover.get("kind", "none"))
    thickness = _measure(read, cover.get("thickness_mm"), "a cover", 0.0, 500.0) or 0.0
    n = read.numbers
    n["cover_mm"], n["porous_cover_mm"] = 0.0, 0.0
    n["cover_vapour_filled"] = MEDIA["pebbles"].vapour_filled
    if kind.strip().lower() == "none" or thickness == 0.0:
        return
    replaces = bool(cover.get("replaces_medium", False))
    if replaces:
        _take_from_top(read, thickness)
        n["surface_height_mm"] = max(n["surface_height_mm"] - thickness, 10.0)
    if medium_named(kind) in NON_POROUS:
        n["cover_mm"] = thickness
        return
    # porous stones and moss wick: they lengthen the column instead of shielding it
    mix = mix_constants(kind, cover.get("grain"))
    if mix.says:
        read.says.append(mix.says)
    read.layers.insert(0, (thickness, mix))
    n["surface_height_mm"] += thickness
    n["porous_cover_mm"] = thickness


def _take_from_top(read: _Reading, thickness: float) -> None:
    left = thickness
    while len(read.layers) > 1 and read.layers[0][0] <= left:
        left -= read.layers.pop(0)[0]
    first, mix = read.layers[0]
    if first - left < 10.0:
        read.says.append("the cover replaces nearly all of the medium: check its thickness")
    read.layers[0] = (max(first - left, 10.0), mix)


def _holes(read: _Reading, setup: Description, shelf: Description) -> None:
    vents = setup.get("vents")
    n = read.numbers
    word = _word(vents, VENT_WORDS)
    table = _table(vents)
    count, diameter = VENT_WORDS[word] if word else (0, 8.0)
    sd = 0.5
    if table:
        count = int(_measure(read, table.get("count"), "a number of holes", 0.0, 1000.0) or 0)
        diameter = _measure(read, table.get("diameter_mm"), "a hole's diameter", 0.1, 200.0) or 8.0
        sd = 0.35
    elif word is None:
        read.says.append("holes are not noted: taken as none")
    n["vent_count"], n["vent_diameter_mm"] = float(max(count, 0)), diameter
    n["vent_wall_mm"] = _measure(read, table.get("wall_mm"), "a wall", 0.05, 50.0) or VENT_WALL_MM
    height = _measure(read, table.get("height_mm"), "a hole's height", 0.0, 2000.0)
    n["vent_height_mm"] = height or 0.6 * n["surface_height_mm"]
    n["vent_share"] = VENT_SHARE_UNTOLD if height is None else _vent_share(n["surface_height_mm"], height, n["_mark"])
    n["vent_draught"] = AIR_WORDS.get(_word(shelf.get("air"), AIR_WORDS) or "", AIR_UNTOLD)[2]
    n["vent_log_sd"] = sd


def _vent_share(surface: float, height: float, mark: float) -> float:
    """Share of the holes' loss that is missing at the top: what a hole takes is only lifted as far as the hole.

    In the balance of capillary force (see `dry_layer`) that is (hole / line)^n, heights above the water, here for a
    half-full reservoir and a usual dry layer. Holes at the line or above it take all of theirs from the line.
    """
    water = 0.6 * mark
    line = max(surface - USUAL_DRY_MM - water, 10.0)
    return float(min(max((height - water) / line, 0.0), 1.0) ** SHARE_EXPONENT)


def _water_ways(read: _Reading, setup: Description) -> None:
    n = read.numbers
    wick = setup.get("wick", "one")
    table = _table(wick)
    word = _word(wick, WICK_WORDS)
    strands = (
        int(_measure(read, table.get("strands"), "a number of strands", 0.0, 100.0) or 0)
        if table
        else WICK_WORDS[word or "one"]
    )
    material = str(table.get("material", "")).strip().lower()
    per_strand = WICK_MATERIAL_MM_PER_ML_PER_DAY.get(material, WICK_USUAL_MM_PER_ML_PER_DAY)
    n["wick_mm_per_ml_per_day"] = per_strand / strands if strands > 0 else 0.0
    n["wick_log_sd"] = 0.6
    foot = n["surface_height_mm"] - sum(thickness for thickness, _ in read.layers)
    n["lowest_fed_level_mm"] = LAST_WATER_MM if strands > 0 else max(foot, LAST_WATER_MM)
    gap = GAP_WORDS_MM[_word(setup.get("gap"), GAP_WORDS_MM) or "none"]
    n["gap_area_mm2"] = pi * n["_top"] * gap
    n["gap_depth_mm"] = n["surface_height_mm"] + (
        _measure(read, setup.get("headroom_mm"), "a headroom", 0.0, 1000.0) or 0.0
    )


def _air(read: _Reading, shelf: Description) -> None:
    n = read.numbers
    n["boundary_s_per_m"], n["heat_film_s_per_m"], _ = AIR_WORDS.get(
        _word(shelf.get("air"), AIR_WORDS) or "", AIR_UNTOLD
    )
    watts, usual_hours = HEAT_WORDS[_word(shelf.get("heat"), HEAT_WORDS) or "none"]
    told = _number(shelf.get("hours_per_day"))
    hours = usual_hours if told is None else min(max(told, 0.0), 24.0)
    n["absorbed_w_per_m2"] = watts * hours / 24.0


def _plant(read: _Reading, pot: Description) -> None:
    n = read.numbers
    likes = LIKES_UPTAKE.get(str(pot.get("likes", "")).strip().lower(), 1.0)
    n["uptake_ml_per_day_at_1_kpa"] = UPTAKE_ML_PER_DAY_PER_DM2 * likes * n["area_mm2"] * 1e-4
    n["uptake_log_sd"] = 0.6
    n["uptake_share"] = UPTAKE_SHARE
    del n["_top"], n["_height"], n["_mark"]
