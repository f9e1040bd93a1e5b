"""Interval-censored survival: decided edge cases, limits that know about pots, and properties of the estimate."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.interval_survival import kaplan_meier, median_time, survival, survival_interval, turnbull

INF = np.inf


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 30), st.one_of(st.integers(0, 20), st.just(INF))).map(lambda p: (p[0], p[0] + p[1])),
        min_size=1,
        max_size=25,
    )
)
def test_masses_sum_to_one_and_no_row_could_gain_by_moving_mass(rows: list[tuple[int, float]]) -> None:
    """Kuhn-Tucker conditions of the maximum: the mean share of every interval is at most one, and one where mass is."""
    left, right = np.transpose(rows).astype(float)
    estimate = turnbull(left, right)
    assert estimate.mass.sum() == pytest.approx(1)
    chance = _covered(left, right, estimate.left, estimate.right) @ estimate.mass
    gain = (1 / chance) @ _covered(left, right, estimate.left, estimate.right) / len(rows)
    np.testing.assert_allclose(gain, 1, atol=1e-3)
    ends = np.unique(np.r_[left, right])
    days = ends[np.isfinite(ends)]
    anywhere = _covered(left, right, np.r_[ends[:-1], days], np.r_[ends[1:], days])
    assert ((1 / chance) @ anywhere / len(rows) <= 1 + 1e-3).all()


def _covered(left: np.ndarray, right: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Which rows (n,) allow an event in which (low, high], or on which day where the two are one: (n, m)."""
    exact = low == high
    within = np.where(exact, left[:, None] < high, left[:, None] <= low) & (right[:, None] >= high)
    return within | ((left == right)[:, None] & exact & (left[:, None] == high))


def test_when_every_day_is_known_turnbull_is_the_empirical_distribution() -> None:
    days = [3.0, 3, 7, 12]
    estimate = turnbull(days, days)
    np.testing.assert_allclose(estimate.right, [3, 7, 12])
    np.testing.assert_allclose(estimate.mass, [0.5, 0.25, 0.25], atol=1e-6)


def test_right_censored_exact_days_give_kaplan_meier() -> None:
    days, seen = np.array([2.0, 3, 3, 5, 8, 9]), np.array([1, 1, 0, 1, 0, 1], bool)
    estimate = turnbull(days, np.where(seen, days, INF))
    curve = kaplan_meier(days, seen)
    np.testing.assert_allclose(survival(estimate, curve.time), curve.survival, atol=1e-6)


def test_an_event_on_a_day_comes_before_a_censoring_on_that_day() -> None:
    assert kaplan_meier([5, 5], [1, 0]).survival[0] == 0.5


def test_a_median_that_is_never_reached_is_infinite() -> None:
    assert median_time(turnbull([10.0, 20], [INF, INF])) == (INF, INF)


def test_when_all_survived_the_limit_is_the_exact_binomial_one() -> None:
    at = survival_interval([30.0] * 8, [INF] * 8, [30], np.random.default_rng(0))
    assert at.value[0] == 1
    assert at.low[0] == pytest.approx(0.1 ** (1 / 8))


def test_roots_of_one_pot_are_not_counted_as_independent() -> None:
    rng = np.random.default_rng(2)
    fate = np.repeat(rng.integers(0, 2, 12), 10)
    left, right = np.where(fate == 1, 60.0, 0.0), np.where(fate == 1, INF, 30.0)
    pots = np.repeat(np.arange(12), 10)
    by_pot = survival_interval(left, right, [30], np.random.default_rng(1), clusters=pots)
    by_root = survival_interval(left, right, [30], np.random.default_rng(1))
    assert (by_pot.high - by_pot.low)[0] > 2 * (by_root.high - by_root.low)[0]


def test_limits_cover_the_truth_when_looks_are_weeks_apart() -> None:
    """40 invented collections, half of the roots lost by day 40; looks every 7 to 30 days; 90 % limits at day 40."""
    covered = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        day = rng.exponential(40 / np.log(2), 60)
        looks = np.cumsum(rng.uniform(7, 30, (60, 8)), axis=1)
        before = np.where(looks < day[:, None], looks, 0).max(1)
        after = np.where(looks >= day[:, None], looks, INF).min(1)
        at = survival_interval(before, after, [40], rng, resamples=150)
        covered += bool(at.low[0] <= 0.5 <= at.high[0])
    assert covered >= 31


def test_backward_intervals_are_refused() -> None:
    with pytest.raises(ValueError, match="ends before it begins"):
        turnbull([5.0], [3.0])
