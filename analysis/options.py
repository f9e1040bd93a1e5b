"""What could be changed about a pot: every option of the guide as a changed description, smallest step first.

The picture. An option is a set-up (and sometimes a shelf, a level, or water from the top) that the pot could have
instead of its own. Options are ordered by how much of a step they are: for the grower's hands, for the plant, and by
how hard they are to take back. The guide takes the first that suffices.

What an option does is for `guide.py`; this file only knows descriptions (the dicts of the design) and which options
make sense for them: pebbles go on top within the headroom, holes can only be closed where there are some.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.setups import VENT_WORDS, WICK_WORDS

Description = Mapping[str, object]

PEBBLES_MM = (10, 20, 30)
AT_A_REPOT = "at the next repot"
"""How the words of a step end that cannot be taken before."""
_UNTOLD_HEADROOM_MM = 15.0
_MOSS_MM = 20.0
_SHORTER_MM = 20.0
_RETENTIVE_MIX = {"porous_ceramic": 0.5, "lava_rock": 0.5}


@dataclass(frozen=True)
class Option:
    """One change: its words, which risk it answers, and what it alters.

    against: "dry", "wet" or "" (leave). setup, shelf: the descriptions as they would be. level: how the level is kept:
    "as now", "fuller", "lower". watered: "" | "once" | "rounds" (from the top). vpd_times: on the shelf's dryness.
    move_to: label of another shelf. setup_change: the set-up keys that a logbook would record. lasting: whether it goes
    on working by itself. caution: a short one, or "".
    """

    change: str
    against: str
    setup: Description
    shelf: Description
    setup_change: Description = field(default_factory=dict)
    level: str = "as now"
    watered: str = ""
    vpd_times: float = 1.0
    move_to: str | None = None
    lasting: bool = True
    caution: str = ""


ORDER = (
    "leave", "flush from the top", "keep it fuller", "keep it lower", "water from the top at each round",
    "close half of the holes", "close all holes", "open holes", "take the cover off",
    "pebbles 10 mm", "pebbles 20 mm", "pebbles 30 mm", "damp moss collar", "second wick", "new wick",
    "moister air on the shelf", "shield from radiator or fan", "move", "pebbles 20 mm in place of medium",
    "shorter column at the next repot", "taller column at the next repot", "more retentive mix at the next repot",
)  # fmt: skip
"""Every option, smallest step first."""

_PEBBLE_CAUTION = "Rinse and test for lime; never over crown or rhizome; mind top-heavy pots."
_HOLE_CAUTION = "Empty the pot first; mind cuts, and fumes when melting."
_MOVE_CAUTION = "Mind its light and warmth there, and look for pests before it meets new neighbours."
_REPOT_CAUTION = "One plant, one tool, one water; keep the dust of dry media out of your lungs."


def options_for(
    setup: Description, shelf: Description, moister: str | None = None, there: Description | None = None
) -> list[Option]:
    """The options that make sense for a pot, smallest step first, "leave" always among them.

    setup, shelf: its descriptions. moister: label of the moister shelf to which it could move, if there is one, and
    there: how that shelf is described (as its own where nobody says).
    """
    found = [
        Option("leave", "", setup, shelf),
        Option("flush from the top", "dry", setup, shelf, watered="once", lasting=False),
        Option("keep it fuller", "dry", setup, shelf, level="fuller"),
        Option("keep it lower", "wet", setup, shelf, level="lower"),
        Option("water from the top at each round", "dry", setup, shelf, watered="rounds"),
        *_holes(setup, shelf),
        *_covers(setup, shelf),
        *_wicks(setup, shelf),
        Option("moister air on the shelf", "dry", setup, shelf, vpd_times=0.7),
        *_air(setup, shelf, moister, shelf if there is None else there),
        *_repots(setup, shelf),
    ]
    return sorted(found, key=lambda option: ORDER.index("move" if option.move_to else option.change))


def change_in_words(before: Description, after: Description) -> list[str]:
    """What a recorded change of set-up was, in the words of the options, so that notes and advice speak of the same.

    A cover of pebbles counts with the nearest of the depths advised. Other changes have words of their own
    ("repot", "move", "wick taken out"); nothing changed gives an empty list.
    """
    return [
        words
        for words in (
            _cover_in_words(_table(before.get("top_layer")), _table(after.get("top_layer"))),
            _holes_in_words(_count_of_holes(before.get("vents")), _count_of_holes(after.get("vents"))),
            _wick_in_words(_strands(before), _strands(after)),
            "repot" if before.get("layers") != after.get("layers") else "",
            "move" if before.get("shelf") != after.get("shelf") else "",
        )
        if words
    ]


def _cover_in_words(before: Description, after: Description) -> str:
    kind, thickness = _cover_of(after)
    if _cover_of(before) == (kind, thickness):
        return ""
    if kind == "none":
        return "take the cover off"
    if kind == "sphagnum_moss":
        return "damp moss collar"
    if kind != "pebbles":
        return f"cover of {kind.replace('_', ' ')}"
    nearest = min(PEBBLES_MM, key=lambda depth: abs(depth - thickness))
    return f"pebbles {nearest} mm" + (" in place of medium" if after.get("replaces_medium") else "")


def _cover_of(cover: Description) -> tuple[str, float]:
    kind, thickness = str(cover.get("kind", "none")), _number(cover.get("thickness_mm"), 0.0)
    return ("none", 0.0) if kind == "none" or thickness == 0 else (kind, thickness)


def _holes_in_words(before: int, after: int) -> str:
    if before == after:
        return ""
    if after > before:
        return "open holes"
    return "close all holes" if after == 0 else "close half of the holes"


def _wick_in_words(before: int, after: int) -> str:
    if before == after:
        return ""
    if after < before:
        return "wick taken out"
    return "second wick" if before == 1 else "new wick"


def depth_above_medium_mm(setup: Description) -> float:
    """Thickness of a porous cover, which counts as medium in a dry depth but holds no roots."""
    cover = _table(setup.get("top_layer"))
    kind = str(cover.get("kind", "none"))
    return 0.0 if kind in ("none", "pebbles") else _number(cover.get("thickness_mm"), 0.0)


def _changed(
    setup: Description, shelf: Description, words: str, against: str, change: Description, caution: str = ""
) -> Option:
    return Option(words, against, {**setup, **change}, shelf, setup_change=change, caution=caution)


def _holes(setup: Description, shelf: Description) -> list[Option]:
    table = _vents_of(setup.get("vents"))
    count = int(_number(table.get("count"), 0.0))
    wider = {"count": max(2 * count, 12), "diameter_mm": _number(table.get("diameter_mm"), 8.0)}
    found = [_changed(setup, shelf, "open holes", "wet", {"vents": {**table, **wider}}, _HOLE_CAUTION)]
    if count > 0:
        half = {"vents": {**table, "count": count // 2}}
        found += [
            _changed(setup, shelf, "close half of the holes", "dry", half),
            _changed(setup, shelf, "close all holes", "dry", {"vents": "none"}),
        ]
    return found


def _vents_of(vents: object) -> dict[str, object]:
    if isinstance(vents, str):
        count, diameter_mm = VENT_WORDS.get(vents.strip().lower(), (0, 8.0))
        return {"count": count, "diameter_mm": diameter_mm} if count else {"count": 0}
    return _table(vents)


def _count_of_holes(vents: object) -> int:
    return int(_number(_vents_of(vents).get("count"), 0.0))


def _strands(setup: Description) -> int:
    wick = setup.get("wick", "one")
    table = _table(wick)
    return int(_number(table.get("strands"), 0.0)) if table else WICK_WORDS.get(str(wick).strip().lower(), 1)


def _covers(setup: Description, shelf: Description) -> list[Option]:
    cover = _table(setup.get("top_layer"))
    kind, thickness = str(cover.get("kind", "none")), _number(cover.get("thickness_mm"), 0.0)
    bare = {"top_layer": {"kind": "none", "thickness_mm": 0.0, "replaces_medium": False}}
    covered = kind != "none" and thickness > 0
    found = [_changed(setup, shelf, "take the cover off", "wet", bare)] if covered else []
    if covered and bool(cover.get("replaces_medium", False)):
        return found  # taking it off leaves a hole in the column: what goes on top of that is a repot
    # what is there now makes room: covers are measured from the medium
    headroom = _number(setup.get("headroom_mm"), _UNTOLD_HEADROOM_MM) + (thickness if covered else 0.0)
    for depth in PEBBLES_MM:
        if depth <= headroom and not (kind == "pebbles" and thickness >= depth):
            layer = {"kind": "pebbles", "thickness_mm": float(depth), "replaces_medium": False}
            words = f"pebbles {depth} mm"
            found.append(_changed(setup, shelf, words, "dry", {"top_layer": layer}, _PEBBLE_CAUTION))
    if kind != "sphagnum_moss" and headroom >= _MOSS_MM:
        moss = {"kind": "sphagnum_moss", "thickness_mm": _MOSS_MM, "replaces_medium": False}
        found.append(_changed(setup, shelf, "damp moss collar", "dry", {"top_layer": moss}))
    if not covered:
        inlaid = {"kind": "pebbles", "thickness_mm": 20.0, "replaces_medium": True}
        words = "pebbles 20 mm in place of medium"
        found.append(_changed(setup, shelf, words, "dry", {"top_layer": inlaid}, _PEBBLE_CAUTION))
    return found


def _wicks(setup: Description, shelf: Description) -> list[Option]:
    table, strands = _table(setup.get("wick", "one")), _strands(setup)
    if strands == 0:
        return [_changed(setup, shelf, "new wick", "dry", {"wick": {"strands": 1, "material": "microfibre"}})]
    more = {**table, "strands": strands + 1}
    return [_changed(setup, shelf, "second wick" if strands == 1 else "new wick", "dry", {"wick": more})]


def _air(setup: Description, shelf: Description, moister: str | None, there: Description) -> list[Option]:
    found = []
    if shelf.get("air") == "draughty" or shelf.get("heat") == "sun":
        calm = {**shelf, "air": "gentle", "heat": "none" if shelf.get("heat") == "sun" else shelf.get("heat", "none")}
        found.append(Option("shield from radiator or fan", "dry", setup, calm))
    if moister is not None:
        found.append(
            Option(
                f"move to {moister}", "dry", {**setup, "shelf": moister}, there, setup_change={"shelf": moister},
                move_to=moister, caution=_MOVE_CAUTION,
            )
        )  # fmt: skip
    return found


def _repots(setup: Description, shelf: Description) -> list[Option]:
    raw = setup.get("layers")
    layers = [dict(_table(layer)) for layer in raw] if isinstance(raw, (list, tuple)) else []
    surface = _number(setup.get("surface_height_mm"), 0.0)
    found = []
    if layers:
        retentive = {"layers": [{**layer, "mix": _RETENTIVE_MIX} for layer in layers]}
        found.append(_changed(setup, shelf, "more retentive mix at the next repot", "dry", retentive, _REPOT_CAUTION))
    lowest = _number(layers[-1].get("thickness_mm"), 0.0) if layers else 0.0
    if surface and lowest > _SHORTER_MM + 20:
        for words, against, by in (
            ("shorter column at the next repot", "dry", -_SHORTER_MM),
            ("taller column at the next repot", "wet", _SHORTER_MM),
        ):
            moved = [*layers[:-1], {**layers[-1], "thickness_mm": lowest + by}]
            change = {"layers": moved, "surface_height_mm": surface + by}
            found.append(_changed(setup, shelf, words, against, change, _REPOT_CAUTION))
    return found


def _table(value: object) -> dict[str, object]:
    return dict(value) if isinstance(value, Mapping) else {}


def _number(value: object, otherwise: float) -> float:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else otherwise
