"""Readings held until the next one, or until they are too old to stand for now.

Home sensors report on change, or every so often, or in batches: a reading says what was true from its own
moment on, for a limited time. This file owns that idea and the arithmetic on it: means weighted by time,
extremes within windows, two series known together. It knows no quantity and no unit but milliseconds.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


@dataclass(frozen=True)
class HeldSeries:
    """Pieces of time in which a value is taken as known; they do not overlap, and gaps between them are unknown.

    from_ms, until_ms: (n,) int64, half-open, ascending. value: (n,) float64, never NaN.
    """

    from_ms: IntArray
    until_ms: IntArray
    value: FloatArray


def held(time_ms: IntArray, value: FloatArray, hold_ms: int) -> HeldSeries:
    """Each reading, held until the next one comes or `hold_ms` has passed.

    time_ms: (n,) ascending, Unix ms. value: (n,), any unit; NaN says "from now on unknown" (a failed sensor)
    and ends the reading before it. Of readings at the same moment the last one counts.
    Raises ValueError if the arrays differ in length or the times descend.
    """
    time_ms = np.asarray(time_ms, dtype=np.int64)
    value = np.asarray(value, dtype=np.float64)
    refuse_disorder(time_ms, value)
    until_ms = time_ms + np.int64(hold_ms)
    if time_ms.size:
        until_ms[:-1] = np.minimum(until_ms[:-1], time_ms[1:])
    known = ~np.isnan(value) & (until_ms > time_ms)
    if known.all():
        return HeldSeries(time_ms, until_ms, value)
    return HeldSeries(time_ms[known], until_ms[known], value[known])


def refuse_disorder(time_ms: IntArray, value: FloatArray) -> None:
    """Raise ValueError unless there is a value for each time and the times ascend."""
    if np.shape(time_ms) != np.shape(value):
        raise ValueError("times and values must have the same length")
    if np.size(time_ms) and np.any(time_ms[1:] < time_ms[:-1]):
        raise ValueError("times must ascend")


def known_together(first: HeldSeries, second: HeldSeries) -> tuple[HeldSeries, HeldSeries]:
    """Both series on the pieces of time in which both are known: same `from_ms` and `until_ms`, own values."""
    if not first.from_ms.size or not second.from_ms.size:
        nothing = HeldSeries(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.float64))
        return nothing, nothing
    from_ms = np.concatenate((first.from_ms, second.from_ms))
    order = np.argsort(from_ms, kind="stable")  # of two ascending runs this is a merge
    is_first = order < first.from_ms.size
    begun = max(int(np.argmax(is_first)), int(np.argmin(is_first)))  # where both have
    in_first = np.cumsum(is_first)[begun:] - 1
    in_second = np.arange(begun, order.size) - in_first - 1
    from_ms = from_ms[order[begun:]]
    until_ms = np.minimum(first.until_ms[in_first], second.until_ms[in_second])
    until_ms[:-1] = np.minimum(until_ms[:-1], from_ms[1:])
    both = until_ms > from_ms
    if not both.all():
        from_ms, until_ms, in_first, in_second = from_ms[both], until_ms[both], in_first[both], in_second[both]
    return HeldSeries(from_ms, until_ms, first.value[in_first]), HeldSeries(from_ms, until_ms, second.value[in_second])


def mean_within(series: HeldSeries, from_ms: IntArray, until_ms: IntArray) -> tuple[FloatArray, FloatArray]:
    """The mean over each window, weighted by time, and the share of the window in which the value was known.

    from_ms, until_ms: (w,) Unix ms, half-open; windows may overlap. Returns mean (w,) in the series' unit, NaN
    where nothing is known, and coverage (w,), 0 to 1.
    """
    from_ms = np.asarray(from_ms, dtype=np.int64)
    until_ms = np.asarray(until_ms, dtype=np.int64)
    if not series.from_ms.size:
        return np.full(from_ms.shape, np.nan), np.zeros(from_ms.shape)
    if from_ms.ndim == 1 and from_ms.size > 1 and np.array_equal(until_ms[:-1], from_ms[1:]):
        known_ms, value_ms = _between(series, np.append(from_ms, until_ms[-1]))
    else:
        edges_ms, at = np.unique(np.stack((from_ms, until_ms)), return_inverse=True)
        begin, end = at.reshape(2, *from_ms.shape)
        known_ms, value_ms = (
            np.diff(np.append(0.0, np.cumsum(between))[[begin, end]], axis=0)[0]
            for between in _between(series, edges_ms)
        )
    mean = np.full(from_ms.shape, np.nan)
    np.divide(value_ms, known_ms, out=mean, where=known_ms > 0)
    window_ms = np.maximum(until_ms - from_ms, 1)
    return mean, known_ms / window_ms


def _between(series: HeldSeries, edges_ms: IntArray) -> tuple[FloatArray, FloatArray]:
    """Milliseconds known, and value times milliseconds, from each of some ascending moments to the next."""
    piece = np.searchsorted(series.from_ms, edges_ms, side="right") - 1
    inside = np.maximum(piece, 0)
    elapsed = np.minimum(edges_ms, series.until_ms[inside]) - series.from_ms[inside]
    elapsed_ms = np.where(piece < 0, 0, elapsed).astype(np.float64)
    length_ms = (series.until_ms - series.from_ms).astype(np.float64)

    def between(of_pieces: FloatArray, at_edges: FloatArray) -> FloatArray:
        # Pieces that began since the last edge, with what had passed of the last one and without it of the first.
        began = np.where(inside[1:] > inside[:-1], np.add.reduceat(of_pieces, inside)[:-1], 0.0)
        return began + np.diff(at_edges)

    return between(length_ms, elapsed_ms), between(length_ms * series.value, elapsed_ms * series.value[inside])


def greatest_within(series: HeldSeries, from_ms: IntArray, until_ms: IntArray) -> FloatArray:
    """The largest value that held at some moment of each window; NaN where nothing is known.

    from_ms, until_ms: (w,) Unix ms, half-open. Returns (w,) in the series' unit.
    """
    first = np.searchsorted(series.until_ms, from_ms, side="right")
    beyond = np.searchsorted(series.from_ms, until_ms, side="left")
    greatest = np.full(np.shape(from_ms), np.nan)
    some = beyond > first
    if np.any(some):
        # reduceat takes pairs [first, beyond); the sentinel lets `beyond` be the length of the series.
        pairs = np.stack((first[some], beyond[some]), axis=1).ravel()
        greatest[some] = np.maximum.reduceat(np.append(series.value, -np.inf), pairs)[::2]
    return greatest


def value_at(series: HeldSeries, moment_ms: IntArray) -> FloatArray:
    """The value that holds at each moment (any order), NaN where it is unknown. Shape of `moment_ms`."""
    moment_ms = np.asarray(moment_ms, dtype=np.int64)
    if not series.from_ms.size:
        return np.full(moment_ms.shape, np.nan)
    piece = np.searchsorted(series.from_ms, moment_ms, side="right") - 1
    inside = np.maximum(piece, 0)
    known = (piece >= 0) & (moment_ms < series.until_ms[inside])
    return np.where(known, series.value[inside], np.nan)


def hours_between(start_ms: int, end_ms: int) -> IntArray:
    """The starts of the UTC hours that have a part in [start_ms, end_ms), Unix ms."""
    return np.arange(start_ms // HOUR_MS, -(-end_ms // HOUR_MS), dtype=np.int64) * HOUR_MS


def learned_hold_ms(time_ms: IntArray, *, least_ms: int = HOUR_MS, most_ms: int = 12 * HOUR_MS) -> int:
    """How long a reading of this sensor may stand for now, learnt from how long it usually is between readings.

    Two and a half times the 95th percentile of its own intervals: one lost message is bridged, a dead sensor
    is not. Fewer than ten readings teach nothing: then `least_ms`. Bounded by `least_ms` and `most_ms`.
    """
    if time_ms.size < 10:
        return least_ms
    usual_ms = float(np.percentile(np.diff(time_ms), 95))
    return int(np.clip(2.5 * usual_ms, least_ms, most_ms))
