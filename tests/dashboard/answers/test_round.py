"""Rounds and absences of a small invented home: the contract, and every bad input as a sentence."""

from pathlib import Path

import numpy as np
import pytest

from dashboard import tables
from dashboard.answers import explain, pots
from dashboard.answers import round as rounds
from dashboard.answers.roots import roots
from dashboard.answers.situation import UnknownPot, situation_at
from dashboard.answers.use_ahead import use_ahead
from ingest.settings import SettingsError, read_settings
from tests.dashboard.answers.looked_at_home import NOW_MS, build
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


def test_a_pot_whose_level_nobody_knows_comes_first_and_is_marked_as_a_guess(home):
    first = rounds.answer(home, march(20))["visits"][0]
    [pot] = first["pots"]
    assert not pot["level_is_known"]
    assert pot["fill_mark_mm"] == 50
    assert (pot["water"], pot["flush"]) == (None, False)
    home.logbook.add_note({"time_ms": march(19), "pot": "window left", "kind": "refill"})
    later = rounds.answer(home, march(20))["visits"]
    assert later[0]["pots"] == []
    due = [pot for visit in later for pot in visit["pots"]]
    assert all(pot["level_is_known"] for pot in due)


def test_a_pot_whose_level_stood_between_two_looks_is_planned_all_the_same(home):
    for day, level_mm in ((2, 31.0), (18, 34.0)):
        home.logbook.add_note({"time_ms": march(day), "pot": "window left", "kind": "inspection", "level_mm": level_mm})
    found = rounds.answer(home, march(20))
    assert [one["pot"] for one in found["unplanned"]] == ["stair top"]
    told = {pot["pot"]: pot for pot in pots.answer(home, march(20))["pots"]}["window left"]
    assert told["days_left"]["p10"] < told["days_left"]["p90"]
    assert not told["use_is_measured"]


def test_a_filled_pot_lasts_longer_than_its_water_at_the_pace_of_today(home):
    home.logbook.add_note({"time_ms": march(19, 12), "pot": "window left", "kind": "refill"})
    situation = situation_at(home, march(20))
    ahead = use_ahead(situation)
    at_todays_pace = ahead.ml_left[:, 0] / ahead.use_ml_per_day[:, 0].mean(axis=1)
    assert np.median(ahead.days_left[:, 0]) > np.median(at_todays_pace)
    assert np.median(ahead.days_left[:, 0]) <= np.median(ahead.full_days[:, 0])
    assert np.isnan(ahead.days_left[:, 1]).all()  # no air, no expectation


def test_a_pot_that_cannot_wait_is_told_with_how_long_it_lasts_and_what_would_help(home):
    tiny = {**SETUP, "shelf": "east-window", "reservoir": {"area_mm2": 2500, "height_mm": 30, "fill_mark_mm": 12},
            "vents": {"count": 20, "diameter_mm": 10}, "headroom_mm": 35}  # fmt: skip
    home.logbook.put_pot({"label": "window small", "plant": "Oncidium hybrid"})
    home.logbook.describe_setup("window small", tiny, march(1))
    found = rounds.answer(home, march(20))
    [late] = found["cannot_wait"]
    assert late["pot"] == "window small"
    assert late["full_lasts_days"]["p10"] < late["longest_gap_days"]
    assert ("It could wait with" in late["says"]) == (late["change"] is not None)
    assert "window small cannot wait" in tables.round_list(found)


def test_salt_tells_feed_from_plain_and_when_to_flush(tmp_path: Path):
    home = build(tmp_path)
    found = rounds.answer(home, NOW_MS)
    text = tables.round_list(found)
    home.close()
    salts = {one["pot"]: one for one in found["salts"]}
    assert salts["window left"]["due"] in ("now", "soon")
    assert 0 < salts["window left"]["grams"][0] < salts["window left"]["grams"][1]
    assert salts["window left"]["rota"][0] == "plain"  # 2 g/L is past the limit by itself
    assert salts["window right"]["due"] == "unknown"
    assert salts["window right"]["rota"] == []
    poured = {pot["pot"]: pot for visit in reversed(found["visits"]) for pot in visit["pots"]}
    assert poured["window left"]["water"] == "plain"
    assert poured["window right"]["water"] is None
    assert "plain" in text


def test_salt_says_since_when_it_gathers_and_what_is_not_noted(tmp_path: Path):
    home = build(tmp_path)
    for pot in ("window right", "window second"):
        home.logbook.add_note({"time_ms": march(16), "pot": pot, "kind": "feed", "amount_ml": 200})
    salts = {one["pot"]: one for one in rounds.answer(home, NOW_MS)["salts"]}
    home.close()
    assert "since the flush" in salts["window left"]["says"]
    assert "since the repot" in salts["window second"]["says"]
    assert "since it was set up (no flush is noted)" in salts["window right"]["says"]
    assert salts["window right"]["says"].endswith("How strong the feed was is not noted: plain water until it is.")
    assert set(salts["window right"]["rota"]) == {"plain"}
    assert "note what is fed" in salts["window fourth"]["says"]


def test_feed_waits_for_the_flush_that_is_due_at_one_of_the_next_rounds(tmp_path: Path):
    home = build(tmp_path)
    for day in (6, 16, 26):
        weak = {"amount_ml": 300, "detail": {"strength": 0.7}}
        home.logbook.add_note({"time_ms": march(day), "pot": "window right", "kind": "feed", **weak})
    salts = {one["pot"]: one for one in rounds.answer(home, NOW_MS)["salts"]}
    home.close()
    due = salts["window right"]
    assert (due["due"], due["rota"][0], "feed" in due["rota"]) == ("soon", "plain", True)


