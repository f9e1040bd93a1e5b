"""Logbook: an inspection in three taps, every other note as a form, what is due, and what was noted before.

Addresses: `/logbook` (the pots), `/logbook/<pot>` (its inspection and its history), `/logbook/<pot>/<kind>` (a form),
`/note` and `/note/<kind>` (one note for many pots or for the collection), `/note/<number>` (one note, to correct),
`/note/air[/<shelf>]` (what a hygrometer showed).
The script `assets/logbook.js` owns every node inside `#logbook`, so that notes can be taken while the server is away.
"""

import logging
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from dash import ClientsideFunction, Input, Output, State, dcc, html, no_update

from dashboard.pages import Answer, Ask, Page
from dashboard.pages.note_fields import AIR, AIR_TITLE, GROUPS, TITLES, air_fields, note_fields
from ingest.logbook.records import WITHOUT_POT
from ingest.logbook.refusals import Refused

AGAIN_MS = 60_000
SPANS = (14, 90, 400, None)
NO_LOGBOOK = "The logbook cannot be read just now. Notes that you take here are kept on this device until it can."

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Place:
    """What an address of the logbook asks for."""

    pot: str | None = None
    kind: str | None = None
    note: int | None = None


def _owns(path: str) -> bool:
    return path in ("/logbook", "/note") or path.startswith(("/logbook/", "/note/"))


def place_at(path: str) -> Place:
    """The pot, the kind of note or the number of a note that an address names."""
    steps = [unquote(step) for step in path.split("/") if step]
    first = steps[1] if len(steps) > 1 else None
    if steps[:1] == ["note"]:
        if first is not None and first.isascii() and first.isdigit():
            return Place(note=int(first[:15]))
        return Place(kind=first)
    return Place(pot=first, kind=steps[2] if len(steps) > 2 else None)


def _title(path: str) -> str:
    place = place_at(path)
    said = AIR_TITLE if place.kind == AIR else TITLES.get(place.kind or "")
    if place.note is not None:
        return f"Note {place.note}"
    if place.pot is not None:
        return f"{said} · {place.pot}" if said else f"{place.pot}, logbook"
    return said or ("A note for many" if path.startswith("/note") else "Logbook")


def _layout(_path: str, pages: str) -> Any:
    told: Any = {"data-pages": pages}
    return html.Div(
        [
            html.Main(id="logbook", className="logbook", tabIndex="-1", **told),
            dcc.Interval(id="logbook-tick", interval=AGAIN_MS),
            dcc.Store(id="logbook-answer"),
            dcc.Store(id="logbook-span", data=SPANS[0]),
            dcc.Store(id="logbook-section"),
            dcc.Store(id="logbook-painted"),
            dcc.Store(
                id="logbook-forms",
                data={
                    "groups": GROUPS,
                    "fields": {kind: note_fields(kind) for kind in TITLES} | {AIR: air_fields()},
                    "air": AIR_TITLE,
                    "without_pot": WITHOUT_POT,
                },
            ),
        ]
    )


def tell(ask: Ask, path: str, days: int | None) -> Answer:
    """The answer for an address, or `{"fault": sentence}`; `path` says which address it is for."""
    place = place_at(path)
    at_ms = ask.now_ms()
    try:
        if ask.logbook is None:
            return {"path": path, "fault": NO_LOGBOOK}
        known = days if days in SPANS else SPANS[0]
        return {"path": path, **ask.logbook(at_ms, place.pot, place.note, known)}
    except Refused as refusal:
        return {"path": path, "refused": str(refusal)}
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the logbook's answer failed")
        return {"path": path, "fault": NO_LOGBOOK}


def section(ask: Ask, path: str) -> Answer | None:
    """The facts of the drawing of an address's pot, as the wall has them; none when nobody can tell just now."""
    pot = place_at(path).pot
    if pot is None:
        return None
    try:
        told = next(
            (one for row in ask.wall(ask.now_ms())["shelves"] for one in row["pots"] if one["label"] == pot), None
        )
    except Exception:  # notes are taken without a drawing too
        log.exception("the section of a pot failed")
        return None
    return told and {"pot": pot, "section": told["section"]}


def _wire(app: Any, ask: Ask) -> None:
    def told(path: str | None, _ticks: int | None, _changed: int | None, days: int | None) -> Any:
        return tell(ask, path, days) if path and _owns(path) else no_update

    app.callback(
        Output("logbook-answer", "data"),
        Input("url", "pathname"),
        Input("logbook-tick", "n_intervals"),
        Input("changed", "data"),
        Input("logbook-span", "data"),
        hidden=True,
    )(told)
    app.callback(
        Output("logbook-section", "data"), Input("url", "pathname"), Input("logbook-tick", "n_intervals"), hidden=True
    )(lambda path, _ticks: section(ask, path) if path and _owns(path) else no_update)
    app.clientside_callback(
        ClientsideFunction("logbook", "paint"),
        Output("logbook-painted", "data"),
        Input("logbook-answer", "data"),
        Input("url", "pathname"),
        Input("logbook-section", "data"),
        State("logbook-forms", "data"),
    )


PAGE = Page("logbook", "Logbook", "/logbook", _owns, _title, _layout, _wire)
