"""What each draw claims of a pot's steps, and when the claims agree so far that the grower can act on them.

The picture. From the shares of days that every step would have left too dry or too wet, a draw reads its own smallest
sufficient step: dry on at most one day in ten, and no risk traded for the other. It also reads which steps are no worse
than anything that can be done at once: they suffice, or nothing at once does and they help as much as any. A pot is
settled where nine draws in ten agree on the first or, where much is at stake, on one of the second.

It knows shares, no descriptions: `guide.py` words the claims, `looks.py` asks what a look would do to them. One in ten,
nine in ten, the wet limit and what is much are assumed.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.columns import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

ENOUGH = 0.1
"""Share of days deeper than the rooting depth that a plant puts up with."""
WET_DAYS = 0.5
SURE = 0.9
MUCH_AT_STAKE_DAYS = 0.5
"""Share of days too dry or too wet from which on a step is taken though its being the smallest is not known."""
AS_GOOD = 0.05
"""Steps whose shares of dry days differ by no more are as good as each other."""


@dataclass(frozen=True)
class Claims:
    """The claims of all draws about one pot; of its steps the first is to leave it.

    smallest (draw,): index of the smallest sufficient step, one past the last where none is. no_better (step, draw):
    whether it meets a need as well as anything that can be done at once. at_stake (2, draw): shares of days too dry and
    too wet as it is.
    """

    smallest: IntArray
    no_better: BoolArray
    at_stake: FloatArray


def claims_of(
    dry: FloatArray, wet: FloatArray, against: npt.NDArray[np.str_], lasting: BoolArray, at_once: BoolArray
) -> Claims:
    """The claims from shares of days (step, draw), "leave" first; against (step,): "dry", "wet" or ""."""
    no_wetter = (wet <= WET_DAYS) | (wet <= wet[0])
    fits = _sufficient(dry, wet, no_wetter, against[:, None]) & lasting[:, None]
    fits[0] = (dry[0] <= ENOUGH) & (wet[0] <= WET_DAYS)
    now = (lasting & at_once)[:, None]
    may = now & no_wetter & (against == "dry")[:, None]
    least = np.where(may, dry, np.inf).min(0)
    helps_most = may & (dry <= least + AS_GOOD) & (dry < dry[0] - ENOUGH)
    none_at_once = ~(fits & now).any(0)
    no_better = now & ~fits[0] & (fits | (none_at_once & helps_most))
    # one past the last where none suffices
    smallest = np.where(fits.any(0), fits.argmax(0), len(fits))
    return Claims(smallest.astype(np.int64), no_better, np.stack([dry[0], wet[0]]))


def is_settled(agreed: FloatArray, no_better: FloatArray, at_stake: FloatArray) -> BoolArray:
    """Whether pots are settled: from the share of draws that agree on a smallest step, the largest share for which one
    step is no worse than any at once, and the larger mean share of days at stake, all of one shape."""
    return np.asarray((agreed >= SURE) | ((no_better >= SURE) & (at_stake >= MUCH_AT_STAKE_DAYS)))


def _sufficient(dry: FloatArray, wet: FloatArray, no_wetter: BoolArray, against: npt.NDArray[np.str_]) -> BoolArray:
    """Whether each step cures the risk at hand without bringing the other."""
    cures_dry = (dry <= ENOUGH) & no_wetter & (against == "dry")
    cures_wet = (wet <= WET_DAYS) & ((dry <= ENOUGH) | (dry <= dry[0])) & (against == "wet")
    return np.asarray(np.where(dry[0] > ENOUGH, cures_dry, cures_wet))
