"""A pot's story drawn over one time axis: the cut through the medium day by day, dry air, level, water use.

The uppermost panel is the cut section stretched over time: surface at the top, sand down to the dry line, teal below.
Owns colours and places of the traces; takes the plain answer and knows no store. Text and grid take their colours from
`story.css`, so that one figure serves both themes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.figures.thinning import FloatArray, thinned

MOST_POINTS = 2000
SAND, SAND_EDGE, TEAL, WATER, INK = "#cf9a60", "#9a6426", "#13535a", "#4d8fae", "#6b7f80"
SAND_DEEP = "#4a2c0a"  # seen on the sand of either theme
CLEAR, LABEL = "rgba(0,0,0,0)", "rgba(247,249,246,0.86)"
LINES = ("dry air", "level")
HEIGHTS = (0.43, 0.19, 0.19, 0.19)
DEEP_MARGIN_MM = 12.0
STEP_PX = 17
END_SHARE = 0.2  # the part of the axis after which words would run out of it
QUIET = ("refill", "flush", "inspection", "feed", "photo")


def story_figure(answer: Mapping[str, Any], most_points: int = MOST_POINTS) -> go.Figure:
    """The figure of a `story` answer; no line has more than `most_points` points."""
    figure = make_subplots(rows=4, cols=1, shared_xaxes=True, vertical_spacing=0.07, row_heights=list(HEIGHTS))
    clock, units = _Clock(answer["time_zone"]), UNITS[answer["units"]]
    for row, (name, colour, unit, (x, y)) in enumerate(
        zip(
            LINES,
            (SAND_EDGE, WATER),
            ("kPa", units.length),
            lines_between(answer, None, None, most_points),
            strict=True,
        ),
        start=2,
    ):
        _add_line(figure, row, x, y, colour, name, unit)
    _add_dry_line(figure, answer, clock, units)
    _add_refills(figure, answer, clock)
    _add_use(figure, answer, clock, units)
    _add_changes(figure, answer, clock)
    _lay_out(figure, answer, clock, units)
    return figure


def lines_between(
    answer: Mapping[str, Any], since_ms: int | None, until_ms: int | None, most_points: int = MOST_POINTS
) -> list[tuple[Any, FloatArray]]:
    """The lines of `LINES`, the first traces of the figure, thinned anew for a part of the time axis."""
    clock, units = _Clock(answer["time_zone"]), UNITS[answer["units"]]
    series = ((answer["air"], "vpd_kpa", 1.0), (answer["level"], "level_mm", units.per_mm))
    drawn = []
    for line, key, factor in series:
        x, y = np.asarray(line["time_ms"], dtype=np.float64), factor * _values(line[key])
        inside = slice(
            None if since_ms is None else int(np.searchsorted(x, since_ms, "left")),
            None if until_ms is None else int(np.searchsorted(x, until_ms, "right")),
        )
        few_x, few_y = thinned(x[inside], y[inside], most_points)
        drawn.append((clock(few_x), few_y))
    return drawn


def utc_ms(local: str, zone: str) -> int:
    """Milliseconds UTC of a moment as the time axis writes it."""
    moment = pd.Timestamp(local).tz_localize(ZoneInfo(zone), ambiguous=False, nonexistent="shift_forward")
    return int(moment.timestamp() * 1000)


@dataclass(frozen=True)
class _Units:
    """How lengths and volumes are shown."""

    length: str
    per_mm: float
    volume: str
    per_ml: float


UNITS = {"metric": _Units("mm", 1.0, "mL", 1.0), "us": _Units("in", 1 / 25.4, "fl oz", 1 / 29.5735)}


class _Clock:
    """Milliseconds UTC to the grower's wall clock, which is what an axis shows."""

    def __init__(self, zone: str) -> None:
        self._zone = ZoneInfo(zone)

    def __call__(self, time_ms: Sequence[int] | FloatArray) -> Any:
        utc = pd.to_datetime(np.asarray(time_ms, dtype=np.int64), unit="ms", utc=True)
        return utc.tz_convert(self._zone).tz_localize(None).to_numpy()


