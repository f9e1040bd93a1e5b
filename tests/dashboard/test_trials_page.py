"""The trials page on an invented answer."""

import json
from pathlib import Path
from typing import Any

import pytest

from dashboard.figures.difference import Interval, difference
from dashboard.pages import Ask
from dashboard.pages.trials import NO_TRIALS, STOPPING, show, value_words
from tests.dashboard.trees import attributes, classed, text_of

DATA = Path(__file__).parents[1] / "data"


def read(name: str) -> dict[str, Any]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def page(answer: Any = None, **wall_changes: Any) -> Any:
    wall = read("wall-24-pots.json") | wall_changes
    told = answer if answer is not None else read("trials.json")
    return show(Ask(now_ms=lambda: wall["at_ms"], wall=lambda _: wall, health=lambda _: {}, trials=lambda _: told))[0]


def test_a_pair_says_in_what_it_differs_since_when_and_how_often_it_was_looked_at():
    words = text_of(page())
    assert "rail end beside under the lamp heated-rack; they differ in the cover since" in words
    assert "no look yet of 8" in words
    assert "window left 15 cm² of holes" in words
    assert "look 5 of 8" in words


def test_a_decided_trial_shows_its_verdict_and_its_interval():
    words = text_of(page())
    assert "Decided: moister" in words
    assert "window left less door end: −9 mm, could be −14 to −4" in words
    assert "2 pairs differ in one thing; 1 is decided." in words


def test_the_stopping_rule_is_told_in_words():
    assert STOPPING in text_of(page())


def test_a_pair_that_is_alike_can_begin_a_trial_by_one_tap():
    (tap,) = [json.loads(tap) for tap in attributes(page(), "data-tap")]
    assert tap == ["trial_begun", {"pot": "window left", "other": "window middle", "change": "pebbles 10 mm"}]


def test_a_proposal_without_a_change_offers_no_button():
    answer = read("trials.json")
    del answer["proposed"][0]["change"]
    assert attributes(page(answer), "data-tap") == []


def test_where_no_pair_is_free_for_a_trial_the_page_says_so():
    answer = read("trials.json") | {"proposed": [], "proposed_says": "No two pots are free for another trial."}
    assert "No two pots are free for another trial." in text_of(page(answer))


def test_looks_before_the_column_had_settled_are_open_dots():
    answer = read("trials.json")
    since_ms = answer["trials"][0]["since_ms"]
    answer["trials"][0]["seen"] = [
        {"time_ms": since_ms - 1, "difference_mm": 2.0, "counts": False},
        {"time_ms": since_ms + 1, "difference_mm": -9.0, "counts": True},
    ]
    before, after = classed(classed(page(answer), "trial")[0], "gap-look")
    assert "gap-before" in before.className
    assert "gap-before" not in after.className


def test_several_pairs_that_ask_the_same_are_told_together():
    answer = read("trials.json")
    answer["questions"] = [
        {
            "factor": "cover",
            "value": "none",
            "other_value": "pebbles 20 mm",
            "pairs": [["rail end", "under the lamp"], ["window left", "window right"]],
            "looks": 9,
            "difference_mm": 8.0,
            "low_mm": 3.0,
            "high_mm": 13.0,
            "verdict": "deeper",
            "says": "The dry layer is deeper by 8 mm.",
        }
    ]
    words = text_of(page(answer))
    assert "What several pairs say together no cover or pebbles 20 mm: Decided: drier" in words
    assert "rail end beside under the lamp; window left beside window right (9 looks)" in words


def test_no_pair_and_no_pot_teach_what_a_trial_is():
    none = {
        "at_ms": 0,
        "trials": [],
        "proposed": [],
        "proposed_says": "",
        "says": "No two pots differ in one thing only.",
    }
    assert "No two pots differ in one thing only. Two pots that are alike but for one thing" in text_of(page(none))
    empty = page(none | {"says": "No pot is in the logbook yet."}, shelves=[])
    assert "A trial needs two pots on one shelf" in text_of(empty)
    assert "/start" in attributes(empty, "href")


def test_an_interval_that_leaves_the_scale_says_so_by_an_open_end():
    (bar,) = classed(difference("a", "b", Interval(-12.0, -138.0, 20.0)), "gap-range")
    assert "gap-open-left" in bar.className
    assert "gap-open-right" not in bar.className


@pytest.mark.parametrize(
    ("factor", "value", "words"),
    [
        ("hole_area_mm2", 0.0, "no holes"),
        ("hole_area_mm2", 603.0, "6 cm² of holes"),
        ("hole_area_mm2", "603.0", "6 cm² of holes"),
        ("wick_strands", 1.0, "a wick of 1 strand"),
        ("cover", "none", "no cover"),
        ("gap", "wide", "gap wide"),
        ("mix", "pumice 10/10", "pumice 10/10"),
    ],
)
def test_what_differs_is_said_in_words(factor, value, words):
    assert value_words(factor, value) == words


@pytest.mark.parametrize("answer", [{}, 3])
def test_an_answer_that_fails_is_a_sentence(answer, caplog):
    assert NO_TRIALS in text_of(page(answer))
    assert caplog.records
