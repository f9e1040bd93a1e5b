"""How much water a pot used within any span, with its 90 % interval, or the reason why nobody can say.

Reads spans off the joint estimate of `use_regression.py`: what left the pot, and what left the reservoir. Adds what no
regression on levels can see (a medium whose store has another shape), and keeps silent where the level was not
followed, was stuck, or had run out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.held_series import DAY_MS, FloatArray, IntArray
from analysis.use_regression import BLOCK_MS, UseEstimate, on_grid

Z_90 = 1.6449
STORE_SHAPE_ERROR = 0.18
"""How wrong the delays may be, as a share (sd) of what the medium took up or gave back within a span."""

MODEL_ERROR = 0.012
"""What is left of the regression's own simplifications, as a share (sd) of the use."""

KNOWN_SHARE = 0.7
"""Use is told for spans in which the level was known for at least this share of the time."""

MEASURED = ""
TOO_FEW_READINGS = "too few readings"
SENSOR_STUCK = "the level did not move: a stuck sensor, or nothing drunk"
RESERVOIR_EMPTY = "the reservoir was empty"
NOT_PRECISE = "the sensor cannot tell spans so short"
NO_READINGS = "no readings"


@dataclass(frozen=True)
class WaterUse:
    """Use within spans; all arrays (w,), in mL over the whole span unless scaled.

    value, low, high: NaN where nothing can be said, with `reason` telling why (MEASURED, an empty string, else).
    low and high bound 90 %. known: the share of the span in which the level was known.
    """

    from_ms: IntArray
    until_ms: IntArray
    value_ml: FloatArray
    low_ml: FloatArray
    high_ml: FloatArray
    known: FloatArray
    reason: npt.NDArray[np.str_]

    def per_day(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """value, low and high in mL a day."""
        days = (self.until_ms - self.from_ms) / DAY_MS
        return self.value_ml / days, self.low_ml / days, self.high_ml / days


def use_within(estimate: UseEstimate, from_ms: IntArray, until_ms: IntArray) -> WaterUse:
    """What left the pot (top, holes, gap and plant) within spans of an estimated stretch.

    from_ms, until_ms: (w,) Unix ms inside the stretch. A span is silent, with its reason, where the level was known for
    less than KNOWN_SHARE of it, where the sensor was stuck or the reservoir empty for a quarter or more (what a plant
    draws from a drying medium, no level shows).
    """
    share = _shares_of_blocks(estimate, from_ms, until_ms)
    stores = estimate.mean.size - share.shape[1]
    weights = np.column_stack((share, np.zeros((share.shape[0], stores))))
    taken_up = _taken_up(estimate, from_ms, until_ms) @ estimate.mean[share.shape[1] :]
    return _told(estimate, from_ms, until_ms, share, weights, STORE_SHAPE_ERROR * taken_up)


def drawn_within(estimate: UseEstimate, from_ms: IntArray, until_ms: IntArray) -> WaterUse:
    """What left the reservoir within spans: use, and what the medium took up (or less what it gave back).

    It is what must be poured to keep the level; shapes and silences as in `use_within`.
    """
    share = _shares_of_blocks(estimate, from_ms, until_ms)
    weights = np.column_stack((share, _taken_up(estimate, from_ms, until_ms)))
    return _told(estimate, from_ms, until_ms, share, weights, np.zeros(share.shape[0]))


def _taken_up(estimate: UseEstimate, from_ms: IntArray, until_ms: IntArray) -> FloatArray:
    """What the medium's stores gained within spans, (w, s), for a store of one."""
    begin = on_grid(np.asarray(from_ms, np.int64), estimate.grid_ms, estimate.delayed)
    return on_grid(np.asarray(until_ms, np.int64), estimate.grid_ms, estimate.delayed) - begin


def _shares_of_blocks(estimate: UseEstimate, from_ms: IntArray, until_ms: IntArray) -> FloatArray:
    begin = np.maximum(estimate.edges_ms[None, :-1], np.asarray(from_ms, np.int64)[:, None])
    end = np.minimum(estimate.edges_ms[None, 1:], np.asarray(until_ms, np.int64)[:, None])
    return np.asarray(np.clip(end - begin, 0, None) / BLOCK_MS)


def _told(
    estimate: UseEstimate,
    from_ms: IntArray,
    until_ms: IntArray,
    share: FloatArray,
    weights: FloatArray,
    store_error_ml: FloatArray,
) -> WaterUse:
    """A weighted sum of the unknowns with its interval, or the reason for silence."""
    from_ms, until_ms = np.asarray(from_ms, np.int64), np.asarray(until_ms, np.int64)
    value = weights @ estimate.mean
    variance = np.einsum("wb,bc,wc->w", weights, estimate.covariance, weights, optimize=True)
    sd = np.sqrt(np.maximum(variance, 0.0) + store_error_ml**2 + (MODEL_ERROR * value) ** 2)
    length = np.maximum((until_ms - from_ms) / BLOCK_MS, 1e-9)
    known, empty, was_stuck = ((share @ part) / length for part in (estimate.known, estimate.empty, estimate.stuck))
    reason = np.full(from_ms.shape, MEASURED, dtype="U80")
    reason[known < KNOWN_SHARE] = TOO_FEW_READINGS
    reason[empty > 0.25] = RESERVOIR_EMPTY
    reason[was_stuck > 0.25] = SENSOR_STUCK
    silent = reason != MEASURED
    return WaterUse(
        from_ms=from_ms,
        until_ms=until_ms,
        value_ml=np.where(silent, np.nan, np.maximum(value, 0.0)),
        low_ml=np.where(silent, np.nan, np.maximum(value - Z_90 * sd, 0.0)),
        high_ml=np.where(silent, np.nan, np.maximum(value + Z_90 * sd, 0.0)),
        known=known,
        reason=reason,
    )
