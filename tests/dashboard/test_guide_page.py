"""The cover guide on an invented answer."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from dashboard.figures.chances import stones, tenths_words
from dashboard.pages import Ask
from dashboard.pages.guide import NO_GUIDE, asked, show
from dashboard.pages.guide_pot import can_take
from dashboard.pages.guide_words import HONEST, NOT_MODELLED, group_of
from tests.dashboard.trees import attributes, classed, text_of

DATA = Path(__file__).parents[1] / "data"


def read(name: str) -> dict[str, Any]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def asks(answer: Any, **wall_changes: Any) -> Ask:
    wall = read("wall-24-pots.json") | wall_changes
    return Ask(now_ms=lambda: wall["at_ms"], wall=lambda _: wall, health=lambda _: {}, guide=lambda _: answer)


def page(path: str = "/guide", answer: Any = None) -> Any:
    return show(asks(answer if answer is not None else read("guide.json")), path)[0]


def pot_of(answer: dict[str, Any], label: str) -> dict[str, Any]:
    return next(pot for shelf in answer["shelves"] for pot in shelf["pots"] if pot["pot"] == label)


def test_what_the_notes_say_of_roots_is_told_with_whom_it_is_about():
    answer = read("guide.json")
    answer["roots"] |= {
        "after_repots": [{"jump": "wetter", "season": "all", "says": "3 repots: all kept."}],
        "after_repots_by_season": [
            {"jump": "wetter", "season": "Apr-Sep", "says": "2 repots: all kept."},
            {"jump": "wetter", "season": "Oct-Mar", "says": "1 repot: all kept."},
        ],
        "easing": [{"pot": "door end", "says": "New roots are in: fill to the mark."}],
    }
    words = text_of(page(answer=answer))
    assert "Thick roots of plants that like it airy: New tips get through" in words
    assert "Repotted into something wetter: 3 repots: all kept." in words
    assert "Repotted into something wetter, Oct-Mar: 1 repot: all kept." in words
    assert "door end: New roots are in: fill to the mark." in words


def test_the_summary_counts_every_pot_once():
    assert (
        "1 pot wants something done, 2 want a look first, 5 are best left alone and of 1 nothing can be said."
        in text_of(page())
    )


def test_every_pot_has_one_advice_and_one_reason_and_a_door_to_all_options():
    rows = classed(page(), "guide-pot")
    assert len(rows) == 9
    first = rows[0]
    assert first.href == "/guide/top%20left"
    assert text_of(first).split("  ")[0].startswith(" top left")
    assert "Pebbles 10 mm" in text_of(first)
    assert "Too dry on about 8 in 10 days" in text_of(first)


def test_what_is_not_sure_asks_for_a_look_before_any_change():
    answer = read("guide.json")
    assert group_of(pot_of(answer, "top middle")) == "look"
    (heading,) = [text_of(row) for row in classed(page(), "guide-pot") if "top middle" in text_of(row)]
    assert "Look first; perhaps pebbles 20 mm in place of medium" in heading


def test_the_one_look_that_would_settle_most_has_a_door():
    (look,) = classed(page(), "guide-look")
    assert "top middle. What it shows bears on window left." in text_of(look)
    assert "/logbook/top%20middle" in attributes(look, "href")


def test_a_mix_that_would_settle_most_leads_to_a_column_test():
    answer = read("guide.json")
    answer["look"] |= {"kind": "mix", "what": "expanded clay", "settles": []}
    (look,) = classed(page(answer=answer), "guide-look")
    assert "stand a clear tube of the mix in 20 mm of water" in text_of(look)
    assert "/note/column_test" in attributes(look, "href")


def test_the_page_says_what_is_not_known():
    words = text_of(page())
    assert HONEST in words
    assert "No supply curve for these media is published" in words
    assert NOT_MODELLED in words
    assert "the label, local rules and licensed practice" in words


def test_the_sceptic_gets_counts_and_before_and_after_without_a_model():
    words = text_of(page())
    assert "Counted from the notes alone, no model" in words
    assert "Take the cover off, 1 pot: noted dry layer 3 mm before, 11 mm after; too few for an interval." in words


def test_a_pot_shows_both_risks_as_it_is_and_with_the_advice():
    shown = page("/guide/top%20left")
    as_it_is, with_it = [text_of(both) for both in classed(shown, "guide-both")]
    assert as_it_is.startswith("As it is")
    assert "too dry about" in as_it_is
    assert "too wet hardly ever" in with_it
    assert "Extrapolated: no note has seen a cover of pebbles here." in text_of(shown)
    assert "In its driest month" in text_of(shown)


def test_every_option_says_its_critical_dry_air_and_what_it_rests_on():
    shown = page("/guide/top%20left")
    options = classed(shown, "option")
    assert len(options) == 9
    for option in options:
        words = text_of(option)
        assert "too dry above" in words or "never too dry" in words
        assert "what does this rest on?" in words
        assert "Of 10 cases that fit what is known it is enough in" in words
    (chosen,) = classed(shown, "option-chosen")
    assert text_of(chosen).startswith("Pebbles 10 mm the advice")


def test_the_evidence_stands_side_by_side_physics_notes_and_both():
    (rests,) = classed(page("/guide/top%20left"), "guide-rests")
    words = text_of(rests)
    assert "Physics alone" in words
    assert "Notes alone" in words
    assert "Both" in words


def test_one_button_takes_a_sure_advice_and_none_is_offered_for_leaving_alone():
    (take,) = attributes(page("/guide/top%20left"), "data-take")
    assert take == "pebbles 10 mm"
    assert attributes(page("/guide/window%20left"), "data-take") == []


def test_what_waits_for_a_repot_cannot_be_logged_as_done_today():
    assert can_take("second wick")
    assert not can_take("more retentive mix at the next repot")
    assert not can_take("leave")


def test_a_pot_without_air_says_what_is_missing_and_an_unknown_one_that_it_is_unknown():
    assert "Its shelf has no air" in text_of(page("/guide/landing"))
    assert "There is no pot called ghost." in text_of(page("/guide/ghost"))


def test_no_pots_and_no_air_teach_the_next_step():
    none = {
        "at_ms": 0,
        "shelves": [],
        "look": None,
        "roots": None,
        "map": None,
        "says": "No pot is in the logbook yet.",
    }
    assert "It needs a pot with its set-up" in text_of(page(answer=none))
    assert "/start" in attributes(page(answer=none), "href")
    answer = read("guide.json")
    for shelf in answer["shelves"]:
        shelf["pots"] = [
            pot | {"options": [], "says": "Its shelf has no air: give it a sensor."} for pot in shelf["pots"]
        ]
    shown = page(answer=answer)
    assert "As soon as one shelf's air is known" in text_of(shown)
    assert {"/workshop", "/note/air"} <= set(attributes(shown, "href"))


def test_the_script_gets_the_sections_the_map_and_the_units():
    _, facts = show(asks(read("guide.json"), units="us"), "/guide/top%20left")
    assert facts["pot"] == "top left"
    assert facts["units"] == "us"
    assert set(facts["cuts"]["top left"]) >= {"build", "level_mm"}
    assert facts["map"]["holes"][0] == 0


def test_laying_out_the_answer_leaves_it_as_it_was():
    answer = read("guide.json")
    before = copy.deepcopy(answer)
    page("/guide", answer)
    page("/guide/top%20left", answer)
    assert answer == before


@pytest.mark.parametrize("answer", [{}, 3])
def test_an_answer_that_fails_is_a_sentence(answer, caplog):
    assert NO_GUIDE in text_of(page(answer=answer))
    assert caplog.records


def test_an_address_names_the_pot_it_asks_for():
    assert asked("/guide") is None
    assert asked("/guide/sill%2Fcorner") == "sill/corner"


def test_chances_are_said_in_tenths_of_days_and_drawn_as_ten_stones():
    assert tenths_words(0.41, 0.1, 0.72) == "about 4 in 10 days, could be 1 to 7"
    assert tenths_words(0.0, 0.0, 0.04) == "hardly ever"
    assert tenths_words(0.98, 0.96, 1.0) == "nearly always"
    marks = [stone.className for stone in stones(0.41, 0.1, 0.72, "dry").children]
    assert marks == ["stone-sure"] + ["stone-likely"] * 3 + ["stone-may"] * 3 + [""] * 3
