"""A chance as a person says it, and as ten stones of which some are taken.

Draws what it is given; knows neither where a chance comes from nor what it is a chance of. Days too dry are pointed
stones, days too wet are flat ones, so that the two differ in shape as well as in colour.
"""

from typing import Any, Literal

from dash import html

STONES = 10
OF = {"dry": "too dry", "wet": "too wet"}


def tenths_words(chance: float, low: float, high: float) -> str:
    """ "about 4 in 10 days, could be 1 to 7"; the ends are said only where they differ."""
    middle, least, most = (round(10 * value) for value in (chance, low, high))
    if least == most:
        return {0: "hardly ever", STONES: "nearly always"}.get(middle, f"about {middle} in 10 days")
    return f"about {middle} in 10 days, could be {least} to {most}"


def stones(chance: float, low: float, high: float, kind: Literal["dry", "wet"]) -> Any:
    """Ten stones: taken up to the low end for sure, to the chance likely, to the high end perhaps."""
    middle, least, most = (round(10 * value) for value in (chance, low, high))
    marks = [
        html.I(
            className="stone-sure" if n < least else "stone-likely" if n < middle else "stone-may" if n < most else ""
        )
        for n in range(STONES)
    ]
    return html.Span(marks, className=f"stones stones-{kind}", **_hidden())


def chance(chance: float, low: float, high: float, kind: Literal["dry", "wet"]) -> Any:
    """The stones with the words beside them."""
    return html.Span(
        [stones(chance, low, high, kind), html.Span(f"{OF[kind]} {tenths_words(chance, low, high)}")],
        className="chance",
    )


def _hidden() -> dict[str, Any]:
    return {"aria-hidden": "true"}
