"""`POST /change/NAME`: what is kept, and what is said when it is not."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.changes import changes_of
from dashboard.pages import Ask
from dashboard.signin import Access
from ingest.home import Home, open_home

AT_MS = 1_780_000_000_000


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = open_home(tmp_path)
    made.logbook.import_setup('[[shelf]]\nlabel = "sill"\n[[pot]]\nlabel = "left"\n[[pot]]\nlabel = "right"\n')
    return made


@pytest.fixture
def browser(home: Home) -> FlaskClient:
    ask = Ask(now_ms=lambda: AT_MS, wall=lambda _: {}, health=lambda _: {"status": "ok"}, changes=changes_of(home))
    return create_app(ask, Access(b"k" * 32)).server.test_client()


Send = Callable[..., tuple[int, dict[str, Any]]]


@pytest.fixture
def send(browser: FlaskClient) -> Send:
    browser.get("/healthz", base_url="http://localhost")
    cookie = browser.get_cookie("_csrf_token")
    assert cookie is not None

    def post(name: str, **how: Any) -> tuple[int, dict[str, Any]]:
        headers = {"X-CSRFToken": cookie.value}
        response = browser.post(f"/change/{name}", base_url="http://localhost", headers=headers, **how)
        return response.status_code, response.get_json()

    return post


def test_a_note_is_kept_with_the_moment_at_which_it_came(home: Home, send: Send) -> None:
    status, said = send("notes", json={"notes": [{"pot": "left", "kind": "inspection", "tips_dried": 2}]})
    assert status == 200
    (note,) = home.logbook.notes()
    assert (note.id, note.time_ms, note.tips_dried) == (said["done"]["ids"][0], AT_MS, 2)


def test_every_fault_is_named_and_no_note_is_kept(home: Home, send: Send) -> None:
    notes = [{"pot": "left", "kind": "inspection"}, {"pot": "nowhere", "kind": "inspection"}]
    status, said = send("notes", json={"notes": notes})
    assert status == 404
    assert "nowhere" in said["faults"][0]["says"]
    assert home.logbook.notes() == []


def test_a_note_is_taken_back_and_put_back(home: Home, send: Send) -> None:
    (number,) = send("notes", json={"notes": [{"pot": "left", "kind": "flush"}]})[1]["done"]["ids"]
    _, said = send("note_withdrawn", json={"id": number, "version": 1})
    assert home.logbook.notes() == []
    send("note_put_back", json={"id": number, "version": said["done"]["version"]})
    assert [note.id for note in home.logbook.notes()] == [number]


def test_the_second_of_two_tablets_hears_that_the_note_has_changed(send: Send) -> None:
    (number,) = send("notes", json={"notes": [{"pot": "left", "kind": "text", "text": "pale"}]})[1]["done"]["ids"]
    correction = {"id": number, "version": 1, "changes": {"text": "green"}}
    assert send("note_corrected", json=correction)[0] == 200
    status, said = send("note_corrected", json=correction)
    assert status == 409
    assert len(said["faults"]) == 1


@pytest.mark.parametrize(
    ("how", "status"),
    [
        ({"data": b"not json"}, 400),
        ({"json": [1, 2]}, 400),
        ({"json": {}}, 422),
        ({"json": {"notes": "all"}}, 422),
        ({"data": b" " * (2**20 + 1)}, 413),
    ],
)
def test_rubbish_gets_a_sentence(send: Send, how: dict[str, Any], status: int) -> None:
    got, said = send("notes", **how)
    assert got == status
    assert said["faults"][0]["says"].endswith(".")


def test_an_unknown_change_is_refused(send: Send) -> None:
    assert send("anything", json={})[0] == 404


def test_a_request_without_the_sessions_token_changes_nothing(home: Home, browser: FlaskClient) -> None:
    notes = {"notes": [{"pot": "left", "kind": "flush"}]}
    assert browser.post("/change/notes", base_url="http://localhost", json=notes).status_code == 403
    assert home.logbook.notes() == []
