"""The way to the form for a spot check of a shelf's air, wherever a page misses that air."""

from typing import Any
from urllib.parse import quote

from dash import html

from dashboard.pages.note_fields import AIR, AIR_TITLE


def air_door(shelf: str = "") -> html.A:
    """A door to the form, of a shelf or of any."""
    path = f"/note/{AIR}" + (f"/{quote(shelf, safe='')}" if shelf else "")
    without_reload: dict[str, Any] = {"data-in": ""}
    return html.A(AIR_TITLE, href=path, className="door", **without_reload)
