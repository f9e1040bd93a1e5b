"""Logistic regression that survives few and separated notes: Firth's penalty, profile intervals, an effect for the pot.

The picture. Tips of a pot grow or stop; the log-odds of stopping are linear in what the pot was exposed to. Small
tables of notes separate often (every tip alive below 15 mm), and then the usual estimate runs to infinity. Firth's
penalty, half the log-determinant of the information, keeps it finite and takes away the first-order bias:

    L*(b) = sum[s log p + (m - s) log(1 - p)] + 0.5 log|X'WX|,    W = m p (1 - p)

Notes of one pot resemble each other. An effect for the pot, u ~ N(0, spread^2) on the log-odds, is integrated out by
Laplace's approximation, and the information in the penalty becomes that of the marginal model, so that Jeffreys'
prior rests on the regression alone and the pots are drawn to their common mean, not to even odds. The spread itself is
held at the mode of its marginal likelihood times a gamma(2, 1) prior (one logit; it keeps few pots from answering
"no spread at all"): intervals are for that spread.

It knows numbers only: no pots by name, no millimetres; what the columns mean is for `outcomes.py`.

*Source*: Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Stat. Med. 21:2409 (profile intervals under
separation). The gamma prior on the spread follows Chung et al. 2013, Psychometrika 78:685 (from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize_scalar
from scipy.special import expit, log_expit
from scipy.stats import chi2

FloatArray = npt.NDArray[np.float64]

_MOST_STEPS = 200
_LARGEST_STEP_LOGITS = 5.0
_SMALLEST_SPREAD, _LARGEST_SPREAD = 0.05, 6.0


@dataclass(frozen=True)
class _Table:
    """Rows sorted by pot: design (n, p), successes and trials (n,), where a pot's rows start, the spread in logits."""

    design: FloatArray
    successes: FloatArray
    trials: FloatArray
    starts: npt.NDArray[np.int64]
    pot_of_row: npt.NDArray[np.int64]
    spread: float


@dataclass(frozen=True)
class FirthFit:
    """What a fit says: coefficients (p,) with their profile limits, and the spread between pots, all in logits.

    A limit is infinite where the likelihood never falls far enough to close the interval.
    """

    coefficients: FloatArray
    low: FloatArray
    high: FloatArray
    confidence: float
    penalised_log_likelihood: float
    pot_spread: float
    table: _Table


@dataclass(frozen=True)
class Crossing:
    """Where the chance passes one half, with its profile interval (ends may be infinite)."""

    value: float
    low: float
    high: float


def firth_logistic(
    design: npt.ArrayLike,
    successes: npt.ArrayLike,
    trials: npt.ArrayLike | None = None,
    *,
    pots: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    intervals: bool = True,
) -> FirthFit:
    """Fit the chance of a success to the columns of the design.

    design (n, p), the intercept being a column of ones; successes (n,) out of trials (n,), 1 each when absent;
    pots (n,), a label a row, gives each pot its own effect. Raises ValueError for rows that do not match, values that
    are not finite, more successes than trials, or a column that the others already say.

    *Holds for* any table with at least one trial, separated ones included; a few thousand rows.
    *Source*: the module's.
    """
    table = _checked_table(design, successes, trials, pots)
    if pots is not None:
        table = replace(table, spread=_likeliest_spread(table))
    columns = table.design.shape[1]
    best, value = _maximum(table, np.zeros(columns), np.eye(columns))
    low, high = np.full(columns, np.nan), np.full(columns, np.nan)
    if intervals:
        drop = 0.5 * float(chi2.ppf(confidence, 1))
        errors = np.sqrt(np.diag(np.linalg.inv(_terms(table, best)[2])))
        for j, unit in enumerate(np.eye(columns)):
            excess = _excess_at_target(table, unit, best, value - drop)
            low[j], high[j] = _profile_limits(excess, float(best[j]), float(errors[j]))
    return FirthFit(best, low, high, confidence, value, table.spread, table)


