"""Thinning a line: few points, the same picture."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.thinning import thinned


def test_a_year_of_minutes_keeps_its_one_spike_and_its_one_trough():
    y = np.sin(np.linspace(0, 700, 525_600))
    y[123_456], y[400_000] = 9.0, -9.0
    x = np.arange(y.size, dtype=np.float64)
    few_x, few_y = thinned(x, y, 2000)
    assert few_x.size <= 2000
    assert few_y.max() == 9.0
    assert few_y.min() == -9.0
    assert np.array_equal(few_y, y[few_x.astype(int)])


def test_a_gap_stays_a_gap():
    y = np.ones(9000)
    y[3000:3900] = np.nan
    few_x, few_y = thinned(np.arange(9000.0), y, 300)
    inside = (few_x >= 3000) & (few_x < 3900)
    assert np.isnan(few_y[inside]).all()
    assert inside.any()


def test_a_short_line_is_left_as_it_is():
    x = np.arange(5.0)
    assert thinned(x, x, 6)[0] is x


@given(st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=0, max_size=400), st.integers(6, 60))
def test_any_line_keeps_its_extremes_its_order_and_the_limit(values, most):
    y = np.array(values, dtype=np.float64)
    x = np.arange(y.size, dtype=np.float64)
    few_x, few_y = thinned(x, y, most)
    assert few_x.size <= most
    assert (np.diff(few_x) > 0).all()
    if np.isfinite(y).any():
        assert np.nanmax(few_y) == np.nanmax(y)
        assert np.nanmin(few_y) == np.nanmin(y)


def test_lengths_that_differ_are_refused():
    with pytest.raises(ValueError, match="3 times for 4 values"):
        thinned(np.arange(3.0), np.arange(4.0), 10)
