"""Advice taken, trials begun and absences noted: what the logbook then says, and what is refused in one sentence."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.changes import absence, advice, notes, trials
from ingest.home import Home, open_home
from ingest.logbook.refusals import Refused

AT_MS = 1_772_542_800_000  # 2026-03-03 13:00 UTC
DAY_MS = 86_400_000
SETUP = """
[[shelf]]
label = "east-window"
air = "draughty"
[[shelf]]
label = "glass-cabinet"
[[pot]]
label = "window left"
[[pot.setup]]
from = 2026-01-01T00:00:00Z
shelf = "east-window"
headroom_mm = 25
vents = { count = 12, diameter_mm = 8 }
layers = [{ thickness_mm = 110, grain = "medium", mix = { pumice = 1.0 } }]
[[pot]]
label = "window right"
[[pot.setup]]
from = 2026-01-01T00:00:00Z
shelf = "east-window"
"""


@pytest.fixture
def home(tmp_path: Path) -> Home:
    (tmp_path / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Lisbon"\n', encoding="utf-8")
    made = open_home(tmp_path)
    made.logbook.import_setup(SETUP)
    return made


def take(home: Home, change: str, pot: str = "window left") -> dict[str, object]:
    return advice.take(home, AT_MS, {"pot": pot, "change": change})


def test_an_advice_becomes_a_dated_set_up_with_its_inspection_two_weeks_later(home):
    said = take(home, "pebbles 20 mm")
    before, after = home.logbook.setups("window left")
    assert before["to_ms"] == after["from_ms"] == AT_MS
    assert after["top_layer"] == {"kind": "pebbles", "thickness_mm": 20.0, "replaces_medium": False}
    assert "Look at it again in two weeks" in str(said["says"])
    (due,) = home.logbook.follow_ups(AT_MS)
    assert due.due_ms == AT_MS + 14 * DAY_MS


@pytest.mark.parametrize(
    ("change", "kind", "key", "value"),
    [
        ("close half of the holes", "holes", "vents", {"count": 6, "diameter_mm": 8}),
        ("second wick", "wick", "wick", {"strands": 2}),
        ("move to glass-cabinet", "move", "shelf", "glass-cabinet"),
    ],
)
def test_each_kind_of_change_is_noted_as_what_it_is(home, change, kind, key, value):
    take(home, change)
    (note,) = home.logbook.notes()
    assert (note.kind, note.why) == (kind, "advice of the guide")
    assert home.logbook.setup_at("window left", AT_MS)[key] == value


def test_undo_takes_the_set_up_back_with_its_note(home):
    name, body = take(home, "pebbles 20 mm")["undo"]
    assert name == "note_withdrawn"
    notes.withdraw(home, AT_MS, body)
    assert len(home.logbook.setups("window left")) == 1
    assert home.logbook.follow_ups(AT_MS) == []


def test_what_is_no_set_up_is_kept_in_words(home):
    take(home, "keep it fuller")
    take(home, "flush from the top")
    words, flush = home.logbook.notes()
    assert (words.kind, words.text) == ("text", "From now on: keep it fuller.")
    assert flush.kind == "flush"
    assert len(home.logbook.setups("window left")) == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("leave", "cannot be done"),
        ("pebbles 30 mm", "cannot be done"),  # more than the headroom
        ("more retentive mix at the next repot", "waits for the next repot"),
        ("dance round it", "cannot be done"),
        ("move to nowhere", "nowhere"),
    ],
)
def test_what_cannot_be_done_is_refused_and_nothing_is_kept(home, change, says):
    with pytest.raises(Refused, match=says):
        take(home, change)
    assert home.logbook.notes() == []


@pytest.mark.parametrize("body", [{}, {"pot": "window left"}, {"pot": 3, "change": "leave"}])
def test_rubbish_is_refused(home, body):
    with pytest.raises(Refused, match="missing"):
        advice.take(home, AT_MS, body)


def test_an_unknown_pot_is_refused(home):
    with pytest.raises(Refused):
        take(home, "leave", "ghost")


def test_a_trial_changes_one_pot_and_names_the_other(home):
    said = trials.begin(home, AT_MS, {"pot": "window left", "other": "window right", "change": "second wick"})
    (note,) = home.logbook.notes()
    assert note.text == "Trial beside window right: second wick on window left only."
    assert len(home.logbook.setups("window right")) == 1
    notes.withdraw(home, AT_MS, said["undo"][1])
    assert len(home.logbook.setups("window left")) == 1


@pytest.mark.parametrize("other", ["window left", "ghost", None])
def test_a_trial_needs_another_pot(home, other):
    with pytest.raises(Refused):
        trials.begin(home, AT_MS, {"pot": "window left", "other": other, "change": "second wick"})
    assert home.logbook.notes() == []


def test_an_absence_is_planned_at_an_address_and_noted_on_the_growers_clock(home):
    body = {"from": "2026-03-28", "to": "2026-03-29"}  # the clocks go forward on the 29th
    assert absence.plan(home, AT_MS, body) == {"go": "/round/away/2026-03-28/2026-03-29"}
    assert home.logbook.notes() == []
    absence.note(home, AT_MS, body)
    (note,) = home.logbook.notes()
    assert note.time_ms == datetime(2026, 3, 28, tzinfo=UTC).timestamp() * 1000
    assert note.detail["until_ms"] == datetime(2026, 3, 29, 23, tzinfo=UTC).timestamp() * 1000


@pytest.mark.parametrize(
    ("body", "where", "says"),
    [
        ({"to": "2026-03-29"}, "from", "Give a day."),
        ({"from": "2026-03-28", "to": "soon"}, "to", "Give a day."),
        ({"from": "2026-03-28", "to": "2026-03-27"}, "to", "You come back before you leave"),
        ({"from": "2026-02-01", "to": "2026-02-07"}, "to", "That absence is over"),
        ({"from": "2026-04-01", "to": "2027-04-01"}, "to", "120 days is the longest"),
    ],
)
def test_days_that_make_no_sense_are_refused_beside_their_field(home, body, where, says):
    with pytest.raises(Refused, match=says) as refused:
        absence.note(home, AT_MS, body)
    assert refused.value.faults[0].where == where
    assert home.logbook.notes() == []