def _values(values: Sequence[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _add_dry_line(figure: go.Figure, answer: Mapping[str, Any], clock: _Clock, units: _Units) -> None:
    dry = answer["dry"]
    days = clock(dry["time_ms"])
    p10, p50, p90 = (units.per_mm * _values(dry[key]) for key in ("p10", "p50", "p90"))
    deepest = units.per_mm * _deepest_mm(answer)

    def add(y: FloatArray, **style: Any) -> None:
        figure.add_trace(go.Scatter(x=days, y=y, hoverinfo="skip", showlegend=False, **style), row=1, col=1)

    add(np.where(np.isnan(p50), np.nan, 0.0), mode="lines", line={"width": 0})
    add(p50, mode="lines", line={"width": 0}, fill="tonexty", fillcolor="rgba(207,154,96,0.62)")
    add(np.where(np.isnan(p50), np.nan, deepest), mode="lines", line={"width": 0}, fill="tonexty", fillcolor=TEAL)
    add(p10, mode="lines", line={"width": 1, "dash": "dot", "color": SAND_DEEP})
    add(p90, mode="lines", line={"width": 1, "dash": "dot", "color": "#8fc4c4"})
    told = np.stack([p10, p90], axis=1)
    figure.add_trace(
        go.Scatter(
            x=days,
            y=p50,
            customdata=told,
            mode="lines",
            name="dry line",
            line={"width": 3, "color": "#f2f5f1"},
            showlegend=False,
            hovertemplate=f"dry line %{{y:.2~g}} {units.length}, "
            "could be %{customdata[0]:.2~g} to %{customdata[1]:.2~g}<extra></extra>",
        ),
        row=1,
        col=1,
    )
    figure.add_hline(
        y=units.per_mm * answer["rooting_depth_mm"],
        line={"width": 1.5, "dash": "dash", "color": INK},
        annotation={"text": " new tips reach to here ", "font": {"size": 12}, "xanchor": "right", "bgcolor": LABEL},
        annotation_position="bottom right",
        row=1,
        col=1,
    )
    _add_notes(figure, answer["notes"], clock, units, deepest)
    figure.update_yaxes(range=[deepest, -2.0 * units.per_mm], row=1, col=1)


def _deepest_mm(answer: Mapping[str, Any]) -> float:
    """How deep the uppermost panel reaches: past the band, every noted depth and the rooting depth."""
    noted = [note[key] for note in answer["notes"] for key in ("low_mm", "high_mm") if note[key] is not None]
    band = [depth for depth in answer["dry"]["p90"] if depth is not None]
    return float(max([0.0, answer["rooting_depth_mm"], *noted, *band])) + DEEP_MARGIN_MM


def _add_notes(
    figure: go.Figure, notes: Sequence[Mapping[str, Any]], clock: _Clock, units: _Units, deepest: float
) -> None:
    """What was seen: a bar over the depths that the look allows, an arrow where it only says 'deeper'."""
    seen = [note for note in notes if note["low_mm"] is not None]
    if not seen:
        return
    low = units.per_mm * _values([note["low_mm"] for note in seen])
    high = units.per_mm * _values([note["high_mm"] for note in seen])
    high = np.where(np.isnan(high), deepest, high)
    middle = (low + high) / 2
    figure.add_trace(
        go.Scatter(
            x=clock([note["time_ms"] for note in seen]),
            y=middle,
            text=[note["says"] for note in seen],
            mode="markers",
            name="noted",
            marker={"symbol": "square", "size": 9, "color": "#ffffff", "line": {"width": 2, "color": "#10282c"}},
            error_y={"type": "data", "array": high - middle, "color": "#10282c", "thickness": 2.5, "width": 6},
            showlegend=False,
            hovertemplate="seen: %{text}<extra></extra>",
        ),
        row=1,
        col=1,
    )


def _add_line(figure: go.Figure, row: int, x: Any, y: FloatArray, colour: str, name: str, unit: str) -> None:
    figure.add_trace(
        go.Scatter(
            x=x,
            y=y,
            mode="lines",
            name=name,
            line={"width": 1.6, "color": colour},
            showlegend=False,
            hovertemplate=f"{name} %{{y:.3~g}} {unit}<extra></extra>",
        ),
        row=row,
        col=1,
    )


def _add_refills(figure: go.Figure, answer: Mapping[str, Any], clock: _Clock) -> None:
    refills = [event for event in answer["events"] if event["kind"] in ("refill", "flush")]
    if not refills:
        return
    figure.add_trace(
        go.Scatter(
            x=clock([event["time_ms"] for event in refills]),
            y=np.zeros(len(refills)),
            text=[event["says"] for event in refills],
            mode="markers",
            name="refill",
            marker={"symbol": "triangle-up", "size": 10, "color": WATER},
            showlegend=False,
            hovertemplate="%{text}<extra></extra>",
        ),
        row=3,
        col=1,
    )


def _add_use(figure: go.Figure, answer: Mapping[str, Any], clock: _Clock, units: _Units) -> None:
    use = answer["use"]
    days = clock(use["time_ms"])
    value, low, high = (units.per_ml * _values(use[key]) for key in ("value", "low", "high"))
    figure.add_trace(
        go.Bar(
            x=days,
            y=value,
            name="water use",
            marker={"color": WATER, "line": {"width": 0}},
            error_y={
                "type": "data",
                "array": high - value,
                "arrayminus": value - low,
                "thickness": 1,
                "width": 0,
                "color": INK,
            },
            showlegend=False,
            hovertemplate=f"used %{{y:.2~g}} {units.volume}<extra></extra>",
        ),
        row=4,
        col=1,
    )
    figure.add_trace(
        go.Scatter(
            x=days,
            y=units.per_ml * _values(use["expected"]),
            mode="lines",
            name="expected",
            line={"width": 2, "dash": "dash", "color": INK, "shape": "hvh"},
            showlegend=False,
            hovertemplate=f"expected %{{y:.2~g}} {units.volume}<extra></extra>",
        ),
        row=4,
        col=1,
    )


def _add_changes(figure: go.Figure, answer: Mapping[str, Any], clock: _Clock) -> None:
    """A line through every panel where the pot or its place was changed; words near the end stand before their line."""
    changes = [event for event in answer["events"] if event["kind"] not in QUIET]
    late_ms = answer["until_ms"] - END_SHARE * (answer["until_ms"] - answer["since_ms"])
    for number, event in enumerate(changes):
        moment = pd.Timestamp(clock([event["time_ms"]])[0])
        figure.add_vline(x=moment, line={"width": 1.5, "color": INK})
        figure.add_annotation(
            x=moment,
            y=0.995,
            yref="y domain",
            yanchor="top",
            yshift=-STEP_PX * (number % 3),  # neighbours stand at different heights, so that their words do not meet
            xanchor="right" if event["time_ms"] > late_ms else "left",
            text=f" {event['says']} ",
            bgcolor=LABEL,
            showarrow=False,
            font={"size": 13, "color": "#10282c"},
        )


def _lay_out(figure: go.Figure, answer: Mapping[str, Any], clock: _Clock, units: _Units) -> None:
    figure.update_layout(
        template="none",
        margin={"l": 40, "r": 14, "t": 24, "b": 30},
        paper_bgcolor=CLEAR,
        plot_bgcolor=CLEAR,
        hovermode="x unified",
        hoverlabel={"bgcolor": "#f7f9f6", "bordercolor": "#10282c", "font": {"color": "#10282c", "size": 14}},
        dragmode="zoom",
        bargap=0.25,
        font={"size": 13},
        uirevision=f"{answer['pot']} {answer['since_ms']} {answer['until_ms']}",
    )
    start, end = (pd.Timestamp(clock([answer[key]])[0]) for key in ("since_ms", "until_ms"))
    figure.update_xaxes(
        type="date",  # said, since an axis without a value would read the moments of the changes as numbers
        range=[start, end],
        showgrid=False,
        ticks="outside",
        tickformat="%-d %b",
        hoverformat="%-d %b %H:%M",
    )
    titles = (
        f"dry line, {units.length} below the surface",
        "dry air, kPa",
        f"level, {units.length}",
        f"water use, {units.volume} a day",
    )
    for row, title in enumerate(titles, start=1):
        figure.update_yaxes(
            nticks=4 if row > 1 else 7, showgrid=row > 1, zeroline=False, fixedrange=True, row=row, col=1
        )
        figure.add_annotation(
            text=f"<b>{title}</b>",
            xref="paper",
            yref=f"y{row if row > 1 else ''} domain",
            x=0.0,
            y=1.0,
            xanchor="left",
            yanchor="bottom",
            showarrow=False,
            font={"size": 13},
        )
    figure.update_yaxes(rangemode="tozero", row=2, col=1)
    figure.update_yaxes(rangemode="tozero", row=3, col=1)
    figure.update_yaxes(rangemode="tozero", row=4, col=1)
