"""The guide for one pot: its section, the advice with its reason and one button, every option with its grounds."""

from collections.abc import Mapping
from typing import Any

from dash import html

from analysis.options import AT_A_REPOT
from dashboard.figures.chances import chance, tenths_words
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
    reason_of,
    sentence,
    title_of,
)

RESTS = {
    "measured": "this pot's own sensor or notes",
    "borrowed": "pots like it",
    "guessed": "what is known of the media alone: no note of this pot counts yet",
}


def one_pot(answer: Answer, wall: Answer, label: str) -> tuple[Any, Any]:
    """The page of one pot, and the facts that its script draws."""
    found = [(shelf, pot) for shelf in answer["shelves"] for pot in shelf["pots"] if pot["pot"] == label]
    if not found:
        return sentence(f"There is no pot called {label}."), None
    shelf, pot = found[0]
    units = wall["units"]
    facts = {"cuts": cuts_of(wall), "units": units, "map": answer.get("map"), "pot": label}
    head = html.Div(
        [
            html.Div([html.H1(label), html.P(_where(shelf, wall, label), className="guide-summary")]),
            html.A("All pots", href="/guide", className="guide-back", **inner()),
        ],
        className="guide-head",
    )
    if not pot["options"]:
        return [head, html.P(pot["says"], className="guide-first"), html.P(air_door()), foot()], None
    page = [
        head,
        html.Div(
            [html.Div(_advice(pot, units), className="guide-why"), html.Div(id="guide-cut", className="guide-section")],
            className="guide-pair",
        ),
        html.Div(
            [
                html.Section(
                    [html.H2("Every option, smallest step first"), _options(pot, units)], className="guide-options"
                ),
                html.Section(id="guide-map", className="guide-map", **named(MAP)),
            ],
            className="guide-body guide-body-pot",
        ),
        foot(),
    ]
    return page, facts


def _where(shelf: Mapping[str, Any], wall: Answer, label: str) -> str:
    plant = next((pot.get("plant") for row in wall["shelves"] for pot in row["pots"] if pot["label"] == label), None)
    week = shelf["vpd_week_kpa"]
    air = (
        f"dry air {week['p50']:.2f} kPa this week ({week['p10']:.2f} to {week['p90']:.2f})" if week else "air not known"
    )
    return ", ".join(filter(None, (plant, shelf["shelf"], air)))


def _advice(pot: Mapping[str, Any], units: str) -> list[Any]:
    """The advice, its reason, both risks as they are and as they would be, and the one button."""
    advised = _option_of(pot, pot["advice"])
    leave = pot["options"][0]
    shown: list[Any] = [
        html.P(heading_of(pot, units), className="guide-first"),
        html.P(reason_of(pot, units), className="guide-reason"),
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
    look = html.A("Look at it", href=look_path(pot["pot"]), className=other if sure else main, **inner())
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
    return change != "leave" and not change.endswith(AT_A_REPOT)


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


def _options(pot: Mapping[str, Any], units: str) -> Any:
    return html.Ul([_option(pot, option, units) for option in pot["options"]], className="options")


def _option(pot: Mapping[str, Any], option: Mapping[str, Any], units: str) -> Any:
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
    name: list[Any] = [title_of(option["change"], units), *([html.Small("the advice")] if chosen else [])]
    shown = [
        html.Span(name, className="option-name"),
        html.Span(becomes, className="option-critical"),
        chance(option["chance_too_dry"], option["low"], option["high"], "dry"),
        html.Span("what does this rest on?", className="option-why"),
        chance(wet, wet, wet, "wet"),
    ]
    return html.Li(
        html.Details([html.Summary(shown), *(html.P(one) for one in grounds)]),
        className="option option-chosen" if chosen else "option",
    )


def _option_of(pot: Mapping[str, Any], change: str | None) -> Mapping[str, Any] | None:
    return next((option for option in pot["options"] if option["change"] == change), None)


def _share(chance_dry: float) -> str:
    return tenths_words(chance_dry, chance_dry, chance_dry).replace("about", "on about")
