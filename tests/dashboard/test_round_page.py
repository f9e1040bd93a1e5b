"""The round page on an invented answer."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from dashboard.figures.amounts import day_words, days_words, litres_words, span_words, volume_words
from dashboard.pages import Ask
from dashboard.pages.round import NO_ROUND, asked, show
from tests.dashboard.trees import attributes, classed, text_of

DATA = Path(__file__).parents[1] / "data"
DAY_MS = 86_400_000


def read(name: str) -> dict[str, Any]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def asks(round_answer: Any, **wall_changes: Any) -> Ask:
    wall = read("wall-24-pots.json") | wall_changes
    return Ask(now_ms=lambda: wall["at_ms"], wall=lambda _: wall, health=lambda _: {}, round=round_answer)


def page(path: str = "/round", answer: dict[str, Any] | None = None, **wall_changes: Any) -> Any:
    told = answer or read("round.json")["round"]
    away = read("round.json")["away"]

    def answered(_at_ms: int, span: tuple[int, int] | None) -> dict[str, Any]:
        return told | ({"away": away} if span else {})

    return show(asks(answered, **wall_changes), path)[0]


@pytest.mark.parametrize(
    ("path", "kind", "days"),
    [
        ("/round", "visit", ()),
        ("/round/2026-03-08", "visit", (date(2026, 3, 8),)),
        ("/round/someday", "visit", ()),
        ("/round/away", "away", ()),
        ("/round/away/2026-03-06/2026-03-27", "away", (date(2026, 3, 6), date(2026, 3, 27))),
    ],
)
def test_an_address_asks_for_a_visit_or_an_absence(path, kind, days):
    assert asked(path) == (kind, days)


def test_the_next_visit_says_when_which_pots_how_much_and_how_many_litres():
    words = text_of(page())
    assert "Round tomorrow, Wed 4 Mar" in words
    assert "1.3\u00a0L to mix, at most" in words
    assert (
        "cabinet floor to the mark, 200\u00a0to\u00a0210\u00a0mL, feed; flush it through from the top, it is due"
        in words
    )
    assert "These may run dry before then: cabinet floor, under the stairs, skylight." in words


def test_a_pot_that_is_eased_over_is_filled_and_ticked_to_a_level():
    answer = read("round.json")["round"]
    pot = answer["visits"][0]["pots"][0]
    pot |= {"eased": True, "fill_mark_mm": 12.4, "fill_ml": 20.0, "fill_at_most_ml": 60.0}
    answer["eased"] = {pot["pot"]: 12.4, "window left": 31.0}
    shown = page(answer=answer)
    assert "only to 12 mm until new roots are in, 20\u00a0to\u00a060\u00a0mL" in text_of(shown)
    assert "only to 31 mm until new roots are in" in text_of(shown)
    ticks = [json.loads(tick) for tick in attributes(shown, "data-tick")]
    assert [pot["pot"], "low", 12, "12 mm"] in ticks
    assert ["window left", "full", 31, "31 mm"] in ticks


def test_pots_stand_shelf_by_shelf_as_one_walks():
    shelves = [text_of(section.children[0]) for section in classed(page(), "round-shelf")]
    assert shelves[:2] == ["glass-cabinet", "stairwell"]


def test_a_later_visit_has_its_own_address_and_marks_its_tab():
    later = page("/round/2026-03-11")
    assert "Round on Wed 11 Mar" in text_of(later)
    tabs = classed(later, "round-tabs")[0].children
    (marked,) = [tab for tab in tabs if getattr(tab, "aria-current", None)]
    assert marked.href == "/round/2026-03-11"


def test_a_tile_says_only_what_was_found_and_never_an_amount():
    ticks = [json.loads(tick) for tick in attributes(page(), "data-tick")]
    assert ticks[:4] == [["cabinet floor", found] for found in ("empty", "low", "half", "full")]
    assert {pot for pot, _ in ticks} == {
        pot["label"] for s in read("wall-24-pots.json")["shelves"] for pot in s["pots"]
    }


def test_pots_that_cannot_wait_come_with_the_change_that_would_let_them():
    words = text_of(page())
    assert "These cannot wait from round to round third step" in words
    assert "with close half of the holes it would wait" in words


def test_pots_that_cannot_be_planned_say_why():
    assert "cold corner The air on stairwell is not known" in " ".join(text_of(page()).split())


def test_what_nobody_measured_is_filled_to_the_mark_alone_and_a_guess_is_called_one():
    answer = read("round.json")["round"]
    answer["visits"][0]["pots"][1] |= {"fill_ml": None, "fill_at_most_ml": None, "water": None, "level_is_known": False}
    rows = [text_of(row) for row in classed(page(answer=answer), "round-pot")]
    (row,) = [row for row in rows if row.startswith("under the stairs")]
    assert row.split("  ")[0].startswith("under the stairs to the mark")
    assert "a guess, look first" in row
    assert "mL" not in row


def test_what_is_due_for_a_flush_now_stands_open_and_the_rest_on_request():
    answer = read("round.json")["round"]
    answer["salts"] = [
        one | {"due": due} for one, due in zip(answer["salts"], ("now", "soon", "not_yet"), strict=False)
    ]
    shown = page(answer=answer)
    assert "Flush through with plain water now (1) top left" in " ".join(text_of(shown).split())
    folded = [text_of(one.children[0]) for one in classed(shown, "round-more")]
    assert "Flush at one of the next rounds (1)" in folded
    assert "Feed and plain water, pot by pot (1)" in folded
    taps = [json.loads(tap) for tap in attributes(shown, "data-tap")]
    assert taps[0] == ["notes", {"notes": [{"pot": "top left", "kind": "flush"}]}]
    assert len(taps) == 2


def test_the_numbers_of_a_visit_say_what_they_rest_on():
    answer = read("round.json")["round"]
    answer["visits"][0]["pots"][0]["rests_on"] = "measured"
    answer["visits"][0]["pots"][1]["level_is_known"] = False
    words = text_of(page(answer=answer))
    assert "By a level or notes of their own: cabinet floor." in words
    assert "Nobody knows the level of under the stairs" in words
    assert "8 of 10 cases" in words


def test_no_pot_at_all_teaches_the_first_step():
    empty = read("round.json")["round"] | {"visits": [], "unplanned": [], "cannot_wait": [], "salts": []}
    empty["says"] = "No pot is in the logbook yet: there is nothing to water."
    shown = page(answer=empty, shelves=[])
    assert "nothing to water" in text_of(shown)
    assert "/start" in attributes(shown, "href")


def test_when_nothing_is_due_it_says_so_and_any_pot_can_still_be_ticked():
    answer = read("round.json")["round"] | {"visits": [], "says": "No pot needs water within 14 days."}
    assert "Nothing can be planned" in text_of(page(answer=answer))  # one pot is without air
    shown = page(answer=answer | {"unplanned": []})
    assert "Nothing is due No pot needs water within 14 days." in text_of(shown)
    assert len(attributes(shown, "data-tick")) == 4 * 24


def test_an_absence_is_asked_for_by_two_days_and_says_what_it_will_tell():
    shown = page("/round/away")
    (spec,) = [json.loads(spec) for spec in attributes(shown, "data-form")]
    assert [field["key"] for field in spec["fields"]] == ["from", "to"]
    assert spec["change"] == "absence_asked"
    assert "prints a sheet" in text_of(shown)


def test_the_span_of_an_absence_runs_from_the_first_midnight_to_the_last_on_the_growers_clock():
    spans = []

    def answered(_at_ms: int, span: tuple[int, int] | None) -> dict[str, Any]:
        spans.append(span)
        return read("round.json")["round"]

    show(asks(answered), "/round/away/2026-03-28/2026-03-29")  # the clocks change on the 29th in Lisbon
    assert spans == [(1_774_656_000_000, 1_774_656_000_000 + 2 * DAY_MS - 3_600_000)]


def test_an_absence_says_what_to_fill_what_fails_first_and_prints_one_sheet():
    shown = page("/round/away/2026-03-06/2026-03-27")
    words = text_of(shown)
    assert "Fill before you leave" in words
    assert "90\u00a0to\u00a0110\u00a0mL" in words
    assert "These may not last, worst first" in words
    (sheet,) = classed(shown, "sheet")
    told = text_of(sheet)
    assert "From Fri 6 Mar 2026 to Fri 27 Mar 2026." in told
    assert "One plant, one water" in told
    assert "water to bring" in told
    (note,) = [json.loads(tap) for tap in attributes(shown, "data-tap")]
    assert note == ["absence_noted", {"from": "2026-03-06", "to": "2026-03-27"}]


def test_a_sheet_that_is_too_short_for_the_absence_says_to_go_on():
    told = read("round.json")
    told["away"]["sitter"]["then"] = "After the last of these go on."
    answered = asks(lambda _at_ms, _span: told["round"] | {"away": told["away"]})
    (sheet,) = classed(show(answered, "/round/away/2026-03-06/2026-03-27")[0], "sheet")
    assert "After the last of these go on." in text_of(sheet)


@pytest.mark.parametrize("answer", [{}, None])
def test_an_answer_that_fails_is_a_sentence(answer, caplog):
    shown, facts = show(asks(lambda _at_ms, _span: answer), "/round")
    assert NO_ROUND in text_of(shown)
    assert facts is None
    assert caplog.records


def test_amounts_and_days_are_said_as_people_say_them():
    assert volume_words(196, "metric") == "200\u00a0mL"
    assert volume_words(43, "metric") == "45\u00a0mL"
    assert span_words(196, 214, "metric") == "200\u00a0to\u00a0210\u00a0mL"
    assert span_words(199, 201, "metric") == "200\u00a0mL"
    assert span_words(0, 22, "metric") == "at most 20\u00a0mL"
    assert span_words(0, 1, "metric") == "less than 5\u00a0mL"
    assert volume_words(296, "us") == "10\u00a0fl\u00a0oz"
    assert litres_words(1.34, "metric") == "1.3\u00a0L"
    assert days_words({"p10": 3.6, "p50": 5, "p90": 8.7}) == "3 to 9 days"
    assert days_words({"p10": 0.0, "p50": 0.1, "p90": 0.3}) == "less than a day"
    assert days_words({"p10": 0.0, "p50": 0.0, "p90": None}) == "not known: anything from none to many days"
    assert days_words({"p10": 12.2, "p50": 40, "p90": None}) == "12 days or more"
    assert days_words({"p10": None, "p50": None, "p90": None}) == "more than 30 days"
    assert day_words(date(2026, 3, 4), year=True) == "Wed 4 Mar 2026"
