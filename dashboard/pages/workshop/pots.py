"""The workshop's pots: all of them, one of them with its dated set-ups, and the ways to make or change many at once."""

import json
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote, urlencode

from dash import html

from dashboard.pages import Answer
from dashboard.pages.forms import Field, field, form, tap
from dashboard.pages.setup_fields import (
    ONE_PLANT,
    cover_fields,
    gap_fields,
    holes_fields,
    setup_fields,
    shelf_field,
    wick_fields,
)
from dashboard.pages.workshop.stock import LIKES, ROOTS
from dashboard.pages.workshop.words import Clock, address, fold, inner, link, table, thickness

FROM_A_DAY = (
    "A change that you noted in the logbook (a cover, holes, a repot, a move) is here already. What you change below "
    "holds from the moment that you give; what was before stays as it was."
)
NO_SHELF = "First the shelf on which it stands."


def page(answer: Answer) -> list[Any]:
    """Every pot by its shelf, and the doors to making and changing them."""
    labels = [row["pot"]["label"] for row in answer["pots"]]
    doors = [
        link("New pot", "pots", "new", first=not labels),
        link("New pots after a type", "pots", "after-type"),
        *([link("Copy a pot", "pots", "copy"), link("Change many", "pots", "many")] if labels else []),
        *([html.A("Labels to print", href="/labels", target="_blank", className="door")] if labels else []),
    ]
    teach = html.P(
        "A pot is entered with what you know of it: a trade size and the word “unknown” are enough to begin. What you "
        "measure later makes its dry line sharper, and earlier weeks are reckoned anew with it.",
        className="workshop-well",
    )
    return [
        html.H2("Pots"),
        html.Div(doors, className="doors"),
        *([_list(answer)] if labels else [teach]),
        *_batches(answer["batches"]),
    ]


def _list(answer: Answer) -> Any:
    order = [row["shelf"]["label"] for row in answer["shelves"]]
    rows = sorted(answer["pots"], key=lambda row: order.index(row["shelf"]) if row["shelf"] in order else -1)
    return table(
        ("pot", "plant", "stands on", "likes", "type, batch"),
        [
            (
                html.A(row["pot"]["label"], href=address("pot", row["pot"]["label"]), className="row-door", **inner()),
                row["pot"].get("plant") or "—",
                row["shelf"] or "no shelf yet",
                row["pot"].get("likes") or "—",
                ", ".join(filter(None, (row["pot"].get("type"), row["pot"].get("batch")))) or "—",
            )
            for row in rows
        ],
    )


def _batches(batches: Mapping[str, Sequence[str]]) -> list[Any]:
    if not batches:
        return []
    rows = [
        (
            html.Strong(batch),
            ", ".join(pots),
            html.A(
                "Their labels",
                href=f"/labels?{urlencode({'pot': list(pots)}, doseq=True)}",
                target="_blank",
                className="door",
            ),
        )
        for batch, pots in batches.items()
    ]
    return [html.H3("Batches"), html.P(ONE_PLANT, className="caution"), table(("batch", "pots", ""), rows)]


def about_fields(prefix: str, types: Sequence[str] = (), batches: Sequence[str] = ()) -> list[Field]:
    """What is said of a pot and its plant, beside how it is built."""
    kinds = [field(f"{prefix}type", "Pot type", "choice", words=[(one, one) for one in types])] if types else []
    return [
        field(f"{prefix}plant", "Plant"),
        field(f"{prefix}likes", "It likes it", "choice", words=LIKES),
        field(f"{prefix}roots", "Its roots are", "choice", words=ROOTS),
        *kinds,
        field(f"{prefix}batch", "Batch", hint="What arrived or is treated together.", words=list(batches)),
        field(f"{prefix}acquired_on", "Acquired on", "date"),
        field(f"{prefix}acquired_from", "Acquired from"),
        field(f"{prefix}isolated_until", "Kept apart until", "date"),
    ]


def _known(answer: Answer) -> tuple[list[str], list[str], list[str]]:
    shelves = [row["shelf"]["label"] for row in answer["shelves"]]
    return shelves, [one["label"] for one in answer["types"]], list(answer["batches"])


def new(answer: Answer) -> list[Any]:
    """One new pot with its first set-up."""
    shelves, types, batches = _known(answer)
    if not shelves:
        return _first_a_shelf("A new pot")
    return [
        html.H2("A new pot"),
        html.P("Only the label and the shelf are needed. Words serve where you have no numbers."),
        form(
            "pot_added",
            [
                field("pot.label", "Called", needed=True, hint="Where it is found: window left.", missing=NO_LABEL),
                shelf_field(shelves, "setup."),
                field("from", "Stands so since", "time", hint="Empty: since now."),
                *about_fields("pot.", types, batches),
                *setup_fields("setup."),
            ],
            units=answer["units"],
            button="Enter the pot",
            cancel=address("pots"),
        ),
    ]


