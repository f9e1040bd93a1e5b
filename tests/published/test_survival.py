"""Kaplan-Meier and Turnbull against published rows.

Freireich et al. 1963, Blood 21:699, the 6-MP trial in leukaemia: the curve of Cox & Oakes 1984, Analysis of Survival
Data, table 4.1 (p. 49), which lifelines 0.30.3 prints too (`published-values.csv`); Greenwood's standard errors of
Klein & Moeschberger 2003, Survival Analysis, table 4.1B (p. 93); log-log limits of R's survfit (R. Xu, lecture notes
of MATH 284, p. 27). The two tables and the limits are quoted from the tests of the public library `survive`
(KaplanMeier, test_leukemia), not from the books; the weeks themselves are from memory.

Finkelstein & Wolfe 1985, Biometrics 41:933, breast cosmesis, radiotherapy arm: months as in the SAS/STAT user's guide,
ICLIFETEST, "Getting Started" (it agrees in all 46 rows); the result of the R package `interval` from
memory. The masses are printed to four digits, hence 0.00005. The intervals of that result are half-open, (L, R];
software that closes them gets other masses, and both readings are held here. Ten subjects: test values of lifelines
as quoted in a public issue (`published-values.csv`).
"""

import numpy as np
import pytest
from scipy.stats import norm

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
    np.testing.assert_allclose(curve.survival, printed, rtol=0, atol=0.00005)


def test_kaplan_meier_limits_are_those_of_survfit() -> None:
    curve = kaplan_meier(SIX_MP_WEEKS, SIX_MP_RELAPSED)
    low = [0.6197180, 0.5631466, 0.5031995, 0.4316102, 0.3675109, 0.2677789, 0.1880520]
    high = [0.9515517, 0.9228090, 0.8893618, 0.8490660, 0.8049122, 0.7467907, 0.6801426]
    np.testing.assert_allclose(curve.low, low, rtol=0, atol=1e-7)
    np.testing.assert_allclose(curve.high, high, rtol=0, atol=1e-7)


def test_kaplan_meier_limits_rest_on_the_printed_standard_errors() -> None:
    """The log-log limit undone: 1.96 errors of log(-log S), times S |log S|, are 1.96 errors of S (delta method)."""
    curve = kaplan_meier(SIX_MP_WEEKS, SIX_MP_RELAPSED)
    log_s = np.log(curve.survival)
    error = curve.survival * np.abs(log_s) * np.log(np.log(curve.low) / log_s) / norm.ppf(0.975)
    np.testing.assert_allclose(error, [0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135], rtol=0, atol=0.0005)


def test_kaplan_meier_medians_are_23_and_8_weeks() -> None:
    assert kaplan_meier(SIX_MP_WEEKS, SIX_MP_RELAPSED).median == 23
    assert kaplan_meier(CONTROL_WEEKS, np.ones(21)).median == 8


def test_turnbull_gives_the_published_masses_on_half_open_intervals() -> None:
    estimate = turnbull(*np.transpose(COSMESIS_MONTHS))
    assert list(zip(estimate.left, estimate.right, strict=True)) == [
        (4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)
    ]  # fmt: skip
    printed = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    np.testing.assert_allclose(estimate.mass, printed, rtol=0, atol=0.00005)
    assert estimate.log_likelihood == pytest.approx(-58.0600, abs=0.00005)


def test_closed_intervals_give_the_reading_of_software_that_closes_them() -> None:
    """An independent EM, and lifelines 0.30.3 in practice (`published-values.csv`, "closed intervals [L,R]")."""
    estimate = turnbull(*np.transpose(COSMESIS_MONTHS), closed=True)
    np.testing.assert_array_equal(estimate.right, [5, 7, 11, 25, 34, 37, 40, 48])
    other = [0.0493, 0.1026, 0.0873, 0.1072, 0.0548, 0.0917, 0.0472, 0.4600]
    np.testing.assert_allclose(estimate.mass, other, rtol=0, atol=0.00005)


def test_survival_after_month_8_tells_the_two_conventions_apart() -> None:
    """0.832 on (L, R] against 0.848 on [L, R]: the difference that `science.md` section 8 warns of."""
    half_open = turnbull(*np.transpose(COSMESIS_MONTHS))
    closed = turnbull(*np.transpose(COSMESIS_MONTHS), closed=True)
    assert survival(half_open, [8.0])[0] == pytest.approx(0.832, abs=0.0005)
    assert survival(closed, [8.0])[0] == pytest.approx(0.848, abs=0.0005)


def test_ten_subjects_with_closed_intervals_have_the_quoted_masses() -> None:
    estimate = turnbull(*TEN_SUBJECTS, closed=True)
    np.testing.assert_allclose(estimate.mass, [0.16667, 0.33333, 0.125, 0.375], rtol=0, atol=0.00001)
    np.testing.assert_array_equal(estimate.right, [7, 8, 44, INF])


def test_the_median_lies_where_the_masses_pass_one_half() -> None:
    """0.5345 of the printed masses lie at or before month 40."""
    assert median_time(turnbull(*np.transpose(COSMESIS_MONTHS))) == (38, 40)