def even_odds_crossing(fit: FirthFit, at_zero: npt.ArrayLike, per_unit: npt.ArrayLike) -> Crossing:
    """Where along one covariate x the chance is one half: the x with (at_zero + x per_unit)'b = 0.

    at_zero and per_unit are contrasts (p,) on the coefficients. The interval is by profile, not by the delta method:
    a slope that may be zero leaves the crossing unbounded, and it says so with an infinite end. Value is NaN when the
    slope is exactly zero.
    """
    a, b = np.asarray(at_zero, float), np.asarray(per_unit, float)
    slope = float(b @ fit.coefficients)
    if slope == 0.0:
        return Crossing(np.nan, -np.inf, np.inf)
    value = -float(a @ fit.coefficients) / slope
    drop = 0.5 * float(chi2.ppf(fit.confidence, 1))
    covariance = np.linalg.inv(_terms(fit.table, fit.coefficients)[2])
    gradient = (a + value * b) / slope
    error = max(float(np.sqrt(gradient @ covariance @ gradient)), 1e-9)
    low, high = _profile_limits(
        lambda x: _profile(fit.table, a + x * b, 0.0, fit.coefficients)[1] - (fit.penalised_log_likelihood - drop),
        value,
        error,
    )
    return Crossing(value, low, high)


def crossing_likelihood(
    fit: FirthFit, at_zero: npt.ArrayLike, per_unit: npt.ArrayLike, grid: npt.ArrayLike
) -> FloatArray:
    """Profile penalised log-likelihood, less its peak, of the even-odds crossing at each point of a grid (g,).

    Only chances that rise with x count: where the best slope would fall, the profile is that of a level one. So notes
    that say the opposite of what is asked leave the profile flat, and a prior decides.
    """
    a, b = np.asarray(at_zero, float), np.asarray(per_unit, float)
    near, values = fit.coefficients, np.empty(np.size(grid))
    for i, x in enumerate(np.atleast_1d(np.asarray(grid, float))):
        near, values[i] = _profile(fit.table, a + x * b, 0.0, near)
        if b @ near < 0:
            near, values[i] = _profile(fit.table, np.vstack([a, b]), np.zeros(2), near)
    # where no slope makes sense of the notes the profile is flat: they say nothing of the crossing
    if not np.isfinite(values).any():
        return np.zeros(len(values))
    below: FloatArray = values - values.max()
    return below


