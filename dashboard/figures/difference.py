"""A difference between two pots about a middle line: each look as a dot, and what they say together as an interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dash import html

from dashboard.figures.amounts import length_unit, moved_words

LEAST_SCALE_MM = 15.0
MOST_SCALE_MM = 60.0
HALF_PCT = 47.0
DOTS = "Dots are single looks, the open ones from before the two had differed for two weeks."


@dataclass(frozen=True)
class Interval:
    """What the looks say together, mm."""

    middle_mm: float
    low_mm: float
    high_mm: float


def difference(
    one: str, other: str, told: Interval | None, looks_mm: Sequence[tuple[float, bool]] = (), *, units: str = "metric"
) -> Any:
    """The dry layer of `one` less that of `other`: right of the line `one` is drier.

    `looks_mm` are single looks, each with whether it counts; an open dot is a look from before, or from
    while the column still settled. Where the interval goes on beyond the scale, its end is a point.
    """
    ends = [abs(mm) for mm, _ in looks_mm] + ([abs(told.low_mm), abs(told.high_mm)] if told else [])
    scale = min(MOST_SCALE_MM, max([LEAST_SCALE_MM, *ends]))
    dots = [
        html.I(className="gap-look" if counts else "gap-look gap-before", style=_left(mm, scale))
        for mm, counts in looks_mm
    ]
    hidden: dict[str, Any] = {"aria-hidden": "true"}
    sides = [html.Span(f"{other} drier"), html.Span("no difference"), html.Span(f"{one} drier")]
    return html.Div(
        [
            html.Div(
                [html.I(className="gap-zero"), *(_bar(told, scale) if told else []), *dots],
                className="gap-track",
                **hidden,
            ),
            html.Div(sides, className="gap-ends", **hidden),
            *([html.P(_words(one, other, told, units))] if told else []),
            *([html.P(DOTS, className="gap-dots")] if looks_mm else []),
        ],
        className="gap",
    )


def _bar(told: Interval, scale: float) -> list[Any]:
    open_ends = [("gap-open-left", -told.low_mm), ("gap-open-right", told.high_mm)]
    name = " ".join(["gap-range", *(end for end, mm in open_ends if mm > scale)])
    low, high = _place(told.low_mm, scale), _place(told.high_mm, scale)
    return [
        html.I(className=name, style={"left": f"{low:.1f}%", "width": f"{high - low:.1f}%"}),
        html.I(className="gap-middle", style=_left(told.middle_mm, scale)),
    ]


def _place(mm: float, scale: float) -> float:
    return 50 + HALF_PCT * max(-1.0, min(1.0, mm / scale))


def _left(mm: float, scale: float) -> dict[str, str]:
    return {"left": f"{_place(mm, scale):.1f}%"}


def _words(one: str, other: str, told: Interval, units: str) -> str:
    middle, low, high = (moved_words(mm, units) for mm in (told.middle_mm, told.low_mm, told.high_mm))
    return f"{one} less {other}: {middle} {length_unit(units)}, could be {low} to {high}"
