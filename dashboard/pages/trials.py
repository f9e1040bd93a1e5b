"""Trials: pairs of pots that differ in one thing, and what they showed so far; pairs that are alike and could begin.

Address: `/trials`. Lays out the answer; a trial is begun by one dated change on one of the two pots. Computes nothing.
"""

import logging
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from dash import ClientsideFunction, Input, Output, dcc, html, no_update

from analysis.quantities import MM_PER_INCH, in_units, marked
from dashboard.figures.amounts import day_words
from dashboard.figures.difference import Interval, difference
from dashboard.pages import Answer, Ask, Page
from dashboard.pages.forms import tap

NO_TRIALS = "The trials cannot be told just now: the stores gave no answer. The command dryline check says more."
WAIT = "The pairs are being compared."
FACTORS = {
    "cover": "the cover",
    "hole_area_mm2": "the holes",
    "wick_strands": "the wick",
    "mix": "the mix",
    "gap": "the gap round the pot",
}
VERDICTS = {
    "too_few": "Too few looks yet",
    "undecided": "Not decided yet",
    "ended_undecided": "Over, and not decided",
    "deeper": "Decided: drier",
    "shallower": "Decided: moister",
    "no_difference_that_matters": "Decided: no difference that matters",
}
STOPPING = (
    "Looking again and again finds a difference by luck sooner or later. So the interval is drawn wide at first and "
    "narrows over the planned looks, so that the chance of a wrong verdict stays at 5 in 100 however often you look. "
    "A trial may stop as soon as its interval leaves zero out, or at the last planned look. "
    "To end it, make the two alike again, or change both, and log that: the pair then leaves this page."
)
WHY_PAIRS = "Two pots that are alike but for one thing show what that thing does, better than any model."
FIRST_PAIR = (
    "A trial needs two pots on one shelf that are built alike. Change one thing on one of them, look at both on the "
    "same days, and this page says what the thing did and when you may stop."
)
HONEST = (
    "One pair is one pair: what it shows holds for these two pots. A second pair tells whether it holds for others."
)

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/trials"


def _title(_path: str) -> str:
    return "Trials"


def _layout(_path: str, _pages: str) -> Any:
    waiting = [html.H1("Trials"), html.P(WAIT, role="status")]
    return html.Div(
        [
            html.Main(waiting, id="trials", className="trials"),
            dcc.Store(id="trials-facts"),
            dcc.Store(id="trials-painted"),
        ]
    )


def show(ask: Ask) -> tuple[list[Any], Any]:
    """The whole page with the facts of its sections, or one sentence when nothing can be answered."""
    now_ms = ask.now_ms()
    try:
        if ask.trials is None:
            return [html.H1("Trials"), html.P(NO_TRIALS)], None
        wall = ask.wall(now_ms)
        cuts = {pot["label"]: pot["section"] for shelf in wall["shelves"] for pot in shelf["pots"]}
        return _page(ask.trials(now_ms), wall), {"cuts": cuts, "units": wall["units"]}
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the trials' answer failed")
        return [html.H1("Trials"), html.P(NO_TRIALS)], None


def _page(answer: Answer, wall: Answer) -> list[Any]:
    if not any(shelf["pots"] for shelf in wall["shelves"]):
        return _no_pots(answer)
    zone, units = ZoneInfo(wall["time_zone"]), wall["units"]
    running = answer["trials"]
    return [
        html.H1("Trials"),
        html.P(_summary(answer), className="trials-summary"),
        *(_trial(trial, zone, units) for trial in running),
        *_questions(answer, units),
        *_proposed(answer, units),
        html.Details([html.Summary("When may a trial stop?"), html.P(STOPPING)], className="trials-more"),
        html.P(HONEST, className="trials-honest"),
    ]


def _summary(answer: Answer) -> str:
    running = answer["trials"]
    if not running:
        return f"{answer['says']} {WHY_PAIRS}"
    decided = sum(1 for trial in running if trial["verdict"] not in ("too_few", "undecided"))
    pairs = (
        f"{len(running)} pair{'s' if len(running) != 1 else ''} differ{'s' if len(running) == 1 else ''} in one thing"
    )
    return f"{pairs}; {decided or 'none'} {'is' if decided in (0, 1) else 'are'} decided."


def _trial(trial: Mapping[str, Any], zone: ZoneInfo, units: str) -> Any:
    pot, other = trial["pot"], trial["other"]
    since = datetime.fromtimestamp(trial["since_ms"] / 1000, UTC).astimezone(zone).date()
    factor = FACTORS.get(trial["factor"], trial["factor"])
    looks = (
        f"look {trial['looks']} of {trial['planned_looks']}"
        if trial["looks"]
        else f"no look yet of {trial['planned_looks']}"
    )
    seen = [(look["difference_mm"], look["counts"]) for look in trial.get("seen") or []]
    told = _interval(trial)
    return html.Section(
        [
            html.Div(
                [
                    html.H2(f"{pot} beside {other}"),
                    html.P(f"{trial['shelf']}; they differ in {factor} since {day_words(since, year=True)}; {looks}"),
                ],
                className="trial-head",
            ),
            html.Div(
                [
                    _side(pot, trial["factor"], trial["value"], units),
                    _side(other, trial["factor"], trial["other_value"], units),
                ],
                className="trial-sides",
            ),
            html.Div(
                [
                    html.P(
                        VERDICTS.get(trial["verdict"], trial["verdict"].replace("_", " ")), className="trial-verdict"
                    ),
                    *([difference(pot, other, told, seen, units=units)] if told or seen else []),
                    html.P(trial["says"]),
                    *([html.P(trial["next_look_says"])] if trial.get("next_look_says") else []),
                ],
                className="trial-shown",
            ),
            html.Div([_look(pot), _look(other)], className="trial-doors"),
        ],
        className="trial",
    )


