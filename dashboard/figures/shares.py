"""What moved the dry line, as bars from a middle line: deeper to the right in sand, shallower to the left in teal.

Draws the plain `explain` answer; the part that nothing explains is drawn last and never left out.
"""

from collections.abc import Mapping
from typing import Any

from dash import html

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


def shares_table(explain: Mapping[str, Any]) -> Any:
    """One row a factor, the largest first, with its interval in words."""
    shares = sorted(explain["shares"], key=lambda share: -abs(share["mm"]))
    rows = [(NAMES.get(s["factor"], s["factor"]), s["mm"], s["low_mm"], s["high_mm"]) for s in shares]
    rows.append(("not explained", explain["unexplained_mm"], None, None))
    scale = max([LEAST_SCALE_MM, *(abs(edge) for _, mm, low, high in rows for edge in (mm, low or 0.0, high or 0.0))])
    return html.Table(
        [
            html.Caption("What moved the dry line, in mm (right: deeper, left: shallower)"),
            html.Tbody([_row(*row, scale=scale, known=row[2] is not None) for row in rows]),
        ],
        className="shares",
    )


def _row(name: str, mm: float, low: float | None, high: float | None, *, scale: float, known: bool) -> Any:
    half = 47.0 / scale
    bar = {"left": f"{50 + min(0.0, mm) * half:.1f}%", "width": f"{abs(mm) * half:.1f}%"}
    parts = [
        html.I(
            className="share-bar "
            + ("share-deeper" if mm >= 0 else "share-shallower")
            + ("" if known else " share-open"),
            style=bar,
        )
    ]
    says = _signed(mm)
    if low is not None and high is not None:
        parts.append(
            html.I(
                className="share-range",
                style={"left": f"{50 + low * half:.1f}%", "width": f"{(high - low) * half:.1f}%"},
            )
        )
        says += f", could be {_signed(low)} to {_signed(high)}"
    return html.Tr(
        [
            html.Th(name, scope="row"),
            html.Td(html.Div(parts, className="share-track")),
            html.Td(says, className="share-says"),
        ]
    )


def _signed(mm: float) -> str:
    return f"{mm:+.0f}".replace("-", "−") if abs(mm) >= 0.5 else "0"
