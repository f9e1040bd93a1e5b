"""The workshop's shelves and pot types: lists, and one of them to describe anew."""

from collections.abc import Mapping
from typing import Any

from dash import html

from dashboard.pages import Answer
from dashboard.pages.air_door import air_door
from dashboard.pages.forms import Field, field, form, tap
from dashboard.pages.setup_fields import setup_fields
from dashboard.pages.workshop.words import address, fold, inner, link, table

AIR = [("still", "still"), ("gentle", "gentle"), ("draughty", "draughty")]
HEAT = [("none", "none"), ("lamp", "lamp"), ("sun", "sun"), ("heat_mat", "heat mat")]
LIKES = [("wetter", "wetter"), ("even", "even"), ("airy", "airy")]
ROOTS = [("fine", "fine"), ("thick", "thick")]


def shelves(answer: Answer) -> list[Any]:
    """Every shelf, and a form for another."""
    rows = [
        (
            html.A(
                row["shelf"]["label"], href=address("shelf", row["shelf"]["label"]), className="row-door", **inner()
            ),
            _air(row["shelf"]),
            f"{len(row['pots'])} pots" if len(row["pots"]) != 1 else "one pot",
            f"{row['sensors']} sensors" if row["sensors"] else f"borrows {row['shelf'].get('air_from') or 'none'}",
        )
        for row in answer["shelves"]
    ]
    labels = [row["shelf"]["label"] for row in answer["shelves"]]
    teach = html.P(
        "A shelf is a place with one climate: a rack, a window sill, a closed cabinet. Two ends of a long sill that "
        "feel different are two shelves.",
        className="workshop-well",
    )
    return [
        html.H2("Shelves"),
        table(("shelf", "air", "holds", "its air is measured by"), rows) if rows else teach,
        html.H3("A new shelf"),
        form("shelf", shelf_fields(labels), units=answer["units"], button="Enter the shelf"),
    ]


def _air(shelf: Mapping[str, Any]) -> str:
    heat = dict(HEAT).get(shelf.get("heat") or "none", "")
    hours = f" {shelf['hours_per_day']:g} h a day" if shelf.get("hours_per_day") else ""
    return (shelf.get("air") or "not said") + ("" if heat in ("", "none") else f", {heat}{hours}")


def shelf_fields(others: list[str]) -> list[Field]:
    """The fields of a shelf."""
    heated: dict[str, Any] = {"if": ("shelf.heat", ["lamp", "sun", "heat_mat"])}
    fields = [
        field("shelf.label", "Called", needed=True, missing="Give the shelf a label: east window."),
        field("shelf.air", "Its air is", "choice", words=AIR),
        field("shelf.heat", "Heat on the pots", "choice", words=HEAT),
        field("shelf.hours_per_day", "Hours a day", "number", **heated),
    ]
    if others:
        hint = "Only where no sensor stands."
        fields.append(
            field("shelf.air_from", "Borrows the air of", "choice", words=[(one, one) for one in others], hint=hint)
        )
    return fields


def shelf(answer: Answer, label: str) -> list[Any]:
    """One shelf to describe anew, rename or take out."""
    row = next((row for row in answer["shelves"] if row["shelf"]["label"] == label), None)
    if row is None:
        return [html.P(f"There is no shelf called {label}."), link("All shelves", "shelves")]
    record, units = row["shelf"], answer["units"]
    others = [one["shelf"]["label"] for one in answer["shelves"] if one["shelf"]["label"] != label]
    pots = [html.Li(html.A(pot, href=address("pot", pot), **inner())) for pot in row["pots"]]
    return [
        html.H2(label),
        html.Ul(pots, className="pots-here") if pots else html.P("No pot stands here yet."),
        html.Div(air_door(label), className="doors"),
        html.H3("What it is like"),
        form(
            "shelf",
            shelf_fields(others)[1:],
            units=units,
            values={"shelf": record},
            fixed={"shelf": {"label": label}, "was": record},
        ),
        fold(
            "Another label",
            form(
                "shelf_renamed",
                [field("new_label", "Called", needed=True)],
                units=units,
                values={"new_label": label},
                fixed={"label": label},
                button="Rename",
                says="Pots, sensors and notes follow.",
            ),
        ),
        html.H3("Entered by mistake?"),
        html.P("A shelf on which anything ever stood stays, because its history does."),
        html.Div(
            [tap("Take this shelf out", "shelf_withdrawn", {"label": label}), link("All shelves", "shelves")],
            className="doors",
        ),
    ]


def types(answer: Answer) -> list[Any]:
    """Every pot type, and a form for another."""
    count = {one["label"]: 0 for one in answer["types"]}
    for row in answer["pots"]:
        if row["pot"].get("type") in count:
            count[row["pot"]["type"]] += 1
    rows = [
        (
            html.A(label, href=address("type", label), className="row-door", **inner()),
            "one pot" if number == 1 else f"{number} pots",
        )
        for label, number in count.items()
    ]
    teach = html.P(
        "A pot type is a template: describe once how your netted twelve-centimetre pots are built, and each new pot of "
        "that kind is one line. Pots keep their own set-up when the template changes.",
        className="workshop-well",
    )
    return [
        html.H2("Pot types"),
        table(("type", "built after it"), rows) if rows else teach,
        fold(
            "A new pot type",
            form("pot_type", type_fields(), units=answer["units"], button="Keep the pot type"),
            is_open=not rows,
        ),
    ]


def type_fields() -> list[Field]:
    """The fields of a pot type."""
    return [
        field("label", "Called", needed=True, missing="Give the pot type a label: netted, 12 cm."),
        field("about.likes", "Plants in it like it", "choice", words=LIKES),
        field("about.roots", "Their roots are", "choice", words=ROOTS),
        *setup_fields("setup."),
    ]


def pot_type(answer: Answer, label: str) -> list[Any]:
    """One pot type to describe anew or take out."""
    record = next((one for one in answer["types"] if one["label"] == label), None)
    if record is None:
        return [html.P(f"There is no pot type called {label}."), link("All pot types", "types")]
    about = {key: record[key] for key in ("likes", "roots") if key in record}
    setup = {key: value for key, value in record.items() if key not in ("label", "likes", "roots")}
    return [
        html.H2(label),
        html.Div([link("New pots after it", "pots", "after-type"), link("All pot types", "types")], className="doors"),
        form(
            "pot_type",
            type_fields()[1:],
            units=answer["units"],
            values={"about": about, "setup": setup},
            fixed={"label": label, "was": record},
        ),
        html.H3("Not needed any more?"),
        html.Div(tap("Take this pot type out", "pot_type_withdrawn", {"label": label}), className="doors"),
    ]
