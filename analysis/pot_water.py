"""The water of one pot: what its sensor and its notes say of level, refills and use.

Owns the order of the steps: clean the levels, find the jumps, join them with notes, estimate the use. How each is
done stands in `levels.py`, `refills.py` and `water_use.py`. It knows no store and no pot by name.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.held_series import DAY_MS, BoolArray, FloatArray, IntArray
from analysis.levels import BookLevel, CleanLevels, cleaned, level_by_the_book
from analysis.refills import Jumps, find_jumps, usual_fall_mm_per_day, with_notes
from analysis.reservoir import Vessel
from analysis.water_use import UseEstimate, WaterUse, estimate_use, use_within

MARK_SD_MM = 2.0
"""How well people meet a mark (common practice, no source)."""

LOOK_BACK_DAYS = 26
"""How much history one estimate leans on: the stretch of `water_use` and its margin."""


@dataclass(frozen=True)
class Fills:
    """Refills and flushes as noted; arrays (k,), ascending.

    level_mm: the level just after, where the note tells it (to the mark, read off, weighed), else NaN. amount_ml: what
    was poured, else NaN. is_flush: water went through from the top.
    """

    time_ms: IntArray
    level_mm: FloatArray
    amount_ml: FloatArray
    is_flush: BoolArray


@dataclass(frozen=True)
class MeasuredWater:
    """What a pot's level sensor tells. `estimate` is None where there are too few readings to tell any use."""

    vessel: Vessel
    levels: CleanLevels
    jumps: Jumps
    estimate: UseEstimate | None


def measured_water(
    vessel: Vessel,
    time_ms: IntArray,
    level_mm: FloatArray,
    fills: Fills,
    start_ms: int,
    at_ms: int,
    temperature: tuple[IntArray, FloatArray] | None = None,
) -> MeasuredWater:
    """Levels, refills and use of a pot with a level sensor, from `start_ms` up to `at_ms`.

    time_ms, level_mm: (n,) ascending, NaN where the sensor failed. temperature: times and degC of the shelf's air.
    """
    levels = cleaned(time_ms, level_mm)
    fall = usual_fall_mm_per_day(levels)
    jumps, _ = with_notes(find_jumps(levels, fall), levels, fills.time_ms, fills.is_flush)
    if not levels.time_ms.size or not np.isfinite(fall):
        return MeasuredWater(vessel, levels, jumps, None)
    begin_ms = max(start_ms, int(levels.time_ms[0]))
    estimate = estimate_use(
        levels, jumps, vessel, begin_ms, at_ms, fall * vessel.ml_per_mm, temperature, _marks(jumps, fills)
    )
    return MeasuredWater(vessel, levels, jumps, estimate)


def _marks(jumps: Jumps, fills: Fills) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """Levels known from notes of refills that no reading saw."""
    unseen = jumps.in_gap & (jumps.note >= 0)
    note = jumps.note[unseen]
    told = np.isfinite(fills.level_mm[note])
    if not told.any():
        return None
    # The level of the note is the one just after the jump.
    return jumps.time_ms[unseen][told] + 1, fills.level_mm[note][told], np.full(int(told.sum()), MARK_SD_MM)


def use_per_day(water: MeasuredWater, from_ms: IntArray, until_ms: IntArray) -> WaterUse:
    """Use within spans, silent with its reason where the sensor does not carry it."""
    if water.estimate is None:
        nothing = np.full(np.shape(from_ms), np.nan)
        reason = np.full(np.shape(from_ms), "too few readings")
        return WaterUse(from_ms, until_ms, nothing, nothing, nothing, np.zeros(np.shape(from_ms)), reason)
    return use_within(water.estimate, from_ms, until_ms)


def last_full_days(at_ms: int, day_starts_ms: int, days: int = 7) -> tuple[IntArray, IntArray]:
    """The last `days` full days before a moment as one span, (1,) and (1,); days begin `day_starts_ms` past UTC's."""
    until = (at_ms - day_starts_ms) // DAY_MS * DAY_MS + day_starts_ms
    return np.array([until - days * DAY_MS], np.int64), np.array([until], np.int64)


def book_water(
    vessel: Vessel, fills: Fills, moment_ms: IntArray, expected_use_ml_per_day: npt.ArrayLike, use_share_sd: float
) -> BookLevel:
    """The level of a pot without a sensor at moments (m,) ascending, from its notes and the use that is expected of it.

    expected_use_ml_per_day: (m,) or one number. use_share_sd: how far off the expectation may be, as a share of it.
    """
    use = np.broadcast_to(np.asarray(expected_use_ml_per_day, np.float64), np.shape(moment_ms))
    rise = np.where(np.isfinite(fills.amount_ml), fills.amount_ml / vessel.ml_per_mm, np.nan)
    return level_by_the_book(
        moment_ms,
        fills.time_ms,
        fills.level_mm,
        rise,
        np.nan_to_num(use) / vessel.ml_per_mm,
        fill_error_mm=MARK_SD_MM,
        fall_error_share=use_share_sd,
    )

