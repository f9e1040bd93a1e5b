"""The Logbook page's forms and answers, and what its changes keep, without a browser."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dashboard.answers import logbook
from dashboard.pages.forms import form
from dashboard.pages.logbook import PAGE, Place, place_at, section, tell
from dashboard.pages.note_fields import TITLES, note_fields
from dashboard.serve import asks_of
from dashboard.signin import Access
from ingest.home import Home
from ingest.logbook.records import DETAIL_OF, KINDS, Description, PotSize, Reservoir, TopLayer, Vents, Wick
from tests.dashboard.doors import AT_MS, Send, furnished, sender, visitor

DAY_MS = 86_400_000
COLUMNS = {
    "inspection": (
        "dry_layer_low_mm dry_layer_high_mm how tips_growing tips_stalled tips_dried tips_rotted tips_new level_mm "
        "mass_g"
    ),
    "refill": "amount_ml level_mm mass_g",
    "flush": "amount_ml",
    "feed": "amount_ml",
}


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return furnished(tmp_path)


@pytest.fixture
def send(home: Home) -> Send:
    return sender(visitor(home, Access(b"k" * 32)))


def logged(home: Home, **note: Any) -> int:
    return home.logbook.add_note({"time_ms": AT_MS - DAY_MS, "pot": "left", "kind": "inspection", **note})


# --- the forms


@pytest.mark.parametrize("kind", KINDS)
def test_everything_that_a_note_may_hold_has_a_field(kind: str) -> None:
    keys = {field["key"] for field in note_fields(kind)}
    details = set(DETAIL_OF[kind].model_fields) - {"photos", "change"}
    wanted = (
        {f"detail.{name}" for name in details} | {"text", "why", "time", "photos"} | set(COLUMNS.get(kind, "").split())
    )
    assert wanted <= keys
    assert kind in TITLES


def test_a_repot_can_describe_every_part_of_the_new_set_up() -> None:
    keys = {field["key"] for field in note_fields("repot")}
    parts = {"pot": PotSize, "reservoir": Reservoir, "top_layer": TopLayer, "vents": Vents, "wick": Wick}
    for name in Description.model_fields:
        if name in parts:
            assert {f"detail.change.{name}.{key}" for key in parts[name].model_fields} <= keys
        else:
            assert f"detail.change.{name}" in keys
    assert "detail.change.shelf" in keys


@pytest.mark.parametrize(
    ("kind", "words"), [("treatment", "label"), ("refill", "One plant, one water"), ("holes", "fumes")]
)
def test_cautions_stand_where_they_belong(kind: str, words: str) -> None:
    assert any(words in field["label"] for field in note_fields(kind) if field["sort"] == "caution")


def test_a_form_carries_its_whole_description() -> None:
    made = form("notes", note_fields("flush"), units="us", values={"text": "<b>"}, under="notes.0", go="/logbook")
    described = json.loads(made.to_plotly_json()["props"]["data-form"])
    assert described["change"] == "notes"
    assert described["values"] == {"text": "<b>"}
    assert described["go"] == "/logbook"
    assert [field["key"] for field in described["fields"]] == [field["key"] for field in note_fields("flush")]


# --- addresses and answers


@pytest.mark.parametrize(
    ("path", "place", "title"),
    [
        ("/logbook", Place(), "Logbook"),
        ("/logbook/window%20left", Place(pot="window left"), "window left, logbook"),
        ("/logbook/a%2Fb/refill", Place(pot="a/b", kind="refill"), "Filled · a/b"),
        ("/note", Place(), "A note for many"),
        ("/note/cover", Place(kind="cover"), "Cover"),
        ("/note/17", Place(note=17), "Note 17"),
    ],
)
def test_an_address_names_pot_kind_or_note(path: str, place: Place, title: str) -> None:
    assert place_at(path) == place
    assert PAGE.owns(path)
    assert PAGE.title(path) == title


def test_the_answer_has_pots_by_shelf_with_their_last_look_and_the_notes_newest_first(home: Home) -> None:
    logged(home, tips_growing=2)
    home.logbook.add_note({"time_ms": AT_MS - 2 * DAY_MS, "pot": "right", "kind": "refill"})
    told = logbook.answer(home, AT_MS)
    (sill, cabinet) = told["shelves"]
    assert [(pot["label"], pot["looked_ms"]) for pot in sill["pots"]] == [("left", AT_MS - DAY_MS), ("right", None)]
    assert cabinet["pots"] == []
    assert [note["kind"] for note in told["notes"]] == ["inspection", "refill"]
    assert (told["time_zone"], told["units"]) == ("Europe/Lisbon", "metric")


def test_a_pots_answer_keeps_withdrawn_notes_and_what_was_said_before(home: Home) -> None:
    first, second = logged(home, text="dry"), logged(home, tips_new=1)
    home.logbook.correct_note(first, 1, {"text": "dry at the rim"})
    home.logbook.withdraw_note(second, 1)
    told = logbook.answer(home, AT_MS, "left")
    by_id = {note["id"]: note for note in told["notes"]}
    assert [one["text"] for one in by_id[first]["earlier"]] == ["dry"]
    assert by_id[second]["withdrawn"]
    assert logbook.answer(home, AT_MS, None, first)["notes"][0]["text"] == "dry at the rim"


def test_a_wrong_pot_or_note_gets_a_sentence(home: Home) -> None:
    ask = asks_of(home)
    assert "did you mean “left”?" in tell(ask, "/logbook/lefd", 14)["refused"]
    assert "no note 99" in tell(ask, "/note/99", 14)["refused"]


def test_a_logbook_that_cannot_be_read_gets_a_sentence(home: Home, caplog: pytest.LogCaptureFixture) -> None:
    ask = asks_of(home)
    home.logbook.close()
    (home.folder / "logbook.db").write_bytes(b"not a database, not at all, whatever it was before")
    told = tell(ask, "/logbook", 14)
    assert told.get("refused") or told.get("fault")


def test_the_drawing_of_a_pot_is_the_walls_and_notes_go_on_without_it(
    home: Home, caplog: pytest.LogCaptureFixture
) -> None:
    facts = {"build": {}, "level_mm": 20.0}
    wall = {"shelves": [{"label": "sill", "pots": [{"label": "left", "section": facts}]}]}
    ask = replace(asks_of(home), wall=lambda _: wall)
    assert section(ask, "/logbook/left") == {"pot": "left", "section": facts}
    assert section(ask, "/logbook/right") is None
    assert section(ask, "/logbook") is None
    assert section(replace(ask, wall=lambda _: {}), "/logbook/left") is None
    assert "section" in caplog.text


# --- changes


def test_a_note_for_many_pots_is_a_note_for_each_and_is_undone_as_one(home: Home, send: Send) -> None:
    status, said = send("/change/notes", json={"notes": [{"kind": "flush"}], "pots": ["left", "right"]})
    assert (status, said["done"]["says"]) == (200, "Kept: flush from the top of 2 pots.")
    assert sorted(note.pot or "" for note in home.logbook.notes()) == ["left", "right"]
    name, body = said["done"]["undo"]
    assert send(f"/change/{name}", json=body)[0] == 200
    assert home.logbook.notes() == []


def test_filling_the_whole_shelf_is_a_refill_of_every_pot_on_it(home: Home, send: Send) -> None:
    note = {"kind": "refill", "time_ms": AT_MS - 5}
    for _ in range(2):  # the answer to the first was lost
        assert send("/change/notes", json={"notes": [note], "shelf": "sill"})[0] == 200
    assert sorted(note.pot or "" for note in home.logbook.notes(kinds=("refill",))) == ["left", "right"]
    status, said = send("/change/notes", json={"notes": [note], "shelf": "cabinet"})
    assert status == 422
    assert said["faults"][0]["where"] == "shelf"


def test_one_wrong_pot_of_many_keeps_nothing(home: Home, send: Send) -> None:
    status, said = send("/change/notes", json={"notes": [{"kind": "feed"}], "pots": ["left", "nowhere"]})
    assert status == 404
    assert "nowhere" in said["faults"][0]["says"]
    assert home.logbook.notes() == []


@pytest.mark.parametrize(
    ("time", "words"),
    [("2026-03-29T01:30", "does not exist"), ("2025-10-26T01:30", "happens twice"), ("soon", "is not a time")],
)
def test_a_local_time_that_is_none_or_two_is_said_beside_its_field(send: Send, time: str, words: str) -> None:
    status, said = send("/change/notes", json={"notes": [{"kind": "flush", "pot": "left", "time": time}]})
    assert status == 422
    assert said["faults"][0]["where"] == "time"
    assert words in said["faults"][0]["says"]


def test_a_local_time_is_read_in_the_growers_zone(home: Home, send: Send) -> None:
    absence = {"kind": "absence", "time": "2026-05-01T09:00", "detail": {"until_ms": "2026-05-10T18:00"}}
    assert send("/change/notes", json={"notes": [absence]})[0] == 200
    (note,) = home.logbook.notes()
    assert note.time_ms == 1_777_622_400_000  # 08:00 in UTC: Lisbon has summer time (tz database)
    assert note.detail["until_ms"] == note.time_ms + 9 * DAY_MS + 9 * 3_600_000


def test_what_is_still_to_come_cannot_have_been_seen(home: Home, send: Send) -> None:
    number = logged(home)
    noted = {"notes": [{"kind": "flush", "pot": "left", "time": "2036-05-01T09:00"}]}
    corrected = {"id": number, "version": 1, "changes": {"time": "2036-05-01T09:00"}}
    for name, body in (("notes", noted), ("note_corrected", corrected)):
        status, said = send(f"/change/{name}", json=body)
        assert status == 422
        assert said["faults"][0]["where"] == "time"
        assert "still to come: it is 20" in said["faults"][0]["says"]
    assert [note.time_ms for note in home.logbook.notes()] == [AT_MS - DAY_MS]


def test_two_who_correct_one_note_are_told_and_the_first_correction_stands(home: Home, send: Send) -> None:
    number = logged(home, text="as it was")
    assert send("/change/note_corrected", json={"id": number, "version": 1, "changes": {"text": "mine"}})[0] == 200
    status, said = send("/change/note_corrected", json={"id": number, "version": 1, "changes": {"text": "yours"}})
    assert status == 409
    assert "Somebody else has changed this note" in said["faults"][0]["says"]
    assert home.logbook.note(number).text == "mine"


def test_a_correction_can_be_undone(home: Home, send: Send) -> None:
    number = logged(home, text="as it was", detail={"algae": True})
    body = {
        "id": number,
        "version": 1,
        "changes": {"text": None, "detail": {"mould": True}, "time": "2026-05-01T10:00"},
    }
    _, said = send("/change/note_corrected", json=body)
    name, back = said["done"]["undo"]
    assert send(f"/change/{name}", json=back)[0] == 200
    note = home.logbook.note(number)
    assert (note.text, note.detail, note.time_ms) == ("as it was", {"algae": True}, AT_MS - DAY_MS)


def test_a_withdrawn_note_is_put_back_by_the_undo_that_came_with_it(home: Home, send: Send) -> None:
    number = logged(home)
    _, said = send("/change/note_withdrawn", json={"id": number, "version": 1})
    assert home.logbook.notes() == []
    name, body = said["done"]["undo"]
    assert send(f"/change/{name}", json=body)[0] == 200
    assert [note.id for note in home.logbook.notes()] == [number]


def test_follow_ups_are_done_put_off_and_opened_again(home: Home, send: Send) -> None:
    now_ms = asks_of(home).now_ms()
    moved = home.logbook.add_note(
        {
            "time_ms": now_ms - 20 * DAY_MS,
            "pot": "left",
            "kind": "move",
            "detail": {"change": {"shelf": "cabinet"}},
        }
    )

    def state() -> list[str]:
        return [one["state"] for one in logbook.answer(home, now_ms + 1000)["due"]]

    which = {"note_id": moved, "step": "two_weeks"}
    assert state() == ["due"]
    assert send("/change/follow_up_snoozed", json={**which, "days": 7})[0] == 200
    assert state() == ["snoozed"]
    assert send("/change/follow_up_open", json=which)[0] == 200
    assert state() == ["due"]
    _, said = send("/change/follow_up_done", json=which)
    assert state() == []
    name, body = said["done"]["undo"]
    assert send(f"/change/{name}", json=body)[0] == 200
    assert state() == ["due"]


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("follow_up_done", {"note_id": "1", "step": "two_weeks"}),
        ("follow_up_done", {"note_id": 1}),
        ("follow_up_snoozed", {"note_id": 1, "step": "two_weeks", "days": 1e9}),
        ("follow_up_snoozed", {"note_id": 1, "step": "two_weeks", "days": True}),
        ("notes_withdrawn", {"notes": [1]}),
        ("notes", {"notes": [{"kind": "flush"}], "pots": []}),
        ("notes", {"notes": [{"kind": "flush", "time_ms": "x"}], "shelf": "sill"}),
        ("notes", {"notes": [{"kind": "inspection", "pot": "left", "dry_layer_low_mm": 1e99}]}),
    ],
)
def test_absurd_values_are_refused_and_change_nothing(home: Home, send: Send, name: str, body: dict[str, Any]) -> None:
    status, said = send(f"/change/{name}", json=body)
    assert status in (404, 422)
    assert said["faults"][0]["says"]
    assert home.logbook.notes(withdrawn=True) == []
