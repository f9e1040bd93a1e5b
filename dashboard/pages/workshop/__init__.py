"""Workshop: where shelves, pots, pot types and sensors are entered, and the house is looked after.

Addresses: `/workshop` (sensors), `/workshop/sensor/<source>`, `/workshop/messages`, `/workshop/pots[/new, /after-type,
/copy, /many]`, `/workshop/pot/<label>[/<from_ms>]`, `/workshop/shelves`, `/workshop/shelf/<label>`, `/workshop/types`,
`/workshop/type/<label>`, `/workshop/checks`, `/workshop/house`; and `/start`, the first run. Each is asked again after
every change made here, and what is only looked at every half minute; what is being filled in is left alone.
"""

import json
import logging
from collections.abc import Callable, Sequence
from hashlib import blake2b
from typing import Any
from urllib.parse import unquote, urlsplit

from dash import Input, Output, State, ctx, dcc, html, no_update
from plotly.utils import PlotlyJSONEncoder

from dashboard.pages import Answer, Ask, Page
from dashboard.pages.workshop import checks, house, messages, pots, sensors, stock
from dashboard.pages.workshop.words import PASSING, address, inner

AGAIN_MS = 30_000
WAITING = "+messages"  # at the end of a page's mark: messages on it wait for their place
NO_WORKSHOP = "This cannot be told just now: the stores gave no answer. The command dryline check says more."
NOTHING = "There is nothing at this address of the workshop."
ROOMS = (
    ("", "Sensors"),
    ("messages", "Messages"),
    ("pots", "Pots"),
    ("shelves", "Shelves"),
    ("types", "Pot types"),
    ("checks", "Checks"),
    ("house", "House"),
)
#: Under which room a page of one thing is shown.
HOME_OF = {"sensor": "", "pot": "pots", "shelf": "shelves", "type": "types"}
POTS: dict[str, Callable[[Answer], list[Any]]] = {
    "": pots.page,
    "new": pots.new,
    "after-type": pots.after_type,
    "copy": pots.copy,
    "many": pots.many,
}
ALONE: dict[str, Callable[[Answer, str], list[Any]]] = {"shelf": stock.shelf, "type": stock.pot_type}

log = logging.getLogger(__name__)


def steps_of(path: str) -> list[str]:
    """The steps of an address below `/workshop`; those of `/start` are `["start"]`."""
    steps = [unquote(step) for step in path.split("/") if step]
    return steps if steps[:1] == ["start"] else steps[1:]


def _is_watched(path: str, mark: str | None) -> bool:
    """Whether a page is looked at while things arrive; the others are filled in, and must stay as they were opened."""
    is_filled_in = (mark or "").endswith(WAITING)
    return steps_of(path) in ([], ["start"]) or (steps_of(path) == ["messages"] and not is_filled_in)


def mark_of(page: Sequence[Any]) -> str:
    """A digest of what a page shows, without its passing lines (the last value of a sensor)."""
    lasting = [part for part in page if getattr(part, "className", None) != PASSING]
    told = json.dumps(lasting, cls=PlotlyJSONEncoder, sort_keys=True)
    waits = any(getattr(part, "className", None) == messages.LIST for part in page)
    return blake2b(told.encode(), digest_size=12).hexdigest() + (WAITING if waits else "")


def _owns(path: str) -> bool:
    return path in ("/workshop", "/start") or path.startswith("/workshop/")


def _title(path: str) -> str:
    steps = steps_of(path)
    if steps[:1] == ["start"]:
        return "Begin"
    if len(steps) > 1 and steps[0] in HOME_OF:
        return steps[1]
    return dict(ROOMS).get(steps[0], "Workshop") if steps else "Workshop"


def _layout(_path: str, _pages: str) -> Any:
    return html.Div(
        [
            html.Main(id="workshop", className="workshop"),
            dcc.Interval(id="workshop-tick", interval=AGAIN_MS),
            dcc.Store(id="workshop-mark"),
        ]
    )


