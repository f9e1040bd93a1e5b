"""A small real home behind a real server application: what the workshop's tests change and read back."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from flask import Flask
from flask.testing import FlaskClient

from dashboard.access import Access, following, read_access
from dashboard.app import create_app
from dashboard.changes import changes_of
from dashboard.changing import take_changes
from dashboard.serve import asks_of
from ingest.home import Home, open_home
from ingest.moments import ms_of_text

NOW_MS = ms_of_text("2026-03-20T12:00:00Z")
HOUR_MS = 3_600_000
LOCAL = "http://localhost"
SETUP = """
[[shelf]]
label = "east-window"
[[shelf]]
label = "stairwell"
[[pot]]
label = "window left"
[[pot.setup]]
from = 2026-03-01T00:00:00Z
shelf = "east-window"
reservoir = { fill_ml = 450, fill_mark_mm = 50 }
[[pot]]
label = "third step"
[[pot.setup]]
from = 2026-03-01T00:00:00Z
shelf = "stairwell"
"""

Send = Callable[..., tuple[int, dict[str, Any]]]


@cache
def _logbook_with(setup: str) -> bytes:
    """The file of a logbook with this set-up, made once: its tables take longer than most tests."""
    with TemporaryDirectory() as name:
        home = open_home(Path(name))
        home.logbook.import_setup(setup)
        home.close()
        return (Path(name) / "logbook.db").read_bytes()


def furnished(folder: Path, setup: str = SETUP) -> Home:
    """Two shelves with a pot each, or another set-up; the grower lives in Lisbon."""
    (folder / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Lisbon"\n', encoding="utf-8")
    (folder / "logbook.db").write_bytes(_logbook_with(setup))
    return open_home(folder)


def bare_sender(home: Home) -> "Send":
    """`send(name, body)` to the changes alone, without door and pages."""
    server = Flask("changes")
    take_changes(server, changes_of(home), lambda: NOW_MS)
    client = server.test_client()

    def send(name: str, body: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
        response = client.post(f"/change/{name}", json=body or {})
        return response.status_code, response.get_json()

    return send


def client_of(home: Home) -> FlaskClient:
    """A browser of the server for a home, at one moment; the server follows the home's password."""
    access: Access = read_access(home.folder)
    ask = replace(asks_of(home), now_ms=lambda: NOW_MS)
    return create_app(ask, access, "the glasshouse", following(home.folder, access)).server.test_client()


def sender(client: FlaskClient) -> Send:
    """`send(name, body)` posts a change as our own pages do."""

    def send(name: str, body: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
        client.get("/healthz", base_url=LOCAL)
        cookie = client.get_cookie("_csrf_token")
        assert cookie is not None
        headers = {"X-CSRFToken": cookie.value}
        response = client.post(f"/change/{name}", base_url=LOCAL, headers=headers, json=body or {})
        return response.status_code, response.get_json(silent=True) or {}

    return send


def undo(send: Send, said: dict[str, Any]) -> tuple[int, dict[str, Any]]:
    """Take back what a change did, as the screen does."""
    name, body = said["done"]["undo"]
    return send(name, body)
