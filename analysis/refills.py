"""What happened to the water besides use: refills, flushes, leaks, and jumps hidden in a gap of the data.

Works on cleaned levels (mm, or grams of a load cell: any quantity that falls slowly and rises at once). A jump is a
change that neither noise nor use explains. Notes help to date and to name jumps, and to find refills that no sensor
saw; this file knows of a note only its moment. How much water a jump was, is `water_use.py`'s to say.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.held_series import DAY_MS, HOUR_MS, BoolArray, FloatArray, IntArray, value_at
from analysis.levels import CleanLevels

LEAST_REFILL_MM = 1.5
"""Smaller rises are left to noise and temperature: a spoonful."""

LEAST_LOSS_MM = 4.0
"""Smaller falls may be a thirsty medium in the hour after a refill."""

SIDE_READINGS = 4
SIDE_MS = 3 * HOUR_MS
"""Levels before and after a jump are medians of up to four readings within three hours on either side."""

NOTE_REACH_MS = 12 * HOUR_MS
"""People write a refill down within half a day, before or after."""

FLUSH_DRAINS_WITHIN_MS = 12 * HOUR_MS
LEAK_HOURS = 6
LEAK_TIMES_USUAL = 6.0

KINDS = ("refill", "flush", "loss", "leak")
"""refill: a rise that stayed. flush: a rise of which much drained off within hours. loss: a sudden fall (spilt,
poured away, the pot put back differently). leak: hours of falling at a multiple of the usual."""


@dataclass(frozen=True)
class Jumps:
    """Changes of the level that are no use, in order of time; all arrays (j,).

    time_ms: best moment. after_ms, before_ms: the last reading before and the first after; readings strictly between
    belong to the jump. change_mm: a first estimate, positive for a rise. kind: one of KINDS. in_gap: it lies in a
    stretch without readings. note: index of the note that names it, or -1.
    """

    time_ms: IntArray
    after_ms: IntArray
    before_ms: IntArray
    change_mm: FloatArray
    kind: npt.NDArray[np.str_]
    in_gap: BoolArray
    note: IntArray

    @property
    def is_refill(self) -> BoolArray:
        """Which jumps brought water to stay."""
        return np.asarray((self.kind == "refill") | (self.kind == "flush"))


def usual_fall_mm_per_day(levels: CleanLevels) -> float:
    """A first guess of how fast the level falls, from six-hour differences with refills and nonsense left out.

    NaN when fewer than eight such differences are known. Never negative.
    """
    if levels.time_ms.size < 2:
        return float("nan")
    lag_ms = 6 * HOUR_MS
    grid = np.arange(int(levels.time_ms[0]), int(levels.time_ms[-1]) - lag_ms, HOUR_MS, dtype=np.int64)
    series = levels.as_held()
    fall = value_at(series, grid) - value_at(series, grid + lag_ms)
    fall = fall[np.isfinite(fall)]
    if fall.size < 8:
        return float("nan")
    slack = 4 * levels.sensor.reading_sd_mm + levels.sensor.deadband_mm
    middle = max(float(np.median(fall)), 0.0)
    usual = fall[(fall > -slack) & (fall < 6 * middle + slack)]
    return max(float(usual.mean()) * 4, 0.0) if usual.size else 0.0


def find_jumps(levels: CleanLevels, fall_mm_per_day: float) -> Jumps:
    """Jumps that the levels themselves show, inside and outside of gaps.

    fall_mm_per_day: what the pot usually falls (see `usual_fall_mm_per_day`); across a gap it says what fall was to be
    expected. The last reading alone makes no jump: it must be confirmed by one more, so that a knock is not reported as
    a refill.
    """
    time_ms, level = levels.time_ms, levels.level_mm
    if time_ms.size < 3:
        return _no_jumps()
    fall = fall_mm_per_day if np.isfinite(fall_mm_per_day) else 0.0
    gap_ms = np.diff(time_ms)
    change, threshold = _side_changes(levels)
    in_gap = gap_ms > levels.gap_ms
    expected_fall = fall * gap_ms / DAY_MS
    surplus = change + np.where(in_gap, expected_fall, 0.0)
    # Across a gap the usual fall is known to a third; within the rhythm of the sensor a fall is no jump until it is
    # a multiple of the usual.
    allowed_rise = threshold + np.where(in_gap, 0.6 * expected_fall, 0.0)
    allowed_fall = np.maximum(threshold, LEAST_LOSS_MM) + np.where(in_gap, 1.5, 4.0) * expected_fall
    rises = surplus > allowed_rise
    falls = surplus < -allowed_fall
    groups = [*_groups(rises, in_gap, time_ms, level, 1.0), *_groups(falls, in_gap, time_ms, level, -1.0)]
    groups.extend(_leaks(levels, fall, groups))
    groups.sort()
    if not groups:
        return _no_jumps()
    first = np.array([group[0] for group in groups])
    last = np.array([group[1] for group in groups])
    opens_ms = time_ms[first]
    if levels.sensor.on_change:
        # A sensor that reports on change would have reported the jump at once.
        opens_ms = np.where(in_gap[first], opens_ms, np.maximum(opens_ms, time_ms[last] - levels.sensor.interval_ms))
    amount = _amounts(levels, first, last) + np.where(in_gap[first], expected_fall[first], 0.0)
    jumps = Jumps(
        time_ms=(opens_ms + time_ms[last]) // 2,
        after_ms=time_ms[first],
        before_ms=time_ms[last],
        change_mm=amount,
        kind=np.array([group[2] for group in groups]),
        in_gap=in_gap[first],
        note=np.full(len(groups), -1, dtype=np.int64),
    )
    return _flushes_named(jumps)


def _no_jumps() -> Jumps:
    nothing = np.empty(0, np.int64)
    return Jumps(
        nothing, nothing, nothing, np.empty(0, np.float64), np.empty(0, np.str_), np.empty(0, np.bool_), nothing
    )


def _sides(levels: CleanLevels) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
    """For each reading the median of itself and those just before it, and the same just after, with their counts."""
    time_ms, level = levels.time_ms, levels.level_mm
    position = np.arange(level.size)
    offsets = np.arange(SIDE_READINGS)
    medians = []
    for direction in (-1, 1):
        neighbour = position[:, None] + direction * offsets
        inside = (neighbour >= 0) & (neighbour < level.size)
        neighbour = np.clip(neighbour, 0, level.size - 1)
        close = inside & (np.abs(time_ms[neighbour] - time_ms[:, None]) <= SIDE_MS)
        own = np.broadcast_to(level[:, None], close.shape)
        medians.append((np.median(np.where(close, level[neighbour], own), axis=1), close.sum(axis=1)))
    (before, before_count), (after, after_count) = medians
    return before, before_count, after, after_count


def _side_changes(levels: CleanLevels) -> tuple[FloatArray, FloatArray]:
    """Change (n-1,) between the levels on both sides of each pair of neighbours, and what noise may make of it."""
    before, before_count, after, after_count = _sides(levels)
    sensor = levels.sensor
    if sensor.on_change:
        # Each report is a step of what is held, so medians of reports would lag. Noise flickers over one step, never
        # over two: two steps up within hours, at once or one by one, are water poured.
        time_ms, level = levels.time_ms, levels.level_mm
        close = np.append(False, np.diff(time_ms) <= SIDE_MS)
        lowest = np.where(close, np.minimum(level, np.roll(level, 1)), level)
        highest = np.where(close, np.maximum(level, np.roll(level, 1)), level)
        change = level[1:] - np.where(level[1:] > level[:-1], lowest[:-1], highest[:-1])
        return change, np.full(change.size, max(LEAST_REFILL_MM, 1.9 * max(sensor.step_mm, sensor.deadband_mm)))
    share = 1.0 / np.minimum(before_count[:-1], SIDE_READINGS) + 1.0 / np.minimum(after_count[1:], SIDE_READINGS)
    noise = 1.25 * sensor.reading_sd_mm * np.sqrt(share)
    return after[1:] - before[:-1], np.maximum(5.0 * noise, LEAST_REFILL_MM)


def _groups(
    flagged: BoolArray, in_gap: BoolArray, time_ms: IntArray, level: FloatArray, sign: float
) -> list[tuple[int, int, str]]:
    """Neighbouring flagged pairs as one jump each: index of the last reading before and the first after.

    The medians flag several pairs round one jump; the jump itself lies where the readings moved. A few jumps a week
    are walked one by one, readings are not.
    """
    flags = np.flatnonzero(flagged)
    if not flags.size:
        return []
    apart = (np.diff(flags) > SIDE_READINGS) | (np.diff(time_ms[flags]) > SIDE_MS)
    apart |= in_gap[flags[1:]] | in_gap[flags[:-1]]
    found = []
    for group in np.split(flags, np.flatnonzero(apart) + 1):
        moves = sign * (level[group + 1] - level[group])
        big = group[moves > max(0.25 * float(moves.max()), 0.0)]
        # A jump that only the last reading shows may still be a knock.
        if not big.size or int(big[-1]) + 1 >= time_ms.size - 1:
            continue
        found.append((int(big[0]), int(big[-1]) + 1, "refill" if sign > 0 else "loss"))
    return found


def _amounts(levels: CleanLevels, first: IntArray, last: IntArray) -> FloatArray:
    before, _, after, _ = _sides(levels)
    return after[last] - before[first]


def _leaks(
    levels: CleanLevels, fall_mm_per_day: float, known: list[tuple[int, int, str]]
) -> list[tuple[int, int, str]]:
    """Stretches of hours in which the level falls at a multiple of the usual, without one sudden step."""
    span_ms = LEAK_HOURS * HOUR_MS
    grid = np.arange(int(levels.time_ms[0]), int(levels.time_ms[-1]) - span_ms + 1, HOUR_MS, dtype=np.int64)
    series = levels.as_held()
    fall = value_at(series, grid) - value_at(series, grid + span_ms)
    sensor = levels.sensor
    allowed = LEAK_TIMES_USUAL * fall_mm_per_day * span_ms / DAY_MS
    allowed += 5 * sensor.reading_sd_mm + 2 * max(sensor.step_mm, sensor.deadband_mm) + 2 * LEAST_REFILL_MM
    fast = np.flatnonzero(np.nan_to_num(fall) > allowed)
    found: list[tuple[int, int, str]] = []
    for run in np.split(fast, np.flatnonzero(np.diff(fast) > LEAK_HOURS) + 1) if fast.size else []:
        first = int(np.searchsorted(levels.time_ms, grid[run[0]], side="right")) - 1
        last = min(int(np.searchsorted(levels.time_ms, grid[run[-1]] + span_ms)), levels.time_ms.size - 1)
        if not any(start <= last and first <= end for start, end, _ in known):
            found.append((first, last, "leak"))
    return found


def _flushes_named(jumps: Jumps) -> Jumps:
    """A rise of which a third or more is lost again within half a day was a flush; the loss belongs to it."""
    kind = jumps.kind.astype("U6")
    for rise in np.flatnonzero(kind == "refill"):
        after = rise + 1
        if (
            after < kind.size
            and kind[after] in ("loss", "leak")
            and jumps.time_ms[after] - jumps.time_ms[rise] <= FLUSH_DRAINS_WITHIN_MS
            and -jumps.change_mm[after] > 0.3 * jumps.change_mm[rise]
        ):
            kind[rise] = "flush"
    return Jumps(jumps.time_ms, jumps.after_ms, jumps.before_ms, jumps.change_mm, kind, jumps.in_gap, jumps.note)


def with_notes(
    jumps: Jumps, levels: CleanLevels, note_ms: IntArray, note_is_flush: BoolArray
) -> tuple[Jumps, IntArray]:
    """Jumps joined with the notes of refills and flushes.

    note_ms: (k,) ascending moments of the notes; note_is_flush: (k,). A note within NOTE_REACH_MS of a rise names it
    (a rise in a gap also takes its moment). A note inside a gap without a rise of its own adds one there, its amount
    unknown (NaN): a refill across a gap may hide behind the use. Other notes are returned as unseen, (u,) indices:
    the sensor was awake and saw no water come. Each note names one jump and each jump has one note.
    """
    note_of = np.full(jumps.time_ms.size, -1, dtype=np.int64)
    moment = jumps.time_ms.copy()
    kind = jumps.kind.astype("U6")
    rises = np.flatnonzero(jumps.is_refill)
    extra: list[tuple[int, int, int, int]] = []
    unseen: list[int] = []
    for note, at_ms in enumerate(np.asarray(note_ms, np.int64)):
        off = np.maximum(jumps.after_ms[rises] - at_ms, at_ms - jumps.before_ms[rises])
        off = np.where(note_of[rises] >= 0, np.iinfo(np.int64).max, np.maximum(off, 0))
        best = int(np.argmin(off)) if off.size else -1
        if best >= 0 and off[best] <= NOTE_REACH_MS:
            jump = rises[best]
            note_of[jump] = note
            if jumps.in_gap[jump]:
                moment[jump] = np.clip(at_ms, jumps.after_ms[jump] + 1, jumps.before_ms[jump])
            if note_is_flush[note]:
                kind[jump] = "flush"
            continue
        after = int(np.searchsorted(levels.time_ms, at_ms, side="right")) - 1
        if 0 <= after < levels.time_ms.size - 1 and levels.time_ms[after + 1] - levels.time_ms[after] > levels.gap_ms:
            extra.append((int(at_ms), int(levels.time_ms[after]), int(levels.time_ms[after + 1]), note))
        else:
            unseen.append(note)
    added = np.array(extra, dtype=np.int64).reshape(-1, 4)
    order = np.argsort(np.concatenate((moment, added[:, 0])), kind="stable")
    is_flush = np.asarray(note_is_flush, np.bool_)[added[:, 3]]
    joined = Jumps(
        time_ms=np.concatenate((moment, added[:, 0]))[order],
        after_ms=np.concatenate((jumps.after_ms, added[:, 1]))[order],
        before_ms=np.concatenate((jumps.before_ms, added[:, 2]))[order],
        change_mm=np.concatenate((jumps.change_mm, np.full(len(added), np.nan)))[order],
        kind=np.concatenate((kind, np.where(is_flush, "flush", "refill").astype("U6")))[order],
        in_gap=np.concatenate((jumps.in_gap, np.ones(len(added), np.bool_)))[order],
        note=np.concatenate((note_of, added[:, 3]))[order],
    )
    return joined, np.array(unseen, dtype=np.int64)
