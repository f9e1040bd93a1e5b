"""The guide's answer on a small invented home: advice, season, roots, evidence, map; a sentence where it is silent.

The same home without notes, and with one, shows what stands where nothing is known yet.
"""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from dashboard import tables
from dashboard.answers import explain, guide
from dashboard.answers.situation import situation_at
from dashboard.changes.advice import take
from ingest.home import Home
from tests.dashboard.answers.looked_at_home import NOW_MS, POTS, bare, build, look
from tests.dashboard.answers.small_home import home_with, march

Told = dict[str, Any]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    home = build(tmp_path_factory.mktemp("guide"))
    yield guide.answer(home, NOW_MS)
    home.close()


def pots_of(told: Told) -> dict[str, Told]:
    return {pot["pot"]: pot for shelf in told["shelves"] for pot in shelf["pots"]}


def test_every_pot_with_air_has_one_advice_and_its_options_smallest_step_first(told: Told) -> None:
    for label, pot in pots_of(told).items():
        if label == "stair top":
            continue
        words = [option["change"] for option in pot["options"]]
        assert words[0] == "leave"
        assert pot["advice"] in words
        assert pot["says"].endswith(".")
        for option in pot["options"]:
            assert 0 <= option["low"] <= option["chance_too_dry"] <= option["high"] <= 1
            assert 0 <= option["physics"] <= 1
            assert option["driest_month"] >= 0


def test_a_shelf_without_air_gets_a_sentence_and_no_options(told: Told) -> None:
    pot = pots_of(told)["stair top"]
    assert pot["options"] == []
    assert pot["advice"] is None
    assert "has no air" in pot["says"]
    assert next(shelf["season"] for shelf in told["shelves"] if shelf["shelf"] == "stairwell") is None


def test_a_short_record_has_no_dry_season_and_says_what_is_taken_instead(told: Told) -> None:
    shelf = next(shelf for shelf in told["shelves"] if shelf["shelf"] == "east-window")
    assert not shelf["season"]["recorded"]
    assert shelf["season"]["vpd_kpa"] == pytest.approx(shelf["vpd_week_kpa"]["p50"] + 0.4, abs=0.1)
    pot = pots_of(told)["window left"]
    assert pot["season"]["chance_too_dry"] >= pot["now"]["chance_too_dry"] - 0.05
    assert "driest month" in pot["season"]["says"]


def test_three_kinds_of_evidence_stand_beside_the_advice(told: Told) -> None:
    pot = pots_of(told)["window left"]
    assert set(pot["evidence"]) == {"physics", "notes", "both"}
    pebbles = next(option for option in pot["options"] if option["change"] == "pebbles 20 mm")
    assert pebbles["seen"] == "Notes alone: 8\u00a0mm shallower in 1 pot; one pot proves little."
    assert any("looks at its dry layer" in one for one in pot["rests_on_says"])


def test_roots_are_told_by_group_with_rot_apart_and_the_plain_counts_beside(told: Told) -> None:
    roots = told["roots"]
    [depth] = roots["rooting_depth"]
    assert (depth["roots"], depth["likes"]) == ("fine", "even")
    assert depth["low_mm"] < depth["value_mm"] < depth["high_mm"]
    chance = roots["rot"]["chance"]
    assert chance[-1] > 0.1 > chance[0]
    assert "wetter" in roots["rot"]["says"] or "do not say yet" in roots["rot"]["says"]
    assert sum(row["looks"] for row in roots["counts"]) == 18
    assert {row["cover"] for row in roots["counts"]} == {"none", "pebbles 20\u00a0mm"}
    changes = {(row["change"], row["what"]) for row in roots["before_and_after"]}
    assert ("pebbles 20 mm", "noted_depth_mm") in changes
    assert ("repot", "noted_depth_mm") in changes


