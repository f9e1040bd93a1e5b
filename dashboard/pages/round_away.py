"""An absence planned: what to fill before leaving, what does not last, and the one page for whoever waters meanwhile.

Lays out the answer of an absence; its dates are checked by the change that asks for it, and nothing is logged unless
the grower taps that they are away.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from dash import html

from analysis.quantities import in_units, marked
from dashboard.figures.amounts import day_words, days_words, litres_words, volume_words
from dashboard.pages import Answer
from dashboard.pages.forms import field, form, tap
from dashboard.pages.round_visit import amount_words

SHEET = (
    "Fill each reservoir to its mark; the figure is the most it should take. "
    "Write in the box what you found: empty, low, half or full."
)


def absence(answer: Answer, days: tuple[date, ...], today: date, units: str) -> Any:
    """The form that asks for the two days, and the plan once they are given."""
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
            "Give the two days: the plan says what to fill on leaving, which pots may not last and when they fail, "
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
            *_fails(plan, units),
        ],
        className="no-print",
    )


def _before(plan: Mapping[str, Any], units: str) -> list[Any]:
    if not plan["fill_before"]:
        return []
    items = [
        html.Li([html.B(one["pot"]), html.Span(f" {one['shelf']}, {amount_words(one, units)}")])
        for one in plan["fill_before"]
    ]
    return [
        html.Section(
            [html.H2(f"Fill before you leave ({len(items)})"), html.Ul(items, className="round-columns")],
            className="round-notes",
        )
    ]


def _fails(plan: Mapping[str, Any], units: str) -> list[Any]:
    """The pots that a full reservoir does not carry, and what would; one sentence for all that share it."""
    if not plan["fails"]:
        return []
    shown: list[Any] = []
    for stop_gap, group in _by_stop_gap(plan["fails"]).items():
        words = in_units(marked(stop_gap), units)
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
            html.P(words if words.endswith(".") else f"What would carry them: {words}.", className="round-gap"),
        ]
    return [html.Section([html.H2("These may not last, worst first"), *shown], className="round-notes")]


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
    dates = [date.fromisoformat(visit["date"]) for visit in sitter["visits"]]
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
                *([html.P(sitter["then"])] if sitter["then"] else []),
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


def _inner() -> dict[str, Any]:
    return {"data-in": ""}
