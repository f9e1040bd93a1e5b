"""Round: which pots, how much, by when, how many litres to mix; ticked off with wet hands.

Addresses: `/round` shows the next visit, `/round/<date>` a later one, `/round/away` asks for an absence and
`/round/away/<from>/<to>` plans it, with the sheet for the sitter. Lays out the answer; `assets/round.js` owns the
ticks. A tick logs "filled to the mark, amount unknown" and what was found; what was planned is never data.
"""

import json
import logging
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from dash import ClientsideFunction, Input, Output, ctx, dcc, html, no_update

from dashboard.figures.amounts import day_words, days_words, litres_words, span_words, volume_words
from dashboard.pages import Answer, Ask, Page
from dashboard.pages.forms import field, form, tap

NO_ROUND = "The round cannot be planned just now: the stores gave no answer. The command dryline check says more."
AGAIN_MS = 600_000
WAIT = "The round is being planned."
FIRST_POT = (
    "With the first pot the round says here which reservoirs to fill on which day, how many litres to mix, "
    "and plans for you when you go away."
)
MOST_VISITS = 6  # who comes every day sees the days that fit beside each other
SHEET = (
    "Fill each reservoir to its mark; the figure is the most it should take. "
    "Write in the box what you found: empty, low, half or full."
)
FOUND = ("empty", "low", "half", "full")
HOW = "Tap what you find, then fill to the mark. The tap logs just that; what was planned is never data."
ONE_WATER = "One plant, one water: never pour from one pot into another; what drains from a pot is thrown away."
FLUSH = {"now": "Flush through with plain water now", "soon": "Flush at one of the next rounds"}
RANGES = (
    "Ranges of days are meant to hold in 8 of 10 cases. The first amount is what will go in at least, the second "
    "what may; the mark decides."
)
WATER = {"feed": "feed", "plain": "plain water"}

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
            return _absence(answer, days, today, units), facts
        return _visit_page(answer, days[0] if days else None, today, units, wall), facts
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the round's answer failed")
        return _sentence(NO_ROUND), None


def _span_ms(days: tuple[date, ...], zone: ZoneInfo) -> tuple[int, int]:
    """From the start of the first day to the end of the last, on the grower's clock."""
    first, after = days[0], days[1] + timedelta(days=1)
    edges = (datetime(day.year, day.month, day.day, tzinfo=zone) for day in (first, after))
    begin, end = (int(edge.timestamp() * 1000) for edge in edges)
    return begin, end


# --- a visit --------------------------------------------------------------------------------------------------------


def _visit_page(answer: Answer, day: date | None, today: date, units: str, wall: Answer) -> Any:
    visits = [visit for visit in answer["visits"] if visit["pots"]][:MOST_VISITS]
    if not visits and not answer["unplanned"] and not any(shelf["pots"] for shelf in wall["shelves"]):
        return _no_pots(answer)
    chosen = next((visit for visit in visits if day is not None and visit["date"] == day.isoformat()), None)
    chosen = chosen or (visits[0] if visits else None)
    return [
        _tabs(visits, chosen, today),
        *([_head(chosen, today, units), _rows(chosen, units)] if chosen else [_nothing_due(answer)]),
        *_cannot_wait(answer),
        *_unplanned(answer),
        _others(wall, chosen),
        *_salts(answer),
        *_rests(chosen),
        html.P([HOW, " ", ONE_WATER], className="round-honest"),
        html.Div(id="round-done"),
    ]


def _tabs(visits: Sequence[Mapping[str, Any]], chosen: Mapping[str, Any] | None, today: date) -> Any:
    doors = [
        html.A(
            [html.B(_when(_date(visit), today)), html.Span(_count(len(visit["pots"]), "pot"))],
            href=f"/round/{visit['date']}",
            **(_inner() | (_current() if visit is chosen else {})),
        )
        for visit in visits
    ]
    away = html.A([html.B("Away"), html.Span("plan it")], href="/round/away", className="round-away", **_inner())
    return html.Nav([*doors, away], className="round-tabs", **_named("Visits"))


def _head(visit: Mapping[str, Any], today: date, units: str) -> Any:
    day = _date(visit)
    early = [pot["pot"] for pot in visit["pots"] if _dry_before(pot, (day - today).days)]
    said = [html.P(f"These may run dry before then: {', '.join(early)}.")] if early else []
    return html.Div(
        [
            html.Div([html.H1(f"Round {_when(day, today, long=True)}"), *said]),
            html.P(
                [html.B(litres_words(visit["litres_to_mix"], units)), html.Span("to mix, at most")],
                className="round-mix",
            ),
        ],
        className="round-head",
    )


