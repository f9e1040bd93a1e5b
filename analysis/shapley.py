"""A change split fairly over its factors: exact Shapley values from the model's answer for every subset of them.

The picture. Between two spells several things changed at once, and what one does depends on the others (pebbles matter
more in dry air). Each factor's share is its effect averaged over all orders in which the factors might have changed.
Then the shares add up to the whole change, equal factors have equal shares, and a factor that never does anything has
none. With k factors there are 2^k subsets; k is at most eight here, so nothing is sampled.

It knows subsets and numbers only; which factors there are, and what the model says, is for `causes.py`.

*Source*: Shapley 1953, A value for n-person games, Annals of Mathematics Studies 28:307.
"""

from math import factorial

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def subsets(factors: int) -> BoolArray:
    """Every subset of k factors as a mask (2^k, k), from none to all; True where the factor has changed."""
    return (np.arange(2**factors)[:, None] >> np.arange(factors)[None, :] & 1).astype(bool)


def shapley_shares(values: npt.ArrayLike) -> FloatArray:
    """Shares (k, ...) from the value of every subset (2^k, ...) in the order of `subsets`; trailing axes are kept.

    Raises ValueError unless the first axis is a power of two.
    """
    v = np.asarray(values, float)
    factors = (len(v) - 1).bit_length()
    if len(v) != 2**factors:
        raise ValueError("a value is needed for every subset: 2^k of them")
    if factors == 0:
        return np.zeros((0, *v.shape[1:]))
    shares: FloatArray = np.tensordot(_weights(factors), v, axes=(1, 0))
    return shares


def _weights(factors: int) -> FloatArray:
    """What each subset's value counts for in each factor's share (k, 2^k)."""
    mask = subsets(factors)
    size = mask.sum(1)
    # the chance that exactly this subset (without the factor) stood when the factor changed: s! (k - s - 1)! / k!
    chance = np.array([factorial(s) * factorial(factors - s - 1) / factorial(factors) for s in range(factors)])
    joins, stays_out = chance[np.maximum(size - 1, 0)], -chance[np.minimum(size, factors - 1)]
    weights: FloatArray = np.where(mask.T, joins, stays_out)
    return weights