def chance(fit: FirthFit, rows: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chance of a success for new rows (m, p) in a typical pot: value, low and high (m,), by profile."""
    x = np.atleast_2d(np.asarray(rows, float))
    logits = x @ fit.coefficients
    drop = 0.5 * float(chi2.ppf(fit.confidence, 1))
    covariance = np.linalg.inv(_terms(fit.table, fit.coefficients)[2])
    limits = np.empty((len(x), 2))
    for i, row in enumerate(x):
        error = float(np.sqrt(row @ covariance @ row))
        excess = _excess_at_target(fit.table, row, fit.coefficients, fit.penalised_log_likelihood - drop)
        limits[i] = _profile_limits(excess, float(logits[i]), error)
    return expit(logits), expit(limits[:, 0]), expit(limits[:, 1])


def _checked_table(
    design: npt.ArrayLike, successes: npt.ArrayLike, trials: npt.ArrayLike | None, pots: npt.ArrayLike | None
) -> _Table:
    x = np.asarray(design, float)
    s = np.asarray(successes, float)
    m = np.ones_like(s) if trials is None else np.asarray(trials, float)
    if x.ndim != 2 or s.shape != (len(x),) or m.shape != s.shape:
        raise ValueError("design must be (rows, columns) with one success count and one trial count a row")
    if not (np.isfinite(x).all() and np.isfinite(s).all() and np.isfinite(m).all()):
        raise ValueError("the table holds a value that is not a finite number")
    if (s < 0).any() or (s > m).any():
        raise ValueError("a row has fewer than zero or more successes than trials")
    used = m > 0
    x, s, m = x[used], s[used], m[used]
    if len(x) == 0 or np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("a column of the design says nothing that the others do not say")
    if pots is None:
        return _Table(x, s, m, np.array([0]), np.zeros(len(x), np.int64), 0.0)
    labels = np.asarray(pots)[used]
    _, numbers = np.unique(labels, return_inverse=True)
    order = np.argsort(numbers, kind="stable")
    numbers = numbers[order].astype(np.int64)
    starts = np.flatnonzero(np.r_[True, np.diff(numbers) > 0])
    return _Table(x[order], s[order], m[order], starts, numbers, 0.0)


def _terms(table: _Table, beta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Penalised log-likelihood, its gradient (p,) and the information (p, p) that serves as Newton's metric."""
    if table.spread > 0:
        return _marginal_terms(table, beta)
    eta = table.design @ beta
    p = expit(eta)
    weight = table.trials * p * (1 - p)
    information = table.design.T @ (weight[:, None] * table.design)
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        return -np.inf, np.zeros_like(beta), np.eye(len(beta))
    hat = weight * np.einsum("ij,ij->i", table.design @ np.linalg.inv(information), table.design)
    # Firth's modified score: U*(b) = X'(s - m p + h (1/2 - p))
    score = table.design.T @ (table.successes - table.trials * p + hat * (0.5 - p))
    return _log_likelihood(table, eta) + 0.5 * log_determinant, score, information


def _log_likelihood(table: _Table, eta: FloatArray) -> float:
    return float(table.successes @ log_expit(eta) + (table.trials - table.successes) @ log_expit(-eta))


def _marginal_terms(table: _Table, beta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """The same with the pots integrated out; the gradient by central differences, all of them in one batch.

    The determinant of the marginal information has a gradient too long to be worth writing: p is 2 to 6.
    """
    step = 1e-5 * np.maximum(1.0, np.abs(beta))
    shifts = np.diag(step)
    values, information = _marginal(table, np.vstack([beta, beta + shifts, beta - shifts]))
    columns = len(beta)
    ahead, behind = values[1 : columns + 1], values[columns + 1 :]
    # at the edge of what can be computed there is no way on: no slope, and the caller stops there
    known = np.isfinite(ahead) & np.isfinite(behind)
    gradient = np.where(known, np.where(known, ahead, 0.0) - np.where(known, behind, 0.0), 0.0) / (2 * step)
    return float(values[0]), gradient, information[0]


def _marginal(table: _Table, betas: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Laplace's marginal penalised log-likelihood (k,) and marginal information (k, p, p) for betas (k, p)."""
    eta = betas @ table.design.T  # (k, n)
    precision = 1 / table.spread**2
    effect = np.zeros((len(betas), len(table.starts)))
    for _ in range(60):
        p = expit(eta + effect[:, table.pot_of_row])
        pull = np.add.reduceat(table.successes - table.trials * p, table.starts, axis=1) - precision * effect
        weight = table.trials * p * (1 - p)
        curvature = np.add.reduceat(weight, table.starts, axis=1) + precision
        # a pot's own Newton step may overshoot where its curve is flat: two logits at a time
        change = np.clip(pull / curvature, -2.0, 2.0)
        effect = effect + change
        if np.abs(change).max() < 1e-11:
            break
    total = eta + effect[:, table.pot_of_row]
    fit = log_expit(total) @ table.successes + log_expit(-total) @ (table.trials - table.successes)
    p = expit(total)
    weight = table.trials * p * (1 - p)
    within = np.add.reduceat(weight, table.starts, axis=1)
    weighted = weight[:, :, None] * table.design  # (k, n, p)
    by_pot = np.add.reduceat(weighted, table.starts, axis=1)  # (k, pots, p) = Z'WX
    information = np.einsum("np,knq->kpq", table.design, weighted) - np.einsum(
        "kjp,kjq->kpq", by_pot, by_pot / (within + precision)[:, :, None]
    )
    sign, log_determinant = np.linalg.slogdet(information)
    laplace = -0.5 * precision * (effect**2).sum(1) - 0.5 * np.log1p(within / precision).sum(1)
    return np.where(sign > 0, fit + laplace + 0.5 * log_determinant, -np.inf), information


def _maximum(table: _Table, origin: FloatArray, basis: FloatArray) -> tuple[FloatArray, float]:
    """The largest penalised likelihood over origin + basis g (basis (p, q)): Newton with halved steps."""
    beta = origin
    value, score, information = _terms(table, beta)
    for _ in range(_MOST_STEPS):
        slope = basis.T @ score
        if basis.shape[1] == 0 or not np.isfinite(value):
            break
        try:
            step = np.linalg.solve(basis.T @ information @ basis, slope)
        except np.linalg.LinAlgError:
            break  # so far out that every chance is 0 or 1 to the last digit: the curve is flat here
        # steps are limited in what they do to the fitted logits, so a column in mm and one in days are treated alike
        largest = float(np.abs(table.design @ (basis @ step)).max())
        step *= min(1.0, _LARGEST_STEP_LOGITS / max(largest, 1e-300))
        decrement = float(slope @ step)
        if decrement < 1e-15:
            break
        trial, factor = _terms(table, beta + basis @ step), 1.0
        while not trial[0] > value and factor > 1e-6:
            factor /= 2
            trial = _terms(table, beta + factor * (basis @ step))
        if not trial[0] > value:
            break  # no better point within rounding
        beta = beta + factor * (basis @ step)
        value, score, information = trial
    return beta, value


def _profile(
    table: _Table, contrasts: FloatArray, targets: float | FloatArray, near: FloatArray
) -> tuple[FloatArray, float]:
    """The best coefficients, and their penalised likelihood, among those with contrasts @ b = targets.

    It begins near others that are given, or at the least coefficients where these fit better: a neighbour's steep slope
    may put every chance here at 0 or 1 to the last digit, and from there no way leads back.
    """
    rows = np.atleast_2d(contrasts)
    reach, wanted = np.linalg.pinv(rows), np.atleast_1d(targets)
    origin = max((near + reach @ (wanted - rows @ near), reach @ wanted), key=lambda beta: _terms(table, beta)[0])
    _, _, directions = np.linalg.svd(rows)
    return _maximum(table, origin, directions[len(rows) :].T)


def _excess_at_target(table: _Table, contrast: FloatArray, near: FloatArray, level: float) -> Callable[[float], float]:
    """How far the profile at contrast'b = x stands above a level, as a function of x."""
    return lambda x: _profile(table, contrast, x, near)[1] - level


def _profile_limits(above: Callable[[float], float], best: float, error: float) -> tuple[float, float]:
    """Both ends of the set where `above` is positive around its peak; infinite where it never falls to zero."""

    def end(direction: float) -> float:
        inner, reach = best, max(error, 1e-12)
        for _ in range(24):
            outer = best + direction * reach
            if above(outer) < 0:
                return float(brentq(above, inner, outer, xtol=1e-10 * max(1.0, abs(outer)), rtol=1e-10))
            inner, reach = outer, 2 * reach
        return direction * float("inf")

    return end(-1.0), end(1.0)


def _likeliest_spread(table: _Table) -> float:
    """Mode of the spread between pots under its marginal likelihood and a gamma(2, 1) prior, in logits."""
    columns = table.design.shape[1]
    origin = _maximum(table, np.zeros(columns), np.eye(columns))[0]

    def cost(log_spread: float) -> float:
        spread = float(np.exp(log_spread))
        value = _maximum(replace(table, spread=spread), origin, np.eye(columns))[1]
        return float(spread - value - np.log(spread))

    found = minimize_scalar(
        cost, bounds=(np.log(_SMALLEST_SPREAD), np.log(_LARGEST_SPREAD)), method="bounded", options={"xatol": 0.02}
    )
    return float(np.exp(found.x))
