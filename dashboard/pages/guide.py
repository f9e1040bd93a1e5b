"""Cover guide: in which climates do pebbles or fewer holes pay, and what should each pot have?

Addresses: `/guide` shows the map and one advice with one reason a pot; `/guide/<pot>` the pot's section, every option
and what each number rests on. Asks for the answer and lays it out; `assets/guide.js` draws map and sections and sends
the one change a person can make here. Computes nothing itself.
"""

import logging
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote, unquote

from dash import ClientsideFunction, Input, Output, dcc, html, no_update

from dashboard.figures.chances import chance, tenths_words
from dashboard.pages import Answer, Ask, Page

NO_GUIDE = "The guide has no answer just now: the stores gave none. The command dryline check says more."
WAIT = "Every change is being weighed for every pot. The first time in an hour this takes some seconds."
HONEST = (
    "No supply curve for these media is published, and depths are unproven on real pots: "
    "try one of two pots, look after two weeks, then the rest."
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
    "A column test: stand a clear tube of the mix in 20 mm of water beside a hygrometer for a few days, "
    "then measure how high it is damp."
)
NOT_MODELLED = (
    "What holes do for the air at the roots is not modelled: closing them may cost what this guide cannot see."
)
CAUTIONS = (
    "Pebbles: rinse them, test them for lime (vinegar must not foam), off crown and rhizome; mind the weight.",
    "Holes: empty the pot before you make any; mind cuts, and fumes where plastic is melted.",
    "Dry media give dust: damp them before you pour, and keep the dust out of your lungs.",
    "One plant, one water, one tool: viruses and rot travel in shared water and on blades; sterilise between plants.",
    "Treatments and plant protection: the label, local rules and licensed practice come before anything said here.",
)
RESTS = {
    "measured": "this pot's own sensor or notes",
    "borrowed": "pots like it",
    "guessed": "what is known of the media alone: no note of this pot counts yet",
}
GROUPS = (
    ("change", "Change these"),
    ("look", "Look at these before you change anything"),
    ("leave", "Leave these as they are"),
    ("silent", "Nothing can be said of these"),
)

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/guide" or path.startswith("/guide/")


def asked(path: str) -> str | None:
    """The pot that an address asks for."""
    return unquote(path.removeprefix("/guide").strip("/")) or None


def _title(path: str) -> str:
    pot = asked(path)
    return f"What {pot} needs" if pot else "Cover guide"


def _layout(_path: str, _pages: str) -> Any:
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
            return _sentence(NO_GUIDE), None
        answer, wall = ask.guide(now_ms), ask.wall(now_ms)
        return _page(answer, wall) if pot is None else _pot_page(answer, wall, pot)
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the guide's answer failed")
        return _sentence(NO_GUIDE), None


def group_of(pot: Mapping[str, Any]) -> str:
    """Which of the four groups a pot stands in: change, look, leave or silent."""
    if not pot["options"]:
        return "silent"
    if not pot["sure"]:
        return "look"
    return "leave" if pot["advice"] in (None, "leave") else "change"


def title_of(change: str) -> str:
    """An option's words as a heading."""
    return "Leave it as it is" if change == "leave" else f"{change[0].upper()}{change[1:]}"


# --- all pots -------------------------------------------------------------------------------------------------------


def _page(answer: Answer, wall: Answer) -> tuple[Any, Any]:
    pots = [{**pot, "shelf": shelf["shelf"]} for shelf in answer["shelves"] for pot in shelf["pots"]]
    if not pots:
        return _no_pots(answer), None
    if not any(pot["options"] for pot in pots):
        return _no_air(pots), None
    grouped = [(group, words, [pot for pot in pots if group_of(pot) == group]) for group, words in GROUPS]
    page = [
        html.Div(
            [html.H1("Cover guide"), html.P(_summary(pots), className="guide-summary")],
            className="guide-head",
        ),
        html.Div(
            [
                html.Section(id="guide-map", className="guide-map", **_named("Map of dry air against holes")),
                html.Div(
                    [*_look(answer), *(_group(group, words, inside) for group, words, inside in grouped if inside)],
                    className="guide-list",
                ),
            ],
            className="guide-body",
        ),
        *_sceptic(answer),
        *_roots(answer),
        *_rests_all(answer),
        _foot(),
    ]
    return page, {"cuts": _cuts(wall), "units": wall.get("units", "metric"), "map": answer.get("map"), "pot": None}