def test_repots_are_followed_and_a_plant_grown_dry_is_eased_over(told: Told) -> None:
    roots = told["roots"]
    [band] = roots["after_repots"]
    assert band["repots"] == 1
    assert band["jump"] in ("wetter", "much wetter")
    assert "old roots kept" in band["says"]
    [season] = roots["after_repots_by_season"]
    assert (season["jump"], season["season"]) == (band["jump"], "Oct-Mar")
    eased = {one["pot"]: one for one in roots["easing"]}
    assert eased["window second"]["says"] == "New roots are in: fill to the mark."
    fourth = eased["window fourth"]
    assert fourth["jump_mm"] > 5
    assert fourth["low_mm"] <= fourth["level_mm"] <= fourth["high_mm"] <= 50
    assert "until new roots are in" in fourth["says"]


def test_the_map_lays_limits_seasons_and_notes_over_holes_and_air(told: Told) -> None:
    chart = told["map"]
    line = next(one for one in chart["limits"] if one["pot"] == "window left")
    by_change = {one["change"]: one["p50_kpa"] for one in line["options"]}
    for critical in by_change.values():
        assert all(more <= fewer + 1e-6 for fewer, more in pairwise(critical))
    assert all(thick > bare for thick, bare in zip(by_change["pebbles 20 mm"], by_change["as it is"], strict=True))
    shelf = next(one for one in chart["shelves"] if one["shelf"] == "east-window")
    season = shelf["seasons"][0]
    assert season["name"] == "last 28 days"
    assert season["p10_kpa"] < season["p50_kpa"] < season["p90_kpa"]
    assert (shelf["holes_least"], shelf["holes_most"]) == (12, 12)
    assert {note["pot"] for note in chart["notes"]} == {"window left", "window right", "window second"}
    assert all(note["seen"] in ("moist", "dry", "too dry") for note in chart["notes"])


def test_salt_is_told_where_feeds_are_noted_and_dried_tips_raise_it(told: Told) -> None:
    pots = pots_of(told)
    assert "feed salts" in pots["window left"]["salt"]
    assert pots["window left"]["tips_say"].startswith("Dried tips")
    assert "cannot be judged" in pots["window fourth"]["salt"]
    assert pots["window right"]["tips_say"] == ""


def test_salt_stands_beside_drought_in_the_explanation_where_tips_dried(tmp_path: Path) -> None:
    home = build(tmp_path)
    told = {pot: explain.answer(home, pot, NOW_MS)["evidence"] for pot in ("window left", "window right")}
    home.close()
    assert any(one.startswith("Dried tips") for one in told["window left"])
    assert any("feed salts" in one for one in told["window left"])
    assert not any("salt" in one for one in told["window right"])


def test_the_table_of_the_command_line_tells_advice_roots_and_counts(told: Told) -> None:
    text = tables.guide_table(told)
    for words in ("window left", "has no air", "New tips", "until new roots are in", "pebbles 20 mm", "unproven"):
        assert words in text


@pytest.fixture
def unseen(tmp_path: Path) -> Iterator[Home]:
    home = bare(tmp_path)
    yield home
    home.close()


def test_without_a_note_there_is_advice_from_physics_and_everything_says_that_it_is_a_guess(unseen: Home) -> None:
    found = guide.answer(unseen, NOW_MS)
    pot = pots_of(found)["window left"]
    assert pot["advice"]
    assert pot["rests_on"] == "guessed"
    assert any("No note of this pot" in one for one in pot["warnings"])
    assert f"look first; perhaps {pot['advice']}" in tables.guide_table(found)
    assert found["roots"]["rooting_depth"][0]["rests_on"] == "guessed"
    assert found["roots"]["counts"] == []
    assert "No look is noted yet" in found["roots"]["says"]
    assert found["roots"]["rot"]["says"] == "No rotted tip is noted yet."
    assert found["map"]["notes"] == []
    named = found["look"]["what"]
    look(unseen, named, 27, 14)  # within the week: the same look would show the same again
    again = guide.answer(unseen, NOW_MS)["look"]
    assert again is None or again["what"] != named


