"""A small real home behind a real server application: what the workshop's tests change and read back."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient

from dashboard.access import Access, following, read_access
from dashboard.app import create_app
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


def furnished(folder: Path, setup: str = SETUP) -> Home:
    """Two shelves with a pot each; the grower lives in Lisbon."""
    (folder / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Lisbon"\n', encoding="utf-8")
    home = open_home(folder)
    if setup:
        home.logbook.import_setup(setup)
    return home


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
