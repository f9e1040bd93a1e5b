"""Cover guide: in which climates do pebbles or fewer holes pay, and what should each pot have?

Addresses: `/guide` shows the map and one advice with one reason a pot; `/guide/<pot>` the pot's section, every option
and what each number rests on. Asks for the answer and lays it out; `assets/guide.js` draws map and sections and sends
the one change a person can make here. Computes nothing itself.
"""

import logging
from typing import Any
from urllib.parse import unquote

from dash import ClientsideFunction, Input, Output, dcc, html, no_update

from dashboard.pages import Ask, Page
from dashboard.pages.guide_all import all_pots
from dashboard.pages.guide_pot import one_pot
from dashboard.pages.guide_words import sentence

NO_GUIDE = "The guide has no answer just now: the stores gave none. The command dryline check says more."
WAIT = "Every change is being weighed for every pot. The first time in an hour this takes some seconds."

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/guide" or path.startswith("/guide/")


def asked(path: str) -> str | None:
    """The pot that an address asks for."""
    return unquote(path.removeprefix("/guide").strip("/")) or None


def _title(path: str) -> str:
    pot = asked(path)
    return f"What {pot} needs" if pot else "Cover guide"


def _layout(pot_path: str, _pages: str) -> Any:
    waiting = [html.H1("Cover guide"), html.P(WAIT, className="guide-wait", role="status")]
    return html.Div(
        [
            html.Main(waiting, id="guide", className="guide"),
            dcc.Store(id="guide-facts"),
            dcc.Store(id="guide-painted"),
        ]
    )


def show(ask: Ask, path: str) -> tuple[Any, Any]:
    """What the page shows for an address, and the facts that its script draws."""
    pot = asked(path)
    now_ms = ask.now_ms()
    try:
        if ask.guide is None:
            return sentence(NO_GUIDE), None
        answer, wall = ask.guide(now_ms), ask.wall(now_ms)
        return all_pots(answer, wall) if pot is None else one_pot(answer, wall, pot)
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the guide's answer failed")
        return sentence(NO_GUIDE), None


def _wire(app: Any, ask: Ask) -> None:
    def shown(path: str | None) -> tuple[Any, Any]:
        return show(ask, path) if path and _owns(path) else (no_update, no_update)

    app.callback(Output("guide", "children"), Output("guide-facts", "data"), Input("url", "pathname"), hidden=True)(
        shown
    )
    app.clientside_callback(
        ClientsideFunction("guide", "paint"), Output("guide-painted", "data"), Input("guide-facts", "data")
    )


PAGE = Page("guide", "Guide", "/guide", _owns, _title, _layout, _wire)
