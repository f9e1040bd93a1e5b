"""Shapley values against games with published answers, and the axioms as properties.

Shapley 1953 (the axioms; the glove market, Shapley & Shubik, textbook form); Littlechild & Owen 1973, Management
Science 20:370, the airport game in closed form; the United Nations Security Council of 15 (Straffin 1993, from
memory: 421/2145 for a permanent member, 4/2145 for another). All are rational numbers: the tolerance is rounding.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.shapley import shapley_shares, subsets


def test_the_glove_market_gives_a_sixth_a_sixth_and_four_sixths() -> None:
    gloves = subsets(3)  # two hold a left glove, the third a right one
    worth = np.minimum(gloves[:, :2].sum(1), gloves[:, 2])
    np.testing.assert_allclose(shapley_shares(worth), [1 / 6, 1 / 6, 4 / 6], atol=1e-12)


def test_the_airport_game_shares_each_stretch_of_runway_among_its_users() -> None:
    length = np.array([8.0, 11, 13, 18])
    cost = (subsets(4) * length).max(1)
    expected = [8 / 4, 8 / 4 + 3 / 3, 8 / 4 + 3 / 3 + 2 / 2, 8 / 4 + 3 / 3 + 2 / 2 + 5]
    np.testing.assert_allclose(shapley_shares(cost), expected, atol=1e-12)


def test_the_security_council_gives_its_permanent_members_421_of_2145() -> None:
    present = subsets(15)
    passes = present[:, :5].all(1) & (present.sum(1) >= 9)
    shares = shapley_shares(passes)
    np.testing.assert_allclose(shares[:5], 421 / 2145, atol=1e-12)
    np.testing.assert_allclose(shares[5:], 4 / 2145, atol=1e-12)


values = st.integers(1, 5).flatmap(
    lambda k: st.lists(st.floats(-50, 50), min_size=2**k, max_size=2**k).map(lambda v: (k, np.array(v)))
)


@settings(max_examples=60, deadline=None)
@given(values)
def test_shares_add_up_to_the_whole_change(game: tuple[int, np.ndarray]) -> None:
    _, v = game
    assert shapley_shares(v).sum() == pytest.approx(v[-1] - v[0], abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(values)
def test_a_factor_that_never_does_anything_has_no_share(game: tuple[int, np.ndarray]) -> None:
    k, v = game
    idle = np.concatenate([v, v])  # the new factor is the highest bit: both halves are alike
    shares = shapley_shares(idle)
    assert shares[k] == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(shares[:k], shapley_shares(v), atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(values)
def test_factors_that_do_the_same_have_the_same_share(game: tuple[int, np.ndarray]) -> None:
    k, v = game
    if k < 2:
        return
    mask = subsets(k)
    swapped = mask.copy()
    swapped[:, [0, 1]] = mask[:, [1, 0]]
    index = swapped @ (1 << np.arange(k))
    shares = shapley_shares(v + v[index])
    assert shares[0] == pytest.approx(shares[1], abs=1e-9)


def test_shares_keep_their_draws_apart() -> None:
    v = np.random.default_rng(0).normal(size=(8, 5))
    together = shapley_shares(v)
    for draw in range(5):
        np.testing.assert_allclose(together[:, draw], shapley_shares(v[:, draw]))


def test_a_missing_subset_is_refused() -> None:
    with pytest.raises(ValueError, match="every subset"):
        shapley_shares(np.zeros(6))
