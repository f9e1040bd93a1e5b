"""The wall: answers `assets/wall.js`, first with the page itself and then at every refresh.

The script owns every node inside `#wall`, which stands in the page from the beginning (`shell.py`). Here stand only the
clock that asks, the store that carries the answer and the digests of what the browser already has.
"""

import logging
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from urllib.parse import unquote

from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.pages import Ask, Page
from dashboard.pages.wall_parts import news, parts_of

REFRESH_MS = 10_000
FIRST_S = 1.0  # longer than that the page does not wait for what stands on it
NO_ANSWER = "The shelves cannot be read just now; the command dryline check says more."

log = logging.getLogger(__name__)
_first_asked = ThreadPoolExecutor(max_workers=1, thread_name_prefix="wall-first")


def _owns(path: str) -> bool:
    return path in ("", "/", "/near") or path.startswith(("/near/", "/pot/"))


def _title(path: str) -> str:
    return unquote(path.removeprefix("/pot/")) if path.startswith("/pot/") else "Wall"


def _layout(path: str, pages: str) -> Any:
    return html.Div(
        [
            dcc.Interval(id="wall-tick", interval=REFRESH_MS),
            dcc.Store(id="wall-answer"),
            dcc.Store(id="wall-have"),
        ]
    )


def refresh(ask: Ask, have: dict[str, str]) -> dict[str, Any]:
    """What changed since the browser last heard; when nothing can be answered, one sentence that says so."""
    at_ms = ask.now_ms()
    try:
        answer = ask.wall(at_ms)
        return {"at_ms": int(answer["at_ms"]), **news(parts_of(answer), have)}
    except Exception:  # the edge: whatever fails below must reach the wall as a sentence, not as a blank tablet
        log.exception("the wall's answer failed")
        return {"fault": NO_ANSWER}


def first(ask: Ask) -> dict[str, Any] | None:
    """All that the wall shows, to go out with the page; none where it cannot be told at once, as while the first
    situation is being gathered: the page then asks for it when it is there.
    """
    try:
        return _first_asked.submit(refresh, ask, {}).result(timeout=FIRST_S)
    except TimeoutError:
        return None


def _wire(app: Any, ask: Ask) -> None:
    def refreshed(_ticks: int | None, have: dict[str, str] | None) -> dict[str, Any]:
        return refresh(ask, have or {})

    app.callback(
        Output("wall-answer", "data"), Input("wall-tick", "n_intervals"), State("wall-have", "data"), hidden=True
    )(refreshed)
    app.clientside_callback(
        ClientsideFunction("wall", "paint"),
        Output("wall-have", "data"),
        Input("wall-answer", "data"),
        Input("url", "pathname"),
    )


PAGE = Page("wall", "Wall", "/", _owns, _title, _layout, _wire)
