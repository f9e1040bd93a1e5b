"""Words that would be code elsewhere stay words: script, SQL, template, path, header and formula, by every way in.

One home whose every label and note is hostile, asked through the real application and given out through the exports.
"""

import csv
import io
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.serve import asks_of
from dashboard.signin import read_access
from ingest.home import Home
from ingest.readings import Reading
from ingest.readings_csv import export_readings
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers.small_home import every, home_with, march, told

SCRIPT = "<script>alert(1)</script>"
SQL = "'; DROP TABLE note; --"
TEMPLATE = "{{1337*1337}}{%scripts%}${1337*1337}"
FORMULA = '=HYPERLINK("http://evil.example","x")'
HOSTILE = [SCRIPT, SQL, TEMPLATE, FORMULA, "+1+1", "-2", "@SUM(A1)", "a\t=1+1", "a;=1+1", "..", "100% 'quoted\""]
TITLE = f"</title>{SCRIPT}{{%renderer%}}"
BEGINS_A_FORMULA = re.compile(r"[=+\-@\t\r]")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    folder = tmp_path_factory.mktemp("hostile")
    placed = (Placement(march(1), None, "=shelf"),)
    warmth = Sensor("t/w", "number", "", "air_temperature", "Cel", placed=placed, interval_s=600.0, label=SCRIPT)
    humidity = Sensor("t/h", "number", "", "relative_humidity", "%RH", placed=placed, interval_s=600.0, label=SQL)
    home = home_with(folder)
    with home.logbook.writing():
        home.logbook.put_shelf({"label": "=shelf", "air": "gentle"})
        for sensor in (warmth, humidity):
            home.logbook.put_sensor(sensor)
        for number, words in enumerate(HOSTILE):
            label = words.replace("\t", " ")
            home.logbook.put_pot({"label": label, "plant": label})
            home.logbook.describe_setup(label, {"shelf": "=shelf"}, march(1))
            home.logbook.add_note({"time_ms": march(2) + number, "pot": label, "kind": "text", "text": words})
    home.readings.append([*told(warmth, *every(60, march(2), march(4), 21.0)), Reading("t/h#", march(4), 60.0)])
    return home


@pytest.fixture(scope="module")
def client(home: Home) -> FlaskClient:
    return create_app(asks_of(home), read_access(home.folder), TITLE).server.test_client()


def test_what_was_written_is_given_back_as_it_was(home: Home):
    assert [note.text for note in home.logbook.notes(kinds=["text"])] == HOSTILE
    assert {pot.label for pot in home.logbook.pots()} == {words.replace("\t", " ") for words in HOSTILE}
    with closing(sqlite3.connect(home.folder / "logbook.db")) as db:
        assert db.execute("SELECT COUNT(*) FROM note").fetchone() == (len(HOSTILE),)


def test_no_cell_of_an_export_begins_a_formula_and_all_of_it_can_be_imported_again(home: Home, tmp_path: Path):
    notes = home.logbook.export_notes()
    readings = io.StringIO()
    assert export_readings(readings, home.readings, home.logbook.sensors(), 0, march(5)) > 0
    for text in (notes, readings.getvalue()):
        for comma in (",", ";", "\t"):
            for row in csv.reader(io.StringIO(text), delimiter=comma):
                for cell in row:
                    assert not BEGINS_A_FORMULA.match(cell) or re.fullmatch(r"-?\d+(\.\d+)?", cell), (comma, cell)
    again = home_with(tmp_path / "again")
    again.logbook.import_setup(home.logbook.export_setup())
    again.logbook.import_notes(notes)
    assert [note.text for note in again.logbook.notes(kinds=["text"])] == HOSTILE


def test_answers_are_data_and_the_pages_carry_no_script_but_their_own(home: Home, client: FlaskClient):
    ask = asks_of(home)
    wall = ask.wall(march(4))
    labels = {pot["label"] for shelf in wall["shelves"] for pot in shelf["pots"]}
    assert {words.replace("\t", " ") for words in HOSTILE} <= labels
    for path in ("/", "/pot/" + SCRIPT, "/near/" + TEMPLATE, "/sign-in", "/sign-out"):
        page = client.get(path)
        assert SCRIPT not in page.text
        assert "1787569" not in page.text
        policy = page.headers["Content-Security-Policy"]
        assert "script-src 'self'" in policy
        assert "unsafe-inline" not in policy.partition("script-src")[2].partition(";")[0]


