"""Firth's regression as the notes need it: separation, counts, an effect for the pot, where the odds are even."""

import numpy as np
import pytest
from scipy.special import expit, log_expit

from analysis.firth import _marginal, chance, even_odds_crossing, firth_logistic


def _tips(seed: int, pots: int, notes: int, spread: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Invented notes: tips stop at even odds at 22 mm, 0.3 logits a mm, pots differing by `spread` logits."""
    rng = np.random.default_rng(seed)
    pot = np.repeat(np.arange(pots), notes)
    home = np.repeat(rng.uniform(8, 34, pots), notes)
    depth = np.clip(home + rng.normal(0, 6, len(pot)), 0, None)
    seen = rng.integers(1, 5, len(pot))
    logit = 0.3 * (depth - 22) + rng.normal(0, spread, pots)[pot]
    return pot, depth, rng.binomial(seen, expit(logit)), seen


def test_separated_notes_get_a_finite_answer_and_an_open_interval_where_it_is_open() -> None:
    depth = np.array([3.0, 5, 8, 20, 25, 30])
    fit = firth_logistic(np.column_stack([np.ones(6), depth]), [0, 0, 0, 1, 1, 1])
    assert np.isfinite(fit.coefficients).all()
    crossing = even_odds_crossing(fit, [1, 0], [0, 1])
    assert 8 < crossing.value < 20
    assert crossing.low < crossing.value < crossing.high


def test_a_slope_that_may_be_zero_leaves_the_crossing_unbounded() -> None:
    depth = np.array([3.0, 5, 8, 20, 25, 30])
    fit = firth_logistic(np.column_stack([np.ones(6), depth]), [0, 1, 0, 1, 0, 1])
    crossing = even_odds_crossing(fit, [1, 0], [0, 1])
    assert np.isinf(crossing.low)
    assert np.isinf(crossing.high)


def test_counts_and_the_rows_they_stand_for_give_the_same_fit() -> None:
    depth, stopped, seen = np.array([5.0, 15, 25]), np.array([1, 2, 4]), np.array([5, 5, 5])
    counted = firth_logistic(np.column_stack([np.ones(3), depth]), stopped, seen)
    rows = np.repeat(depth, seen)
    each = np.concatenate([np.r_[np.ones(s), np.zeros(n - s)] for s, n in zip(stopped, seen, strict=True)])
    single = firth_logistic(np.column_stack([np.ones(len(rows)), rows]), each)
    np.testing.assert_allclose(counted.coefficients, single.coefficients, rtol=1e-8)
    np.testing.assert_allclose(counted.low, single.low, rtol=1e-6)


def test_the_marginal_likelihood_agrees_with_integration_over_each_pot() -> None:
    """Laplace against 80-point Gauss-Hermite under the same penalty: the optimum moves by 0.03 of its error at most."""
    pot, depth, stopped, seen = _tips(3, pots=12, notes=6, spread=1.0)
    design = np.column_stack([np.ones(len(depth)), depth - 20])
    fit = firth_logistic(design, stopped, seen, pots=pot)
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)

    def exact(beta: np.ndarray) -> float:
        eta = (design @ beta)[:, None] + fit.pot_spread * nodes[None, :]
        rows = stopped[:, None] * log_expit(eta) + (seen - stopped)[:, None] * log_expit(-eta)
        by_pot = np.stack([rows[pot == j].sum(0) for j in range(12)])
        penalty = 0.5 * np.linalg.slogdet(_marginal(fit.table, beta[None])[1][0])[1]
        return float(np.log(np.exp(by_pot) @ (weights / np.sqrt(2 * np.pi))).sum() + penalty)

    step = 1e-3
    gradient = [
        (exact(fit.coefficients + step * e) - exact(fit.coefficients - step * e)) / (2 * step) for e in np.eye(2)
    ]
    curvature = np.array(
        [
            [
                exact(fit.coefficients + step * (a + b))
                - exact(fit.coefficients + step * (a - b))
                - exact(fit.coefficients - step * (a - b))
                + exact(fit.coefficients - step * (a + b))
                for a in np.eye(2)
            ]
            for b in np.eye(2)
        ]
    ) / (4 * step**2)
    move = -np.linalg.solve(curvature, gradient)
    error = np.sqrt(np.diag(np.linalg.inv(-curvature)))
    assert (np.abs(move) < 0.03 * error).all()


def test_an_effect_for_the_pot_keeps_the_interval_honest_where_pots_differ() -> None:
    """30 invented collections of 16 pots that differ by 1.5 logits (5 mm): 95 % limits of the crossing."""
    covered = {"with": 0, "without": 0}
    for seed in range(30):
        pot, depth, stopped, seen = _tips(seed, pots=16, notes=5, spread=1.5)
        design = np.column_stack([np.ones(len(depth)), depth])
        for name, pots in (("with", pot), ("without", None)):
            crossing = even_odds_crossing(
                firth_logistic(design, stopped, seen, pots=pots, intervals=False), [1, 0], [0, 1]
            )
            covered[name] += crossing.low <= 22 <= crossing.high
    assert covered["with"] >= 26  # 28.5 expected of 30; fewer than 26 has a chance of 2 %
    assert covered["without"] < covered["with"]


def test_a_chance_carries_limits_and_rises_with_depth() -> None:
    pot, depth, stopped, seen = _tips(5, pots=10, notes=6, spread=0.8)
    fit = firth_logistic(np.column_stack([np.ones(len(depth)), depth]), stopped, seen, pots=pot, intervals=False)
    value, low, high = chance(fit, [[1, 5], [1, 20], [1, 35]])
    assert (np.diff(value) > 0).all()
    assert (low < value).all()
    assert (value < high).all()


@pytest.mark.parametrize(
    ("design", "successes", "trials", "says"),
    [
        ([[1.0], [1.0]], [0, 1, 1], None, "one success count"),
        ([[1.0, np.nan]], [1], None, "not a finite number"),
        ([[1.0], [1.0]], [2, 0], [1, 1], "more successes than trials"),
        ([[1.0, 2.0], [1.0, 2.0]], [1, 0], None, "says nothing that the others do not say"),
    ],
)
def test_a_table_that_cannot_be_fitted_is_refused_in_one_sentence(
    design: list[list[float]], successes: list[int], trials: list[int] | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        firth_logistic(design, successes, trials)
