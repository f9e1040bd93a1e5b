"""A difference between two pots with its interval, as a bar about a middle line: which of the two is the drier."""

from typing import Any

from dash import html

LEAST_SCALE_MM = 15.0
MOST_SCALE_MM = 60.0
HALF_PCT = 47.0


def difference(pot: str, other: str, middle_mm: float, low_mm: float, high_mm: float) -> Any:
    """The dry layer of `pot` less that of `other`: right of the line `pot` is drier. A point goes on off the scale."""
    scale = min(MOST_SCALE_MM, max(LEAST_SCALE_MM, abs(low_mm), abs(high_mm)))
    place = {name: 50 + HALF_PCT * max(-1.0, min(1.0, value / scale)) for name, value in
             (("low", low_mm), ("middle", middle_mm), ("high", high_mm))}  # fmt: skip
    ends = " ".join(name for name, value in (("gap-open-left", -low_mm), ("gap-open-right", high_mm)) if value > scale)
    words = f"{pot} less {other}: {_signed(middle_mm)} mm, could be {_signed(low_mm)} to {_signed(high_mm)}"
    bar = {"left": f"{place['low']:.1f}%", "width": f"{place['high'] - place['low']:.1f}%"}
    hidden: dict[str, Any] = {"aria-hidden": "true"}
    return html.Div(
        [
            html.Div(
                [
                    html.I(className="gap-zero"),
                    html.I(className=f"gap-range {ends}".strip(), style=bar),
                    html.I(className="gap-middle", style={"left": f"{place['middle']:.1f}%"}),
                ],
                className="gap-track",
                **hidden,
            ),
            html.Div(
                [html.Span(f"{other} drier"), html.Span("no difference"), html.Span(f"{pot} drier")],
                className="gap-ends",
                **hidden,
            ),
            html.P(words),
        ],
        className="gap",
    )


def _signed(mm: float) -> str:
    return f"{mm:+.0f}".replace("-", "−") if abs(mm) >= 0.5 else "0"
