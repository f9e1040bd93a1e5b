"""Rounds and absences of a small invented home: the contract, and every bad input as a sentence."""

from pathlib import Path

import pytest

from dashboard.answers import explain
from dashboard.answers import round as rounds
from dashboard.answers.situation import UnknownPot
from ingest.settings import SettingsError, read_settings
from tests.dashboard.answers.small_home import DAY_MS, HUMIDITY, WARMTH, every, home_with, march, told

SETUP = {
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 100, "grain": "medium", "mix": {"expanded_clay": 1.0}}],
    "vents": "few",
    "wick": "one",
    "gap": "none",
}


@pytest.fixture
def home(tmp_path: Path):
    """Two pots without sensors or notes: one in measured air, one on a shelf without any."""
    opened = home_with(tmp_path)
    for label, shelf in (("window left", "east-window"), ("stair top", "stairwell")):
        opened.logbook.put_pot({"label": label, "plant": "Oncidium hybrid"})
        opened.logbook.describe_setup(label, {**SETUP, "shelf": shelf}, march(1))
    opened.readings.append(told(WARMTH, *every(30, march(1), march(20), 21.0)))
    opened.readings.append(told(HUMIDITY, *every(30, march(1), march(20), 55.0)))
    yield opened
    opened.close()


def test_a_pot_without_notes_is_planned_and_one_without_air_gets_a_sentence(home):
    found = rounds.answer(home, march(20))
    planned = [pot for visit in found["visits"] for pot in visit["pots"]]
    assert {pot["pot"] for pot in planned} == {"window left"}
    for pot in planned:
        days = pot["days_left"]
        assert days["p10"] <= days["p50"]
        assert 0 <= pot["fill_ml"] <= pot["fill_at_most_ml"] <= 9000 * 50 / 1000
    assert found["unplanned"][0]["pot"] == "stair top"
    assert "air on stairwell is not known" in found["unplanned"][0]["says"]


def test_an_absence_in_the_past_and_one_turned_round_get_a_sentence(home):
    past = rounds.answer(home, march(20), (march(5), march(9)))["away"]
    assert past["says"].startswith("That absence is over")
    assert not past["sitter"]["visits"]
    turned = rounds.answer(home, march(20), (march(29), march(25)))["away"]
    assert "must come after" in turned["says"]


def test_no_visit_a_week_is_refused_by_the_settings(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[grower]\nvisits_per_week = 0\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="visits_per_week"):
        read_settings(tmp_path / "dryline.toml")


def test_explaining_an_unknown_pot_or_an_impossible_spell_gets_a_sentence(home):
    with pytest.raises(UnknownPot, match="no pot called nobody"):
        explain.answer(home, "nobody", march(20))
    with pytest.raises(explain.WrongSpell, match="less than 3 days"):
        explain.answer(home, "window left", march(20), since_ms=march(20) - DAY_MS)
    with pytest.raises(explain.WrongSpell, match="in the future"):
        explain.answer(home, "window left", march(20), until_ms=march(25))
