"""Survival when one only looks now and then: Turnbull's estimate, and Kaplan-Meier's where the moment is known.

The picture. Between two looks something happened: a new root came, an old one was lost. An event seen at a look on
day R, and not at the look before on day L, lies in the half-open interval (L, R]: had it been there on day L it would
have been seen. R = inf says that it had not happened at the last look; L = R says the day is known. The likelihood
puts its mass on the innermost intervals (a left end followed by a right end) and says nothing about where inside.

Conventions, since software differs here: intervals are (L, R] unless `closed=True` asks for [L, R]; S(t) is the chance
of an event *after* t; in Kaplan-Meier an event at t precedes a censoring at t.

It knows days and looks only, neither pots nor roots by name.

*Source*: Turnbull 1976, JRSS B 38:290 (self-consistency); Kaplan & Meier 1958, JASA 53:457; Greenwood's variance with
log-log limits (Kalbfleisch & Prentice, from memory).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

FloatArray = npt.NDArray[np.float64]

_MOST_ROUNDS = 20_000


@dataclass(frozen=True)
class IntervalEstimate:
    """Mass (m,) on the innermost intervals (left (m,), right (m,)]; survival is undefined inside one of them."""

    left: FloatArray
    right: FloatArray
    mass: FloatArray
    log_likelihood: float
    closed: bool


@dataclass(frozen=True)
class ProductLimit:
    """Kaplan-Meier at the distinct event times (m,): survival after each, at risk before it, 95 % log-log limits."""

    time: FloatArray
    survival: FloatArray
    at_risk: FloatArray
    low: FloatArray
    high: FloatArray
    median: float


@dataclass(frozen=True)
class SurvivalAt:
    """Survival at asked times (t,) with its sampling limits."""

    time: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray


def turnbull(
    left: npt.ArrayLike, right: npt.ArrayLike, weights: npt.ArrayLike | None = None, *, closed: bool = False
) -> IntervalEstimate:
    """Non-parametric maximum likelihood for events known to lie in (left, right], arrays (n,) in one unit of time.

    weights (n,) count equal rows, 1 each when absent. Raises ValueError for no rows, for right < left, or NaN.
    *Holds for* looks whose days have nothing to do with the event.
    """
    a, b, w = _checked(left, right, weights)
    inner_left, inner_right, inside = _innermost(a, b, closed)
    mass, value = _self_consistent(inside, w)
    held = mass > 0
    return IntervalEstimate(inner_left[held], inner_right[held], mass[held], value, closed)


def survival(estimate: IntervalEstimate, times: npt.ArrayLike) -> FloatArray:
    """S(t), the chance of an event after t; inside an innermost interval the mass is spread evenly (a convention).

    Beyond the last look the mass with an infinite right end never falls due.
    """
    return _share_after(estimate.left, estimate.right, np.asarray(times, float)) @ estimate.mass


def median_time(estimate: IntervalEstimate) -> tuple[float, float]:
    """The innermost interval in which S passes one half; (inf, inf) when it never does."""
    after = 1 - np.cumsum(estimate.mass)
    passed = np.flatnonzero(after <= 0.5 + 1e-9)
    if len(passed) == 0 or not np.isfinite(estimate.right[passed[0]]):
        return (np.inf, np.inf)
    return (float(estimate.left[passed[0]]), float(estimate.right[passed[0]]))


def survival_interval(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    times: npt.ArrayLike,
    rng: np.random.Generator,
    *,
    clusters: npt.ArrayLike | None = None,
    confidence: float = 0.9,
    resamples: int = 400,
) -> SurvivalAt:
    """Turnbull's S(t) with limits from resampling whole clusters (pots), since roots of one pot share their fate.

    Where every cluster agrees (all survived, or none) resampling shows no spread; there the limit is the exact
    binomial one for that many clusters: 0 of n still leaves 1 - (1 - confidence)^(1/n) open.
    """
    a, b, w = _checked(left, right, None)
    t = np.asarray(times, float)
    _, group = np.unique(np.arange(len(a)) if clusters is None else np.asarray(clusters), return_inverse=True)
    count = int(group.max()) + 1
    inner_left, inner_right, inside = _innermost(a, b, closed=False)
    mass, _ = _self_consistent(inside, w)
    after = _share_after(inner_left, inner_right, t)
    value = after @ mass
    drawn = rng.multinomial(count, np.full(count, 1 / count), size=resamples).astype(float)
    draws = _resampled_masses(inside, drawn[:, group], mass) @ after.T  # (resamples, t)
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], axis=0)
    open_end = 1 - (1 - confidence) ** (1 / count)
    low = np.minimum(np.where(value > 1 - 1e-6, 1 - open_end, low), value)
    high = np.maximum(np.where(value < 1e-6, open_end, high), value)
    return SurvivalAt(t, value, low, high)


def kaplan_meier(times: npt.ArrayLike, happened: npt.ArrayLike) -> ProductLimit:
    """Product-limit estimate for times (n,) and whether the event happened then (n,) or the watch ended.

    *Holds for* independent censoring. Limits are NaN where survival is 0 or 1: log-log has no answer there.
    """
    t, event = np.asarray(times, float), np.asarray(happened, bool)
    if t.shape != event.shape or len(t) == 0 or not np.isfinite(t).all():
        raise ValueError("give one finite time and one event mark a row, and at least one row")
    moments, deaths = np.unique(t[event], return_counts=True)
    at_risk = (t[None, :] >= moments[:, None]).sum(1).astype(float)
    s = np.cumprod(1 - deaths / at_risk)
    left_over = at_risk - deaths
    greenwood = np.cumsum(np.divide(deaths, at_risk * left_over, out=np.full(len(s), np.nan), where=left_over > 0))
    log_s = np.log(np.where((s > 0) & (s < 1), s, np.nan))
    spread = norm.ppf(0.975) * np.sqrt(greenwood) / np.abs(log_s)
    fallen = np.flatnonzero(s <= 0.5 + 1e-12)
    return ProductLimit(
        moments,
        s,
        at_risk,
        np.exp(log_s * np.exp(spread)),
        np.exp(log_s * np.exp(-spread)),
        float(moments[fallen[0]]) if len(fallen) else np.inf,
    )


def _checked(
    left: npt.ArrayLike, right: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    a, b = np.asarray(left, float), np.asarray(right, float)
    w = np.ones_like(a) if weights is None else np.asarray(weights, float)
    if len(a) == 0 or a.shape != b.shape or w.shape != a.shape:
        raise ValueError("give at least one interval, with as many left as right ends")
    if np.isnan(a).any() or np.isnan(b).any() or (b < a).any():
        raise ValueError("an interval ends before it begins")
    return a, b, w


def _innermost(a: FloatArray, b: FloatArray, closed: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Innermost intervals and, per row, which of them it covers (n, m).

    Ends are put on one axis of ranks in which the convention is a tie rule: for (L, R] a right end at x comes before
    a left end at x, for [L, R] after it. A known day (L = R) is the point itself: its left end sits just before it.
    """
    exact = a == b
    # rank within a tie: known day's left, then right ends, then open left ends; closed left ends go first of all
    left_tie = np.where(exact | closed, 0.0, 2.0)
    ends = np.r_[a, b]
    ties = np.r_[left_tie, np.full(len(b), 1.0)]
    is_right = np.r_[np.zeros(len(a), bool), np.ones(len(b), bool)]
    order = np.lexsort((ties, ends))
    starts = order[:-1][~is_right[order[:-1]] & is_right[order[1:]]]
    stops = order[1:][~is_right[order[:-1]] & is_right[order[1:]]]
    # a tie of equal left ends: the last of them opens the innermost interval, so compare by (value, tie), not position
    key = np.empty(len(order), np.int64)
    _, key[order] = np.unique(np.c_[ends, ties][order], axis=0, return_inverse=True)
    n = len(a)
    covers = (key[:n, None] <= key[starts][None, :]) & (key[n:, None] >= key[stops][None, :])
    return ends[starts], ends[stops], covers.astype(float)


