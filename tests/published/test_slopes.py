"""Slopes against certified and published values.

Norris: NIST Statistical Reference Datasets (StRD), linear regression, lower difficulty; certified to 15 digits, so
the tolerances are those of double arithmetic on this well-conditioned set. Theil-Sen: the example of Sen 1968, JASA
63:1379 (data from memory, slope as scipy 1.17.1 theilslopes computes it).
"""

import numpy as np
import pytest
from scipy.stats import theilslopes

from analysis.lines import least_squares_line, median_slope


def numbers(text):
    return np.array(text.split(), dtype=float)


NORRIS_X = numbers(
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = numbers(
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 "
    "998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)
SEN_X = np.array([1, 2, 3, 4, 10, 12, 18], dtype=float)
SEN_Y = np.array([9, 15, 19, 20, 45, 55, 78], dtype=float)


def test_least_squares_agrees_with_the_certified_values_of_nist_norris():
    line = least_squares_line(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_se == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_se == pytest.approx(0.000429796848199937, rel=1e-9)
    assert line.residual_sd**2 * 34 == pytest.approx(26.6173985294224, rel=1e-8)


def test_median_slope_of_sen_1968_is_4():
    assert median_slope(SEN_X, SEN_Y) == pytest.approx(4.0, abs=1e-9)


def test_median_slope_of_norris():
    """scipy 1.17.1 theilslopes gives 1.0021968; the two are also compared directly."""
    assert median_slope(NORRIS_X, NORRIS_Y) == pytest.approx(1.0021968, abs=1e-6)
    assert median_slope(NORRIS_X, NORRIS_Y) == pytest.approx(theilslopes(NORRIS_Y, NORRIS_X).slope, rel=1e-12)


def test_median_slope_stands_a_quarter_of_nonsense():
    x = np.arange(40.0)
    y = 50 - 0.2 * x
    y[::4] = 500.0
    assert median_slope(x, y) == pytest.approx(-0.2, abs=0.02)


def test_points_that_make_no_line_are_refused_or_unknown():
    with pytest.raises(ValueError, match="three points"):
        least_squares_line(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="same x"):
        least_squares_line(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 3.0]))
    assert np.isnan(median_slope(np.array([1.0]), np.array([1.0])))
    assert np.isnan(median_slope(np.array([2.0, 2.0]), np.array([1.0, 3.0])))