def _dry_before(pot: Mapping[str, Any], days: int) -> bool:
    """Whether a pot in one case of ten is dry before a day."""
    least = pot["days_left"]["p10"]
    return least is not None and least < days


def _rows(visit: Mapping[str, Any], units: str) -> Any:
    """The visit's pots by shelf, as one walks; on a shelf the most urgent first."""
    order = list(dict.fromkeys(pot["shelf"] for pot in visit["pots"]))
    pots = sorted(visit["pots"], key=lambda pot: order.index(pot["shelf"]))
    return html.Div(
        [
            html.Section(
                [html.H2(shelf), *(_row(pot["pot"], _amount(pot, units), _left(pot)) for pot in inside)],
                className="round-shelf",
            )
            for shelf, inside in groupby(pots, key=lambda pot: pot["shelf"])
        ]
    )


def _row(pot: str, amount: str, left: str) -> Any:
    """One pot: who, how much, and the four tiles that are the tick."""
    tiles = [
        html.Button([html.I(className=f"vessel vessel-{found}"), html.Span(found)], type="button", **_tick(pot, found))
        for found in FOUND
    ]
    whose: Any = {"data-row": pot}
    return html.Div(
        [
            html.Div(
                [html.B(pot), html.Span(amount), *([html.Small(left)] if left else [])],
                className="round-pot",
            ),
            html.Div(tiles, className="round-tiles"),
        ],
        className="round-row",
        **whose,
    )


def _tick(pot: str, found: str) -> dict[str, Any]:
    return {"data-tick": json.dumps([pot, found]), "aria-label": f"{pot}: found {found}, filled to the mark"}


def _amount(pot: Mapping[str, Any], units: str) -> str:
    kind = f", {WATER[pot['water']]}" if pot.get("water") in WATER else ""
    flush = "; flush it through from the top, it is due" if pot.get("flush") else ""
    if pot["fill_ml"] is None:
        return f"to the mark{kind}{flush}"
    return f"to the mark, {span_words(pot['fill_ml'], pot['fill_at_most_ml'], units)}{kind}{flush}"


def _left(pot: Mapping[str, Any]) -> str:
    guess = "" if pot.get("level_is_known", True) else "; a guess, look first"
    return f"{days_words(pot['days_left'])} left{guess}"


def _others(wall: Answer, visit: Mapping[str, Any] | None) -> Any:
    """Pots that are not on the list can be filled as well."""
    listed = {pot["pot"] for pot in visit["pots"]} if visit else set()
    shelves = [
        html.Section(
            [html.H2(shelf["label"]), *(_row(pot["label"], "to the mark", "") for pot in rest)],
            className="round-shelf",
        )
        for shelf in wall["shelves"]
        if (rest := [pot for pot in shelf["pots"] if pot["label"] not in listed])
    ]
    if not shelves:
        return html.Div()
    return html.Details([html.Summary("Filled one that is not on the list?"), *shelves], className="round-more")


def _nothing_due(answer: Answer) -> Any:
    heading = "Nothing can be planned" if answer["unplanned"] else "Nothing is due"
    return html.Div(html.Div([html.H1(heading), html.P(answer["says"])]), className="round-head")


def _cannot_wait(answer: Answer) -> list[Any]:
    pots = answer["cannot_wait"]
    if not pots:
        return []
    items = [
        html.Li(
            [
                html.B(one["pot"]),
                html.Span(f" {one['says']}"),
                html.A("All its options", href=_guide_path(one["pot"]), **_inner()),
            ]
        )
        for one in pots
    ]
    return [html.Section([html.H2("These cannot wait from round to round"), html.Ul(items)], className="round-notes")]


def _unplanned(answer: Answer) -> list[Any]:
    if not answer["unplanned"]:
        return []
    by_sentence: dict[str, list[str]] = {}
    for one in answer["unplanned"]:
        by_sentence.setdefault(one["says"], []).append(one["pot"])
    items = [html.Li([html.B(", ".join(pots)), html.Span(f" {says}")]) for says, pots in by_sentence.items()]
    return [html.Section([html.H2("Not planned: look yourself"), html.Ul(items)], className="round-notes")]


def _salts(answer: Answer) -> list[Any]:
    """Feed and flush: what is due now stands open, the rest on request."""
    salts = answer.get("salts") or []
    now, soon, rest = (
        [one for one in salts if (one["due"] if one["due"] in FLUSH else "") == due] for due in (*FLUSH, "")
    )
    shown: list[Any] = []
    if now:
        shown.append(
            html.Section(
                [html.H2(f"{FLUSH['now']} ({len(now)})"), _salt_list(now, can_flush=True)], className="round-notes"
            )
        )
    for words, some, can_flush in ((FLUSH["soon"], soon, True), ("Feed and plain water, pot by pot", rest, False)):
        if some:
            summary = html.Summary(f"{words} ({len(some)})")
            shown.append(html.Details([summary, _salt_list(some, can_flush=can_flush)], className="round-more"))
    return shown


