"""Scores of predictions against a known truth, pooled over worlds, and their table as text.

Owns the arithmetic of errors, coverage and width. Must not know what was predicted or how.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Predicted:
    """Predictions and truths, flat arrays. low and high bound a 90 % band; NaN for a baseline without one.

    moved_mm: how far the truth has come from where it was when last noted.
    """

    truth_mm: FloatArray
    middle_mm: FloatArray
    mean_mm: FloatArray
    low_mm: FloatArray
    high_mm: FloatArray
    moved_mm: FloatArray

    def where(self, keep: npt.NDArray[np.bool_]) -> "Predicted":
        """Some of them."""
        return Predicted(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


def banded(depth_draws_mm: FloatArray, truth_mm: FloatArray, moved_mm: FloatArray | float = 0.0) -> Predicted:
    """From draws `(draw, case)`: the middle, the mean and the 90 % band."""
    low, middle, high = np.percentile(depth_draws_mm, [5.0, 50.0, 95.0], axis=0)
    moved = np.broadcast_to(np.asarray(moved_mm, dtype=np.float64), truth_mm.shape)
    return Predicted(truth_mm, middle, depth_draws_mm.mean(axis=0), low, high, moved)


def plain(value_mm: FloatArray, like: Predicted) -> Predicted:
    """A baseline: one value a case, no band, against the truths of a prediction."""
    nothing = np.full_like(value_mm, np.nan)
    return Predicted(like.truth_mm, value_mm, value_mm, nothing, nothing, like.moved_mm)


def pooled(parts: Iterable[Predicted]) -> Predicted:
    """Predictions of several worlds as one."""
    every = list(parts)
    return Predicted(
        *(np.concatenate([getattr(part, name) for part in every]) for name in Predicted.__dataclass_fields__)
    )


@dataclass(frozen=True)
class Score:
    """count of predictions; bias of their means; median and 90th percentile of the error of their middles, mm;
    share of truths inside the 90 % bands; median width of the bands, mm; median of how far the truth moved, mm."""

    count: int
    bias_mm: float
    median_mm: float
    p90_mm: float
    coverage: float
    width_mm: float
    moved_mm: float


def score(predicted: Predicted) -> Score:
    """Scores; NaN where there is nothing to score."""
    if not len(predicted.truth_mm):
        return Score(0, *(float("nan"),) * 6)
    error = np.abs(predicted.middle_mm - predicted.truth_mm)
    slack = 1e-6  # a moist surface is exactly zero on both sides
    inside = (predicted.truth_mm >= predicted.low_mm - slack) & (predicted.truth_mm <= predicted.high_mm + slack)
    has_band = bool(np.isfinite(predicted.low_mm).all())
    return Score(
        count=len(error),
        bias_mm=float(np.mean(predicted.mean_mm - predicted.truth_mm)),
        median_mm=float(np.median(error)),
        p90_mm=float(np.percentile(error, 90.0)),
        coverage=float(inside.mean()) if has_band else float("nan"),
        width_mm=float(np.median(predicted.high_mm - predicted.low_mm)),
        moved_mm=float(np.median(np.abs(predicted.moved_mm))),
    )


def table(title: str, rows: Sequence[tuple[str, Score]]) -> str:
    """A table for people."""
    lines = [title, f"{'':34}{'n':>6}{'bias':>7}{'median':>8}{'p90':>7}{'inside':>8}{'width':>7}{'moved':>7}"]
    for name, one in rows:
        inside = f"{100 * one.coverage:.0f} %" if np.isfinite(one.coverage) else "-"
        width = f"{one.width_mm:.1f}" if np.isfinite(one.width_mm) else "-"
        lines.append(
            f"{name:34}{one.count:6d}{one.bias_mm:7.1f}{one.median_mm:8.2f}{one.p90_mm:7.1f}"
            f"{inside:>8}{width:>7}{one.moved_mm:7.1f}"
        )
    return "\n".join(lines)
