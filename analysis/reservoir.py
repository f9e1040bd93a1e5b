"""What a water level means: millilitres in a reservoir, from whatever a person could say about its shape.

Level, mass and float switch all end here as mm of water above the floor and mL of water. A reservoir is
described by its area, by pouring from empty to the mark and reading the jug, or by pouring in steps. This file
knows no time beyond what a mass series needs, and no noise: `levels.py` cleans, `refills.py` tells events
apart, `water_use.py` turns levels into use.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.held_series import FloatArray, IntArray

USUAL_FILL_MARK_SHARE = 0.85
"""Where people fill to when no mark is told: a guess, 15 % below the rim."""

SOLID_SHARE_OF_A_BED = 0.52
"""Of a bed of expanded clay 8-20 mm, 0.48 is open between the grains (1 less bulk over grain density, both as
declared for such clay); other stones of one size are within 0.05."""

GRAMS_PER_ML = 1.0
"""Tap water at room temperature is within 0.4 % of it, feed within 0.5 %."""


@dataclass(frozen=True)
class Vessel:
    """How much water stands below each level.

    level_mm, water_ml: (k,), k >= 2, both ascending from (0, 0); between the points water rises in a straight
    line, above the last it goes on with the last slope. fill_mark_mm: where "filled to the mark" is.
    """

    level_mm: FloatArray
    water_ml: FloatArray
    fill_mark_mm: float

    @property
    def capacity_ml(self) -> float:
        """Water from empty to the mark."""
        return float(water_ml(self, self.fill_mark_mm))

    @property
    def ml_per_mm(self) -> float:
        """Water that a millimetre is worth, averaged up to the mark."""
        return self.capacity_ml / self.fill_mark_mm


def vessel_by_area(area_mm2: float, fill_mark_mm: float, medium_fraction: float = 0.0) -> Vessel:
    """A reservoir with upright walls.

    area_mm2: of the cross-section. medium_fraction: the share of the space below the mark that is filled with
    stones or medium, 0 (free water) to 1; the grains themselves keep SOLID_SHARE_OF_A_BED of it from the water.
    Raises ValueError in one sentence.
    """
    _positive(area_mm2, "the reservoir's area")
    _positive(fill_mark_mm, "the fill mark")
    if not 0 <= medium_fraction <= 1:
        raise ValueError("the share of medium in the reservoir must be between 0 and 1")
    full_ml = area_mm2 * fill_mark_mm * (1 - SOLID_SHARE_OF_A_BED * medium_fraction) / 1000
    return Vessel(np.array([0.0, fill_mark_mm]), np.array([0.0, full_ml]), fill_mark_mm)


def vessel_by_pouring(fill_ml: float, fill_mark_mm: float) -> Vessel:
    """A reservoir known by pouring from empty to the mark and reading the mL; the walls are taken as upright."""
    _positive(fill_ml, "the water poured to the mark")
    _positive(fill_mark_mm, "the fill mark")
    return Vessel(np.array([0.0, fill_mark_mm]), np.array([0.0, fill_ml]), fill_mark_mm)


def vessel_by_steps(steps: Sequence[Sequence[float]], fill_mark_mm: float | None = None) -> Vessel:
    """A reservoir known by pouring in steps: pairs of (level mm, mL poured so far), both ascending.

    (0, 0) is added when absent; the mark is the last level unless told.
    """
    pairs = [(float(level), float(poured)) for level, poured in steps]
    if not pairs or pairs[0][0] != 0:
        pairs.insert(0, (0.0, 0.0))
    level, poured = (np.array(column) for column in zip(*pairs, strict=True))
    if level.size < 2 or np.any(np.diff(level) <= 0) or np.any(np.diff(poured) <= 0) or poured[0] < 0:
        raise ValueError("a table of levels and mL must rise from empty in both columns")
    mark = float(level[-1]) if fill_mark_mm is None else fill_mark_mm
    _positive(mark, "the fill mark")
    return Vessel(level, poured, mark)


def vessel_of(reservoir: Mapping[str, object]) -> Vessel:
    """The vessel of a set-up's `reservoir` table, whichever way a person described it.

    Keys: `steps` (pairs of mm, mL), or `fill_ml`, or `area_mm2` with `medium_fraction`; with `fill_mark_mm`, or
    `height_mm` of which the usual mark is taken. A jug is better than a ruler, so `steps` win over `fill_ml`
    and that over the area. Raises ValueError in one sentence when nothing gives an amount.
    """
    height = _number(reservoir, "height_mm")
    told_mark = _number(reservoir, "fill_mark_mm")
    mark = told_mark if told_mark is not None else (height * USUAL_FILL_MARK_SHARE if height is not None else None)
    steps = reservoir.get("steps")
    if isinstance(steps, Sequence) and not isinstance(steps, str):
        return vessel_by_steps(steps, mark)
    if mark is None:
        raise ValueError("the reservoir needs a fill mark or a height")
    poured = _number(reservoir, "fill_ml")
    if poured is not None:
        return vessel_by_pouring(poured, mark)
    area = _number(reservoir, "area_mm2")
    if area is not None:
        return vessel_by_area(area, mark, _number(reservoir, "medium_fraction") or 0.0)
    raise ValueError("the reservoir needs its area, or the mL that fill it to the mark")


def water_ml(vessel: Vessel, level_mm: npt.ArrayLike) -> FloatArray:
    """Water below a level. level_mm: any shape, NaN stays; below the floor there is none. Returns mL."""
    level = np.asarray(level_mm, dtype=np.float64)
    last_slope = float((vessel.water_ml[-1] - vessel.water_ml[-2]) / (vessel.level_mm[-1] - vessel.level_mm[-2]))
    above = np.maximum(level - vessel.level_mm[-1], 0.0) * last_slope
    return np.asarray(np.interp(level, vessel.level_mm, vessel.water_ml) + above)[()]


def level_mm(vessel: Vessel, ml: npt.ArrayLike) -> FloatArray:
    """The level at which so much water stands. ml: any shape, NaN stays. Returns mm, the inverse of `water_ml`."""
    water = np.asarray(ml, dtype=np.float64)
    last_slope = float((vessel.level_mm[-1] - vessel.level_mm[-2]) / (vessel.water_ml[-1] - vessel.water_ml[-2]))
    above = np.maximum(water - vessel.water_ml[-1], 0.0) * last_slope
    return np.asarray(np.interp(water, vessel.water_ml, vessel.level_mm) + above)[()]


def level_from_mass_mm(
    vessel: Vessel, time_ms: IntArray, mass_g: FloatArray, full_ms: IntArray, full_mass_g: FloatArray
) -> FloatArray:
    """The level that a load cell under the pot implies, zeroed again at every "filled to the mark".

    time_ms, mass_g: (n,) ascending. full_ms, full_mass_g: (f,) ascending moments just after a filling to the
    mark, and the mass then. Each reading counts from the latest filling, so that growth of the plant, salts
    and creep of the cell since earlier ones drop out; readings before the first count back from it. All mass
    lost since is taken as water of the reservoir, so while the medium itself dries the level is too low by
    that little. Returns (n,) mm, NaN where no filling is known.
    """
    if not full_ms.size:
        return np.full(mass_g.shape, np.nan)
    filling = np.maximum(np.searchsorted(full_ms, time_ms, side="right") - 1, 0)
    lost_g = full_mass_g[filling] - mass_g
    return level_mm(vessel, np.maximum(vessel.capacity_ml - lost_g / GRAMS_PER_ML, 0.0))


def switch_crossings(time_ms: IntArray, is_low: FloatArray) -> tuple[IntArray, IntArray]:
    """When a float switch turned over to "low": the last moment it was not, and the first it was.

    time_ms: (n,) ascending; is_low: (n,) 1 for low, 0 for not, NaN for failed. Returns two arrays (c,): the
    level passed the switch between them. A failed reading between makes the moment unknown: no crossing.
    """
    low = np.asarray(is_low, dtype=np.float64)
    turned = np.flatnonzero((low[:-1] == 0) & (low[1:] == 1))
    return time_ms[turned], time_ms[turned + 1]


def _number(table: Mapping[str, object], key: str) -> float | None:
    value = table.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _positive(value: float, what: str) -> None:
    if not value > 0:
        raise ValueError(f"{what} must be more than nothing")
