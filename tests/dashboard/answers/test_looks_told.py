"""Each look with what led up to it: figures since the look before, words where something is missing, both units."""

import json
import re
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.quantities import in_units
from dashboard import tables
from dashboard.answers import explain, story
from dashboard.answers.looks_told import looks_told
from dashboard.answers.situation import Situation, situation_at
from ingest.home import Home
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers.looked_at_home import NOW_MS, bare, look
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march, told

Told = dict[str, Any]
LEVEL = Sensor("t/level", "number", "", "reservoir_level", "mm", interval_s=3600.0,
               placed=(Placement(march(1), None, "east-window/window left"),))  # fmt: skip
EMPTIED_MS, FILLED_MS = march(17), march(18, 6)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    made = bare(tmp_path_factory.mktemp("looks"))
    log = made.logbook
    with log.writing():
        log.put_sensor(LEVEL)
        for day in (4, 16, 20, 28):
            look(made, "window left", day, 8 + 0.7 * day, tips_growing=3, tips_dried=day // 14)
        look(made, "window right", 2, 12)
        for day in (9, 16, 16.25):
            look(made, "window right", day, 12)
        changes = {"top_layer": {"kind": "pebbles", "thickness_mm": 20}, "vents": {"count": 4, "diameter_mm": 8}}
        log.change_setup("window right", changes, march(10))
        for day in (10, 20):
            look(made, "stair top", day, 5)
    hours_ms = np.arange(march(1), NOW_MS, HOUR_MS)
    level = np.where((hours_ms >= EMPTIED_MS) & (hours_ms < FILLED_MS), 0.0, 35.0 - (hours_ms - march(1)) / DAY_MS)
    made.readings.append(told(LEVEL, *zip(hours_ms.tolist(), level.tolist(), strict=True)))
    yield made
    made.close()


@pytest.fixture(scope="module")
def situation(home: Home) -> Situation:
    found = situation_at(home, NOW_MS)
    assert found is not None
    return found


def looks_at(situation: Situation, pot: str) -> list[Told]:
    return looks_told(situation, pot, 0, NOW_MS, ZoneInfo("Europe/Lisbon"))


def plain(sentence: str) -> str:
    return str(in_units(sentence, "metric"))


def test_the_newest_look_is_first_and_each_tells_what_was_noted(situation: Situation) -> None:
    looks = looks_at(situation, "window left")
    assert [look["day"] for look in looks] == ["28 Mar 2026", "20 Mar 2026", "16 Mar 2026", "4 Mar 2026"]
    assert (looks[0]["noted_low_mm"], looks[0]["noted_high_mm"]) == pytest.approx((25.6, 29.6))
    assert plain(looks[0]["noted"]) == "dry line 26 to 30 mm down; at a fingertip; tips: 3 growing, 2 dried"
    assert (looks[0]["tips"]["growing"], looks[0]["tips"]["dried"]) == (3, 2)


def test_a_pot_that_nobody_looked_at_has_none(situation: Situation) -> None:
    looked_at = set(situation.notes.loc[situation.notes["kind"] == "inspection", "pot"])
    pot = next(one.label for one in situation.standing.pots if one.label not in looked_at)
    assert looks_told(situation, pot, 0, NOW_MS, ZoneInfo("UTC")) == []


def test_what_led_up_to_a_look_is_one_sentence_of_the_time_since_the_look_before(situation: Situation) -> None:
    newest = looks_at(situation, "window left")[0]
    assert newest["led_up_hours"] == 8 * 24
    assert newest["air_known_share"] == pytest.approx(1.0)
    # the air at 22 degC dries from 46.4 % on the 20th to 36.8 % on the 28th of the month
    assert newest["vpd_kpa"] == pytest.approx(2.64 * (1 - 0.42), abs=0.05)
    says = plain(newest["says"])
    assert says.startswith(f"In the 8 days since the look before: dry air {newest['vpd_kpa']:.2f} kPa on average, ")
    assert "drier than this pot bears at the usual rooting depth of 20 mm" in says
    line = f"the modelled line {newest['modelled_mm']:.0f} mm down on average and"
    assert f"{line} {newest['modelled_deepest_mm']:.0f} mm at its deepest." in says
    assert newest["modelled_mm"] <= newest["modelled_deepest_mm"]
    assert re.findall(r"\.(?!\d)", says) == ["."], "it is one sentence"
    assert [window["days"] for window in newest["windows"]] == [1, 3, 7, 14]
    assert newest["windows"][0]["vpd_kpa"] > newest["windows"][3]["vpd_kpa"]


def test_an_empty_reservoir_is_told_by_its_hours_and_a_full_one_not_at_all(situation: Situation) -> None:
    newest, after, _, _ = looks_at(situation, "window left")
    assert after["hours_empty"] == pytest.approx((FILLED_MS - EMPTIED_MS) / HOUR_MS, abs=12)
    assert f"the reservoir empty for {after['hours_empty']:.0f} hours" in after["says"]
    assert newest["hours_empty"] == 0.0
    assert "empty" not in newest["says"]


def test_a_first_look_tells_of_the_fortnight_before_it(situation: Situation) -> None:
    first = looks_at(situation, "window left")[-1]
    assert first["led_up_hours"] == 14 * 24
    assert first["says"].startswith("In the 14 days before this first look: ")


def test_air_that_was_not_known_is_said_to_be_so_and_no_number_stands_for_it(situation: Situation) -> None:
    newest, _ = looks_at(situation, "stair top")
    assert "the air was not known, so neither its dryness nor the modelled line can be told" in newest["says"]
    assert [newest[key] for key in ("vpd_kpa", "hours_above_critical", "modelled_mm", "modelled_deepest_mm")] == [
        None
    ] * 4
    first = looks_at(situation, "window left")[-1]
    assert "the air was known for only 21 % of that time" in first["says"]
    json.dumps(looks_at(situation, "stair top") + looks_at(situation, "window left"), allow_nan=False)
    assert "nan" not in str(looks_at(situation, "stair top")).casefold()


def test_a_set_up_that_differs_from_the_look_before_is_named_and_one_that_does_not_is_not(situation: Situation) -> None:
    same_day, changed, before, _ = looks_at(situation, "window right")
    assert plain(changed["says"]).endswith(
        "; since the look before: a cover of pebbles 20 mm instead of none, 4 holes instead of 12."
    )
    assert (changed["cover"], changed["holes"], changed["shelf"]) == ("pebbles 20\u00a0mm", 4.0, "east-window")
    assert "instead of" not in before["says"]
    assert "instead of" not in same_day["says"]
    assert same_day["says"].startswith("In the 14 days before it (the look before was hours earlier): ")


def test_the_sentence_is_told_in_inches_where_the_grower_reads_inches(situation: Situation) -> None:
    for one in looks_at(situation, "window left") + looks_at(situation, "window right"):
        in_us = in_units(one, "us")
        assert " mm" not in in_us["says"] + in_us["noted"]
    assert "usual rooting depth of 0.8 in" in in_units(looks_at(situation, "window left")[0], "us")["says"]


def test_the_story_has_the_looks_of_its_span_and_the_command_all_of_them(home: Home, situation: Situation) -> None:
    of_all = looks_at(situation, "window left")
    span = story.answer(home, "window left", march(15), NOW_MS, NOW_MS)
    assert [one["says"] for one in span["looks"]] == [one["says"] for one in of_all[:3]]
    answer = explain.answer(home, "window left", NOW_MS)
    assert [one["time_ms"] for one in answer["looks"]] == [one["time_ms"] for one in of_all]
    text = tables.explain_text(in_units(answer, "metric"))
    assert text.endswith(plain(of_all[-1]["says"]))
    then = explain.answer(home, "window left", NOW_MS, march(10), march(18))
    assert [one["day"] for one in then["looks"]] == ["16 Mar 2026", "4 Mar 2026"], "nothing after the end of the spell"
