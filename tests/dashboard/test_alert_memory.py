"""Who has heard of which alert: once each, of its end once, and never in the quiet hours."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.alert_memory import OVER_AFTER_MS, heard, is_quiet, looked, nothing_yet, owed, words
from ingest.moments import ms_of_text

MINUTE_MS = 60_000


def alert(name: str, **more: Any) -> dict[str, Any]:
    return {"id": name, "kind": "fill", "pot": name, "shelf": "stairwell", "label": None, "says": "Fill.",
            "since_ms": None} | more  # fmt: skip


def names(told: Any) -> tuple[list[str], list[str]]:
    return [one["id"] for one in told.new], [one["id"] for one in told.over]


def test_an_alert_is_told_once_and_its_end_once():
    memory = looked(nothing_yet(), [alert("a")], ["mail"], 0)
    assert names(owed(memory, "mail")) == (["a"], [])
    memory = heard(memory, "mail", owed(memory, "mail"))
    memory = looked(memory, [alert("a", says="Fill now.")], ["mail"], MINUTE_MS)
    assert not owed(memory, "mail")
    memory = looked(memory, [], ["mail"], MINUTE_MS + OVER_AFTER_MS)
    assert names(owed(memory, "mail")) == ([], ["a"])
    memory = heard(memory, "mail", owed(memory, "mail"))
    assert not owed(memory, "mail")
    assert memory == nothing_yet()


def test_one_that_flickers_is_told_once():
    memory = nothing_yet()
    rang = 0
    for minute in range(0, 300, 5):
        memory = looked(memory, [alert("a")] if minute % 20 else [], ["mail"], minute * MINUTE_MS)
        told = owed(memory, "mail")
        rang += bool(told)
        memory = heard(memory, "mail", told)
    assert rang == 1


def test_one_that_ended_before_anyone_heard_of_it_is_never_told():
    memory = looked(nothing_yet(), [alert("a")], ["mail"], 0)
    memory = looked(memory, [], ["mail"], OVER_AFTER_MS)
    assert memory == nothing_yet()


def test_one_that_comes_back_before_its_end_was_told_is_still_the_same():
    memory = looked(nothing_yet(), [alert("a")], ["mail"], 5)
    memory = heard(memory, "mail", owed(memory, "mail"))
    memory = looked(memory, [], ["mail"], 2 * OVER_AFTER_MS)
    memory = looked(memory, [alert("a")], ["mail"], 3 * OVER_AFTER_MS)
    assert not owed(memory, "mail")
    assert memory["standing"]["a"]["since_ms"] == 5


def test_a_new_service_hears_of_all_that_stands_and_one_that_is_gone_is_owed_nothing():
    memory = looked(nothing_yet(), [alert("a")], ["mail"], 0)
    memory = heard(memory, "mail", owed(memory, "mail"))
    memory = looked(memory, [alert("a")], ["mail", "chat"], MINUTE_MS)
    assert names(owed(memory, "chat")) == (["a"], [])
    assert looked(memory, [], ["chat"], MINUTE_MS + OVER_AFTER_MS) == nothing_yet()


def test_a_clock_set_back_an_hour_keeps_no_alert_standing_for_longer():
    memory = looked(nothing_yet(), [alert("a")], ["mail"], 100 * MINUTE_MS)
    memory = looked(memory, [], ["mail"], 40 * MINUTE_MS)
    assert looked(memory, [], ["mail"], 40 * MINUTE_MS + OVER_AFTER_MS) == nothing_yet()


@given(st.lists(st.tuples(st.sets(st.sampled_from("abc")), st.integers(1, 40), st.booleans()), max_size=40))
def test_whatever_comes_and_goes_each_service_hears_beginnings_and_ends_in_turn(looks):
    memory, at_ms = nothing_yet(), 0
    believes: set[str] = set()
    for standing, minutes, reachable in looks:
        at_ms += minutes * MINUTE_MS
        memory = looked(memory, [alert(name) for name in sorted(standing)], ["mail"], at_ms)
        memory = json.loads(json.dumps(memory))  # a restart in between
        if reachable:
            told = owed(memory, "mail")
            begun, ended = (set(some) for some in names(told))
            assert not begun & believes
            assert ended <= believes
            believes = (believes | begun) - ended
            memory = heard(memory, "mail", told)
            assert standing <= believes


@pytest.mark.parametrize(
    ("moment", "hours", "quiet"),
    [
        ("2026-03-01T21:59:00+01:00", "22:00-07:00", False),
        ("2026-03-01T22:00:00+01:00", "22:00-07:00", True),
        ("2026-03-01T06:59:00+01:00", "22:00-07:00", True),
        ("2026-03-01T07:00:00+01:00", "22:00-07:00", False),
        ("2026-07-01T22:30:00+02:00", "22:00-07:00", True),  # the same hour on the wall in summer
        ("2026-03-01T13:00:00+01:00", "12:30-14:00", True),
        ("2026-03-01T14:00:00+01:00", "12:30-14:00", False),
        ("2026-03-01T03:00:00+01:00", None, False),
    ],
)
def test_quiet_hours_are_the_grower_s_own(moment, hours, quiet):
    assert is_quiet(ms_of_text(moment), hours, "Europe/Vienna") is quiet


def test_a_message_names_what_needs_the_grower_then_what_no_longer_does():
    memory = looked(nothing_yet(), [alert("old")], ["mail"], 0)
    memory = heard(memory, "mail", owed(memory, "mail"))
    sensor = alert("clip", pot=None, label="clip", says="clip has gone silent.")
    memory = looked(memory, [alert("a"), alert("cold", pot=None, says="4 °C."), sensor], ["mail"], OVER_AFTER_MS)
    assert words(owed(memory, "mail")) == (
        "3 need you",
        "a (stairwell): Fill.\nstairwell: 4 °C.\nclip has gone silent.\nOver: old (stairwell): Fill.",
    )


def test_a_message_has_an_end():
    memory = looked(nothing_yet(), [alert(f"pot {number}") for number in range(50)], ["mail"], 0)
    title, text = words(owed(memory, "mail"))
    assert title == "50 need you"
    assert len(text.splitlines()) == 21
    assert text.endswith("And 30 more: see the wall.")
