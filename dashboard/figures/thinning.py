"""Fewer points for the same picture: of each stretch of a line, the lowest and the highest point stay.

Pure. A line thinned this way looks the same at the width it was thinned for, spikes included.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def thinned(x: FloatArray, y: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """At most `most` points of a line `(point,)` in order, gaps kept as NaN.

    Of every stretch of equal count the lowest and the highest point stay, and a NaN where the line is broken.

    Raises:
        ValueError: `most` is below 6, or x and y differ in length.
    """
    if most < 6:
        raise ValueError(f"a line needs at least 6 points, not {most}")
    if x.shape != y.shape:
        raise ValueError(f"{x.size} times for {y.size} values")
    if y.size <= most:
        return x, y
    size = -(-y.size // (most // 3))  # three points a stretch: lowest, highest, gap
    stretches = -(-y.size // size)
    padded = np.full(stretches * size, np.nan)
    padded[: y.size] = y
    blocks = padded.reshape(stretches, size)
    known = ~np.isnan(blocks)
    start = np.arange(stretches) * size
    lowest = start + np.where(known, blocks, np.inf).argmin(axis=1)
    highest = start + np.where(known, blocks, -np.inf).argmax(axis=1)
    gap = start + (~known).argmax(axis=1)
    has_gap = (~known).any(axis=1) & (gap < y.size)
    some = known.any(axis=1)
    keep = np.unique(np.concatenate([lowest[some], highest[some], gap[has_gap]]))
    return x[keep], y[keep]
