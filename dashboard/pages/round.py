"""Round: which pots, how much, by when, how many litres to mix; ticked off with wet hands.

Addresses: `/round` shows the next visit, `/round/<date>` a later one, `/round/away` asks for an absence and
`/round/away/<from>/<to>` plans it, with the sheet for the sitter. Lays out the answer; `assets/round.js` owns the
ticks. A tick logs "filled to the mark, amount unknown" and what was found; what was planned is never data.
"""

import logging
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dash import ClientsideFunction, Input, Output, ctx, dcc, html, no_update

from dashboard.pages import Ask, Page
from dashboard.pages.round_away import absence
from dashboard.pages.round_visit import visit_page

NO_ROUND = "The round cannot be planned just now: the stores gave no answer. The command dryline check says more."
AGAIN_MS = 600_000
WAIT = "The round is being planned."

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/round" or path.startswith("/round/")


def _title(path: str) -> str:
    return "Absence" if path.startswith("/round/away") else "Round"


def asked(path: str) -> tuple[str, tuple[date, ...]]:
    """What an address asks for: a visit (of a date, or the next one) or an absence (with its dates, or none yet)."""
    steps = [step for step in path.removeprefix("/round").split("/") if step]
    kind = "away" if steps[:1] == ["away"] else "visit"
    try:
        days = tuple(date.fromisoformat(step) for step in (steps[1:3] if kind == "away" else steps[:1]))
    except ValueError:
        days = ()
    return kind, days


def _layout(_path: str, _pages: str) -> Any:
    waiting = [html.H1("Round"), html.P(WAIT, className="round-wait", role="status")]
    return html.Div(
        [
            html.Main(waiting, id="round", className="round"),
            dcc.Interval(id="round-tick", interval=AGAIN_MS),
            dcc.Store(id="round-facts"),
            dcc.Store(id="round-painted"),
        ]
    )


def show(ask: Ask, path: str) -> tuple[Any, Any]:
    """What the page shows for an address, and the facts that its script needs."""
    now_ms = ask.now_ms()
    kind, days = asked(path)
    try:
        if ask.round is None:
            return _sentence(NO_ROUND), None
        wall = ask.wall(now_ms)
        zone = ZoneInfo(wall["time_zone"])
        span = _span_ms(days, zone) if kind == "away" and len(days) == 2 else None
        answer = ask.round(now_ms, span)
        facts = {"now_ms": now_ms, "time_zone": wall["time_zone"]}
        units = str(wall.get("units", "metric"))
        today = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone).date()
        if kind == "away":
            return absence(answer, days, today, units), facts
        return visit_page(answer, days[0] if days else None, today, units, wall), facts
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the round's answer failed")
        return _sentence(NO_ROUND), None


def _span_ms(days: tuple[date, ...], zone: ZoneInfo) -> tuple[int, int]:
    """From the start of the first day to the end of the last, on the grower's clock."""
    first, after = days[0], days[1] + timedelta(days=1)
    edges = (datetime(day.year, day.month, day.day, tzinfo=zone) for day in (first, after))
    begin, end = (int(edge.timestamp() * 1000) for edge in edges)
    return begin, end


def _sentence(words: str) -> Any:
    inner: dict[str, Any] = {"data-in": ""}
    return html.Div(
        [html.H1("No round"), html.P(words), html.P(html.A("To the wall", href="/", **inner))], className="plain"
    )


def _wire(app: Any, ask: Ask) -> None:
    def shown(path: str | None, ticks: int | None) -> tuple[Any, Any]:
        # What is being typed for an absence must not be wiped by a new plan.
        typing = bool(ticks) and ctx.triggered_id == "round-tick" and (path or "").startswith("/round/away")
        return show(ask, path) if path and _owns(path) and not typing else (no_update, no_update)

    app.callback(
        Output("round", "children"),
        Output("round-facts", "data"),
        Input("url", "pathname"),
        Input("round-tick", "n_intervals"),
        hidden=True,
    )(shown)
    app.clientside_callback(
        ClientsideFunction("round", "paint"), Output("round-painted", "data"), Input("round-facts", "data")
    )


PAGE = Page("round", "Round", "/round", _owns, _title, _layout, _wire)
