"""The mean of what is known of a series: gaps count neither as zero nor as anything else."""

import numpy as np

from analysis.columns import FloatArray


def known_mean(series: FloatArray) -> FloatArray:
    """Means over the first axis of what is finite; NaN where nothing is."""
    known = np.isfinite(series)
    count = known.sum(axis=0)
    return np.asarray(np.where(count > 0, np.where(known, series, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan))
