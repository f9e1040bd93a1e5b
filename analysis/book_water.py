"""One pot's water as of a moment where no sensor follows its level: a float switch, or notes alone.

Owns the use between two moments at which the level is known (filled to the mark, the float turned, amounts poured), and
the level reckoned from the last such moment on. The answer has the shape of `pot_water.PotWater`. Such figures are
rough, and say so by their intervals.
"""

import numpy as np

from analysis.held_series import DAY_MS, HOUR_MS, FloatArray, IntArray
from analysis.levels import EMPTY_BELOW_MM, level_by_the_book, silent_since_ms
from analysis.pot_water import (
    MARK_ERROR_MM,
    DailyUse,
    PotWater,
    Refill,
    RefillNotes,
    RestsOn,
    UsePerDay,
    full_days,
    no_notes,
    nothing_known,
    utc_midnights,
)
from analysis.reservoir import Vessel, level_mm, switch_crossings, water_ml
from analysis.water_use import MEASURED, NOT_PRECISE, Z_90, WaterUse

USUAL_FALL_MM_PER_DAY = 1.0
"""How fast a usual reservoir falls (assumed); it only decides which looks are worth reckoning with."""

SWITCH_ERROR_MM = 2.0
"""How far a float hangs before it turns (sd; common practice, no source)."""

BOOK_USE_ERROR = 0.4
"""How wrong an expected use may be for a pot that nothing was ever measured of, as a share (sd)."""

WEEK_TO_WEEK = 0.15
"""How far a week's use is from that of the weeks before it, as a share (sd); assumed."""

DOUBTED_BELOW, STOOD_BELOW = 0.2, 0.5
"""Use between notes below the first share of what is expected is doubted, and is told as a level that stood where even
at its most it is below the second (assumed)."""

TOO_ROUGH = "its notes are too rough for a use so small"
LEVEL_STOOD = "its level hardly fell between its notes, so a refill was not noted or it drinks nothing"

FORGOTTEN_REFILLS = 0.35
"""How much larger the use may have been because of refills that were not noted, as a share (sd, upwards); assumed."""


def switched_water(
    vessel: Vessel,
    time_ms: IntArray,
    is_low: FloatArray,
    switch_height_mm: float,
    at_ms: int,
    *,
    notes: RefillNotes | None = None,
    expected_use_ml_per_day: float = float("nan"),
    day_edges_ms: IntArray | None = None,
    declared_interval_ms: int | None = None,
    since_ms: int | None = None,
) -> PotWater:
    """Water of a pot with a float switch: from each filling to the mark until the float turned.

    time_ms, is_low: (n,) ascending; 1 = low, NaN = failed. switch_height_mm: the level at which it turns. Such an
    interval gives the use between the mark and the switch; below the switch the level is by the book. Other arguments
    as in `book_water`.
    """
    notes = (notes or no_notes()).until(at_ms)
    heard = time_ms <= at_ms
    before_ms, since_low_ms = switch_crossings(time_ms[heard], is_low[heard])
    turned_ms = (before_ms + since_low_ms) // 2
    full_ms = notes.time_ms[notes.to_mark]
    poured_ms = notes.time_ms[notes.pours]
    last_pour = np.searchsorted(poured_ms, turned_ms, side="right") - 1
    # Only if the last water before the float turned was a filling to the mark does the interval have two known ends.
    whole = (
        (last_pour >= 0) & np.isin(poured_ms[np.maximum(last_pour, 0)], full_ms) if poured_ms.size else last_pour > 0
    )
    from_ms, until_ms = poured_ms[last_pour[whole]], turned_ms[whole]
    used = vessel.capacity_ml - float(water_ml(vessel, switch_height_mm))
    sd = np.full(from_ms.size, np.hypot(MARK_ERROR_MM, SWITCH_ERROR_MM) * vessel.ml_per_mm)
    bracket = (since_low_ms - before_ms)[whole] / np.maximum(until_ms - from_ms, 1) / np.sqrt(12)
    sd = np.hypot(sd, bracket * used)
    intervals = _told_intervals(from_ms, until_ms, np.full(from_ms.size, used), sd)
    silent = silent_since_ms(time_ms[heard], at_ms, declared_interval_ms)
    # The float itself is a level: the moment it turns, the water stands at its height.
    seen = RefillNotes(
        np.concatenate((notes.time_ms, turned_ms)),
        np.concatenate((notes.amount_ml, np.full(turned_ms.size, np.nan))),
        np.concatenate((notes.to_mark, np.zeros(turned_ms.size, np.bool_))),
        np.concatenate((notes.level_mm, np.full(turned_ms.size, switch_height_mm))),
        np.concatenate((notes.is_flush, np.zeros(turned_ms.size, np.bool_))),
        np.concatenate((notes.errors_mm, np.full(turned_ms.size, SWITCH_ERROR_MM))),
    )
    order = np.argsort(seen.time_ms, kind="stable")
    seen = RefillNotes(*(getattr(seen, name)[order] for name in vars(seen)))
    return _by_the_book(
        vessel, seen, at_ms, expected_use_ml_per_day, intervals, day_edges_ms, since_ms, silent, "measured"
    )