def _interval(told: Mapping[str, Any]) -> Interval | None:
    known = None not in (told["difference_mm"], told["low_mm"], told["high_mm"])
    return Interval(told["difference_mm"], told["low_mm"], told["high_mm"]) if known else None


def _questions(answer: Answer, units: str) -> list[Any]:
    """What several pairs that ask the same thing say together."""
    several = answer.get("questions") or []
    return (
        [html.Section([html.H2("What several pairs say together"), *(_question(one, units) for one in several)])]
        if several
        else []
    )


def _question(one: Mapping[str, Any], units: str) -> Any:
    first, second = (value_words(one["factor"], one[key], units) for key in ("value", "other_value"))
    told = _interval(one)
    pairs = "; ".join(f"{pot} beside {other}" for pot, other in one["pairs"])
    return html.Div(
        [
            html.P(f"{first} or {second}: {VERDICTS.get(one['verdict'], one['verdict'])}", className="trial-verdict"),
            *([difference(first, second, told, units=units)] if told else []),
            html.P(one["says"]),
            html.P(f"{pairs} ({one['looks']} looks)"),
        ],
        className="trial-shown trials-question",
    )


def _side(pot: str, factor: str, value: Any, units: str) -> Any:
    cut: Any = {"data-cut": pot}
    said = html.Span(value_words(factor, value, units))
    return html.Div([html.Span(className="trial-cut", **cut), html.B(pot), said])


def value_words(factor: str, value: Any, units: str = "metric") -> str:
    """What one of the two has, in words."""
    if factor == "hole_area_mm2":
        area = f"{float(value) / MM_PER_INCH**2:.1f} in²" if units == "us" else f"{float(value) / 100:.0f} cm²"
        return f"{area} of holes" if float(value) else "no holes"
    if factor == "wick_strands":
        strands = float(value)
        return "no wick" if not strands else f"a wick of {strands:g} strand{'' if strands == 1 else 's'}"
    if factor == "cover":
        return "no cover" if value == "none" else str(value)
    return f"gap {value}" if factor == "gap" else str(value)


def _look(pot: str) -> Any:
    return html.A(f"Look at {pot}", href=f"/logbook/{quote(pot, safe='')}", className="door", **_inner())


def _proposed(answer: Answer, units: str) -> list[Any]:
    if not answer["proposed"]:
        return [html.P(answer["proposed_says"])] if answer["trials"] and answer["proposed_says"] else []
    return [
        html.Section(
            [
                html.H2("These are alike: one change on one of them would be a trial"),
                html.Ul([html.Li(_proposal(one, units)) for one in answer["proposed"]], className="trials-proposed"),
            ]
        )
    ]


def _proposal(one: Mapping[str, Any], units: str) -> list[Any]:
    said = [html.P([html.B(f"{one['pot']} and {one['other']}"), f", {one['shelf']}. ", one.get("why") or one["says"]])]
    change = one.get("change")
    if not change:
        return said
    body = {"pot": one["pot"], "other": one["other"], "change": change}
    needed = one.get("looks_needed")
    counted = [html.Small(f"Likely to be decided after {needed} looks at both.")] if needed else []
    return [
        html.Div([*said, *counted]),
        tap(f"Begun: {in_units(marked(change), units)} on {one['pot']}", "trial_begun", body),
    ]


def _no_pots(answer: Answer) -> list[Any]:
    return [
        html.Div(
            [
                html.H1("Trials"),
                html.P(answer["says"]),
                html.P(FIRST_PAIR),
                html.P(html.A("Set up pots", href="/start", className="door door-first", **_inner())),
            ],
            className="plain",
        )
    ]


def _inner() -> dict[str, Any]:
    return {"data-in": ""}


def _wire(app: Any, ask: Ask) -> None:
    def shown(path: str | None, _changed: int | None) -> tuple[Any, Any]:
        return show(ask) if path and _owns(path) else (no_update, no_update)

    app.callback(
        Output("trials", "children"),
        Output("trials-facts", "data"),
        Input("url", "pathname"),
        Input("changed", "data"),
        hidden=True,
    )(shown)
    app.clientside_callback(
        ClientsideFunction("trials", "paint"), Output("trials-painted", "data"), Input("trials-facts", "data")
    )


PAGE = Page("trials", "Trials", "/trials", _owns, _title, _layout, _wire)
