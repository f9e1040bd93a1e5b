"""A reservoir that nobody fills, on an invented pot."""

import numpy as np
import pytest

from analysis.setups import column_parameters
from analysis.water_ahead import unfilled, use_at_level_ml_per_day

SETUP = {
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 100, "mix": {"expanded_clay": 1.0}}],
    "vents": "few",
    "wick": "one",
}
COLUMNS = column_parameters([SETUP])
ONE = np.ones((1, 1))


def _run(vpd: float, level: float, days: int = 60) -> tuple[np.ndarray, np.ndarray, float]:
    air = np.full((days, 1, 1), vpd)
    use = use_at_level_ml_per_day(COLUMNS, ONE, air, np.array([21.0]), np.array([35.0]))
    course = unfilled(COLUMNS, use, np.array([vpd]), np.array([21.0]), np.array([35.0]), np.array([[level]]))
    return course.level_mm[0, 0], course.use_ml_per_day[0, 0], float(course.days_left[0, 0])


def test_water_is_neither_made_nor_lost() -> None:
    """What was used is what the reservoir and the sinking column gave."""
    level, use, _ = _run(1.2, 45.0)
    gives = float(COLUMNS.water_ml_per_mm[0] + 1e-3 * COLUMNS.storage[0] * COLUMNS.area_mm2[0])
    np.testing.assert_allclose(np.cumsum(use), gives * (level[0] - level[1:]), atol=1e-9)


def test_use_slackens_as_the_level_falls_and_the_pot_lasts_longer_than_water_over_use() -> None:
    level, use, left = _run(1.2, 45.0, days=120)
    falling = use[: int(left) - 1]
    assert (np.diff(falling) < 0).all()
    first_day = use[0]
    water = (45.0 - 1.5) * float(COLUMNS.water_ml_per_mm[0])
    assert left > 1.1 * water / first_day
    assert level[-1] == pytest.approx(1.5)


def test_drier_air_and_a_lower_level_empty_it_sooner() -> None:
    assert _run(2.0, 45.0)[2] < _run(1.0, 45.0)[2]
    assert _run(1.0, 20.0)[2] < _run(1.0, 45.0)[2]


def test_an_empty_reservoir_has_no_days_and_uses_nothing() -> None:
    _, use, left = _run(1.0, 0.5)
    assert left == 0
    assert (use == 0).all()


def test_days_beyond_the_horizon_go_on_at_the_last_pace() -> None:
    assert _run(0.8, 45.0, days=12)[2] == pytest.approx(_run(0.8, 45.0, days=90)[2], rel=0.25)


def test_unknown_air_gives_no_number() -> None:
    air = np.full((5, 1, 1), np.nan)
    assert np.isnan(use_at_level_ml_per_day(COLUMNS, ONE, air, np.array([21.0]), np.array([35.0]))).all()
