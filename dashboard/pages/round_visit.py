"""One visit of the round: its pots shelf by shelf, each with the four tiles that are its tick, and what else it asks.

Lays out the answer of a visit; which visit, and when it is asked for, is `round.py`. A tile says only what was found.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import groupby
from typing import Any
from urllib.parse import quote

from dash import html

from analysis.quantities import in_units, quantity
from dashboard.figures.amounts import day_words, days_words, litres_words, span_words
from dashboard.pages import Answer
from dashboard.pages.air_door import air_door
from dashboard.pages.forms import tap

FIRST_POT = (
    "With the first pot the round says here which reservoirs to fill on which day, how many litres to mix, "
    "and plans for you when you go away."
)
MOST_VISITS = 6  # who comes every day sees the days that fit beside each other
FOUND = ("empty", "low", "half", "full")
HOW = "Tap what you find, then fill to the mark. The tap logs just that; what was planned is never data."
ONE_WATER = "One plant, one water: never pour from one pot into another; what drains from a pot is thrown away."
FLUSH = {"now": "Flush through with plain water now", "soon": "Flush at one of the next rounds"}
RANGES = (
    "Ranges of days are meant to hold in 8 of 10 cases. The first amount is what will go in at least, the second "
    "what may; the mark decides. The litres suffice in 9 of 10 cases: not all pots take the most at once."
)
WATER = {"feed": "feed", "plain": "plain water"}


def visit_page(answer: Answer, day: date | None, today: date, units: str, wall: Answer) -> Any:
    """The visit of a day, or the next one; what teaches the first step while there is no pot."""
    visits = [visit for visit in answer["visits"] if visit["pots"]][:MOST_VISITS]
    if not visits and not answer["unplanned"] and not any(shelf["pots"] for shelf in wall["shelves"]):
        return _no_pots(answer)
    chosen = next((visit for visit in visits if day is not None and visit["date"] == day.isoformat()), None)
    chosen = chosen or (visits[0] if visits else None)
    return [
        _tabs(visits, chosen, today),
        *([_head(chosen, today, units), _rows(chosen, answer["eased"], units)] if chosen else [_nothing_due(answer)]),
        *_cannot_wait(answer),
        *_unplanned(answer),
        _others(wall, chosen, answer["eased"], units),
        *_salts(answer),
        *_rests(chosen, answer.get("guessed_air") or ()),
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


def _rows(visit: Mapping[str, Any], eased: Mapping[str, float], units: str) -> Any:
    """The visit's pots by shelf, as one walks; on a shelf the most urgent first."""
    order = list(dict.fromkeys(pot["shelf"] for pot in visit["pots"]))
    pots = sorted(visit["pots"], key=lambda pot: order.index(pot["shelf"]))
    return html.Div(
        [
            html.Section(
                [
                    html.H2(shelf),
                    *(
                        _row(pot["pot"], _amount(pot, units), _left(pot), eased.get(pot["pot"]), units)
                        for pot in inside
                    ),
                ],
                className="round-shelf",
            )
            for shelf, inside in groupby(pots, key=lambda pot: pot["shelf"])
        ]
    )


def _row(pot: str, amount: str, left: str, to_mm: float | None, units: str) -> Any:
    """One pot: who, how much, and the four tiles that are the tick; to_mm where it is filled lower than its mark."""
    tiles = [
        html.Button(
            [html.I(className=f"vessel vessel-{found}"), html.Span(found)],
            type="button",
            **_tick(pot, found, to_mm, units),
        )
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


def _tick(pot: str, found: str, to_mm: float | None, units: str) -> dict[str, Any]:
    filled = "filled to the mark" if to_mm is None else f"filled to {_length(to_mm, units)}"
    told = [pot, found] if to_mm is None else [pot, found, round(to_mm), _length(to_mm, units)]
    return {"data-tick": json.dumps(told), "aria-label": f"{pot}: found {found}, {filled}"}


def _length(mm: float, units: str) -> str:
    return str(in_units(quantity(mm, "mm"), units))


def _amount(pot: Mapping[str, Any], units: str) -> str:
    kind = f", {WATER[pot['water']]}" if pot.get("water") in WATER else ""
    flush = "; flush it through from the top, it is due" if pot.get("flush") else ""
    return f"{amount_words(pot, units)}{kind}{flush}"


def amount_words(pot: Mapping[str, Any], units: str) -> str:
    """To where a pot is filled and how much that takes: to its mark, or lower while it is eased over after a repot."""
    if pot["fill_ml"] is None:
        return "to the mark"
    to = _to(pot["fill_mark_mm"] if pot.get("eased") else None, units)
    return f"{to}, {span_words(pot['fill_ml'], pot['fill_at_most_ml'], units)}"


def _left(pot: Mapping[str, Any]) -> str:
    guess = "" if pot.get("level_is_known", True) else "; a guess, look first"
    return f"{days_words(pot['days_left'])} left{guess}"


def _others(wall: Answer, visit: Mapping[str, Any] | None, eased: Mapping[str, float], units: str) -> Any:
    """Pots that are not on the list can be filled as well."""
    listed = {pot["pot"] for pot in visit["pots"]} if visit else set()
    shelves = [
        html.Section(
            [
                html.H2(shelf["label"]),
                *(
                    _row(pot["label"], _to(eased.get(pot["label"]), units), "", eased.get(pot["label"]), units)
                    for pot in rest
                ),
            ],
            className="round-shelf",
        )
        for shelf in wall["shelves"]
        if (rest := [pot for pot in shelf["pots"] if pot["label"] not in listed])
    ]
    if not shelves:
        return html.Div()
    return html.Details([html.Summary("Filled one that is not on the list?"), *shelves], className="round-more")


def _to(to_mm: float | None, units: str) -> str:
    return "to the mark" if to_mm is None else f"only to {_length(to_mm, units)} until new roots are in"


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
    page = [html.H2("Not planned: look yourself"), html.Ul(items), html.P(air_door())]
    return [html.Section(page, className="round-notes")]


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


def _rests(visit: Mapping[str, Any] | None, guessed_air: Sequence[str]) -> list[Any]:
    """What days and amounts of a visit rest on."""
    if visit is None:
        return []
    own = [pot["pot"] for pot in visit["pots"] if pot["rests_on"] == "measured"]
    guessed = [pot["pot"] for pot in visit["pots"] if not pot.get("level_is_known", True)]
    says = [
        f"By a level or notes of their own: {', '.join(own) or 'none of these pots'}.",
        "The others borrow their use from pots like them, in the air of their own shelf.",
        *([f"Nobody knows the level of {', '.join(guessed)}: the days are a guess."] if guessed else []),
        *guessed_air,
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
            html.P(html.A("Set up the first pot", href="/start", className="door door-first", **_inner())),
        ],
        className="plain",
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
