"""What a bound says to draws: a pot that was found moist is not one of those that could be dry two fingers deep.

Owns the choice among candidates for each pot's own constants by the looks that gave a bound and no depth ("moist at the
top", "deeper than I could see"). Must not know the hierarchy, nor how the mode was found.

The picture. A bound that is met with something to spare has no slope and no curvature at the posterior mode, so the
normal about the mode keeps all of the tail that the bound cuts off. Each draw of a pot is therefore chosen among some
candidates by importance: the bound's likelihood at the candidate's own depth, over the likelihood that the normal has
already counted for it. The depth is that at rest in the mean air and level of the last days before the look.

What pots share is not weighed again: a bound in one pot speaks to other pots through the mode alone.

Source: sampling importance resampling (Rubin 1988); the line at rest for the moving one is ours, its error assumed.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from analysis.columns import Columns, FloatArray

IntArray = npt.NDArray[np.int64]

CANDIDATES = 6
REST_SD_MM = 2.0
"""How far a line may be from its rest in the mean of the last days (assumed)."""
LARGEST_LOG_WEIGHT = 6.0
"""The normal's own account of a bound is local: far out no candidate may win by its failure alone."""


@dataclass(frozen=True)
class Bounds:
    """Looks `(note,)` that gave a bound, with what the fit knows of them at the mode.

    pot: whose. sign: 1 the line is above the bound, -1 it is below it. vpd_kpa, temperature_c, level_mm and
    uptake_ml_per_day (NaN: the column's own): means of the last days. shift_mm: the line at the look less the line at
    rest, at the mode. slope, curvature: of minus the log likelihood in depth at the mode; own_slopes (note, own) and
    shared_slopes (note, shared): of depth in the standardised constants.
    """

    columns: Columns
    pot: IntArray
    sign: FloatArray
    bound_mm: FloatArray
    sd_mm: FloatArray
    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray
    uptake_ml_per_day: FloatArray
    shift_mm: FloatArray
    slope: FloatArray
    curvature: FloatArray
    own_slopes: FloatArray
    shared_slopes: FloatArray


def log_weights(bounds: Bounds, rest_mm: FloatArray, own_off: FloatArray, shared_off: FloatArray) -> FloatArray:
    """Log importance (draw, note) of candidates: the bound's likelihood over what the normal counts for it.

    rest_mm (draw, note): the line at rest. own_off (draw, note, own), shared_off (draw, shared): offsets from the mode.
    """
    sd = np.hypot(bounds.sd_mm, REST_SD_MM)
    exact = log_ndtr(bounds.sign * (bounds.bound_mm - rest_mm - bounds.shift_mm) / sd)
    off_mm = np.einsum("dns,ns->dn", own_off, bounds.own_slopes) + shared_off @ bounds.shared_slopes.T
    counted = -(bounds.slope * off_mm + 0.5 * bounds.curvature * off_mm**2)
    return np.asarray(np.minimum(exact - counted, LARGEST_LOG_WEIGHT))


def chosen(candidates: FloatArray, log_weight: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One of the candidates (candidate, draw, pot, own) a draw and pot, by log_weight (candidate, draw, pot)."""
    # the largest of log weight and Gumbel noise is a draw in proportion to the weights
    best = (log_weight + rng.gumbel(size=log_weight.shape)).argmax(axis=0)
    return np.asarray(np.take_along_axis(candidates, best[None, :, :, None], axis=0)[0])


def by_pot(values: FloatArray, pot: IntArray, pots: int) -> FloatArray:
    """Sums (..., pot) of values (..., note); zero for a pot without notes."""
    total = np.zeros((pots, *values.shape[:-1]))
    np.add.at(total, pot, np.moveaxis(values, -1, 0))
    return np.moveaxis(total, 0, -1)


def last_of_each(pot: IntArray, time_order: IntArray, most: int) -> IntArray:
    """Indices, in order, of the last `most` notes of every pot; time_order (note,): later notes have larger numbers."""
    order = np.lexsort((-time_order, pot))
    sorted_pot = pot[order]
    place = np.arange(len(order)) - np.searchsorted(sorted_pot, sorted_pot)
    return np.sort(order[place < most])