def book_water(
    vessel: Vessel,
    notes: RefillNotes,
    at_ms: int,
    *,
    expected_use_ml_per_day: float = float("nan"),
    day_edges_ms: IntArray | None = None,
    since_ms: int | None = None,
) -> PotWater:
    """Water of a pot without a sensor, by the book of its notes.

    Two fillings to the mark in a row, the second with its amount, measure the use between them; so do a filling and a
    look at the gauge, or what was found before the next one (empty says only that it was all gone). Where nothing was
    measured the expected use (mL a day, for a pot like this in its air) carries the level, with a wide interval.
    since_ms: from when on levels are wanted (the first note unless given).
    """
    notes = notes.until(at_ms)
    intervals = _between_known_levels(vessel, notes)
    rests_on: RestsOn = "notes" if intervals.from_ms.size else "expected"
    return _by_the_book(
        vessel, notes, at_ms, expected_use_ml_per_day, intervals, day_edges_ms, since_ms, None, rests_on
    )


def _between_known_levels(vessel: Vessel, notes: RefillNotes) -> WaterUse:
    """Use from each moment at which the level is known to the next, where all that was poured between is known too."""
    told = np.where(notes.to_mark, vessel.fill_mark_mm, notes.level_mm)
    # after an amount on an unknown level nothing is known, and an empty reservoir may long have been so
    at = np.flatnonzero(np.isfinite(told) & (notes.to_mark | (notes.level_mm > EMPTY_BELOW_MM)))
    poured = np.where(np.isfinite(notes.amount_ml), notes.amount_ml, 0.0)
    poured_between, untold = np.cumsum(poured), np.cumsum(notes.pours & ~np.isfinite(notes.amount_ml))
    first, second = at[:-1], at[1:]
    whole = untold[second] == untold[first]
    water = np.asarray(water_ml(vessel, told))
    used = poured_between[second] - poured_between[first] + water[first] - water[second]
    errors = notes.errors_mm * vessel.ml_per_mm
    sd = np.sqrt(
        (0.1 * (poured_between[second] - poured_between[first])) ** 2 + errors[first] ** 2 + errors[second] ** 2
    )
    # a usual pot falls by about a mm a day: a look sooner than that is worth its error measures nothing. (To leave out
    # small falls themselves would make use look larger than it is.)
    days = (notes.time_ms[second] - notes.time_ms[first]) / DAY_MS
    whole &= (days >= notes.errors_mm[second] / USUAL_FALL_MM_PER_DAY) | notes.to_mark[second]
    used = np.maximum(used, 0.0)
    return _told_intervals(notes.time_ms[first[whole]], notes.time_ms[second[whole]], used[whole], sd[whole])


def _told_intervals(from_ms: IntArray, until_ms: IntArray, used_ml: FloatArray, sd_ml: FloatArray) -> WaterUse:
    return WaterUse(
        from_ms=from_ms,
        until_ms=until_ms,
        value_ml=used_ml,
        low_ml=np.maximum(used_ml - Z_90 * sd_ml, 0.0),
        high_ml=used_ml + Z_90 * sd_ml,
        known=np.ones(from_ms.size),
        reason=np.full(from_ms.size, MEASURED, dtype="U80"),
    )


def _recent_use(intervals: WaterUse, at_ms: int, days: float) -> tuple[float, float]:
    """Use a day and its sd from the intervals that reach into the last `days`, weighted by length; NaN if none."""
    recent = (intervals.until_ms > at_ms - days * DAY_MS) & (intervals.until_ms <= at_ms)
    if not np.any(recent):
        return float("nan"), float("nan")
    length = (intervals.until_ms - intervals.from_ms)[recent] / DAY_MS
    # the lower end may have been cut at nothing used
    sd = ((intervals.high_ml - intervals.value_ml) / Z_90)[recent]
    value = float(intervals.value_ml[recent].sum() / length.sum())
    return value, float(np.sqrt(np.sum(sd**2)) / length.sum())


