"""Which requests the wall alone makes: those that a visitor without the password may make where the wall is open.

Reading only, and only what the wall shows: its pages, the frame's own files, the refresh of the wall, and the way to an
address of the wall. Everything else, above all every change, stays behind the door (`signin.py`).
"""

import orjson
from flask import Request

from dashboard.pages import Page

FILES = ("/assets/", "/_dash-component-suites/")
FRAME = ("/_dash-layout", "/_dash-dependencies", "/_favicon.ico")
CALLBACK = "/_dash-update-component"
REFRESH = "wall-answer.data"
ROUTE = "..page.children...shown.data.."


def is_asked_by_the_wall(asked: Request, wall: Page) -> bool:
    """Whether a request is one of those."""
    if asked.method in ("GET", "HEAD"):
        return asked.path.startswith(FILES) or asked.path in FRAME or wall.owns(asked.path)
    if asked.method != "POST" or asked.path != CALLBACK:
        return False
    try:
        body = orjson.loads(asked.get_data())
    except orjson.JSONDecodeError:
        return False
    if not isinstance(body, dict):
        return False
    if body.get("output") == ROUTE:
        return _address(body) is not None and wall.owns(str(_address(body)))
    return bool(body.get("output") == REFRESH)


def _address(body: dict[str, object]) -> str | None:
    """The one address that a request to the frame names; None where it is anything else than one address."""
    inputs = body.get("inputs")
    if not isinstance(inputs, list) or len(inputs) != 1 or not isinstance(inputs[0], dict):
        return None
    address = inputs[0].get("value")
    return address if isinstance(address, str) else None