def _summary(pots: Sequence[Mapping[str, Any]]) -> str:
    """How many pots stand in which group, in one sentence."""
    count = {group: sum(1 for pot in pots if group_of(pot) == group) for group, _ in GROUPS}
    change, look, leave = count["change"], count["look"], count["leave"]
    parts = [
        "No pot calls for a change"
        if not change
        else f"{change} pot{'s call' if change > 1 else ' calls'} for a change",
        f"{look or 'none'} want{'' if look > 1 else 's'} a look first",
        f"{leave or 'none'} {'are' if leave > 1 else 'is'} best left alone",
    ]
    if count["silent"]:
        parts.append(f"of {count['silent']} nothing can be said")
    return f"{', '.join(parts[:-1])} and {parts[-1]}."


def _group(group: str, words: str, pots: Sequence[Mapping[str, Any]]) -> Any:
    rows = html.Div([_row(pot) for pot in pots], className=f"guide-rows guide-rows-{group}")
    return html.Section([html.H2(f"{words} ({len(pots)})"), rows], className="guide-group")


def _row(pot: Mapping[str, Any]) -> Any:
    """One pot as a door: its section, its advice and the one reason."""
    heading, reason = _heading(pot), pot["says"]
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
        href=_path(pot["pot"]),
        className="guide-pot",
        **_inner(),
    )


def _heading(pot: Mapping[str, Any]) -> str:
    """The advice in a few words; for a pot to be looked at first, what it might come to."""
    if not pot["advice"]:
        return "No answer"
    if group_of(pot) != "look":
        return title_of(pot["advice"])
    return "Look first" if pot["advice"] == "leave" else f"Look first; perhaps {pot['advice']}"


def _look(answer: Answer) -> list[Any]:
    look = answer.get("look")
    if not look:
        return []
    settles = [name for name in look.get("settles", []) if name != look["what"]]
    more = [html.Small(f"It also bears on {_listed(settles)}.")] if settles else []
    words, path = ("Look at it", _look_path(look["what"]))
    if look.get("kind", "pot") == "mix":
        words, path = "Note a column test", "/note/column_test"
        more.append(html.Small(COLUMN_TEST))
    doors = [html.A(words, href=path, className="door", **_inner())]
    return [html.Div([html.P([look["says"], *more]), *doors], className="guide-look")]


def _sceptic(answer: Answer) -> list[Any]:
    """The plain counts, before and after, for whoever does not believe a model."""
    roots = answer.get("roots") or {}
    counts, pairs = roots.get("counts") or [], roots.get("before_and_after") or []
    if not counts and not pairs:
        return []
    inside: list[Any] = [
        html.P("Counted from the notes alone, no model: what was seen, in which air, under which cover.")
    ]
    if counts:
        inside.append(_counts(counts))
    if pairs:
        inside.append(
            html.Ul([html.Li(_before_after(pair)) for pair in pairs], className="guide-pairs"),
        )
    inside += [html.P(says) for says in roots.get("disagreements") or []]
    return [html.Details([html.Summary("For the sceptic: the plain counts"), *inside], className="guide-more")]


def _counts(counts: Sequence[Mapping[str, Any]]) -> Any:
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
                html.Td(_mm(row.get("noted_depth_mm"))),
            ]
        )
        for row in counts
    ]
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(rows)], className="guide-counts"), className="guide-wide", tabIndex="0"
    )


def _before_after(pair: Mapping[str, Any]) -> str:
    """One change, the same pots before and after it."""
    share = pair["what"] == "stopped_share"
    factor, unit = (100.0, "%") if share else (1.0, "mm")

    def said(value: float) -> str:
        return f"{factor * value:.0f} {unit}".replace("-", "\u2212")

    what = "share of tips that had stopped" if share else "noted dry layer"
    words = f"{title_of(pair['change'])}, {pair['pots']} pot{'' if pair['pots'] == 1 else 's'}: {what} "
    words += f"{said(pair['before'])} before, {said(pair['after'])} after"
    if pair.get("low") is None or pair.get("high") is None:
        return f"{words}; too few for an interval."
    return f"{words}; the difference could be {said(pair['low'])} to {said(pair['high'])}."


