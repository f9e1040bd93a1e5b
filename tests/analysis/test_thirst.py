"""Thirst: a multiplier on the modelled loss, and the plant's part of measured use."""

import numpy as np
import pytest

from analysis.columns import Columns
from analysis.dry_layer import steady
from analysis.setups import column_parameters
from analysis.thirst import thirst

AIR = {"vpd_kpa": 1.0, "temperature_c": 22.0, "level_mm": 25.0}


def a_pot(**changes: float) -> Columns:
    setup = {
        "pot": {"size_cm": 12},
        "reservoir": {"fill_mark_mm": 50},
        "surface_height_mm": 130,
        "layers": [{"thickness_mm": 100, "mix": "expanded_clay"}],
        "vents": {"count": 12, "diameter_mm": 8, "height_mm": 90},
        "gap": "narrow",
    }
    return column_parameters([setup]).changed(**changes)


def test_a_pot_that_uses_what_was_expected_has_a_thirst_of_one() -> None:
    pot = a_pot()
    expected = steady(pot, **AIR).loss_ml_per_day
    found = thirst(pot, expected, 0.05 * expected, *AIR.values())
    assert found.multiplier[0] == pytest.approx(1.0)
    assert found.low[0] < 1.0 < found.high[0]
    assert found.ml_per_day_at_1_kpa[0] == pytest.approx(expected[0])
    assert found.uptake_ml_per_day_at_1_kpa[0] == pytest.approx(pot.uptake_ml_per_day_at_1_kpa[0], rel=0.2)


def test_losses_go_through_top_holes_gap_and_plant() -> None:
    found = steady(a_pot(), **AIR)
    parts = [found.top_ml_per_day, found.holes_ml_per_day, found.gap_ml_per_day, found.plant_ml_per_day]
    assert all(part[0] > 0.0 for part in parts)
    assert found.loss_ml_per_day[0] == pytest.approx(sum(part[0] for part in parts))


@pytest.mark.parametrize("factor", [0.3, 3.0])
def test_the_plants_part_is_found_from_use(factor: float) -> None:
    """A plant that drinks a third or thrice the prior: most of the way is found, the rest is the prior's."""
    usual = a_pot()
    prior = usual.uptake_ml_per_day_at_1_kpa[0]
    use = steady(a_pot(uptake_ml_per_day_at_1_kpa=factor * prior), **AIR).loss_ml_per_day
    found = thirst(usual, use, 0.03 * use, *AIR.values())
    way = np.log(found.uptake_ml_per_day_at_1_kpa[0] / prior) / np.log(factor)
    assert 0.5 < way < 1.05
    assert found.uptake_log_sd[0] < usual.uptake_log_sd[0]


def test_use_below_what_the_pot_must_lose_gives_a_small_plant_and_no_negative_one() -> None:
    found = thirst(a_pot(), np.array([0.3]), np.array([0.1]), *AIR.values())
    assert 0.0 < found.uptake_ml_per_day_at_1_kpa[0] < a_pot().uptake_ml_per_day_at_1_kpa[0]


@pytest.mark.parametrize("use", [0.0, 0.01])
def test_use_that_cannot_be_told_from_none_has_a_thirst_within_what_was_measured(use: float) -> None:
    expected = float(steady(a_pot(), **AIR).loss_ml_per_day[0])
    found = thirst(a_pot(), use, 0.5, *AIR.values())
    assert 0.0 <= found.low[0] <= found.multiplier[0] <= 0.01
    assert 0.5 / expected < found.high[0] < 3.0 * 0.5 / expected


def test_unknown_use_leaves_the_prior_and_no_multiplier() -> None:
    pot = a_pot()
    found = thirst(pot, np.array([np.nan]), np.array([1.0]), *AIR.values())
    assert np.isnan(found.multiplier[0])
    assert np.isnan(found.ml_per_day_at_1_kpa[0])
    assert found.uptake_ml_per_day_at_1_kpa[0] == pytest.approx(pot.uptake_ml_per_day_at_1_kpa[0])
    assert found.uptake_log_sd[0] == pytest.approx(pot.uptake_log_sd[0], rel=0.03)


def test_use_is_not_in_proportion_to_the_dryness_of_the_air() -> None:
    """A constant per kPa would say twice the use at twice the deficit; a dry layer throttles itself."""
    pot = a_pot()
    once, twice = (steady(pot, vpd, 22.0, 25.0).loss_ml_per_day[0] for vpd in (1.0, 2.0))
    assert 1.2 * once < twice < 1.8 * once