def test_odd_notes_get_sentences_one_note_no_roots_in_the_medium_all_tips_lost_two_people_at_odds(unseen: Home) -> None:
    look(unseen, "window left", 20, 10, tips_growing=3, detail={"tips_not_in_medium": True})
    [depth] = guide.answer(unseen, march(21))["roots"]["rooting_depth"]
    assert depth["says"].endswith("no tip has been noted in the medium.")
    look(unseen, "window right", 22, 30, tips_dried=6)
    look(unseen, "window right", 22.2, 8, tips_growing=6)
    for day in (23, 25, 27):  # separated data: whatever lay deep had stopped, whatever lay shallow had not
        look(unseen, "window second", day, 35, tips_dried=4)
        look(unseen, "window fourth", day, 3, tips_growing=4)
    found = guide.answer(unseen, NOW_MS)
    roots, pots = found["roots"], pots_of(found)
    at_odds = [one for one in pots["window right"]["rests_on_says"] if one.startswith("Two looks on one day")]
    assert len(at_odds) == 2
    assert not any("Two looks" in one for one in pots["window second"]["rests_on_says"])
    assert any("differ by 18\u00a0mm" in one for one in roots["disagreements"])
    assert any("disagree about the tips" in one for one in roots["disagreements"])
    [depth] = roots["rooting_depth"]
    assert 3 < depth["low_mm"] < depth["high_mm"] < 60
    assert {"window left", "window right"} <= set(POTS)


def test_a_pot_drier_than_anything_explains_is_flushed_before_anything_else(unseen: Home) -> None:
    for day in (12, 16, 20, 24, 27):
        look(unseen, "window left", day, 6)
        look(unseen, "window right", day, 6)
    look(unseen, "window left", 29, 60)
    pots = pots_of(guide.answer(unseen, NOW_MS))
    assert pots["window left"]["advice"] == "flush from the top"
    assert not pots["window left"]["sure"]
    assert "restart the wick" in pots["window left"]["says"]
    assert pots["window right"]["advice"] != "flush from the top"


def test_a_pot_changed_since_the_situation_was_gathered_waits_for_its_answer_and_the_others_do_not(
    unseen: Home,
) -> None:
    situation = situation_at(unseen, NOW_MS)
    assert situation is not None
    assert guide.told_at_once(unseen, situation, NOW_MS) is guide.told(unseen, situation)
    take(unseen, NOW_MS + 60_000, {"pot": "window left", "change": "pebbles 20 mm"})
    pots = pots_of(guide.told_at_once(unseen, situation, NOW_MS + 120_000))
    waits, stays = pots["window left"], pots["window right"]
    assert (waits["advice"], waits["options"], waits["sure"], waits["no_better"]) == (None, [], False, False)
    assert waits["says"].startswith("You changed this pot on 29 March: ")
    assert stays == pots_of(guide.told(unseen, situation))["window right"]
    weighed = pots_of(guide.answer(unseen, NOW_MS + 120_000))["window left"]
    assert weighed["options"]
    assert "It was changed on 29 March: " in " ".join(weighed["warnings"])
    assert "pebbles 20 mm" not in [option["change"] for option in weighed["options"]]


def test_an_advice_that_is_no_change_of_the_set_up_is_remembered_beside_the_next_one(unseen: Home) -> None:
    take(unseen, NOW_MS - 60_000, {"pot": "window left", "change": "keep it fuller"})
    pots = pots_of(guide.answer(unseen, NOW_MS))
    assert any("\u201cFrom now on: keep it fuller\u201d" in one for one in pots["window left"]["warnings"])
    assert not any("followed" in one for one in pots["window right"]["warnings"])


def test_an_empty_home_says_so(tmp_path: Path) -> None:
    home = home_with(tmp_path)
    found = guide.answer(home, NOW_MS)
    home.close()
    assert found["says"] == "No pot is in the logbook yet."
    assert tables.guide_table(found) == "No pot is in the logbook yet."
