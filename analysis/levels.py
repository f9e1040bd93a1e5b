"""A level series made fit for use: what its sensor is like, without bumps, with its unknown stretches named.

Owns what can be said of a series of levels (or masses) before any thought of refills: noise, resolution and rhythm of
reporting, short bumps, stuck stretches, silence, and the level at any moment, known or not. Also the level "by the
book" of a pot that has no sensor. It knows mm and ms, no geometry and no air.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from analysis.held_series import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    BoolArray,
    FloatArray,
    HeldSeries,
    IntArray,
    held,
    learned_hold_ms,
    value_at,
)

LONGEST_BUMP_MS = 100 * MINUTE_MS
"""A reading off the line for longer than this was no knock, no hand in the water and no lifted pot."""

LEAST_NOISE_MM = 0.05
EMPTY_BELOW_MM = 2.0
"""Below it a float or strip no longer moves and a wick no longer reaches: use is not measured there."""


@dataclass(frozen=True)
class Character:
    """What a series says about its own sensor.

    noise_mm: sd of a single reading, rounding left out. step_mm: the grid its values lie on (0: none seen).
    interval_ms: usual time between readings. on_change: it reports when the value has moved, not by the clock.
    deadband_mm: how far it must move to be reported (0 when it reports by the clock or moves by single steps).
    longest_ms: the time between readings that 19 of 20 do not exceed; a heartbeat, where there is one.
    """

    noise_mm: float
    step_mm: float
    interval_ms: int
    on_change: bool
    deadband_mm: float
    longest_ms: int = HOUR_MS

    @property
    def reading_sd_mm(self) -> float:
        """Sd of one reading, rounding included (an even error over a step has a sd of step/sqrt 12)."""
        return float(np.hypot(max(self.noise_mm, LEAST_NOISE_MM), self.step_mm / np.sqrt(12)))


def character(time_ms: IntArray, value_mm: FloatArray) -> Character:
    """Learn noise, resolution and rhythm from a series itself.

    time_ms, value_mm: (n,) ascending, no NaN. With fewer than 12 readings the answer is a cautious default (1 mm
    noise, hourly). Noise is the median bend of three neighbours by the clock, so a refill or a fall does not count.
    """
    if time_ms.size < 12:
        return Character(1.0, 0.0, HOUR_MS, False, 0.0)
    gap_ms = np.diff(time_ms)
    short_ms, usual_ms, long_ms, longest_ms = np.percentile(gap_ms, [3, 50, 90, 95])
    on_change = bool(long_ms > 1.8 * max(short_ms, 1.0))
    moves = np.abs(np.diff(value_mm))
    moves = moves[moves > 1e-6]
    step = _grid_mm(value_mm, moves)
    if on_change:
        usual_move = float(np.percentile(moves, 20)) if moves.size else 0.0
        deadband = usual_move if usual_move > 2.5 * step else 0.0
        return Character(
            0.25 * max(step, deadband), step, int(max(short_ms, MINUTE_MS)), True, deadband, int(longest_ms)
        )
    bend = value_mm[1:-1] - 0.5 * (value_mm[:-2] + value_mm[2:])
    even = np.abs(gap_ms[1:] - gap_ms[:-1]) <= 0.2 * usual_ms
    spread = 1.4826 * float(np.median(np.abs(bend[even]))) / np.sqrt(1.5) if np.any(even) else 1.0
    if spread == 0.0 and step > 0.0 and np.any(even):
        # Most neighbours round to the same step: the noise hides below it.
        spread = min(float(np.sqrt(np.mean(np.clip(bend[even], -step, step) ** 2) / 1.5)), step)
    noise = float(np.sqrt(max(spread**2 - step**2 / 12, LEAST_NOISE_MM**2)))
    return Character(noise, step, int(usual_ms), False, 0.0, int(longest_ms))


def _grid_mm(value_mm: FloatArray, moves: FloatArray) -> float:
    """The step of the grid on which nearly all values lie; 0 when there is none of at least 0.02 mm."""
    if not moves.size:
        return 0.0
    step = float(np.percentile(moves, 1))
    if step < 0.02:
        return 0.0
    off = np.abs((value_mm - value_mm[0]) / step - np.round((value_mm - value_mm[0]) / step))
    return step if np.mean(off < 0.05) > 0.9 else 0.0


def without_bumps(time_ms: IntArray, value_mm: FloatArray, sensor: Character) -> BoolArray:
    """Which readings stay: False for short excursions off the line, both ways (a knock, a hand, a lifted pot).

    time_ms, value_mm: (n,). An excursion is at most three readings and LONGEST_BUMP_MS long and returns to where
    it came from; a refill does not return. Returns (n,) bool.
    """
    keep = np.ones(time_ms.size, dtype=np.bool_)
    if time_ms.size < 5:
        return keep
    # Readings hours apart differ by the fall between them as well.
    usual_move = float(np.median(np.abs(np.diff(value_mm))))
    allowed = max(6 * sensor.reading_sd_mm, 1.6 * sensor.deadband_mm, 1.6 * sensor.step_mm, 2.5 * usual_move)
    for length in (1, 2, 3):
        middle = median_filter(value_mm, size=2 * length + 1, mode="nearest")
        off = np.abs(value_mm - middle) > allowed
        back_ms = np.append(time_ms[1:], time_ms[-1])
        # The excursion ends when the next reading is back on the line; the last reading has nothing to come back to.
        run_end = _run_ends(off)
        lasts_ms = back_ms[run_end] - time_ms[_run_starts(off)]
        confirmed = run_end < time_ms.size - 1
        keep &= ~(off & (lasts_ms <= LONGEST_BUMP_MS) & confirmed)
    return keep


def _run_starts(flag: BoolArray) -> IntArray:
    """For each position the first position of the run of True it lies in (itself where False)."""
    position = np.arange(flag.size)
    begins = flag & ~np.append(False, flag[:-1])
    return np.where(flag, np.maximum.accumulate(np.where(begins, position, 0)), position)


def _run_ends(flag: BoolArray) -> IntArray:
    """For each position the last position of the run of True it lies in (itself where False)."""
    return (flag.size - 1 - _run_starts(flag[::-1]))[::-1]


def stuck(time_ms: IntArray, value_mm: FloatArray, sensor: Character) -> tuple[IntArray, IntArray]:
    """Stretches in which the level does not move where water and noise would have moved it.

    time_ms, value_mm: (n,). From a sensor that shows noise: the same value sixteen times running. From any sensor: one
    value, reported four times or more, for a day at least and four times as long as a value usually stays (by time,
    the longest stay left out; with fewer than eight values: four days). Either the sensor is stuck or nothing is drunk;
    which of the two, no level can tell, so such a stretch must never read as a pot that uses no water. An empty
    reservoir does not fall either and is told apart by its level. Returns from_ms and until_ms (s,): first and last of
    the repeated readings.
    """
    if time_ms.size < 4:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    first = np.flatnonzero(np.append(True, np.abs(np.diff(value_mm)) >= 1e-9))
    last = np.append(first[1:], time_ms.size) - 1
    count = last - first + 1
    lasts_ms = time_ms[np.minimum(last + 1, time_ms.size - 1)] - time_ms[first]
    usual_ms = _usual_stay_ms(lasts_ms) if first.size >= 8 else DAY_MS
    frozen = (count >= 4) & (lasts_ms > max(DAY_MS, 4 * usual_ms))
    if not sensor.on_change and sensor.noise_mm > 1.5 * sensor.step_mm:
        frozen |= count >= 16
    frozen &= value_mm[first] > EMPTY_BELOW_MM
    return time_ms[first[frozen]], time_ms[last[frozen]]


def _usual_stay_ms(lasts_ms: IntArray) -> float:
    """The stay in which the series is at most moments: short flickers are many but take little time."""
    stays = np.sort(lasts_ms)[:-1].astype(np.float64)
    passed = np.cumsum(stays)
    return float(stays[min(int(np.searchsorted(passed, 0.6 * passed[-1])), stays.size - 1)])


def silent_since_ms(time_ms: IntArray, at_ms: int, declared_interval_ms: int | None = None) -> int | None:
    """Since when a sensor has said nothing although it should have, or None while it is heard.

    Judged against the declared interval, else against what it has learnt to be usual for this sensor (see
    `learned_hold_ms`). time_ms: (n,) ascending, those up to `at_ms` count. A sensor that was never heard is silent
    since 0.
    """
    heard = time_ms[time_ms <= at_ms]
    if not heard.size:
        return 0
    hold_ms = 3 * declared_interval_ms if declared_interval_ms else learned_hold_ms(heard, most_ms=DAY_MS)
    return int(heard[-1]) if at_ms - int(heard[-1]) > hold_ms else None


@dataclass(frozen=True)
class CleanLevels:
    """A level series without bumps and stuck stretches, and how long each reading may stand.

    time_ms, level_mm: (n,). hold_ms: longest age. stuck_from_ms, stuck_until_ms: (s,) what was left out as stuck.
    """

    time_ms: IntArray
    level_mm: FloatArray
    hold_ms: int
    sensor: Character
    stuck_from_ms: IntArray
    stuck_until_ms: IntArray

    @property
    def gap_ms(self) -> int:
        """Readings further apart than this have a gap between them, in which anything may have happened unseen.

        A sensor by the clock may miss a few looks; one that reports on change has only to miss its heartbeat.
        """
        return int(1.3 * self.sensor.longest_ms) if self.sensor.on_change else self.hold_ms

    def as_held(self) -> HeldSeries:
        """The levels as pieces of known time."""
        return held(self.time_ms, self.level_mm, self.hold_ms)


def cleaned(time_ms: IntArray, value_mm: FloatArray, *, hold_ms: int | None = None) -> CleanLevels:
    """Levels with bumps and stuck stretches taken out.

    time_ms, value_mm: (n,) ascending; NaN (failed) is dropped. hold_ms: how long a reading stands (learnt from the
    sensor unless told).
    """
    heard = np.isfinite(value_mm)
    time_ms, value_mm = np.asarray(time_ms, np.int64)[heard], np.asarray(value_mm, np.float64)[heard]
    # One reading a moment: the last.
    last = np.append(np.diff(time_ms) > 0, True) if time_ms.size else np.empty(0, np.bool_)
    time_ms, value_mm = time_ms[last], value_mm[last]
    sensor = character(time_ms, value_mm)
    hold = hold_ms if hold_ms is not None else learned_hold_ms(time_ms, least_ms=2 * HOUR_MS, most_ms=DAY_MS)
    from_ms, until_ms = stuck(time_ms, value_mm, sensor)
    keep = without_bumps(time_ms, value_mm, sensor)
    keep &= ~_inside(time_ms, from_ms, until_ms)
    return CleanLevels(time_ms[keep], value_mm[keep], hold, sensor, from_ms, until_ms)


def _inside(time_ms: IntArray, from_ms: IntArray, until_ms: IntArray) -> BoolArray:
    """Which moments lie after the start of a stretch and not after its end (stretches ascend, do not overlap)."""
    if not from_ms.size:
        return np.zeros(time_ms.shape, dtype=np.bool_)
    stretch = np.searchsorted(from_ms, time_ms, side="left") - 1
    return (stretch >= 0) & (time_ms <= until_ms[np.maximum(stretch, 0)])


def level_at(levels: CleanLevels, moment_ms: IntArray) -> FloatArray:
    """The level at each moment as last read, NaN where it is unknown.

    moment_ms: (m,), any order. The last reading stands for `hold_ms`; after that the level is unknown, and so it is
    while the sensor is stuck. Returns (m,) mm.
    """
    return value_at(levels.as_held(), moment_ms)


@dataclass(frozen=True)
class BookLevel:
    """The level of a pot without a sensor, reckoned from its notes; all arrays (m,).

    level_mm with low_mm and high_mm (90 %), NaN before the first note that says anything; is_empty: reckoned to have
    run dry.
    """

    level_mm: FloatArray
    low_mm: FloatArray
    high_mm: FloatArray
    is_empty: BoolArray


def level_by_the_book(
    moment_ms: IntArray,
    fill_ms: IntArray,
    fill_level_mm: FloatArray,
    fill_amount_mm: FloatArray,
    fall_mm_per_day: FloatArray,
    *,
    fill_error_mm: float | FloatArray = 2.0,
    fall_error_share: float = 0.3,
) -> BookLevel:
    """The level a pot must have by its refill notes and the use that is expected of it.

    moment_ms: (m,) ascending. fill_ms: (f,) ascending refill or sight notes. fill_level_mm: (f,) the level just
    after, where the note tells it ("filled to the mark": the mark; a sight gauge: the reading), else NaN.
    fill_amount_mm: (f,) the rise of a note with an amount, used where the level is not told, else NaN.
    fall_mm_per_day: (m,) expected fall at each moment (it stands until the next moment). fill_error_mm: how well
    people meet a mark, or of each note (f,) (sd; common practice, no source). fall_error_share: sd of the expected use
    as a share of it; it acts on the whole spell alike, since an expectation is wrong in one direction for long. Returns
    BookLevel.
    """
    moment_ms = np.asarray(moment_ms, np.int64)
    hours = np.diff(moment_ms) / DAY_MS
    fallen = np.concatenate(([0.0], np.cumsum(np.asarray(fall_mm_per_day, np.float64)[:-1] * hours)))
    fallen_at_fill = np.interp(fill_ms, moment_ms, fallen) if moment_ms.size else np.zeros(fill_ms.shape)
    after_mm, after_sd = _levels_after_fills(
        fill_level_mm,
        fill_amount_mm,
        fallen_at_fill,
        np.broadcast_to(np.asarray(fill_error_mm, np.float64), fill_level_mm.shape),
        fall_error_share,
    )
    note = np.searchsorted(fill_ms, moment_ms, side="right") - 1
    # A note that only says "topped up" on an unknown level tells nothing: such levels are NaN and stay unknown.
    known = note >= 0
    fill = np.maximum(note, 0)
    if not fill_ms.size:
        nothing = np.full(moment_ms.shape, np.nan)
        return BookLevel(nothing, nothing, nothing, np.zeros(moment_ms.shape, np.bool_))
    since = np.maximum(fallen - fallen_at_fill[fill], 0.0)
    level = np.where(known, after_mm[fill] - since, np.nan)
    sd = np.hypot(after_sd[fill], fall_error_share * since)
    return BookLevel(
        level_mm=np.maximum(level, 0.0),
        low_mm=np.maximum(level - 1.645 * sd, 0.0),
        high_mm=np.maximum(level + 1.645 * sd, 0.0),
        is_empty=level <= 0.0,
    )


def _levels_after_fills(
    told_mm: FloatArray, amount_mm: FloatArray, fallen_mm: FloatArray, error_mm: FloatArray, fall_error_share: float
) -> tuple[FloatArray, FloatArray]:
    """Level and its sd just after each fill, carried from note to note (a pot has tens of notes, not thousands)."""
    level = np.full(told_mm.shape, np.nan)
    sd = np.full(told_mm.shape, np.nan)
    for note in range(told_mm.size):
        if np.isfinite(told_mm[note]):
            level[note], sd[note] = told_mm[note], error_mm[note]
        elif note and np.isfinite(amount_mm[note]):
            since = max(fallen_mm[note] - fallen_mm[note - 1], 0.0)
            level[note] = max(level[note - 1] - since, 0.0) + amount_mm[note]
            sd[note] = np.hypot(sd[note - 1], np.hypot(fall_error_share * since, 0.1 * amount_mm[note]))
    return level, sd
