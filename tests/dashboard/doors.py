"""A home with one shelf and two pots, and its screens as a client that holds the session's token."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.serve import asks_of
from dashboard.signin import Access
from ingest.home import Home, open_home

AT_MS = 1_780_000_000_000  # 2026-05-28 20:26:40 UTC
SETUP = """
[[shelf]]
label = "sill"
[[shelf]]
label = "cabinet"
[[pot]]
label = "left"
plant = "Cattleya hybrid"
[[pot.setup]]
from = 2026-01-01T00:00:00Z
shelf = "sill"
[[pot]]
label = "right"
[[pot.setup]]
from = 2026-01-01T00:00:00Z
shelf = "sill"
"""

Send = Callable[..., tuple[int, dict[str, Any]]]


def furnished(folder: Path, units: str = "metric") -> Home:
    """The home, in a zone whose clocks change."""
    (folder / "dryline.toml").write_text(f'[grower]\ntimezone = "Europe/Lisbon"\nunits = "{units}"\n')
    home = open_home(folder)
    home.logbook.import_setup(SETUP)
    return home


def visitor(home: Home, access: Access) -> FlaskClient:
    """A browser, in all but name."""
    return create_app(asks_of(home), access).server.test_client()


def sender(client: FlaskClient) -> Send:
    """`send(path, **how)`: posts with the session's token and gives the status and the answer."""
    client.get("/healthz", base_url="http://localhost")
    cookie = client.get_cookie("_csrf_token")
    assert cookie is not None

    def send(path: str, **how: Any) -> tuple[int, dict[str, Any]]:
        response = client.post(path, base_url="http://localhost", headers={"X-CSRFToken": cookie.value}, **how)
        return response.status_code, response.get_json()

    return send