def _roots(answer: Answer) -> list[Any]:
    """How deep a dry layer new tips can bear, and what repots did, as sentences."""
    roots = answer.get("roots") or {}
    says = [roots.get("says"), *(one.get("says") for one in roots.get("rooting_depth") or [])]
    says += [(roots.get("rot") or {}).get("says"), *(one.get("says") for one in roots.get("after_repots") or [])]
    says += [one.get("says") for one in roots.get("easing") or []]
    says += [(roots.get("climate") or {}).get("says")]
    sentences = list(dict.fromkeys(one for one in says if one))
    if not sentences:
        return []
    return [
        html.Details(
            [html.Summary("What the notes say of roots"), html.Ul([html.Li(one) for one in sentences])],
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


def _foot() -> Any:
    return html.Div(
        [
            html.Details(
                [html.Summary("Cautions"), html.Ul([html.Li(one) for one in CAUTIONS])], className="guide-more"
            ),
            html.P([HONEST, " ", NOT_MODELLED], className="guide-honest"),
        ]
    )


# --- one pot --------------------------------------------------------------------------------------------------------


def _pot_page(answer: Answer, wall: Answer, label: str) -> tuple[Any, Any]:
    found = [(shelf, pot) for shelf in answer["shelves"] for pot in shelf["pots"] if pot["pot"] == label]
    if not found:
        return _sentence(f"There is no pot called {label}."), None
    shelf, pot = found[0]
    facts = {"cuts": _cuts(wall), "units": wall.get("units", "metric"), "map": answer.get("map"), "pot": label}
    head = html.Div(
        [
            html.Div([html.H1(label), html.P(_where(shelf, wall, label), className="guide-summary")]),
            html.A("All pots", href="/guide", className="guide-back", **_inner()),
        ],
        className="guide-head",
    )
    if not pot["options"]:
        return [head, html.P(pot["says"], className="guide-first"), _foot()], None
    page = [
        head,
        html.Div(
            [html.Div(_advice(pot), className="guide-why"), html.Div(id="guide-cut", className="guide-section")],
            className="guide-pair",
        ),
        html.Div(
            [
                html.Section([html.H2("Every option, smallest step first"), _options(pot)], className="guide-options"),
                html.Section(id="guide-map", className="guide-map", **_named("Map of dry air against holes")),
            ],
            className="guide-body guide-body-pot",
        ),
        _foot(),
    ]
    return page, facts


def _where(shelf: Mapping[str, Any], wall: Answer, label: str) -> str:
    plant = next((pot.get("plant") for row in wall["shelves"] for pot in row["pots"] if pot["label"] == label), None)
    week = shelf["vpd_week_kpa"]
    air = (
        f"dry air {week['p50']:.2f} kPa this week ({week['p10']:.2f} to {week['p90']:.2f})" if week else "air not known"
    )
    return ", ".join(filter(None, (plant, shelf["shelf"], air)))


def _advice(pot: Mapping[str, Any]) -> list[Any]:
    """The advice, its reason, both risks as they are and as they would be, and the one button."""
    advised = _option_of(pot, pot["advice"])
    leave = pot["options"][0]
    shown: list[Any] = [
        html.P(_heading(pot), className="guide-first"),
        html.P(pot["says"], className="guide-reason"),
        _both("As it is", leave),
    ]
    if advised is not None and advised is not leave:
        shown.append(_both("With it", advised))
    shown += [html.P(warning, className="guide-warning") for warning in pot["warnings"]]
    shown += _season(pot)
    if advised is not None and advised["caution"]:
        shown.append(html.P(advised["caution"], className="guide-caution"))
    shown.append(_doors(pot, advised))
    shown.append(_rests(pot))
    return shown


def _both(words: str, option: Mapping[str, Any]) -> Any:
    wet = option["chance_too_wet"]
    return html.Div(
        [
            html.Span(words, className="guide-then"),
            chance(option["chance_too_dry"], option["low"], option["high"], "dry"),
            chance(wet, wet, wet, "wet"),
        ],
        className="guide-both",
    )


def _season(pot: Mapping[str, Any]) -> list[Any]:
    """The outlook for the shelf's driest month."""
    season = pot.get("season")
    return [html.P(season["says"], className="guide-season")] if season else []


def _doors(pot: Mapping[str, Any], advised: Mapping[str, Any] | None) -> Any:
    """What to do: look where that comes first, log the advice as done where it can be."""
    sure = group_of(pot) == "change"
    main, other = "door door-first", "door"
    look = html.A("Look at it", href=_look_path(pot["pot"]), className=other if sure else main, **_inner())
    if advised is None or not can_take(advised["change"]):
        return html.Div([look], className="guide-doors")
    taken: dict[str, Any] = {"data-take": advised["change"], "data-pot": pot["pot"]}
    told: dict[str, Any] = {"data-taken": pot["pot"]}
    take = html.Button(
        "I have done this" if sure else "I have done it all the same",
        type="button",
        className=main if sure else other,
        **taken,
    )
    doors = [take, look] if sure else [look, take]
    return html.Div([*doors, html.Div(className="guide-taken", role="status", **told)], className="guide-doors")


def can_take(change: str) -> bool:
    """Whether doing it now can be logged: not leaving, and not what waits for the next repot."""
    return change != "leave" and not change.endswith("at the next repot")


def _rests(pot: Mapping[str, Any]) -> Any:
    says = list(pot.get("rests_on_says") or [f"It rests on {RESTS.get(pot['rests_on'], pot['rests_on'])}."])
    evidence = pot.get("evidence") or {}
    told = [html.Li(evidence[key]) for key in ("physics", "notes", "both") if evidence.get(key)]
    beside = [(pot.get("ease") or {}).get("says"), pot.get("tips_say"), pot.get("salt")]
    return html.Details(
        [
            html.Summary("What does this rest on?"),
            *(html.P(one) for one in says),
            *([html.Ul(told)] if told else []),
            *(html.P(one) for one in beside if one),
        ],
        className="guide-rests",
    )


def _options(pot: Mapping[str, Any]) -> Any:
    return html.Ul([_option(pot, option) for option in pot["options"]], className="options")


def _option(pot: Mapping[str, Any], option: Mapping[str, Any]) -> Any:
    """One option: both risks, the dry air at which it fails, and its own grounds behind a word."""
    wet, critical = option["chance_too_wet"], option["critical_vpd_kpa"]
    becomes = "never too dry in air that was looked at" if critical is None else f"too dry above {critical:.2f} kPa"
    chosen = option["change"] == pot["advice"]
    grounds = [f"Of 10 cases that fit what is known it is enough in {round(10 * option['suffices'])}."]
    if option.get("physics") is not None:
        grounds.append(f"Physics alone: too dry {_share(option['physics'])}.")
    grounds.append(option.get("seen") or "Notes alone: nobody has noted this change here yet.")
    if option.get("extrapolated"):
        grounds.append(option["extrapolated"])
    if option.get("driest_month") is not None:
        grounds.append(f"In the driest month: too dry {_share(option['driest_month'])}.")
    if option["caution"]:
        grounds.append(option["caution"])
    shown = [
        html.Span(
            [title_of(option["change"]), *([html.Small("the advice")] if chosen else [])], className="option-name"
        ),
        html.Span(becomes, className="option-critical"),
        chance(option["chance_too_dry"], option["low"], option["high"], "dry"),
        html.Span("what does this rest on?", className="option-why"),
        chance(wet, wet, wet, "wet"),
    ]
    return html.Li(
        html.Details([html.Summary(shown), *(html.P(one) for one in grounds)]),
        className="option option-chosen" if chosen else "option",
    )


# --- small things ---------------------------------------------------------------------------------------------------


def _option_of(pot: Mapping[str, Any], change: str | None) -> Mapping[str, Any] | None:
    return next((option for option in pot["options"] if option["change"] == change), None)


def _cuts(wall: Answer) -> dict[str, Any]:
    """The facts of every pot's section, by label."""
    return {pot["label"]: pot["section"] for shelf in wall["shelves"] for pot in shelf["pots"]}


def _no_pots(answer: Answer) -> Any:
    return html.Div(
        [
            html.H1("Cover guide"),
            html.P(answer["says"]),
            html.P(FIRST_POT),
            html.P(html.A("Set up the first pot", href="/workshop", className="door door-first", **_inner())),
        ],
        className="plain",
    )


def _no_air(pots: Sequence[Mapping[str, Any]]) -> Any:
    return html.Div(
        [
            html.H1("Cover guide"),
            html.P(pots[0]["says"], className="guide-reason"),
            html.P(FIRST_AIR),
            html.P(html.A("To the sensors", href="/workshop", className="door door-first", **_inner())),
        ],
        className="plain",
    )


def _sentence(words: str) -> Any:
    return html.Div(
        [html.H1("No advice"), html.P(words), html.P(html.A("All pots", href="/guide", **_inner()))], className="plain"
    )


def _path(pot: str) -> str:
    return f"/guide/{quote(pot, safe='')}"


def _look_path(pot: str) -> str:
    return f"/logbook/{quote(pot, safe='')}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _number(value: Any) -> str:
    return "—" if value is None else f"{value:g}"


def _mm(value: Any) -> str:
    return "—" if value is None else f"{value:.0f} mm"


def _share(chance_dry: float) -> str:
    return tenths_words(chance_dry, chance_dry, chance_dry).replace("about", "on about")


def _inner() -> dict[str, Any]:
    return {"data-in": ""}


def _named(label: str) -> dict[str, Any]:
    return {"aria-label": label}


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
