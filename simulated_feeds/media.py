"""How the invented media hold and pass water: retention, conductivity and sorption as tables over water content.

Owns the truth's constants of media, mixes and grain sizes. Values are invented; their order and size follow what is
published about such media (pore space, water held, how high they lift). It must not know pots, shelves or time.

The relation is van Genuchten's retention with Mualem's conductivity for the pores inside and at the contacts of grains
(their n is 1.8-2.3), plus film flow along grain surfaces (falling with suction to the power -1.5), plus coarse pores
between grains that empty within millimetres of suction. Suction is scaled by the *height scale* of a medium: the height
in mm over which it still lifts 1 mm of water a day to a drying top. Water is counted in units of the water that the
grains of a bed can hold, so that one table serves every medium of the same n.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from simulated_feeds.noise import Floats

NODES = 480
WETTEST = 1.3
COARSE_PORES = 0.3
DRY_BELOW = 0.06
SORBED = 0.01
LOG_LOW, LOG_HIGH, LOG_STEPS = -3.0, 6.0, 900


@dataclass(frozen=True)
class Medium:
    """One medium of medium grain. `height_mm` is the height scale, `vapour` the space in the dry bed open to vapour."""

    height_mm: float
    shape_n: float
    grain_water: float
    vapour: float
    heat_w_per_m_k: float


MEDIA: Mapping[str, Medium] = {
    "expanded_clay": Medium(56.0, 2.05, 0.13, 0.50, 0.13),
    "lava_rock": Medium(79.0, 2.00, 0.17, 0.55, 0.18),
    "pumice": Medium(86.0, 1.95, 0.22, 0.60, 0.12),
    "porous_ceramic": Medium(110.0, 2.05, 0.28, 0.56, 0.22),
    "perlite": Medium(119.0, 1.90, 0.26, 0.65, 0.08),
    "zeolite": Medium(95.0, 2.05, 0.24, 0.50, 0.22),
    "bark": Medium(60.0, 1.85, 0.25, 0.58, 0.10),
    "charcoal": Medium(62.0, 1.95, 0.18, 0.58, 0.10),
    "coir": Medium(140.0, 1.80, 0.50, 0.60, 0.08),
    "sphagnum_moss": Medium(150.0, 1.80, 0.60, 0.60, 0.08),
    "sand": Medium(140.0, 2.20, 0.30, 0.40, 0.25),
    "pebbles": Medium(5.0, 2.20, 0.02, 0.42, 0.50),
}
GRAIN: Mapping[str, float] = {"fine": 0.5, "medium": 1.0, "coarse": 1.8}
GRAIN_POWER = -0.35  # of height in grain size
USUAL_GRAIN_MM = 8.0


def grain_height(grain: str | float) -> float:
    """How much higher (or less) a medium of this grain lifts than one of medium grain; a number is in mm."""
    relative = GRAIN[grain] if isinstance(grain, str) else grain / USUAL_GRAIN_MM
    return float(relative**GRAIN_POWER)


def blend(mix: Mapping[str, float], grain: str | float) -> Medium:
    """The medium that a mix by volume amounts to: heights multiply by shares, the rest adds by shares."""
    unknown = sorted(set(mix) - set(MEDIA))
    if unknown:
        raise ValueError(f"the simulated glasshouse knows no medium called {unknown[0]!r}")
    total = sum(mix.values())
    parts = [(share / total, MEDIA[name]) for name, share in mix.items()]
    height = np.exp(sum(share * np.log(part.height_mm) for share, part in parts)) * grain_height(grain)
    return Medium(
        height_mm=float(height),
        shape_n=round(sum(share * part.shape_n for share, part in parts) * 20.0) / 20.0,
        grain_water=sum(share * part.grain_water for share, part in parts),
        vapour=sum(share * part.vapour for share, part in parts),
        heat_w_per_m_k=sum(share * part.heat_w_per_m_k for share, part in parts),
    )


@dataclass(frozen=True)
class Table:
    """Relations of one n. `by_water` has, for each stretch between nodes of water content, the values of suction,
    flux potential, conductivity and humidity of the pore air at its lower node, then their slopes; `by_suction` has
    flux potential and conductivity over log10 of scaled suction. Suction is in height scales, conductivity in mm/d."""

    water: Floats
    by_water: Floats
    log_suction: Floats
    by_suction: Floats


def _grain_saturation(suction: Floats, shape_n: float) -> Floats:
    return np.asarray((1.0 + (3.0 * suction) ** shape_n) ** (1.0 / shape_n - 1.0))


def _coarse_saturation(suction: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + suction / 0.05) ** 2)


def _conductivity(suction: Floats, shape_n: float, saturated: float) -> Floats:
    m = 1.0 - 1.0 / shape_n
    grain = _grain_saturation(suction, shape_n)
    mualem = np.sqrt(grain) * (1.0 - (1.0 - grain ** (1.0 / m)) ** m) ** 2
    # beyond tiny saturations 1 - (1 - x)^m loses all digits; its limit m x does not
    mualem = np.where(grain ** (1.0 / m) < 1e-9, np.sqrt(grain) * (m * grain ** (1.0 / m)) ** 2, mualem)
    film = 0.004 * np.maximum(suction, 0.05) ** -1.5
    return np.asarray(saturated * mualem + film + 400.0 * _coarse_saturation(suction) ** 3)


def lift_height(flux_mm_per_day: float, shape_n: float) -> float:
    """Height (in height scales) over which a medium of this n lifts a steady flux to a very dry top."""
    return _lift_height(flux_mm_per_day, shape_n, _saturated_conductivity(shape_n))


def _lift_height(flux_mm_per_day: float, shape_n: float, saturated: float) -> float:
    suction = np.geomspace(1e-4, 1e4, 4000)
    reach = 1.0 / (1.0 + flux_mm_per_day / _conductivity(suction, shape_n, saturated))
    return float(np.trapezoid(reach * suction, np.log(suction)) + 1e-4)


@lru_cache(maxsize=64)
def _saturated_conductivity(shape_n: float) -> float:
    """The one that makes the height scale mean what it says: 1 mm/d over one height scale."""
    return float(np.exp(brentq(lambda x: _lift_height(1.0, shape_n, float(np.exp(x))) - 1.0, -5.0, 12.0)))


@lru_cache(maxsize=64)
def table_of(shape_n: float) -> Table:
    """The table for a van Genuchten n."""
    saturated = _saturated_conductivity(shape_n)
    suction = np.concatenate([[0.0], np.geomspace(10.0**LOG_LOW, 10.0**LOG_HIGH, 6000)])
    content = _grain_saturation(suction, shape_n) + COARSE_PORES * _coarse_saturation(suction)
    conductivity = _conductivity(suction, shape_n, saturated)
    pieces = 0.5 * (conductivity[1:] + conductivity[:-1]) * np.diff(suction)
    potential = np.concatenate([np.cumsum(pieces[::-1])[::-1], [0.0]])

    water = WETTEST * (np.arange(NODES + 1) / NODES) ** 3
    tension = np.interp(water, content[::-1], suction[::-1])
    values = np.stack(
        [
            tension,
            np.interp(tension, suction, potential),
            np.interp(tension, suction, conductivity),
            1.0 - np.exp(-water / SORBED),
        ]
    )
    slopes = np.diff(values) / np.diff(water)
    grid = np.linspace(LOG_LOW, LOG_HIGH, LOG_STEPS + 1)
    by_suction = np.stack([np.interp(10.0**grid, suction, potential), np.interp(10.0**grid, suction, conductivity)])
    return Table(
        water=water[:-1],
        by_water=np.ascontiguousarray(np.concatenate([values[:, :-1], slopes]).T),
        log_suction=grid,
        by_suction=np.ascontiguousarray(by_suction.T),
    )
