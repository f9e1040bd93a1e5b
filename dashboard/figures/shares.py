"""What moved the dry line, as bars from a middle line: deeper to the right in sand, shallower to the left in teal.

Draws the plain `explain` answer; the part that nothing explains is drawn last and never left out.
"""

from collections.abc import Mapping
from typing import Any

from dash import html

from dashboard.figures.amounts import least_moved, length_unit, moved_words

NAMES = {
    "dry_air": "dry air",
    "low_reservoir": "low reservoir",
    "vent_holes": "vent holes",
    "top_layer": "cover",
    "medium": "medium",
    "wick": "wick",
    "plant": "plant",
    "heat": "heat",
    "sensor_gap": "sensor silent or stuck",
}
LEAST_SCALE_MM = 4.0


def shares_table(explain: Mapping[str, Any], units: str = "metric") -> Any:
    """One row a factor, the largest first, with its interval in words."""
    shares = sorted(explain["shares"], key=lambda share: -abs(share["mm"]))
    rows = [(NAMES.get(s["factor"], s["factor"]), s["mm"], s["low_mm"], s["high_mm"]) for s in shares]
    rows.append(("not explained", explain["unexplained_mm"], None, None))
    scale = max([LEAST_SCALE_MM, *(abs(edge) for _, mm, low, high in rows for edge in (mm, low or 0.0, high or 0.0))])
    return html.Table(
        [
            html.Caption(f"What moved the dry line, in {length_unit(units)} (right: deeper, left: shallower)"),
            html.Tbody([_row(*row, scale=scale, units=units) for row in rows]),
        ],
        className="shares",
    )


def _row(name: str, mm: float, low: float | None, high: float | None, *, scale: float, units: str) -> Any:
    half = 47.0 / scale
    bar = {"left": f"{50 + min(0.0, mm) * half:.1f}%", "width": f"{abs(mm) * half:.1f}%"}
    parts = [
        html.I(
            className="share-bar "
            + ("share-deeper" if mm >= 0 else "share-shallower")
            + ("" if low is not None else " share-open"),
            style=bar,
        )
    ]
    says = _told(mm, low, high, units)
    if low is not None and high is not None:
        parts.append(
            html.I(
                className="share-range",
                style={"left": f"{50 + low * half:.1f}%", "width": f"{(high - low) * half:.1f}%"},
            )
        )
    return html.Tr(
        [
            html.Th(name, scope="row"),
            html.Td(html.Div(parts, className="share-track")),
            html.Td(says, className="share-says"),
        ]
    )


def _told(mm: float, low: float | None, high: float | None, units: str) -> str:
    """A share with its ends, which are said only where they differ; what rounds to nothing is not called nothing."""
    middle = moved_words(mm, units)
    ends = [] if low is None or high is None else [moved_words(low, units), moved_words(high, units)]
    if middle == "0" and mm and len({middle, *ends}) == 1:
        return f"less than {least_moved(units)}"
    return middle if len(set(ends)) < 2 else f"{middle}, could be {ends[0]} to {ends[1]}"
