"""Kaplan-Meier and Turnbull against published rows.

Freireich et al. 1963, the 6-MP trial in leukaemia (data as in Cox & Oakes 1984, from memory; figures as lifelines
0.30.3 prints them, `published-values.csv`). Finkelstein & Wolfe 1985, breast cosmesis, radiotherapy arm (data and the
result of the R package `interval` from memory; the masses are printed to four digits, hence 0.00005). The intervals
of that result are half-open, (L, R]; software that closes them gets other masses, and both readings are held here.
"""

import numpy as np
import pytest

from analysis.interval_survival import kaplan_meier, median_time, survival, turnbull

INF = np.inf

SIX_MP_WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
SIX_MP_RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
CONTROL_WEEKS = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]

COSMESIS_MONTHS = [
    (45, INF), (6, 10), (0, 7), (46, INF), (46, INF), (7, 16), (17, INF), (7, 14), (37, 44), (0, 8),
    (4, 11), (15, INF), (11, 15), (22, INF), (46, INF), (46, INF), (25, 37), (46, INF), (26, 40), (46, INF),
    (27, 34), (36, 44), (46, INF), (36, 48), (37, INF), (40, INF), (17, 25), (46, INF), (11, 18), (38, INF),
    (5, 12), (37, INF), (0, 5), (18, INF), (24, INF), (36, INF), (5, 11), (19, 35), (17, 25), (24, INF),
    (32, INF), (33, INF), (19, 26), (37, INF), (34, INF), (36, INF),
]  # fmt: skip

TEN_SUBJECTS = ([1, 8, 8, 7, 7, 17, 37, 46, 46, 45], [7, 8, 10, 16, 14, INF, 44, INF, INF, INF])


def test_kaplan_meier_gives_the_printed_curve_of_the_6_mp_arm() -> None:
    curve = kaplan_meier(SIX_MP_WEEKS, SIX_MP_RELAPSED)
    np.testing.assert_array_equal(curve.time, [6, 7, 10, 13, 16, 22, 23])
    printed = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    np.testing.assert_allclose(curve.survival, printed, atol=0.00005)


def test_kaplan_meier_medians_are_23_and_8_weeks() -> None:
    assert kaplan_meier(SIX_MP_WEEKS, SIX_MP_RELAPSED).median == 23
    assert kaplan_meier(CONTROL_WEEKS, np.ones(21)).median == 8


def test_turnbull_gives_the_published_masses_on_half_open_intervals() -> None:
    estimate = turnbull(*np.transpose(COSMESIS_MONTHS))
    assert list(zip(estimate.left, estimate.right, strict=True)) == [
        (4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)
    ]  # fmt: skip
    printed = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    np.testing.assert_allclose(estimate.mass, printed, atol=0.00005)
    assert estimate.log_likelihood == pytest.approx(-58.0600, abs=0.00005)


def test_closed_intervals_give_the_other_published_reading() -> None:
    estimate = turnbull(*np.transpose(COSMESIS_MONTHS), closed=True)
    np.testing.assert_array_equal(estimate.right, [5, 7, 11, 25, 34, 37, 40, 48])
    other = [0.0493, 0.1026, 0.0873, 0.1072, 0.0548, 0.0917, 0.0472, 0.4600]
    np.testing.assert_allclose(estimate.mass, other, atol=0.0005)


def test_survival_after_month_8_tells_the_two_conventions_apart() -> None:
    """0.832 on (L, R] against 0.848 on [L, R]: the difference that `science.md` section 8 warns of."""
    half_open = turnbull(*np.transpose(COSMESIS_MONTHS))
    closed = turnbull(*np.transpose(COSMESIS_MONTHS), closed=True)
    assert survival(half_open, [8.0])[0] == pytest.approx(0.832, abs=0.0005)
    assert survival(closed, [8.0])[0] == pytest.approx(0.848, abs=0.0005)


def test_ten_subjects_with_closed_intervals_have_the_quoted_masses() -> None:
    estimate = turnbull(*TEN_SUBJECTS, closed=True)
    np.testing.assert_allclose(estimate.mass, [0.16667, 0.33333, 0.125, 0.375], atol=0.0001)
    np.testing.assert_array_equal(estimate.right, [7, 8, 44, INF])


def test_the_median_lies_where_the_masses_pass_one_half() -> None:
    """0.5345 of the printed masses lie at or before month 40."""
    assert median_time(turnbull(*np.transpose(COSMESIS_MONTHS))) == (38, 40)
