"""What a note brings after it, and the calendar that says so. The intervals are common practice, no source."""

from zoneinfo import ZoneInfo

import pytest
import vobject

from ingest.logbook import Unknown
from ingest.logbook.calendar_feed import calendar_feed
from ingest.moments import ms_of_text, text_of
from tests.ingest.conftest import furnish, march

POT = {"pot": "window left"}


def at(text: str) -> int:
    return ms_of_text(f"{text}T12:00:00Z")


@pytest.fixture
def logbook(fresh):
    made = fresh()
    furnish(made)
    made.put_pot({"label": "window right"})
    return made


def due(logbook, when):
    return [(f.step, f.pot, text_of(f.due_ms)[:10], f.state) for f in logbook.follow_ups(when)]


def test_after_a_repot_an_inspection_is_due_at_one_and_at_two_months(logbook):
    logbook.add_note({**POT, "time_ms": at("2026-03-31"), "kind": "repot"})
    assert due(logbook, at("2026-03-30")) == []  # not known yet
    assert due(logbook, at("2026-05-01")) == [
        ("one_month", "window left", "2026-04-30", "due"),
        ("two_months", "window left", "2026-05-31", "waiting"),
    ]


@pytest.mark.parametrize("kind", ["move", "cover", "holes", "wick"])
def test_after_a_change_an_inspection_is_due_in_two_weeks(logbook, kind):
    logbook.add_note({**POT, "time_ms": at("2026-03-10"), "kind": kind})
    assert due(logbook, at("2026-03-24")) == [("two_weeks", "window left", "2026-03-24", "due")]


def test_an_inspection_does_away_with_the_follow_up_that_it_answers(logbook):
    logbook.add_note({**POT, "time_ms": at("2026-03-01"), "kind": "repot"})
    logbook.add_note({**POT, "time_ms": at("2026-03-05"), "kind": "inspection"})  # too early to judge
    logbook.add_note({"pot": "window right", "time_ms": at("2026-04-01"), "kind": "inspection"})  # another pot
    assert [step for step, *_ in due(logbook, at("2026-04-02"))] == ["one_month", "two_months"]
    logbook.add_note({**POT, "time_ms": at("2026-03-28"), "kind": "inspection"})
    assert [step for step, *_ in due(logbook, at("2026-04-02"))] == ["two_months"]


def test_a_treatment_is_due_again_until_it_was_repeated(logbook):
    detail = {"against": "scale insects", "repeat_after_days": 10, "batch": "spring"}
    logbook.add_note({"time_ms": at("2026-03-01"), "kind": "treatment", "detail": detail})
    (first,) = logbook.follow_ups(at("2026-03-12"))
    assert (first.step, first.kind, text_of(first.due_ms)[:10]) == ("repeat", "treatment", "2026-03-11")
    assert first.says == "Repeat the treatment of batch spring against scale insects, as its label allows."
    logbook.add_note({"time_ms": at("2026-03-11"), "kind": "treatment", "detail": detail})
    assert due(logbook, at("2026-03-12")) == [("repeat", None, "2026-03-21", "waiting")]


def test_a_follow_up_is_snoozed_ticked_off_or_kept(logbook):
    note_id = logbook.add_note({**POT, "time_ms": at("2026-03-01"), "kind": "cover"})
    logbook.snooze_follow_up(note_id, "two_weeks", at("2026-03-20"))
    assert due(logbook, at("2026-03-16")) == [("two_weeks", "window left", "2026-03-20", "snoozed")]
    assert due(logbook, at("2026-03-20")) == [("two_weeks", "window left", "2026-03-20", "due")]
    logbook.finish_follow_up(note_id, "two_weeks", at("2026-03-21"))
    assert due(logbook, at("2026-03-22")) == []
    logbook.keep_follow_up(note_id, "two_weeks")
    assert due(logbook, at("2026-03-22")) == [("two_weeks", "window left", "2026-03-15", "due")]
    with pytest.raises(Unknown, match="no note 99"):
        logbook.finish_follow_up(99, "two_weeks", at("2026-03-21"))


def test_follow_ups_follow_their_note_and_end_with_the_pot_or_with_time(logbook):
    note_id = logbook.add_note({**POT, "time_ms": at("2026-03-01"), "kind": "cover"})
    logbook.correct_note(note_id, 1, {"time_ms": at("2026-03-03")})
    assert due(logbook, at("2026-03-16")) == [("two_weeks", "window left", "2026-03-17", "waiting")]
    assert due(logbook, at("2026-06-16")) == []  # lapsed: nobody owes an inspection since March
    logbook.withdraw_note(note_id, 2)
    assert due(logbook, at("2026-03-16")) == []
    logbook.put_back_note(note_id, 3)
    logbook.add_note({**POT, "time_ms": at("2026-03-10"), "kind": "died"})
    assert due(logbook, at("2026-03-16")) == []


def test_an_independent_library_reads_the_calendar(logbook):
    label = "Überhang, left; \\ =1"
    logbook.put_pot({"label": label})
    logbook.add_note({"pot": label, "time_ms": at("2026-03-01"), "kind": "cover"})
    logbook.add_note({**POT, "time_ms": at("2026-03-14"), "kind": "move"})
    visits = [
        {"date": "2026-03-29", "says": "Water 2 pots", "pots": [f"{label}: 412 mL", "window left: to the mark"]},
        {"date": "2026-03-30", "says": "Water 1 pot", "pots": [f"{'x' * 70}: 1000 mL"]},
    ]
    when = ms_of_text("2026-03-16T23:30:00Z")  # already the 17th in Lisbon's neighbour zone
    feed = calendar_feed(
        logbook.follow_ups(when), visits, title="Glasshouse, south", zone=ZoneInfo("Europe/Madrid"), at_ms=when
    )
    assert feed.count(b"\r\n") == feed.count(b"\n")
    assert max(len(line) for line in feed.split(b"\r\n")) <= 75  # RFC 5545, 3.1: lines are folded
    calendar = vobject.readOne(feed.decode())
    found = [
        (event.summary.value, event.dtstart.value.isoformat(), event.dtend.value.isoformat(), event.uid.value)
        for event in calendar.vevent_list
    ]
    assert found == [
        (f"Inspect {label}: two weeks after the cover.", "2026-03-17", "2026-03-18", "follow-up-1-two_weeks@dryline"),
        (
            "Inspect window left: two weeks after the move.",
            "2026-03-28",
            "2026-03-29",
            "follow-up-2-two_weeks@dryline",
        ),
        ("Water 2 pots", "2026-03-29", "2026-03-30", "round-2026-03-29@dryline"),
        ("Water 1 pot", "2026-03-30", "2026-03-31", "round-2026-03-30@dryline"),
    ]
    assert calendar.vevent_list[2].description.value == f"{label}: 412 mL\nwindow left: to the mark"
    assert [event.dtstamp.value.tzname() for event in calendar.vevent_list] == ["UTC"] * 4
    assert calendar.version.value == "2.0"


def test_an_empty_calendar_is_a_calendar(logbook):
    feed = calendar_feed([], [], title="t", zone=ZoneInfo("UTC"), at_ms=march(1))
    assert vobject.readOne(feed.decode()).name == "VCALENDAR"
