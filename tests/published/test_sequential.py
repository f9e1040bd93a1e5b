"""The sequential rule against published operating figures.

Armitage, McPherson & Rowe 1969, JRSS A 132:235, table 2: the chance to be misled at least once when testing at 5 %
at each of several looks. Pocock 1977, Biometrika 64:191, and O'Brien & Fleming 1979, Biometrics 35:549: constants and
inflation of the sample as tabulated by Jennison & Turnbull 2000, Group Sequential Methods, tables 2.1 to 2.4. Lan &
DeMets 1983, Biometrika 70:659: boundaries of the O'Brien-Fleming spending, half of the error to each tail, as the R
packages gsDesign (sfLDOF) and ldbounds print them. All quoted from memory; the chances, the constants and the
boundaries also seen so in several public test suites, the inflation factors in none.

Every figure is printed to three decimals, so what is computed must round to it: 0.0005. A constant that is itself
rounded moves the error by 0.0001 at most, an inflation factor the power by 0.0003.
"""

import numpy as np
import pytest
from scipy.stats import norm

from analysis.sequential import chance_of_stopping, obrien_fleming_spending, spending_boundaries


@pytest.mark.parametrize(
    ("looks", "misled"), [(1, 0.050), (2, 0.083), (3, 0.107), (4, 0.126), (5, 0.142), (10, 0.193), (20, 0.248)]
)
def test_testing_at_five_percent_at_every_look_misleads_as_often_as_printed(looks: int, misled: float) -> None:
    share = np.arange(1, looks + 1) / looks
    assert chance_of_stopping(share, np.full(looks, 1.959964)).sum() == pytest.approx(misled, abs=0.0005)


@pytest.mark.parametrize(
    ("bounds", "name"),
    [
        (2.413 * np.ones(5), "Pocock, five looks"),
        (2.040 * np.sqrt(5 / np.arange(1, 6)), "O'Brien-Fleming, five looks"),
        (2.004 * np.sqrt(3 / np.arange(1, 4)), "O'Brien-Fleming, three looks"),
        (2.289 * np.ones(3), "Pocock, three looks"),
    ],
)
def test_published_constants_keep_the_error_at_five_percent(bounds: np.ndarray, name: str) -> None:
    share = np.arange(1, len(bounds) + 1) / len(bounds)
    assert chance_of_stopping(share, bounds).sum() == pytest.approx(0.05, abs=0.0001), name


@pytest.mark.parametrize(
    "printed",
    [
        [2.963, 1.969],
        [3.710, 2.511, 1.993],
        [4.333, 2.963, 2.359, 2.014],
        [4.877, 3.357, 2.680, 2.290, 2.031],
    ],
)
def test_spending_boundaries_for_even_looks_are_the_printed_ones(printed: list[float]) -> None:
    share = np.arange(1, len(printed) + 1) / len(printed)
    np.testing.assert_allclose(spending_boundaries(share), printed, rtol=0, atol=0.0005)


@pytest.mark.parametrize(
    ("bounds", "inflation"), [(2.413 * np.ones(5), 1.228), (2.040 * np.sqrt(5 / np.arange(1, 6)), 1.028)]
)
def test_published_inflation_of_the_largest_sample_gives_eighty_percent_power(
    bounds: np.ndarray, inflation: float
) -> None:
    """The chance to find an effect that a single test finds 8 times in 10, with the sample enlarged as tabulated."""
    drift = (norm.isf(0.025) + norm.isf(0.2)) * np.sqrt(inflation)
    power = chance_of_stopping(np.arange(1, 6) / 5, bounds, drift).sum()
    assert power == pytest.approx(0.8, abs=0.0003)


def test_what_is_spent_is_what_was_allowed_at_uneven_looks() -> None:
    share = np.array([0.07, 0.3, 0.35, 0.8, 1.0])
    spent = np.cumsum(chance_of_stopping(share, spending_boundaries(share)))
    np.testing.assert_allclose(spent[1:], obrien_fleming_spending(share)[1:], atol=2e-5)


def test_shares_that_do_not_rise_are_refused() -> None:
    with pytest.raises(ValueError, match="must rise"):
        spending_boundaries([0.5, 0.4])