def _by_the_book(
    vessel: Vessel,
    notes: RefillNotes,
    at_ms: int,
    expected_ml_per_day: float,
    intervals: WaterUse,
    day_edges_ms: IntArray | None,
    since_ms: int | None,
    silent: int | None,
    rests_on: RestsOn,
) -> PotWater:
    measured, measured_sd = _recent_use(intervals, at_ms, 21.0)
    doubted = rests_on == "notes" and measured < DOUBTED_BELOW * expected_ml_per_day
    stood = measured + Z_90 * measured_sd < STOOD_BELOW * expected_ml_per_day
    if doubted:
        measured, rests_on = float("nan"), "expected"
    daily = measured if np.isfinite(measured) else expected_ml_per_day
    error = max(measured_sd / max(measured, 1e-6), WEEK_TO_WEEK) if np.isfinite(measured) else BOOK_USE_ERROR
    if not notes.time_ms.size or not np.isfinite(daily):
        reason = "no notes of its water" if not notes.time_ms.size else "neither use nor expectation is known"
        return nothing_known(at_ms, reason)
    since = max(since_ms if since_ms is not None else int(notes.time_ms[0]), int(notes.time_ms[0]))
    first_ms = int(notes.time_ms[0])
    hour_ms = np.arange(first_ms // HOUR_MS, at_ms // HOUR_MS + 1, dtype=np.int64) * HOUR_MS
    moments = np.append(hour_ms, at_ms)
    fall_mm = np.full(moments.size, daily / vessel.ml_per_mm)
    told = np.where(notes.to_mark, vessel.fill_mark_mm, notes.level_mm)
    rise = np.where(np.isfinite(notes.amount_ml), level_mm(vessel, np.nan_to_num(notes.amount_ml)), np.nan)
    book = level_by_the_book(
        moments, notes.time_ms, told, rise, fall_mm, fill_error_mm=notes.errors_mm, fall_error_share=error
    )
    edges = full_days(utc_midnights(since, at_ms) if day_edges_ms is None else day_edges_ms, since, at_ms)
    week, week_sd = _recent_use(intervals, at_ms, 14.0)
    if doubted:
        use = UsePerDay(np.nan, np.nan, np.nan, LEVEL_STOOD if stood else TOO_ROUGH)
    elif np.isfinite(week):
        # The interval also says how far the last week may have been from the weeks that were measured.
        spread = Z_90 * float(np.hypot(week_sd, WEEK_TO_WEEK * week))
        # A refill that nobody wrote down makes the use between two notes look smaller than it was.
        forgotten = 0.0 if rests_on == "measured" else Z_90 * FORGOTTEN_REFILLS * week
        use = UsePerDay(week, max(week - spread, 0.0), week + float(np.hypot(spread, forgotten)))
    else:
        use = UsePerDay(np.nan, np.nan, np.nan, "no two known levels with all that was poured between in a fortnight")
    shown = hour_ms >= since - HOUR_MS
    days = edges[:-1].size
    empty = np.full(days, np.nan)
    no_spans = nothing_known(at_ms, NOT_PRECISE).weeks
    return PotWater(
        at_ms=at_ms,
        level_mm=float(book.level_mm[-1]),
        level_low_mm=float(book.low_mm[-1]),
        level_high_mm=float(book.high_mm[-1]),
        level_age_ms=at_ms - int(notes.time_ms[-1]),
        ml_left=float(water_ml(vessel, book.level_mm[-1])),
        week=use,
        drawn_week=UsePerDay(np.nan, np.nan, np.nan, "no level is followed"),
        days=DailyUse(
            edges[:-1], empty, empty, empty, np.zeros(days), np.full(days, NOT_PRECISE, dtype="U80"), empty, empty
        ),
        weeks=no_spans,
        drawn_weeks=no_spans,
        intervals=intervals,
        refills=tuple(
            Refill(
                time_ms=int(notes.time_ms[i]),
                ml=float(notes.amount_ml[i]),
                low_ml=float(notes.amount_ml[i]) * (1 - Z_90 * 0.1),
                high_ml=float(notes.amount_ml[i]) * (1 + Z_90 * 0.1),
                level_after_mm=float(told[i]),
                source="noted",
                is_flush=bool(notes.is_flush[i]),
                in_gap=False,
            )
            for i in np.flatnonzero(notes.pours & (notes.time_ms >= since))
        ),
        unseen_notes=np.empty(0, np.int64),
        other_losses=(),
        stuck_since_ms=None,
        silent_since_ms=silent,
        hour_ms=hour_ms[shown],
        hourly_level_mm=book.level_mm[:-1][shown],
        drift_mm_per_k=float("nan"),
        rests_on=rests_on,
    )
