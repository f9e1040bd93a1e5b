"""Many invented pots on invented shelves: set-ups as a grower would write them, and the truth behind them.

Owns the spread of the invented world. Between pots of one mix the height at 1 mm/d spreads with a log-sd of about 0.33:
0.27 in the height scale, 0.85 in the conductivity scale (which moves the height by its fourth root), and 0.08 that all
pots of a world share for one medium. Vapour diffusivity spreads by 0.2, the air film by 0.15, the wick by 0.3, the
plant's uptake by 0.6. Surface heights are written down with an error of 1 mm (sd). It must not know how water moves.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from simulated_feeds.climate import Air, saturation_kpa
from simulated_feeds.noise import key_of, one_normal, one_uniform
from simulated_feeds.pots import Hidden, Pot, Setup, Shelf, World

HEIGHT_LOG_SD = 0.27
CONDUCTIVITY_LOG_SD = 0.85
WORLD_LOG_SD = 0.08
PLANTS = (
    ("Cattleya", "airy", "thick"),
    ("Dendrobium", "even", "fine"),
    ("Oncidium", "even", "fine"),
    ("Paphiopedilum", "wetter", "thick"),
    ("Bulbophyllum", "wetter", "fine"),
    ("Zygopetalum", "wetter", "thick"),
    ("Coelogyne", "even", "fine"),
    ("Miltoniopsis", "wetter", "fine"),
)
ZOO_MIXES: tuple[Mapping[str, float], ...] = (
    {"expanded_clay": 1.0},
    {"expanded_clay": 1.0},
    {"lava_rock": 1.0},
    {"pumice": 1.0},
    {"expanded_clay": 0.5, "lava_rock": 0.3, "pumice": 0.2},
    {"expanded_clay": 0.5, "lava_rock": 0.5},
    {"lava_rock": 0.6, "pumice": 0.4},
    {"porous_ceramic": 0.5, "lava_rock": 0.5},
    {"perlite": 0.4, "expanded_clay": 0.6},
)


def hidden_of(seed: int, key: int, mix: Mapping[str, float], likes: str, roots: str, across_mm: float) -> Hidden:
    """Draw what is hidden of a pot."""
    total = sum(mix.values())
    shared = sum(share / total * one_normal(seed, "world", medium) for medium, share in mix.items()) * WORLD_LOG_SD
    usual_ml = 3.2 * (across_mm / 120.0) ** 2 * {"airy": 0.8, "even": 1.0, "wetter": 1.2}[likes]
    return Hidden(
        key=key,
        height_scale=float(np.exp(shared + HEIGHT_LOG_SD * one_normal(seed, "height", key))),
        conductivity_scale=float(np.exp(CONDUCTIVITY_LOG_SD * one_normal(seed, "conductivity", key))),
        vapour_scale=float(1.25 * np.exp(0.2 * one_normal(seed, "vapour", key))),
        film_scale=float(np.exp(0.15 * one_normal(seed, "film", key))),
        wick_scale=float(np.exp(0.3 * one_normal(seed, "wick", key))),
        plant_ml_per_day=float(usual_ml * np.exp(0.6 * np.clip(one_normal(seed, "plant", key), -2.0, 2.0))),
        night_share=0.75 if one_uniform(seed, "rhythm", key) < 0.6 else 0.35,
        rooting_depth_mm=float({"thick": 22.0, "fine": 17.0}[roots] * np.exp(0.2 * one_normal(seed, "rooting", key))),
        refill_below=0.45 + 0.45 * one_uniform(seed, "habit", key),
    )


def random_shelf(seed: int, number: int) -> Shelf:
    """A shelf whose VPD lies, in the mean of the year, between 0.25 and 2.1 kPa, evenly on a log scale."""
    label = f"shelf {number + 1}"

    def draw(name: str) -> float:
        return one_uniform(seed, label, name)

    warm = 17.0 + 8.0 * draw("warm")
    vpd = 0.25 * (2.1 / 0.25) ** draw("dry")
    saturated = float(saturation_kpa(np.array(warm)))
    vpd = min(vpd, 0.75 * saturated)
    word = ("still", "gentle", "draughty")[min(int(3.0 * draw("air")), 2)]
    speed = {"still": 0.05, "gentle": 0.12, "draughty": 0.4}[word] * float(np.exp(0.2 * one_normal(seed, label, "u")))
    heat = ("none", "none", "none", "lamp", "sun", "heat_mat")[min(int(6.0 * draw("heat")), 5)]
    hours = {"none": 0.0, "lamp": 12.0, "sun": 4.0, "heat_mat": 24.0}[heat]
    humid = vpd < 0.5
    return Shelf(
        label=label,
        air=word,
        heat=heat,
        hours_per_day=hours,
        climate=Air(
            temperature_c=warm,
            season_c=2.0 * draw("season"),
            day_c=(0.6 if humid else 0.8) + 1.2 * draw("day"),
            weather_c=0.4 + 0.6 * draw("weather"),
            vapour_kpa=saturated - vpd,
            season_vapour=0.12 * draw("season vapour"),
            weather_vapour=0.02 if humid else 0.04 + 0.06 * draw("weather vapour"),
            speed_m_per_s=speed,
            sun_w_per_m2=110.0 if heat == "sun" else 0.0,
            lamp_w_per_m2=30.0 if heat == "lamp" else 0.0,
            mat_w_per_m2=30.0 if heat == "heat_mat" else 0.0,
        ),
    )


def random_setup(seed: int, key: int, shelf: str, from_ms: int) -> tuple[dict[str, Any], Mapping[str, float]]:
    """A wick-fed pot in numbers as it truly stands, and its main mix."""

    def draw(name: str) -> float:
        return one_uniform(seed, name, key)

    mix = ZOO_MIXES[min(int(len(ZOO_MIXES) * draw("mix")), len(ZOO_MIXES) - 1)]
    across = float(round(95 + 60 * draw("across")))
    mark = float(round(35 + 20 * draw("mark")))
    top_mm = float(round(62 + 40 * draw("top")))
    air_gap = float(round(4 + 14 * draw("air gap")))
    surface = mark + top_mm
    column = surface - mark - air_gap
    layered = draw("layered") < 0.3
    main = {"grain": ("fine", "medium", "medium", "coarse")[min(int(4 * draw("grain")), 3)], "mix": dict(mix)}
    if layered:
        second = ZOO_MIXES[min(int(len(ZOO_MIXES) * draw("second mix")), len(ZOO_MIXES) - 1)]
        upper = round(column * (0.3 + 0.3 * draw("upper")))
        layers = [
            {"thickness_mm": float(upper), **main},
            {"thickness_mm": column - upper, "grain": "medium", "mix": dict(second)},
        ]
    else:
        layers = [{"thickness_mm": column, **main}]
    cover: dict[str, Any] = {"kind": "none", "thickness_mm": 0.0, "replaces_medium": False}
    if draw("cover") < 0.3:
        cover = {
            "kind": "pebbles" if draw("kind") < 0.8 else "lava_rock",
            "thickness_mm": 10.0 + 5.0 * int(3 * draw("thick")),
            "replaces_medium": draw("replaces") < 0.4,
        }
    vents: dict[str, Any] | str = "none"
    if draw("vents") < 0.7:
        vents = {
            "count": int(4 + 18 * draw("count")),
            "diameter_mm": float(round(5 + 4 * draw("diameter"))),
            "wall_mm": 1.5,
            "height_mm": float(round(surface - column * (0.35 + 0.6 * draw("at")))),
        }
    setup = {
        "from_ms": from_ms,
        "shelf": shelf,
        "pot": {
            "top_diameter_mm": across,
            "bottom_diameter_mm": float(round(across * 0.8)),
            "height_mm": column + 25.0,
        },
        "reservoir": {
            "area_mm2": float(round(across**2 * (0.45 + 0.4 * draw("reservoir")))),
            "height_mm": mark + 12.0,
            "fill_mark_mm": mark,
            "medium_fraction": 0.0 if draw("free") < 0.7 else 1.0,
        },
        "surface_height_mm": surface,
        "layers": layers,
        "top_layer": cover,
        "headroom_mm": 25.0,
        "vents": vents,
        "wick": {"strands": 1 + int(3 * draw("strands")), "material": "microfibre"},
        "gap": ("none", "narrow", "wide")[min(int(3 * draw("gap")), 2)],
    }
    return setup, mix


def as_written(seed: int, key: int, setup: Setup) -> dict[str, Any]:
    """The set-up as its grower wrote it down: heights off by a millimetre, now and then words instead of numbers."""
    error = float(np.clip(one_normal(seed, "ruler", key), -2.0, 2.0))
    surface = float(setup["surface_height_mm"]) + round(2.0 * error) / 2.0
    written = {**setup, "surface_height_mm": surface}
    if one_uniform(seed, "words", key) < 0.15:
        written["wick"] = {1: "one"}.get(setup["wick"]["strands"], "several")
        if isinstance(setup["vents"], dict):
            written["vents"] = "few" if setup["vents"]["count"] < 12 else "many"
    return written


def zoo(seed: int, count: int, *, shelves: int = 12, from_ms: int = 1_760_000_400_000) -> World:
    """`count` random pots on random shelves; set-ups are dated `from_ms`."""
    homes = tuple(random_shelf(seed, number) for number in range(min(shelves, count)))
    pots = []
    for number in range(count):
        label = f"pot {number + 1}"
        key = key_of(label)
        genus, likes, roots = PLANTS[number % len(PLANTS)]
        home = homes[number % len(homes)]
        setup, mix = random_setup(seed, key, home.label, from_ms)
        hidden = hidden_of(seed, key, mix, likes, roots, setup["pot"]["top_diameter_mm"])
        pots.append(Pot(label, genus, likes, roots, (as_written(seed, key, setup),), (setup,), hidden))
    return World(homes, tuple(pots))
