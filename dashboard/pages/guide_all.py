"""The guide over all pots: the map, the one look that would settle most, and one advice with one reason a pot.

Behind a word: the plain counts for whoever does not believe a model, what the notes say of roots, what all rests on.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from analysis.quantities import in_units, quantity
from dashboard.answers.roots import sentences
from dashboard.pages import Answer
from dashboard.pages.air_door import air_door
from dashboard.pages.guide_words import (
    MAP,
    cuts_of,
    foot,
    group_of,
    heading_of,
    inner,
    look_path,
    named,
    pot_path,
    reason_of,
    title_of,
)

FIRST_POT = (
    "The guide says for each pot whether pebbles, fewer holes or another step would pay in its air. "
    "It needs a pot with its set-up, and a shelf whose air is known."
)
FIRST_AIR = (
    "How dry the air is decides which cover pays. As soon as one shelf's air is known, its pots stand here "
    "with an advice, before the first note."
)
COLUMN_TEST = (
    f"A column test: stand a clear tube of the mix in {quantity(20, 'mm')} of water beside a hygrometer "
    "for a few days, then measure how high it is damp."
)
GROUPS = (
    ("change", "Do this now"),
    ("look", "Look at these before you change anything"),
    ("leave", "Leave these as they are"),
    ("silent", "Nothing can be said of these"),
)


def all_pots(answer: Answer, wall: Answer) -> tuple[Any, Any]:
    """The page over all pots, and the facts that its script draws."""
    pots = [{**pot, "shelf": shelf["shelf"]} for shelf in answer["shelves"] for pot in shelf["pots"]]
    if not pots:
        return _no_pots(answer), None
    if not any(pot["options"] for pot in pots):
        return _no_air(pots), None
    units = wall["units"]
    grouped = [(group, words, [pot for pot in pots if group_of(pot) == group]) for group, words in GROUPS]
    page = [
        html.Div(
            [html.H1("Cover guide"), html.P(_summary(pots), className="guide-summary")],
            className="guide-head",
        ),
        html.Div(
            [
                html.Section(id="guide-map", className="guide-map", **named(MAP)),
                html.Div(
                    [
                        *_look(answer, units),
                        *(_group(group, words, inside, units) for group, words, inside in grouped if inside),
                    ],
                    className="guide-list",
                ),
            ],
            className="guide-body",
        ),
        *_sceptic(answer, units),
        *_roots(answer),
        *_rests_all(answer),
        foot(),
    ]
    return page, {"cuts": cuts_of(wall), "units": units, "map": answer.get("map"), "pot": None}


def _summary(pots: Sequence[Mapping[str, Any]]) -> str:
    """How many pots stand in which group, in one sentence."""
    count = {group: sum(1 for pot in pots if group_of(pot) == group) for group, _ in GROUPS}
    change, look, leave = count["change"], count["look"], count["leave"]
    parts = [
        f"{change or 'No'} pot{'s want' if change > 1 else ' wants'} {'something' if change else 'anything'} done",
        f"{look or 'none'} want{'' if look > 1 else 's'} a look first",
        f"{leave or 'none'} {'are' if leave > 1 else 'is'} best left alone",
    ]
    if count["silent"]:
        parts.append(f"of {count['silent']} nothing can be said")
    return f"{', '.join(parts[:-1])} and {parts[-1]}."


def _group(group: str, words: str, pots: Sequence[Mapping[str, Any]], units: str) -> Any:
    rows = html.Div([_row(pot, units) for pot in pots], className=f"guide-rows guide-rows-{group}")
    return html.Section([html.H2(f"{words} ({len(pots)})"), rows], className="guide-group")


def _row(pot: Mapping[str, Any], units: str) -> Any:
    """One pot as a door: its section, its advice and the one reason."""
    heading, reason = heading_of(pot, units), reason_of(pot, units)
    return html.A(
        [
            html.Span(className="guide-cut", **{"data-cut": pot["pot"]}),
            html.Span(
                [
                    html.Span([html.B(pot["pot"]), html.Small(pot["shelf"])], className="guide-who"),
                    html.Span(heading, className="guide-advice"),
                    html.Span(reason, className="guide-says"),
                ]
            ),
        ],
        href=pot_path(pot["pot"]),
        className="guide-pot",
        **inner(),
    )


def _look(answer: Answer, units: str) -> list[Any]:
    look = answer.get("look")
    if not look:
        return []
    words, path, how = "Look at it", look_path(look["what"]), []
    if look.get("kind", "pot") == "mix":
        words, path, how = "Note a column test", "/note/column_test", [html.Small(in_units(COLUMN_TEST, units))]
    doors = [html.A(words, href=path, className="door", **inner())]
    return [html.Div([html.P([look["says"], *how]), *doors], className="guide-look")]


def _sceptic(answer: Answer, units: str) -> list[Any]:
    """The plain counts, before and after, for whoever does not believe a model."""
    roots = answer.get("roots") or {}
    counts, pairs = roots.get("counts") or [], roots.get("before_and_after") or []
    if not counts and not pairs:
        return []
    inside: list[Any] = [
        html.P("Counted from the notes alone, no model: what was seen, in which air, under which cover.")
    ]
    if counts:
        inside.append(_counts(counts, units))
    if pairs:
        inside.append(
            html.Ul([html.Li(_before_after(pair, units)) for pair in pairs], className="guide-pairs"),
        )
    inside += [html.P(says) for says in roots.get("disagreements") or []]
    return [html.Details([html.Summary("For the sceptic: the plain counts"), *inside], className="guide-more")]


def _counts(counts: Sequence[Mapping[str, Any]], units: str) -> Any:
    words = (
        "dry air of the week before, kPa",
        "cover",
        "looks",
        "pots",
        "tips going on",
        "tips stopped",
        "rotted",
        "dry layer noted",
    )
    head = html.Tr([html.Th(one, scope="col") for one in words])
    rows = [
        html.Tr(
            [
                html.Th(row["air"], scope="row"),
                html.Td(row["cover"]),
                *(html.Td(_number(row.get(key))) for key in ("looks", "pots", "going_on", "stopped", "rotted")),
                html.Td(_mm(row.get("noted_depth_mm"), units)),
            ]
        )
        for row in counts
    ]
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(rows)], className="guide-counts"), className="guide-wide", tabIndex="0"
    )


def _before_after(pair: Mapping[str, Any], units: str) -> str:
    """One change, the same pots before and after it."""
    share = pair["what"] == "stopped_share"

    def said(value: float) -> str:
        text = f"{100 * value:.0f} %" if share else str(in_units(quantity(value, "mm"), units))
        return text.replace("-", "\u2212")

    what = "share of tips that had stopped" if share else "noted dry layer"
    words = f"{title_of(pair['change'], units)}, {pair['pots']} pot{'' if pair['pots'] == 1 else 's'}: {what} "
    words += f"{said(pair['before'])} before, {said(pair['after'])} after"
    if pair.get("low") is None or pair.get("high") is None:
        return f"{words}; too few for an interval."
    return f"{words}; the difference could be {said(pair['low'])} to {said(pair['high'])}."


def _roots(answer: Answer) -> list[Any]:
    """How deep a dry layer new tips can bear, and what repots did, as sentences."""
    roots = answer.get("roots")
    if not roots:
        return []
    return [
        html.Details(
            [html.Summary("What the notes say of roots"), html.Ul([html.Li(one) for one in sentences(roots)])],
            className="guide-more",
        )
    ]


def _rests_all(answer: Answer) -> list[Any]:
    """What all the answers of this page rest on."""
    says = answer.get("rests_on_says") or []
    if not says:
        return []
    items = [html.Li(one if one.endswith(".") else f"{one}.") for one in says]
    return [html.Details([html.Summary("What does all this rest on?"), html.Ul(items)], className="guide-more")]


def _no_pots(answer: Answer) -> Any:
    return html.Div(
        [
            html.H1("Cover guide"),
            html.P(answer["says"]),
            html.P(FIRST_POT),
            html.P(html.A("Set up the first pot", href="/start", className="door door-first", **inner())),
        ],
        className="plain",
    )


def _no_air(pots: Sequence[Mapping[str, Any]]) -> Any:
    return html.Div(
        [
            html.H1("Cover guide"),
            html.P(pots[0]["says"], className="guide-reason"),
            html.P(FIRST_AIR),
            html.P(html.A("To the sensors", href="/workshop", className="door door-first", **inner())),
            html.P(air_door()),
        ],
        className="plain",
    )


def _number(value: Any) -> str:
    return "—" if value is None else f"{value:g}"


def _mm(value: Any, units: str) -> str:
    return "—" if value is None else str(in_units(quantity(value, "mm"), units))
