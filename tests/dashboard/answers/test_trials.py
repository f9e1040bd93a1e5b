"""Pairs of an invented small home: proposed while alike, followed once they differ in one thing."""

from pathlib import Path

import pytest

from dashboard import tables
from dashboard.answers import trials
from tests.dashboard.answers.small_home import HUMIDITY, WARMTH, every, home_with, march, told

SETUP = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 100, "grain": "medium", "mix": {"expanded_clay": 1.0}}],
    "vents": "few",
    "wick": "one",
}
PEBBLES = {"top_layer": {"kind": "pebbles", "thickness_mm": 20}}


def twins(tmp_path: Path):
    """Two pots built alike, one described in words and one in numbers, in measured air."""
    home = home_with(tmp_path)
    in_numbers = {**SETUP, "vents": {"count": 6, "diameter_mm": 6}, "wick": {"strands": 1}}
    for label, setup in (("window left", SETUP), ("window right", in_numbers)):
        home.logbook.put_pot({"label": label, "plant": "Oncidium hybrid"})
        home.logbook.describe_setup(label, setup, march(1))
    home.readings.append(told(WARMTH, *every(60, march(1), march(28), 21.0)))
    home.readings.append(told(HUMIDITY, *every(60, march(1), march(28), 55.0)))
    return home


def look(home, pot: str, day: int, depth_mm: float) -> None:
    bounds = {"dry_layer_low_mm": depth_mm - 2, "dry_layer_high_mm": depth_mm + 2, "how": "fingertip"}
    home.logbook.add_note({"time_ms": march(day), "pot": pot, "kind": "inspection", **bounds})


def test_pots_built_alike_are_proposed_whether_told_in_words_or_in_numbers(tmp_path: Path):
    home = twins(tmp_path)
    found = trials.answer(home, march(20))
    home.close()
    assert found["trials"] == []
    [one] = found["proposed"]
    assert (one["pot"], one["other"]) == ("window left", "window right")
    assert one["change"] == "pebbles 10 mm"  # what the usual headroom of 15 mm leaves room for
    assert one["looks_needed"] >= 2
    assert "Look at both first" in one["why"]
    assert one["why"] in tables.trials_list(found)


def test_a_pair_that_differs_in_its_cover_is_followed_from_the_change_on(tmp_path: Path):
    home = twins(tmp_path)
    home.logbook.change_setup("window right", PEBBLES, march(3))
    for day in (20, 24, 27):
        look(home, "window left", day, 18.0)
        look(home, "window right", day, 6.0)
    found = trials.answer(home, march(28))
    home.close()
    [pair] = found["trials"]
    assert (pair["factor"], pair["value"], pair["other_value"]) == ("cover", "none", "pebbles 20\u00a0mm")
    assert pair["since_ms"] == march(3)
    assert pair["looks"] == 3
    assert pair["low_mm"] <= pair["difference_mm"] <= pair["high_mm"]
    assert abs(pair["difference_mm"] - 12.0) < 1.0
    assert [(seen["difference_mm"], seen["counts"]) for seen in pair["seen"]] == [(12.0, True)] * 3
    assert "Look at both on the same day" in pair["next_look_says"] or "Decided" in pair["next_look_says"]
    assert found["questions"] == []


def test_pairs_that_ask_the_same_are_told_together_and_each_pot_speaks_once(tmp_path: Path):
    home = twins(tmp_path)
    for label in ("window second", "window fourth", "window middle"):
        home.logbook.put_pot({"label": label, "plant": "Oncidium hybrid"})
        home.logbook.describe_setup(label, SETUP, march(1))
    for label in ("window right", "window fourth"):
        home.logbook.change_setup(label, PEBBLES, march(3))
    for day in (19, 23, 27):
        for label in ("window left", "window second", "window middle"):
            look(home, label, day, 18.0)
        for label in ("window right", "window fourth"):
            look(home, label, day, 8.0)
    found = trials.answer(home, march(28))
    home.close()
    assert len(found["trials"]) == 6
    [question] = found["questions"]
    assert (question["factor"], question["value"], question["other_value"]) == ("cover", "none", "pebbles 20\u00a0mm")
    assert len(question["pairs"]) == 2
    assert len({label for pair in question["pairs"] for label in pair}) == 4
    alone = next(one for one in found["trials"] if [one["pot"], one["other"]] in question["pairs"])
    assert question["difference_mm"] == pytest.approx(10.0, abs=1.5)
    assert question["high_mm"] - question["low_mm"] < alone["high_mm"] - alone["low_mm"]


def test_looks_before_the_column_has_settled_do_not_count(tmp_path: Path):
    home = twins(tmp_path)
    home.logbook.change_setup("window right", PEBBLES, march(18))
    for day in (19, 24, 27):
        look(home, "window left", day, 18.0)
        look(home, "window right", day, 17.0)
    [pair] = trials.answer(home, march(28))["trials"]
    home.close()
    assert pair["difference_mm"] is None
    assert "look at both" in pair["says"]
    assert "is settling: look at both in" in pair["next_look_says"]
    assert [seen["counts"] for seen in pair["seen"]] == [False, False, False]


def test_each_pot_is_proposed_for_one_trial_and_none_that_is_in_one(tmp_path: Path):
    home = twins(tmp_path)
    for label in ("window second", "window fourth", "window middle"):
        home.logbook.put_pot({"label": label, "plant": "Oncidium hybrid"})
        home.logbook.describe_setup(label, SETUP, march(1))
    alike = trials.answer(home, march(20))["proposed"]
    home.logbook.change_setup("window right", PEBBLES, march(3))
    begun = trials.answer(home, march(20))
    home.close()
    assert [len({one["pot"], one["other"]}) for one in alike] == [2, 2]
    assert len({label for one in alike for label in (one["pot"], one["other"])}) == 4
    assert begun["proposed"] == []
    assert begun["proposed_says"] in tables.trials_list(begun)


def test_pots_alike_in_air_that_nobody_knows_are_told_no_depth(tmp_path: Path):
    home = home_with(tmp_path, ())
    for label in ("stair top", "stair foot"):
        home.logbook.put_pot({"label": label})
        home.logbook.describe_setup(label, {**SETUP, "shelf": "stairwell"}, march(1))
    [one] = trials.answer(home, march(20))["proposed"]
    home.close()
    assert one["looks_needed"] is None
    assert one["why"].endswith("how dry they are cannot be told, for the air on stairwell is not known.")


def test_a_trial_whose_looks_are_used_up_is_not_called_decided(tmp_path: Path):
    home = twins(tmp_path)
    home.logbook.change_setup("window right", PEBBLES, march(1, 1))
    for number in range(8):
        look(home, "window left", 16 + number, 18.0 + 9.0 * (number % 2))
        look(home, "window right", 16 + number, 18.0)
    [pair] = trials.answer(home, march(28))["trials"]
    home.close()
    assert pair["verdict"] == "ended_undecided"
    assert pair["next_look_says"].startswith("A second pair")


def test_a_mix_that_nobody_knows_makes_no_pair(tmp_path: Path):
    home = twins(tmp_path)
    home.logbook.change_setup("window right", {"layers": [{"thickness_mm": 100, "mix": "unknown"}]}, march(3))
    found = trials.answer(home, march(20))
    home.close()
    assert found["trials"] == found["proposed"] == []


def test_an_empty_home_has_no_trials_and_says_so(tmp_path: Path):
    home = home_with(tmp_path)
    assert trials.answer(home, march(20))["says"] == "No pot is in the logbook yet."
    home.close()