def _rests(visit: Mapping[str, Any] | None) -> list[Any]:
    """What days and amounts of a visit rest on."""
    if visit is None:
        return []
    own = [pot["pot"] for pot in visit["pots"] if pot["rests_on"] == "measured"]
    guessed = [pot["pot"] for pot in visit["pots"] if not pot.get("level_is_known", True)]
    says = [
        f"By a level or notes of their own: {', '.join(own) or 'none of these pots'}.",
        "The others borrow their use from pots like them, in the air of their own shelf.",
        *([f"Nobody knows the level of {', '.join(guessed)}: the days are a guess."] if guessed else []),
        RANGES,
    ]
    inside = html.Ul([html.Li(one) for one in says])
    return [html.Details([html.Summary("What does this rest on?"), inside], className="round-more")]


def _salt_list(salts: Sequence[Mapping[str, Any]], *, can_flush: bool) -> Any:
    return html.Ul([html.Li([_salt(one), *([_flushed(one["pot"])] if can_flush else [])]) for one in salts])


def _salt(one: Mapping[str, Any]) -> Any:
    return html.Div([html.B(one["pot"]), html.Span(f" {one['says']}"), *_rota(one)])


def _flushed(pot: str) -> Any:
    return tap("Flushed", "notes", {"notes": [{"pot": pot, "kind": "flush"}]})


def _rota(one: Mapping[str, Any]) -> list[Any]:
    """The next waterings as marks: a full square a feed, an open one plain water."""
    if not one.get("rota"):
        return []
    marks = [html.I(className=f"rota-{kind}") for kind in one["rota"]]
    words = ", ".join(WATER.get(kind, kind) for kind in one["rota"])
    hidden: dict[str, Any] = {"aria-hidden": "true"}
    return [html.Span([html.Span(marks, className="rota", **hidden), f"next: {words}"], className="rota-line")]


def _no_pots(answer: Answer) -> Any:
    return html.Div(
        [
            html.H1("Round"),
            html.P(answer["says"]),
            html.P(FIRST_POT),
            html.P(html.A("Set up the first pot", href="/workshop", className="door door-first", **_inner())),
        ],
        className="plain",
    )


# --- an absence -----------------------------------------------------------------------------------------------------


def _absence(answer: Answer, days: tuple[date, ...], today: date, units: str) -> Any:
    plan = answer["away"]
    dates = {"from": days[0].isoformat(), "to": days[1].isoformat()} if len(days) == 2 else {}
    asking = form(
        "absence_asked",
        [
            field("from", "The day you leave", "date", needed=True, missing="Give the day you leave."),
            field("to", "The day you are back", "date", needed=True, missing="Give the day you are back."),
        ],
        units=units,
        button="Plan it",
        values=dates,
    )
    page = [
        html.Div(
            [
                html.H1("While you are away"),
                html.A("Back to the round", href="/round", className="round-back", **_inner()),
            ],
            className="round-head no-print",
        ),
        html.Div(asking, className="no-print"),
    ]
    if plan is None:
        teaches = (
            "Give the two days: the plan says what to fill on leaving, which pots do not last and when they fail, "
        )
        return [*page, html.P(f"{teaches}and prints a sheet for whoever waters meanwhile.", className="round-teach")]
    return [*page, _plan(plan, days, units), *_sheet(plan, days, units)]


def _plan(plan: Mapping[str, Any], days: tuple[date, ...], units: str) -> Any:
    body = {"from": days[0].isoformat(), "to": days[1].isoformat()}
    is_over = plan["says"].startswith(("That absence", "The return"))
    doors = [] if is_over else [
        html.Button("Print the sheet for the sitter", type="button", id="round-print", className="door door-first"),
        tap("Note that I am away", "absence_noted", body),
    ]  # fmt: skip
    return html.Div(
        [
            html.P(plan["says"], className="round-first"),
            html.Div(doors, className="round-doors"),
            *_before(plan, units),
            *_fails(plan),
        ],
        className="no-print",
    )


def _before(plan: Mapping[str, Any], units: str) -> list[Any]:
    if not plan["fill_before"]:
        return []
    items = [
        html.Li([html.B(one["pot"]), html.Span(f" {one['shelf']}, {_about(one['fill_ml'], units)}")])
        for one in plan["fill_before"]
    ]
    return [
        html.Section(
            [html.H2(f"Fill to the mark before you leave ({len(items)})"), html.Ul(items, className="round-columns")],
            className="round-notes",
        )
    ]