def test_a_title_stays_a_title(client: FlaskClient):
    page = client.get("/").text
    assert "<title>Wall · &lt;/title&gt;&lt;script&gt;alert(1)&lt;/script&gt;{%renderer%}</title>" in page


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../../../../etc/passwd",
        "/assets/..%2f..%2fsession_key",
        "/assets/%2e%2e/%2e%2e/pyproject.toml",
        "/_dash-component-suites/dash/../../../../etc/passwd",
        "/_dash-component-suites/os/path.py",
        "/photos/..%2fsession_key",
        "/photos/../logbook.db",
        "/calendar/../session_key",
        "/session_key",
        "/dryline.toml",
    ],
)
def test_no_path_leads_to_another_file(client: FlaskClient, home: Home, path: str):
    answer = client.get(path)
    assert answer.status_code in (200, 404, 400, 500, 303, 308)
    for secret in ((home.folder / "session_key").read_bytes(), b"root:", b"[project]", b"SQLite format"):
        assert secret not in answer.data
    if answer.status_code == 200:  # an address without a page shows the frame, which says so
        assert b"<footer>" in answer.data


@pytest.mark.parametrize(
    "words", ["/\r\nSet-Cookie: evil=1", "/%0d%0aSet-Cookie:%20evil=1", "/\nX: y", "//evil.example"]
)
def test_no_header_can_be_put_in(client: FlaskClient, words: str):
    answer = client.get("/sign-in", query_string={"to": words})
    assert "evil" not in str(answer.headers.get("Set-Cookie"))
    assert "X" not in answer.headers
    assert not str(answer.headers.get("Location", "/")).startswith("//")


def token(client: FlaskClient) -> dict[str, str]:
    client.get("/")
    cookie = client.get_cookie("_csrf_token")
    assert cookie is not None
    return {"X-CSRFToken": cookie.value}


@pytest.mark.parametrize("body", [b"[]", b"{", b"null", b'{"notes": "x"}', b"[" * 100_000, b'{"notes": [{"pot": {}}]}'])
def test_a_change_that_is_made_up_is_refused_in_a_sentence(client: FlaskClient, body: bytes):
    answer = client.post("/change/notes", data=body, content_type="application/json", headers=token(client))
    assert 400 <= answer.status_code < 500
    faults: list[dict[str, Any]] = answer.get_json()["faults"]
    assert all(fault["says"].strip() for fault in faults)


def test_every_change_without_the_sessions_token_is_refused(home: Home, client: FlaskClient):
    before = home.logbook.revision()
    for name in asks_of(home).changes:
        for headers in ({}, {"X-CSRFToken": "made up"}, {**token(client), "Origin": "https://evil.example"}):
            assert client.post(f"/change/{name}", json={}, headers=headers).status_code == 403, name
    assert home.logbook.revision() == before


def test_answers_for_machines_are_json_whatever_the_words_are(home: Home):
    shown = orjson.dumps(asks_of(home).wall(march(4)), option=orjson.OPT_SERIALIZE_NUMPY)
    assert SCRIPT in json.dumps(json.loads(shown))


@pytest.mark.parametrize(
    ("name", "body", "says"),
    [
        ("follow_up_done", {"note_id": 2**40, "step": "repeat"}, f"There is no note {2**40}."),
        ("pot_type", {"label": "tall", "setup": {"points": 0}}, "there is no key “points”"),
    ],
)
def test_numbers_and_keys_that_fit_nowhere_are_refused_in_a_sentence(client: FlaskClient, name, body, says):
    answer = client.post(f"/change/{name}", json=body, headers=token(client))
    assert answer.status_code in (404, 422)
    assert says in answer.get_json()["faults"][0]["says"]