NO_LABEL = "Give the pot a label that says where it is found: window left."


def _first_a_shelf(heading: str) -> list[Any]:
    return [
        html.H2(heading),
        html.P(NO_SHELF),
        html.Div(link("Enter a shelf", "shelves", first=True), className="doors"),
    ]


def after_type(answer: Answer) -> list[Any]:
    """Many new pots built after one template."""
    shelves, types, batches = _known(answer)
    if not shelves:
        return _first_a_shelf("New pots after a type")
    if not types:
        return [
            html.H2("New pots after a type"),
            html.P("There is no pot type yet: describe once how such pots are built."),
            html.Div(link("A pot type", "types", first=True), className="doors"),
        ]
    return [
        html.H2("New pots after a type"),
        form(
            "pots_after_type",
            [
                field("type", "Built after", "choice", words=[(one, one) for one in types], needed=True),
                field("labels", "Their labels", "list", needed=True, hint="Commas between them."),
                shelf_field(shelves),
                field("from", "Stand so since", "time", hint="Empty: since now."),
                *about_fields("about.", (), batches),
            ],
            units=answer["units"],
            button="Enter the pots",
            go=address("pots"),
            cancel=address("pots"),
        ),
    ]


def copy(answer: Answer) -> list[Any]:
    """New pots built like one that stands."""
    labels = [row["pot"]["label"] for row in answer["pots"]]
    return [
        html.H2("Copy a pot"),
        form(
            "pots_copied",
            [
                field("label", "Like", "choice", words=[(one, one) for one in labels], needed=True, none="choose"),
                field("labels", "Labels of the new pots", "list", needed=True, hint="Commas between them."),
                field("from", "Stand so since", "time", hint="Empty: since now."),
            ],
            units=answer["units"],
            button="Enter the copies",
            go=address("pots"),
            cancel=address("pots"),
        ),
    ]


def many(answer: Answer) -> list[Any]:
    """One change for many pots."""
    shelves, types, batches = _known(answer)
    by_shelf = [{"label": row["shelf"]["label"], "pots": row["pots"]} for row in answer["shelves"] if row["pots"]]
    homeless = [row["pot"]["label"] for row in answer["pots"] if row["shelf"] is None]
    by_shelf += [{"label": "no shelf yet", "pots": homeless}] if homeless else []
    return [
        html.H2("Change many pots"),
        html.P("Only what you fill in changes, and in every ticked pot alike. All of them change, or none."),
        form(
            "pots_changed",
            [
                field(
                    "pots", "Which pots", "pots", shelves=by_shelf, needed=True, missing="Tick the pots that change."
                ),
                field("from", "Since", "time", hint="For changes of the set-up. Empty: since now."),
                field("set-up", "Their set-up", "heading"),
                shelf_field(shelves, "change.", needed=False),
                *cover_fields("change."),
                *holes_fields("change."),
                *wick_fields("change."),
                *gap_fields("change."),
                field("plants", "Their plants", "heading"),
                *about_fields("about.", types, batches),
            ],
            units=answer["units"],
            button="Change them",
            cancel=address("pots"),
        ),
    ]


# --- one pot


def one(answer: Answer, from_ms: int | None) -> list[Any]:
    """A pot: what is said of it, its set-ups by date, and a set-up to describe (`from_ms`: one that is there)."""
    label, clock = answer["pot"]["label"], Clock(answer["time_zone"], answer["at_ms"])
    setups, units = answer["setups"], answer["units"]
    chosen = next((row for row in setups if row["from_ms"] == from_ms), None)
    if from_ms is not None and chosen is None:
        return [
            html.P(f"{label} has no set-up that begins then; it was taken away or moved."),
            link(label, "pot", label),
        ]
    if chosen is not None:
        return _correcting(answer, chosen, clock)
    now = setups[-1] if setups else None
    since = [field("from", "Since", "time", hint="Empty: since now.")]
    described = _setup_form(answer, now, {"pot": label}, since, units)
    gone = [html.P(f"It is no more since {clock(answer['gone_ms'])}; its history stays.")] if answer["gone_ms"] else []
    return [
        html.H2(label),
        html.Div(
            [
                html.A("Its logbook", href=f"/logbook/{quote(label, safe='')}", className="door", **inner()),
                html.A("Its story", href=f"/story/{quote(label, safe='')}", className="door", **inner()),
                html.A("Its label", href=f"/labels?{urlencode({'pot': label})}", target="_blank", className="door"),
                link("All pots", "pots"),
            ],
            className="doors",
        ),
        *gone,
        html.H3("How it was set up"),
        html.Ol([_setup_row(label, row, clock, units) for row in reversed(setups)], className="setups")
        if setups
        else html.P("Not described yet, so nothing can be reckoned for it."),
        fold("Describe it from a day on", html.P(FROM_A_DAY), described, is_open=not setups),
        fold(
            "The plant",
            form(
                "pot",
                about_fields("pot.", answer["types"], answer["batches"]),
                units=units,
                values={"pot": answer["pot"]},
                fixed={"pot": {"label": label}, "was": answer["pot"]},
            ),
        ),
        fold(
            "Another label",
            form(
                "pot_renamed",
                [field("new_label", "Called", needed=True)],
                units=units,
                values={"new_label": label},
                fixed={"label": label},
                button="Rename",
                says="Notes, set-ups and sensors follow. A printed label with the old address must be printed anew.",
            ),
        ),
        fold(
            "Entered by mistake?",
            html.P("A pot of which anything was noted stays. If it is no more, note that it died or is gone."),
            html.Div(tap("Take this pot out", "pots_withdrawn", {"pots": [label]}), className="doors"),
        ),
    ]