def _self_consistent(inside: FloatArray, weights: FloatArray) -> tuple[FloatArray, float]:
    """Turnbull's self-consistent mass by EM, sped up by squared extrapolation; stops at the Kuhn-Tucker conditions."""
    total = weights.sum()

    def improved(mass: FloatArray) -> tuple[FloatArray, FloatArray]:
        gradient = (weights / (inside @ mass)) @ inside / total
        return mass * gradient, gradient

    def value(mass: FloatArray) -> float:
        with np.errstate(divide="ignore"):
            return float(weights @ np.log(inside @ mass))

    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    for _ in range(_MOST_ROUNDS):
        first, gradient = improved(mass)
        if gradient.max() < 1 + 1e-9:
            break
        second, _ = improved(first)
        # Varadhan & Roland 2008 (SQUAREM): extrapolate two EM steps, fall back to them where it does not pay
        r, v = first - mass, second - 2 * first + mass
        length = -np.sqrt((r @ r) / max(float(v @ v), 1e-300))
        leap = np.maximum(mass - 2 * length * r + length**2 * v, 0.0)
        if leap.sum() > 0 and value(leap / leap.sum()) >= value(second):
            mass = leap / leap.sum()
            # a mass set to zero by the leap could never come back by EM
            mass = np.where(mass == 0, 1e-12, mass)
            mass = improved(mass / mass.sum())[0]
        else:
            mass = second
    # what EM is still carrying to zero: one ten-millionth of a root is none
    mass = np.where(mass < 1e-7, 0.0, mass)
    mass /= mass.sum()
    return mass, value(mass)


def _resampled_masses(inside: FloatArray, weights: FloatArray, start: FloatArray) -> FloatArray:
    """EM for many weightings at once: weights (k, n) -> masses (k, m); 300 rounds are ample for a limit."""
    mass = np.repeat(np.maximum(start, 1e-3)[None, :], len(weights), axis=0)
    mass /= mass.sum(1, keepdims=True)
    total = weights.sum(1, keepdims=True)
    for _ in range(300):
        mass = mass * ((weights / np.maximum(mass @ inside.T, 1e-300)) @ inside) / total
    return mass


def _share_after(left: FloatArray, right: FloatArray, times: FloatArray) -> FloatArray:
    """The share of each interval (m,) that lies after each time (t,) -> (t, m)."""
    t, left, right = times[:, None], left[None, :], right[None, :]
    width = np.where(np.isfinite(right) & (right > left), right - left, 1.0)
    partly = np.clip((np.where(np.isfinite(right), right, 0.0) - t) / width, 0.0, 1.0)
    return np.where(np.isinf(right), 1.0, np.where(right > left, partly, (right > t).astype(float)))
