"""Straight lines through points: least squares with its errors, and the median of all slopes.

Knows numbers only. Least squares where errors are small and even; the median slope where single readings
may be nonsense, as a first guess of a level's fall must stand a bumped sensor.
"""

from dataclasses import dataclass

import numpy as np

from analysis.held_series import FloatArray


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x, with standard errors and the sd of the residuals, all in the units of y and x."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float


def least_squares_line(x: FloatArray, y: FloatArray) -> Line:
    """The line with the least squared vertical distances.

    x, y: (n,), any units. Raises ValueError for fewer than three points (there is no error to speak of) or for
    points that all have the same x. Holds for independent errors of one size in y and none in x.
    Source: the textbook formulae, computed about the mean so that far-off x keep their digits.
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    if x.size < 3:
        raise ValueError("a line with an error needs three points or more")
    x_mean, y_mean = float(x.mean()), float(y.mean())
    spread = float(np.sum((x - x_mean) ** 2))
    if spread == 0:
        raise ValueError("all points have the same x")
    slope = float(np.sum((x - x_mean) * (y - y_mean))) / spread
    residual = (y - y_mean) - slope * (x - x_mean)
    residual_sd = float(np.sqrt(np.sum(residual**2) / (x.size - 2)))
    return Line(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        intercept_se=residual_sd * float(np.sqrt(1 / x.size + x_mean**2 / spread)),
        slope_se=residual_sd / float(np.sqrt(spread)),
        residual_sd=residual_sd,
    )


def median_slope(x: FloatArray, y: FloatArray, *, most_points: int = 400) -> float:
    """The median of the slopes between all pairs of points (Theil-Sen); 29 % of the points may be nonsense.

    x, y: (n,), any units; pairs with equal x are left out; of more than `most_points` points every k-th is used,
    since the pairs grow with the square. NaN if no pair is left. Source: Sen 1968, JASA 63:1379.
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    step = -(-x.size // most_points) if x.size else 1
    x, y = x[::step], y[::step]
    first, second = np.triu_indices(x.size, k=1)
    run = x[second] - x[first]
    apart = run != 0
    if not np.any(apart):
        return float("nan")
    return float(np.median((y[second] - y[first])[apart] / run[apart]))
