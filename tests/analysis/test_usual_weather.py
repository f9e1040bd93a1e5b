"""A season against an event, and the rhythm of refills against a reservoir that was left: invented days, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.counterfactual import Drivers, FloatArray, Spell
from analysis.usual_weather import air_broke, air_drifts, level_keeps_its_rhythm, level_sank, log_air_change

BEFORE, SINCE = 28, 21


def _spell(vpd_kpa: FloatArray, level_mm: FloatArray | None = None) -> Spell:
    level = np.full(len(vpd_kpa), 35.0) if level_mm is None else level_mm
    return Spell(Drivers(vpd_kpa, np.full(len(vpd_kpa), 21.0), level))


def _weather(seed: int = 0) -> FloatArray:
    """Seven weeks that drift from 0.85 to 0.95 kPa, with days that differ by a tenth."""
    rng = np.random.default_rng(seed)
    return np.linspace(0.85, 0.95, BEFORE + SINCE) * np.exp(0.1 * rng.standard_normal(BEFORE + SINCE))


@pytest.mark.parametrize("seed", range(8))
def test_a_season_drifts_and_does_not_break(seed: int) -> None:
    air = _weather(seed)
    before, since = _spell(air[:BEFORE]), _spell(air[BEFORE:])
    assert not air_broke(before, since)
    assert air_drifts(before, since)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_air_that_halves_or_doubles_when_the_spell_begins_breaks_away(factor: float) -> None:
    air = _weather()
    before, since = _spell(air[:BEFORE]), _spell(factor * air[BEFORE:])
    assert air_broke(before, since)
    assert not air_drifts(before, since)
    assert log_air_change(before, since) == pytest.approx(np.log(factor), abs=0.25)


def test_a_later_refill_is_rhythm_and_a_level_left_below_all_it_did_before_has_sunk() -> None:
    air, saw = _weather(), 25.0 + 5.0 * (np.arange(BEFORE) % 5)
    before = _spell(air[:BEFORE], saw)
    late = _spell(air[BEFORE:], np.linspace(45.0, 26.0, SINCE))
    assert level_keeps_its_rhythm(before, late)
    assert not level_sank(before, late)
    left = _spell(air[BEFORE:], np.linspace(30.0, 5.0, SINCE))
    assert not level_keeps_its_rhythm(before, left)
    assert level_sank(before, left)


def test_what_is_not_known_neither_breaks_nor_sinks() -> None:
    air = _weather()
    before, since = _spell(air[:BEFORE]), _spell(air[BEFORE:])
    blank = replace(since, drivers=Drivers(*(np.full(SINCE, np.nan),) * 3))
    assert not air_broke(before, blank)
    assert air_drifts(before, blank)
    assert not level_keeps_its_rhythm(before, blank)
    assert not level_sank(before, blank)