def test_a_pot_that_is_eased_over_is_filled_no_higher_than_carries_it_to_the_next_visit(tmp_path: Path):
    home = build(tmp_path)
    situation = situation_at(home, NOW_MS)
    asked_mm = {one["pot"]: one["level_mm"] for one in roots(situation)["easing"]}["window fourth"]
    found = rounds.answer(home, NOW_MS, (NOW_MS + 2 * DAY_MS, NOW_MS + 30 * DAY_MS))
    text = tables.round_list(found)
    home.close()
    assert set(found["eased"]) == {"window fourth"}  # the new roots of window second are in
    level_mm = found["eased"]["window fourth"]
    assert asked_mm < level_mm < 50
    rows = [pot for visit in found["visits"] for pot in visit["pots"] if pot["pot"] == "window fourth"]
    assert all(pot["eased"] and pot["fill_mark_mm"] == level_mm for pot in rows)
    assert all(pot["fill_at_most_ml"] <= level_mm * 9 + 1e-6 for pot in rows)
    assert all(pot["days_left"]["p10"] > 0 for pot in rows)
    assert f"only to {level_mm:.0f} mm until new roots are in" in text
    away = {pot["pot"]: pot for pot in found["away"]["fill_before"]}["window fourth"]
    assert (away["eased"], away["fill_mark_mm"]) == (False, 50)  # nobody comes: it is filled to the mark


def test_a_long_absence_has_a_sheet_for_the_sitter(tmp_path: Path):
    home = build(tmp_path)
    away = rounds.answer(home, NOW_MS, (NOW_MS + 2 * DAY_MS, NOW_MS + 62 * DAY_MS))["away"]
    text = tables.round_list(rounds.answer(home, NOW_MS, (NOW_MS + 2 * DAY_MS, NOW_MS + 62 * DAY_MS)))
    home.close()
    assert away["days"] == 60
    assert away["fails"]
    assert [one["dry_after_days"]["p10"] for one in away["fails"]] == sorted(
        one["dry_after_days"]["p10"] for one in away["fails"]
    )
    assert all(one["stop_gap"] for one in away["fails"])
    sheet = away["sitter"]
    assert all(visit["date"] in sheet["says"] for visit in sheet["visits"])
    assert 1 <= len(sheet["visits"]) <= 14
    for visit in sheet["visits"]:
        assert visit["litres"] > 0
        assert all(0 <= pot["fill_ml"] <= pot["fill_at_most_ml"] <= 450 for pot in visit["pots"])
        assert all(pot["fill_mark_mm"] == 50 for pot in visit["pots"])
    assert any("never above it" in one for one in sheet["cautions"])
    assert sheet["says"] in text


def test_an_absence_that_was_noted_is_planned_by_itself_and_no_visit_falls_into_it(home):
    home.logbook.add_note({"time_ms": march(19, 12), "pot": "window left", "kind": "refill"})
    usual = {visit["date"] for visit in rounds.answer(home, march(20))["visits"]}
    home.logbook.add_note({"time_ms": march(21), "kind": "absence", "detail": {"until_ms": march(29)}})
    found = rounds.answer(home, march(20))
    kept = {visit["date"] for visit in found["visits"]}
    assert kept == {day for day in usual if not "2026-03-21" < day < "2026-03-28"} < usual
    assert (found["away"]["from"], found["away"]["to"]) == ("2026-03-21", "2026-03-28")
    assert found["says"].startswith("You are away from 2026-03-21 to 2026-03-28")


def test_the_command_tells_amounts_as_ranges_that_add_up_to_what_is_brought(tmp_path: Path):
    home = build(tmp_path)
    found = rounds.answer(home, NOW_MS, (NOW_MS + 2 * DAY_MS, NOW_MS + 62 * DAY_MS))
    home.close()
    text = tables.round_list(found)
    for visit in found["away"]["sitter"]["visits"]:
        assert -1e-9 <= visit["litres"] - sum(pot["fill_at_most_ml"] for pot in visit["pots"]) / 1000 < 0.1
    for pot in (*found["away"]["fill_before"], *found["away"]["sitter"]["visits"][0]["pots"]):
        assert f"{pot['fill_ml']:.0f} to {pot['fill_at_most_ml']:.0f}" in text


def test_days_of_a_pot_whose_notes_tell_its_use_rest_on_them(home):
    for day in (4, 10, 16):
        home.logbook.add_note({"time_ms": march(day), "pot": "window left", "kind": "refill",
                               "amount_ml": 80, "detail": {"filled_to_mark": True}})  # fmt: skip
    [pot] = [pot for visit in rounds.answer(home, march(20))["visits"] for pot in visit["pots"]][:1]
    assert pot["rests_on"] == "measured"


def test_a_short_absence_needs_nobody(home):
    home.logbook.add_note({"time_ms": march(19, 12), "pot": "window left", "kind": "refill"})
    away = rounds.answer(home, march(20), (march(20, 1), march(22)))["away"]
    assert away["fails"] == []
    assert away["sitter"]["says"] == "Nobody needs to come."


def test_where_no_shelf_has_air_one_sentence_says_so(tmp_path: Path):
    opened = home_with(tmp_path, ())
    opened.logbook.put_pot({"label": "stair top"})
    opened.logbook.describe_setup("stair top", {**SETUP, "shelf": "stairwell"}, march(1))
    found = rounds.answer(opened, march(20), (march(21), march(29)))
    opened.close()
    assert found["says"] == found["away"]["says"] == "No pot can be planned: no shelf's air is known."
    assert all(visit["pots"] == [] for visit in found["visits"])


def test_an_absence_in_the_past_and_one_turned_round_get_a_sentence(home):
    past = rounds.answer(home, march(20), (march(5), march(9)))["away"]
    assert past["says"].startswith("That absence is over")
    assert not past["sitter"]["visits"]
    assert past["sitter"]["says"] == ""
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
