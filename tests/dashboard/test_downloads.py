"""What leaves the dashboard as a file: labels, the backup, the calendar; and who may have them."""

import io
import threading
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import vobject
from flask import Flask
from flask.testing import FlaskClient

from dashboard import calendar_secret
from dashboard.access import set_password
from dashboard.answers import calendar
from dashboard.downloads import Downloads, offer
from dashboard.pages.workshop import show
from dashboard.serve import asks_of
from ingest.backup import restore
from ingest.home import Home, open_home
from ingest.logbook.refusals import Refused
from tests.dashboard.answers.window_home import NOW_MS as WINDOW_MS
from tests.dashboard.answers.window_home import build
from tests.dashboard.test_workshop import text_of
from tests.dashboard.workshop_home import LOCAL, NOW_MS, client_of, furnished, sender

DAY_MS = 86_400_000


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = furnished(tmp_path)
    yield made
    made.close()


@pytest.fixture
def client(home: Home) -> FlaskClient:
    return client_of(home)


def test_the_backup_that_was_downloaded_restores_the_home(home: Home, client: FlaskClient, tmp_path: Path) -> None:
    home.logbook.add_note({"time_ms": NOW_MS, "pot": "window left", "kind": "flush"})
    answer = client.get("/backup", base_url=LOCAL, buffered=True)
    assert answer.headers["Content-Disposition"] == "attachment; filename=dryline-2026-03-20.zip"
    assert zipfile.is_zipfile(io.BytesIO(answer.data))
    assert not [path for path in home.folder.iterdir() if path.name.startswith(".download")]
    (tmp_path / "copy.zip").write_bytes(answer.data)
    restore(tmp_path / "copy.zip", tmp_path / "elsewhere")
    other = open_home(tmp_path / "elsewhere")
    assert [note.kind for note in other.logbook.notes()] == ["flush"]
    other.close()


def test_a_backup_that_cannot_be_written_says_why_and_the_next_one_may_try() -> None:
    tries: list[Path] = []

    def full(file: Path) -> None:
        tries.append(file)
        raise Refused("The backup could not be written: No space left on device.")

    server = Flask("downloads")
    offer(server, Downloads(Path("."), "127.0.0.1", list, full, lambda _: b""), lambda: NOW_MS)
    for _ in range(2):
        answer = server.test_client().get("/backup")
        assert (answer.status_code, answer.text) == (503, "The backup could not be written: No space left on device.")
    assert len(tries) == 2


def test_another_site_cannot_have_a_backup_made(client: FlaskClient) -> None:
    answer = client.get("/backup", base_url=LOCAL, headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403


def test_a_second_backup_waits_for_the_first(tmp_path: Path) -> None:
    began, go_on = threading.Event(), threading.Event()

    def slow(file: Path) -> None:
        began.set()
        assert go_on.wait(30)
        file.write_bytes(b"whole")

    server = Flask("downloads")
    offer(server, Downloads(tmp_path, "127.0.0.1", list, slow, lambda _: b""), lambda: NOW_MS)
    answers: list[bytes] = []
    first = threading.Thread(target=lambda: answers.append(server.test_client().get("/backup", buffered=True).data))
    first.start()
    assert began.wait(30)
    assert server.test_client().get("/backup").status_code == 429
    go_on.set()
    first.join(30)
    assert answers == [b"whole"]


def test_labels_hold_every_pot_or_those_that_were_asked_for(client: FlaskClient) -> None:
    sheet = client.get("/labels", base_url=LOCAL)
    assert sheet.mimetype == "text/html"
    assert sheet.text.count("<article>") == 2
    assert "window left" in client.get("/labels?pot=window+left", base_url=LOCAL).text
    assert client.get("/labels?pot=window+left", base_url=LOCAL).text.count("<article>") == 1
    assert client.get("/labels?pot=ghost", base_url=LOCAL).status_code == 404


def test_the_calendar_is_read_by_another_library_and_holds_what_is_due(home: Home, client: FlaskClient) -> None:
    home.logbook.add_note({"time_ms": NOW_MS - 31 * DAY_MS, "pot": "window left", "kind": "move"})
    secret = calendar_secret.read(home.folder)
    answer = client.get(f"/calendar/{secret}.ics", base_url=LOCAL)
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    feed = vobject.readOne(answer.text)
    events = [(event.summary.value, event.dtstart.value.isoformat()) for event in feed.vevent_list]
    assert ("Inspect window left: two weeks after the move.", "2026-03-20") in events  # overdue stands on today
    assert feed.contents["x-wr-calname"][0].value == "dryline"


def test_the_rounds_stand_in_the_calendar_in_amounts_that_can_be_poured(tmp_path: Path) -> None:
    home = build(tmp_path)
    visits = vobject.readOne(calendar.answer(home, WINDOW_MS).decode()).vevent_list
    lines = [line for event in visits for line in event.description.value.splitlines()]
    amounts = [int(line.split()[-2]) for line in lines if line.endswith(" mL")]
    assert amounts
    assert all(ml % 5 == 0 for ml in amounts)
    home.close()


def test_the_calendar_of_an_empty_home_is_a_calendar(tmp_path: Path) -> None:
    home = furnished(tmp_path, setup="")
    secret = calendar_secret.read(home.folder)
    answer = client_of(home).get(f"/calendar/{secret}.ics", base_url=LOCAL)
    assert "vevent" not in vobject.readOne(answer.text).contents
    home.close()


def test_the_secret_alone_opens_the_calendar_and_a_new_one_ends_the_old(home: Home) -> None:
    old = calendar_secret.read(home.folder)
    assert (home.folder / calendar_secret.FILE).stat().st_mode & 0o077 == 0
    set_password(home.folder, "a wet spring")
    client = client_of(home)
    assert client.get("/labels", base_url=LOCAL).status_code == 401
    assert client.get("/backup", base_url=LOCAL).status_code == 401
    assert client.get(f"/calendar/{old}.ics", base_url=LOCAL).status_code == 200
    new = calendar_secret.renew(home.folder)
    assert client.get(f"/calendar/{old}.ics", base_url=LOCAL).status_code == 404
    assert client.get(f"/calendar/{new}.ics", base_url=LOCAL).status_code == 200
    assert client.get("/calendar/guess.ics", base_url=LOCAL).status_code == 404


def test_the_workshop_gives_the_calendar_another_address(home: Home, client: FlaskClient) -> None:
    old = calendar_secret.read(home.folder)
    assert sender(client)("calendar_renewed")[0] == 200
    assert calendar_secret.read(home.folder) != old


def test_the_house_says_where_copies_go_and_when_the_last_was_made(tmp_path: Path) -> None:
    home = furnished(tmp_path)
    home.close()
    settings = (tmp_path / "dryline.toml").read_text(encoding="utf-8")
    (tmp_path / "dryline.toml").write_text(
        f'{settings}[backup]\nfolder = "copies"\nevery_hours = 12\n', encoding="utf-8"
    )
    home = open_home(tmp_path)

    def told() -> str:
        return text_of(show(replace(asks_of(home), now_ms=lambda: NOW_MS), "/workshop/house", LOCAL))

    assert "which is not there: plug the disk in" in told()
    (tmp_path / "copies").mkdir()
    assert "every 12 hours. None was made yet." in told()
    (tmp_path / "copies" / f"dryline-{NOW_MS - DAY_MS}.zip").touch()
    assert "The last was made 19 Mar 12:00." in told()
    home.close()