def show(ask: Ask, path: str = "/workshop", seen_at: str = "http://localhost") -> list[Any]:
    """The whole page, or one sentence when nothing can be answered."""
    steps = steps_of(path)
    begins = steps[:1] == ["start"]
    shown: Any = {"data-shown": path}  # which address this is, once all of it stands
    head = [html.H1("Begin" if begins else "Workshop", **shown), *([] if begins else [_rooms(steps)])]
    try:
        return [*head, *_room(ask, steps, seen_at)]
    except ValueError as refusal:  # the answer's own refusal, for example that there is no such pot
        log.info("the workshop refused %s: %s", path, refusal)
        return [*head, html.P(str(refusal))]
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the workshop's answer failed")
        return [*head, html.P(NO_WORKSHOP)]


def _rooms(steps: Sequence[str]) -> Any:
    here = HOME_OF.get(steps[0], steps[0]) if steps else ""
    doors = [
        html.A(
            words,
            href=address(name) if name else "/workshop",
            **inner(**({"aria-current": "page"} if name == here else {})),
        )
        for name, words in ROOMS
    ]
    named: Any = {"aria-label": "Rooms of the workshop"}
    return html.Nav(doors, className="rooms", **named)


def _room(ask: Ask, steps: Sequence[str], seen_at: str) -> list[Any]:
    room, rest = (steps[0] if steps else ""), list(steps[1:])
    now_ms = ask.now_ms()
    if room in ("", "sensor", "messages", "checks"):
        if ask.workshop is None:
            return [html.P(NO_WORKSHOP)]
        answer = ask.workshop(now_ms)
        if room == "sensor" and rest:
            return sensors.one(answer, rest[0])
        return {"messages": messages.page, "checks": checks.page}.get(room, sensors.overview)(answer)
    if room in ("start", "house") and ask.house is not None:
        return (house.start if room == "start" else house.page)(ask.house(seen_at, now_ms))
    if room == "pot" and rest and ask.pot_record is not None:
        began = rest[1] if len(rest) > 1 else ""
        return pots.one(ask.pot_record(rest[0], now_ms), int(began) if began.isascii() and began.isdigit() else None)
    if ask.collection is None:
        return [html.P(NO_WORKSHOP)]
    return _of_the_collection(ask.collection(now_ms), room, rest)


def _of_the_collection(answer: Answer, room: str, rest: Sequence[str]) -> list[Any]:
    if room == "pots" and (rest[0] if rest else "") in POTS:
        return POTS[rest[0] if rest else ""](answer)
    if room in ALONE and rest:
        return ALONE[room](answer, rest[0])
    if room in ("shelves", "types"):
        return (stock.shelves if room == "shelves" else stock.types)(answer)
    return [html.P(NOTHING)]


def _wire(app: Any, ask: Ask) -> None:
    def shown(
        path: str | None, _ticks: int | None, _changed: Any, href: str | None, was: str | None
    ) -> tuple[Any, Any]:
        if not path or not _owns(path) or (ctx.triggered_id == "workshop-tick" and not _is_watched(path, was)):
            return no_update, no_update
        parts = urlsplit(href or "")
        page = show(ask, path, f"{parts.scheme or 'http'}://{parts.netloc or 'localhost'}")
        now = mark_of(page)
        # A page that would look the same is left alone, with what is being filled in and what lies open.
        return (no_update, no_update) if now == was else (page, now)

    app.callback(
        Output("workshop", "children"),
        Output("workshop-mark", "data"),
        Input("url", "pathname"),
        Input("workshop-tick", "n_intervals"),
        Input("changed", "data"),
        State("url", "href"),
        State("workshop-mark", "data"),
        hidden=True,
    )(shown)


PAGE = Page("workshop", "Workshop", "/workshop", _owns, _title, _layout, _wire)
