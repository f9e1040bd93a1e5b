"""What `dryline pots` and the wall say of pots of which little is known: a sentence or a wider band, nothing wrong."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.answers import pots, wall
from dashboard.answers.section import section_build
from dashboard.answers.situation import situation_at
from dashboard.answers.two_spells import Window, water_until
from dashboard.answers.use_ahead import DAYS_AHEAD, use_ahead
from ingest.home import Home, open_home
from tests.dashboard.answers import looked_at_home
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march
from tests.dashboard.answers.window_home import (
    DIED_MS,
    FALL_MM_PER_DAY,
    FULL_MS,
    ML_PER_MM,
    NOW_MS,
    POTS,
    SETUP,
    add_readings,
    build,
)

#: The keys that design and README promise; a screen's own are beside them.
PROMISED = {
    "pot", "shelf", "rests_on", "level_mm", "ml_left", "days_left", "water_use_ml_per_day", "ml_per_day_at_1_kpa",
    "dry_layer_mm", "state", "says",
}  # fmt: skip
LATER_MS = looked_at_home.NOW_MS
STATES = {"well", "fill", "too_dry", "too_wet", "drinks_less", "look", "unknown"}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    opened = build(tmp_path_factory.mktemp("window"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def answer(home: Home) -> dict[str, Any]:
    return pots.answer(home, NOW_MS)


@pytest.fixture(scope="module")
def told(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {pot["pot"]: pot for pot in answer["pots"]}


def width(band: dict[str, float]) -> float:
    return band["p90"] - band["p10"]


def test_every_pot_is_answered_once_with_the_promised_keys(answer: dict[str, Any]):
    assert [pot["pot"] for pot in answer["pots"]] == list(POTS)
    for pot in answer["pots"]:
        assert set(pot) >= PROMISED
        assert pot["state"] in STATES
        assert pot["rests_on"] in ("measured", "borrowed", "guessed")
        assert pot["says"].endswith(".")


def test_the_answer_is_plain_json_without_a_number_that_is_none(answer: dict[str, Any]):
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer


def test_every_interval_is_in_order(answer: dict[str, Any]):
    for pot in answer["pots"]:
        for name in ("days_left", "dry_layer_mm"):
            if pot[name] is not None:
                assert 0.0 <= pot[name]["p10"] <= pot[name]["p50"] <= pot[name]["p90"]
        for name in ("water_use_ml_per_day", "ml_per_day_at_1_kpa"):
            if pot[name] is not None:
                assert 0.0 <= pot[name]["low"] <= pot[name]["value"] <= pot[name]["high"]


def test_the_measured_pot_tells_its_sensor_s_level_and_use(told: dict[str, dict[str, Any]]):
    pot = told["measured"]
    since_filling = (NOW_MS - march(21)) / DAY_MS
    assert pot["rests_on"] == "measured"
    assert pot["level_mm"] == pytest.approx(50.0 - FALL_MM_PER_DAY * since_filling, abs=1.0)
    assert pot["use_is_measured"]
    assert pot["water_use_ml_per_day"]["value"] == pytest.approx(FALL_MM_PER_DAY * ML_PER_MM, rel=0.06)
    left_days = pot["ml_left"] / pot["water_use_ml_per_day"]["value"]
    # use slackens as the level falls, and the column gives back: it lasts longer than water over use, not twice as long
    assert left_days < pot["days_left"]["p50"] < 2 * left_days
    assert pot["days_left"]["p10"] < pot["days_left"]["p50"] < pot["days_left"]["p90"]


def test_a_reservoir_noted_full_yesterday_has_days_left(told: dict[str, dict[str, Any]]):
    pot = told["noted full"]
    assert 44.0 < pot["level_mm"] <= 50.0
    assert 0.8 * 450 < pot["ml_left"] < 450
    assert pot["days_left"]["p10"] > 5.0
    assert not pot["use_is_measured"]


def test_borrowed_use_has_a_wider_interval_than_measured_use(told: dict[str, dict[str, Any]]):
    def share(pot: dict[str, Any]) -> float:
        use = pot["water_use_ml_per_day"]
        return (use["high"] - use["low"]) / use["value"]

    assert share(told["noted full"]) > 2 * share(told["measured"])


def test_a_pot_without_a_note_or_sensor_asks_to_be_looked_at_instead_of_telling_a_level(
    told: dict[str, dict[str, Any]],
):
    pot = told["never noted"]
    assert (pot["level_mm"], pot["ml_left"], pot["days_left"]) == (None, None, None)
    assert pot["state"] in ("look", "too_dry")
    if pot["state"] == "look":
        assert "note it" in pot["says"]
    assert width(pot["dry_layer_mm"]) > 0


def test_an_unknown_mix_widens_the_band(told: dict[str, dict[str, Any]]):
    assert width(told["unknown mix"]["dry_layer_mm"]) > width(told["noted full"]["dry_layer_mm"])


def test_a_reservoir_of_unknown_size_has_a_level_but_no_millilitres(told: dict[str, dict[str, Any]]):
    pot = told["no reservoir"]
    assert pot["ml_left"] is None
    assert pot["days_left"] is None


def test_a_shelf_without_air_makes_its_pots_unknown_not_wrong(told: dict[str, dict[str, Any]]):
    for label, shelf in (("shelf without sensor", "cellar"), ("shelf gone silent", "stairwell")):
        pot = told[label]
        assert pot["state"] == "unknown"
        assert pot["says"] == f"The air on {shelf} was measured for less than half of this week: look yourself."
        assert (pot["dry_layer_mm"], pot["days_left"], pot["water_use_ml_per_day"]) == (None, None, None)


def test_a_shelf_that_borrows_its_air_is_answered_like_its_neighbour(told: dict[str, dict[str, Any]]):
    assert told["shelf that borrows"]["dry_layer_mm"]["p50"] == pytest.approx(
        told["noted full"]["dry_layer_mm"]["p50"], abs=6.0
    )


def test_nothing_was_noted_of_depth_so_no_millimetres_are_shown(answer: dict[str, Any]):
    assert {pot["shows_mm"] for pot in answer["pots"]} == {False}


def test_before_any_note_no_depth_is_told_in_millimetres(tmp_path: Path):
    home = looked_at_home.bare(tmp_path)
    for pot in looked_at_home.POTS:
        home.logbook.add_note({"time_ms": LATER_MS - HOUR_MS, "pot": pot, "kind": "refill"})
    guesses = {pot["pot"]: pot for pot in pots.answer(home, LATER_MS)["pots"]}
    looked_at_home.look(home, "window left", 28, 30)
    seen = {pot["pot"]: pot for pot in pots.answer(home, LATER_MS)["pots"]}
    home.close()
    for label in ("window left", "window right"):
        assert guesses[label]["rests_on"] == "guessed"
        assert guesses[label]["says"].endswith("a guess, until somebody looks.")
        assert "mm" not in guesses[label]["says"]
    assert "mm" in seen["window left"]["says"]


def test_a_pot_that_is_eased_over_is_not_told_to_be_filled_to_its_mark(tmp_path: Path):
    home = looked_at_home.build(tmp_path)
    for pot in ("window fourth", "window second"):
        home.logbook.add_note({"time_ms": LATER_MS - HOUR_MS, "pot": pot, "kind": "inspection", "level_mm": 2.0})
    told = {pot["pot"]: pot for pot in pots.answer(home, LATER_MS)["pots"]}
    home.close()
    assert told["window fourth"]["says"].endswith(": fill as the round says, lower than its mark.")
    assert told["window second"]["says"].endswith(": fill to the mark.")  # its new roots are in


def test_use_ahead_is_told_for_four_weeks_and_only_where_there_is_air(home: Home):
    situation = situation_at(home, NOW_MS)
    assert situation is not None
    ahead = use_ahead(situation)
    draws = situation.draws.stray.shape[0]
    assert ahead.use_ml_per_day.shape == (draws, len(POTS), DAYS_AHEAD)
    known = np.isfinite(ahead.use_ml_per_day).all(axis=(0, 2))
    assert dict(zip(POTS, known.tolist(), strict=True))["shelf without sensor"] is False
    assert known.sum() >= 6
    assert (ahead.use_ml_per_day[:, known] > 0).all()


def test_a_measured_pot_that_uses_nothing_takes_no_answer_from_the_others(home: Home):
    situation = situation_at(home, NOW_MS)
    assert situation is not None
    found = situation.thirst
    nothing = {name: np.where(np.isfinite(found.multiplier), 0.0, np.nan) for name in ("multiplier", "low", "high")}
    ahead = use_ahead(replace(situation, thirst=replace(found, **nothing)))
    assert (np.isfinite(ahead.use_ml_per_day) == np.isfinite(use_ahead(situation).use_ml_per_day)).all()


def test_the_wall_shows_the_same_figures_as_the_command(home: Home, told: dict[str, dict[str, Any]]):
    shown = {pot["label"]: pot for shelf in wall.answer(home, NOW_MS)["shelves"] for pot in shelf["pots"]}
    assert set(shown) == set(told)
    for label, pot in told.items():
        assert {key: shown[label][key] for key in pot} == pot
        assert shown[label]["section"]["level_mm"] == pot["level_mm"]
        assert shown[label]["section"]["dry_layer_mm"] == pot["dry_layer_mm"]


def test_the_wall_s_shelves_say_what_their_air_rests_on(home: Home):
    shelves = {shelf["label"]: shelf for shelf in wall.answer(home, NOW_MS)["shelves"]}
    states = {label: (shelf["air_state"], shelf["sensor_state"]) for label, shelf in shelves.items()}
    assert states == {
        "east-window": ("measured", "fresh"),
        "north-window": ("borrowed", "fresh"),
        "stairwell": ("none", "silent"),
        "cellar": ("none", "none"),
    }
    assert shelves["stairwell"]["vpd_kpa"] is shelves["stairwell"]["vpd_day_kpa"] is None
    assert shelves["east-window"]["vpd_day_kpa"] == pytest.approx(1.16, abs=0.05)  # worked by hand from the sine


def test_the_wall_names_silent_sensors_and_the_shelves_of_which_nothing_can_be_said(home: Home):
    shown = wall.answer(home, NOW_MS)
    assert {one["at"] for one in shown["silent"]} == {"stairwell"}
    assert all(DIED_MS - 2 * HOUR_MS < one["since_ms"] < DIED_MS for one in shown["silent"])
    assert {need["shelf"] for need in shown["needs"] if need["pot"] is None} == {"stairwell", "cellar"}


def test_a_section_s_build_is_the_same_bytes_while_the_set_up_is_the_same(home: Home):
    situation = situation_at(home, NOW_MS)
    earlier = situation_at(home, NOW_MS - 3 * HOUR_MS)
    assert situation is not None
    assert earlier is not None
    for index, pot in enumerate(situation.standing.pots):
        builds = [
            json.dumps(section_build(one.standing.pots[index].setup, one.standing.columns, index))
            for one in (situation, earlier)
        ]
        assert builds[0] == builds[1], pot.label


def test_a_section_draws_what_was_said_and_usual_sizes_for_what_was_not(home: Home):
    situation = situation_at(home, NOW_MS)
    assert situation is not None
    of = {
        pot.label: section_build(pot.setup, situation.standing.columns, index)
        for index, pot in enumerate(situation.standing.pots)
    }
    known = of["measured"]
    assert known["pot"] == {"top_diameter_mm": 120.0, "bottom_diameter_mm": 95.0, "height_mm": 110.0}
    assert known["surface_height_mm"] == 140.0
    assert known["layers"][0]["mix"] == {"expanded_clay": 0.5, "lava_rock": 0.5}
    assert known["vents"]["count"] == 12
    assert known["wick"] == {"strands": 2}
    assert of["unknown mix"]["layers"][0]["mix"] is None
    assert of["no reservoir"]["reservoir"]["area_mm2"] is None


def test_a_note_makes_a_new_answer_at_once(tmp_path: Path):
    home = build(tmp_path)
    before = {pot["pot"]: pot for pot in pots.answer(home, NOW_MS)["pots"]}["never noted"]
    home.logbook.add_note({"time_ms": FULL_MS, "pot": "never noted", "kind": "refill"})
    after = {pot["pot"]: pot for pot in pots.answer(home, NOW_MS)["pots"]}["never noted"]
    assert before["level_mm"] is None
    assert after["level_mm"] == pytest.approx(49.0, abs=1.5)
    assert after["days_left"] is not None
    home.close()


def test_a_note_after_a_spell_says_nothing_of_the_water_at_its_end(home: Home):
    situation = situation_at(home, NOW_MS)
    assert situation is not None
    steps = situation.course.end_ms.size - 8  # two days ago, and it was filled yesterday
    water = water_until(home, situation, list(POTS).index("noted full"), Window(steps - 28, steps - 14, steps))
    assert np.isnan(water.level_mm)


@pytest.mark.parametrize("pot", ["never noted", "shelf without sensor"])
def test_a_level_noted_this_very_hour_is_told_at_once(tmp_path: Path, pot: str):
    home = build(tmp_path)
    note = {"time_ms": NOW_MS - HOUR_MS // 60, "pot": pot, "kind": "inspection", "level_mm": 35}
    home.logbook.add_note(note)
    shown = {one["label"]: one for shelf in wall.answer(home, NOW_MS)["shelves"] for one in shelf["pots"]}[pot]
    assert shown["level_mm"] == pytest.approx(35.0, abs=0.5)
    assert shown["level_noted"] is None
    home.close()


def test_without_air_a_noted_level_stands_for_a_day_and_is_then_told_with_its_date(tmp_path: Path):
    home = build(tmp_path)
    told = []
    for at_ms in (FULL_MS + 20 * HOUR_MS, FULL_MS + 3 * DAY_MS):
        situation = situation_at(home, at_ms)
        assert situation is not None
        told += [pot for pot in wall.pots_shown(situation) if pot["label"] == "shelf without sensor"]
    assert (told[0]["level_mm"], told[0]["level_noted"]) == (50.0, None)
    assert (told[1]["level_mm"], told[1]["ml_left"]) == (None, None)
    assert told[1]["level_noted"] == {"level_mm": 50.0, "time_ms": FULL_MS}
    home.close()


def test_without_air_a_use_that_notes_measured_carries_the_level_on(tmp_path: Path):
    home = build(tmp_path)
    pot = "shelf without sensor"
    home.logbook.add_note({"time_ms": FULL_MS - 10 * DAY_MS, "pot": pot, "kind": "refill"})
    home.logbook.add_note({"time_ms": FULL_MS - 10, "pot": pot, "kind": "inspection", "level_mm": 30})
    at_ms = FULL_MS + 3 * DAY_MS
    told = {one["pot"]: one for one in pots.answer(home, at_ms)["pots"]}[pot]
    home.close()
    assert told["level_mm"] == pytest.approx(50.0 - 3 * 20 / 10, abs=0.5)


def test_an_answer_as_of_the_past_is_the_same_when_more_has_been_heard_since(tmp_path: Path):
    past_ms = march(20, 10.5)
    home = build(tmp_path, until_ms=past_ms)
    then = pots.answer(home, past_ms)
    add_readings(home, past_ms // HOUR_MS * HOUR_MS + HOUR_MS, NOW_MS)
    home.logbook.add_note({"time_ms": NOW_MS, "pot": "measured", "kind": "inspection",
                           "dry_layer_low_mm": 20, "dry_layer_high_mm": 25, "how": "fingertip"})  # fmt: skip
    assert pots.answer(home, NOW_MS) != then
    assert pots.answer(home, past_ms) == then
    home.close()


def test_an_empty_home_has_no_pots_and_teaches_how_to_begin(tmp_path: Path):
    from dashboard.tables import pots_table

    home = open_home(tmp_path)
    answer = pots.answer(home, NOW_MS)
    assert answer == {"at_ms": NOW_MS, "pots": []}
    assert "dryline import setup FILE" in pots_table(answer)
    assert wall.answer(home, NOW_MS)["shelves"] == []
    home.close()


def test_a_home_that_has_not_heard_anything_yet_shows_its_pots(tmp_path: Path):
    home = open_home(tmp_path)
    with home.logbook.writing():
        home.logbook.put_shelf({"label": "east-window", "air": "gentle"})
        home.logbook.put_pot({"label": "first", "plant": "Cattleya hybrid"})
        home.logbook.describe_setup("first", SETUP, NOW_MS - HOUR_MS)
    (pot,) = pots.answer(home, NOW_MS)["pots"]
    assert (pot["state"], pot["rests_on"], pot["dry_layer_mm"]) == ("unknown", "guessed", None)
    assert [shelf["label"] for shelf in wall.answer(home, NOW_MS)["shelves"]] == ["east-window"]
    home.close()
