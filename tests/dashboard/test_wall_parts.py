"""The wall's answer in parts: what travels in a refresh, and what does not."""

import copy
import json
from pathlib import Path
from typing import Any

import orjson
import pytest

from dashboard.pages.wall_parts import digest, news, parts_of

DATA = Path(__file__).parents[1] / "data" / "wall-24-pots.json"


@pytest.fixture
def answer() -> dict[str, Any]:
    return json.loads(DATA.read_text(encoding="utf-8"))


def have(answer: dict[str, Any]) -> dict[str, str]:
    """The digests of a browser that has painted this answer."""
    return {key: mark for key, (mark, _) in news(parts_of(answer), {})["parts"].items()}


def pots(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [pot for shelf in answer["shelves"] for pot in shelf["pots"]]


def test_a_first_look_brings_every_pot_every_shelf_and_every_build(answer):
    parts = news(parts_of(answer), {})["parts"]
    kinds = [key.split(":")[0] for key in parts]
    assert kinds.count("pot") == kinds.count("build") == 24
    assert kinds.count("shelf") == 4
    assert {"order", "state", "needs", "silent"} <= set(parts)


def test_an_unchanged_glasshouse_sends_nothing(answer):
    assert news(parts_of(answer), have(answer)) == {"parts": {}, "gone": []}


def test_five_changed_pots_travel_in_three_kilobytes_and_without_their_builds(answer):
    before = have(answer)
    for pot in pots(answer)[3:8]:
        pot["level_mm"] = (pot["level_mm"] or 0.0) + 3.0
        pot["dry_layer_mm"] = {"p10": 11.2, "p50": 17.9, "p90": 25.1}
    sent = news(parts_of(answer), before)
    assert sorted(sent["parts"]) == sorted(f"pot:{pot['label']}" for pot in pots(answer)[3:8])
    assert len(orjson.dumps(sent)) <= 3000


def test_a_change_nobody_can_see_is_no_change(answer):
    before = have(answer)
    for pot in pots(answer):
        if pot["level_mm"] is not None:
            pot["level_mm"] = round(pot["level_mm"]) + 0.2
    first = have(answer)
    for pot in pots(answer):
        if pot["level_mm"] is not None:
            pot["level_mm"] += 0.2
    assert have(answer) == first
    assert before.keys() == first.keys()


def test_a_fresh_sensor_growing_older_by_seconds_sends_nothing(answer):
    before = have(answer)
    answer["at_ms"] += 10_000
    for shelf in answer["shelves"]:
        shelf["air_age_s"] += 10
        for pot in shelf["pots"]:
            pot["level_age_s"] += 10
    for need in answer["needs"]:
        need["since_ms"] += 10_000
    assert news(parts_of(answer), before)["parts"] == {}


def test_a_stale_sensor_says_since_when_in_whole_minutes(answer):
    stale = next(pot for pot in pots(answer) if pot["sensor_state"] == "stale")
    part = parts_of(answer)[f"pot:{stale['label']}"]
    assert abs(part["seen_ms"] - (answer["at_ms"] - stale["level_age_s"] * 1000)) <= 30_000
    assert part["seen_ms"] % 60_000 == 0


def test_a_pot_that_left_is_named_as_gone(answer):
    before = have(answer)
    left = answer["shelves"][2]["pots"].pop()["label"]
    sent = news(parts_of(answer), before)
    assert sent["gone"] == [f"build:{left}", f"pot:{left}"]
    assert list(sent["parts"]) == ["order"]


def test_a_changed_set_up_sends_the_build_of_that_pot_alone(answer):
    before = have(answer)
    pots(answer)[0]["section"]["build"]["vents"] = {"count": 3, "diameter_mm": 8, "height_mm": 50}
    assert list(news(parts_of(answer), before)["parts"]) == [f"build:{pots(answer)[0]['label']}"]


def test_digests_do_not_depend_on_the_order_of_keys():
    assert digest({"a": 1, "b": [2, {"c": 3, "d": 4}]}) == digest({"b": [2, {"d": 4, "c": 3}], "a": 1})
    assert digest({"a": 1}) != digest({"a": 2})


def test_an_unknown_figure_is_left_out_and_not_sent_as_nothing(answer):
    bare = next(pot for pot in pots(answer) if pot["level_mm"] is None)
    part = parts_of(answer)[f"pot:{bare['label']}"]
    assert "level_mm" not in part
    assert "days_left" not in part


def test_parts_leave_the_answer_as_it_was(answer):
    untouched = copy.deepcopy(answer)
    parts_of(answer)
    assert answer == untouched