def _setup_row(label: str, row: Mapping[str, Any], clock: Clock, units: str) -> Any:
    until = "now" if row["to_ms"] is None else clock(row["to_ms"])
    drawn: Any = {"data-section": json.dumps(row["section"]), "data-units": units}
    return html.Li(
        [
            html.Div(className="setup-cut", **drawn),
            html.Div(
                [
                    html.P(html.Strong(f"{clock(row['from_ms'])} to {until}, {row['setup']['shelf']}")),
                    html.P(_in_words(row["setup"], units)),
                    html.Div(
                        [
                            link("Correct it", "pot", label, str(row["from_ms"])),
                            tap("Take away", "setup_withdrawn", {"pot": label, "from_ms": row["from_ms"]}),
                        ],
                        className="doors",
                    ),
                ]
            ),
        ],
        key=str(row["from_ms"]),
    )


def _in_words(setup: Mapping[str, Any], units: str) -> str:
    """A set-up in a line or two, as it was given."""
    parts = [_layer(layer, units) for layer in setup.get("layers") or []]
    cover = setup.get("top_layer") or {}
    if cover.get("kind", "none") != "none":
        parts.insert(0, f"{_thick(cover, units)}{_words(cover['kind'])} on top")
    vents, wick = setup.get("vents"), setup.get("wick")
    if vents is not None:
        parts.append(f"{vents['count'] if isinstance(vents, Mapping) else vents} holes")
    if wick is not None:
        strands = wick["strands"] if isinstance(wick, Mapping) else wick
        parts.append("no wick" if strands in ("none", 0) else f"wick: {strands}")
    return "; ".join(parts) or "Built as is usual: nothing else was said."


def _layer(layer: Mapping[str, Any], units: str) -> str:
    mix = layer.get("mix", "unknown")
    share = (
        {key: f"{value:.0%}" if isinstance(value, (int, float)) else value for key, value in mix.items()}
        if isinstance(mix, Mapping)
        else {}
    )
    of = ", ".join(f"{_words(medium)} {said}" for medium, said in share.items()) or "an unknown mix"
    return f"{_thick(layer, units)}{of}"


def _thick(part: Mapping[str, Any], units: str) -> str:
    return f"{thickness(part['thickness_mm'], units)} of " if part.get("thickness_mm") else ""


def _words(name: str) -> str:
    return name.replace("_", " ")


def _setup_form(
    answer: Answer, row: Mapping[str, Any] | None, fixed: Mapping[str, Any], first: Sequence[Field], units: str
) -> Any:
    return form(
        "setup",
        [shelf_field(answer["shelves"], "setup."), *first, *setup_fields("setup.")],
        units=units,
        values={"setup": row["setup"] if row else {}},
        fixed=fixed,
        button="Keep the set-up",
    )


def _correcting(answer: Answer, row: Mapping[str, Any], clock: Clock) -> list[Any]:
    label = answer["pot"]["label"]
    until = "now" if row["to_ms"] is None else clock(row["to_ms"])
    fixed = {"pot": label, "from_ms": row["from_ms"], "was": row["setup"]}
    return [
        html.H2(f"{label}, {clock(row['from_ms'])} to {until}"),
        html.P("What you correct here was so all that time; everything reckoned from it follows."),
        html.Div(link(f"Back to {label}", "pot", label), className="doors"),
        _setup_form(answer, row, fixed, [], answer["units"]),
    ]