def _about(ml: float | None, units: str) -> str:
    return "to the mark" if ml is None else f"about {volume_words(ml, units)}"


def _fails(plan: Mapping[str, Any]) -> list[Any]:
    """The pots that a full reservoir does not carry, and what would; one sentence for all that share it."""
    if not plan["fails"]:
        return []
    shown: list[Any] = []
    for stop_gap, group in _by_stop_gap(plan["fails"]).items():
        items = [
            html.Li(
                [
                    html.B(one["pot"]),
                    html.Span(f" dry after {days_words(one['dry_after_days'])}; chance {_in_ten(one['chance_dry'])}"),
                ]
            )
            for one in group
        ]
        shown += [
            html.Ul(items, className="round-columns"),
            html.P(
                stop_gap if stop_gap.endswith(".") else f"What would carry them: {stop_gap}.", className="round-gap"
            ),
        ]
    return [html.Section([html.H2("These do not last, worst first"), *shown], className="round-notes")]


def _by_stop_gap(fails: Sequence[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    grouped: dict[str, list[Mapping[str, Any]]] = {}
    for one in fails:
        grouped.setdefault(one["stop_gap"], []).append(one)
    return grouped


def _in_ten(chance: float) -> str:
    tenths = round(10 * chance)
    return "very small" if tenths == 0 else "almost certain" if tenths == 10 else f"about {tenths} in 10"


def _sheet(plan: Mapping[str, Any], days: tuple[date, ...], units: str) -> list[Any]:
    """The one page for the sitter: a row a pot, a column a visit, room for what was found."""
    sitter = plan["sitter"]
    if not sitter["visits"]:
        return []
    dates = [_date(visit) for visit in sitter["visits"]]
    places = list(dict.fromkeys((pot["shelf"], pot["pot"]) for visit in sitter["visits"] for pot in visit["pots"]))
    shelves = list(dict.fromkeys(shelf for shelf, _ in places))
    places.sort(key=lambda place: shelves.index(place[0]))
    amounts = [{pot["pot"]: pot for pot in visit["pots"]} for visit in sitter["visits"]]
    head = html.Tr(
        [
            html.Th("shelf", scope="col"),
            html.Th("pot", scope="col"),
            *(html.Th(day_words(day), scope="col") for day in dates),
        ]
    )
    rows = [
        html.Tr(
            [
                html.Td(shelf if not number or places[number - 1][0] != shelf else ""),
                html.Th(pot, scope="row"),
                *(_cell(visit.get(pot), units) for visit in amounts),
            ]
        )
        for number, (shelf, pot) in enumerate(places)
    ]
    bring = html.Tr(
        [
            html.Th("water to bring", scope="row", colSpan=2),
            *(html.Td(litres_words(visit["litres"], units)) for visit in sitter["visits"]),
        ]
    )
    return [
        html.Article(
            [
                html.H2("Watering while I am away"),
                html.P(f"From {day_words(days[0], year=True)} to {day_words(days[1], year=True)}. {SHEET}"),
                html.Div(
                    html.Table([html.Thead(head), html.Tbody([*rows, bring])], className="sheet-table"),
                    className="sheet-wide",
                    tabIndex="0",
                ),
                html.Ul([html.Li(one) for one in sitter["cautions"]], className="sheet-cautions"),
                html.P(["Where I can be reached: ", sitter.get("where_reached") or html.Span(className="sheet-line")]),
            ],
            className="sheet",
        )
    ]


def _cell(pot: Mapping[str, Any] | None, units: str) -> Any:
    if pot is None:
        return html.Td(className="sheet-none")
    most = "to the mark" if pot["fill_at_most_ml"] is None else volume_words(pot["fill_at_most_ml"], units)
    return html.Td([html.Span(most), html.I(className="sheet-box")])


# --- small things ---------------------------------------------------------------------------------------------------


def _sentence(words: str) -> Any:
    return html.Div(
        [html.H1("No round"), html.P(words), html.P(html.A("To the wall", href="/", **_inner()))], className="plain"
    )


def _date(visit: Mapping[str, Any]) -> date:
    return date.fromisoformat(visit["date"])


def _when(day: date, today: date, *, long: bool = False) -> str:
    near = {0: "today", 1: "tomorrow"}.get((day - today).days)
    if near is None:
        return f"on {day_words(day)}" if long else day_words(day)
    return f"{near}, {day_words(day)}" if long else near


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _guide_path(pot: str) -> str:
    return f"/guide/{quote(pot, safe='')}"


def _inner() -> dict[str, Any]:
    return {"data-in": ""}


def _current() -> dict[str, Any]:
    return {"aria-current": "true"}


def _named(label: str) -> dict[str, Any]:
    return {"aria-label": label}


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
