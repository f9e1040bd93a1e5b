"""Workshop: the sensors and where they stand, what is wrong with them, and the messages that nobody uses.

Lays out the answer as it is; looks again every half minute while it is open.
"""

import logging
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from dash import Input, Output, dcc, html, no_update

from dashboard.pages import Answer, Ask, Page

AGAIN_MS = 30_000
NO_WORKSHOP = "The sensors cannot be listed just now: the stores gave no answer. The command dryline check says more."
STATES = {
    "fresh": "fresh",
    "stale": "late",
    "silent": "silent",
    "failed": "failed",
    "never": "never heard",
    "unplaced": "stands nowhere",
}
WORDS = {
    "air_temperature": "air temperature",
    "relative_humidity": "humidity",
    "reservoir_level": "water level",
    "reservoir_low": "float switch",
    "pot_mass": "mass",
    "air_speed": "air speed",
    "battery": "battery",
    "online": "online",
}
UNITS = {"Cel": "°C", "%RH": "%", "1": ""}

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/workshop"


def _title(_path: str) -> str:
    return "Workshop"


def _layout(_path: str, _pages: str) -> Any:
    return html.Div(
        [html.Main(id="workshop", className="workshop"), dcc.Interval(id="workshop-tick", interval=AGAIN_MS)]
    )


def show(ask: Ask) -> list[Any]:
    """The whole page, or one sentence when nothing can be answered."""
    try:
        if ask.workshop is None:
            return [html.H1("Workshop"), html.P(NO_WORKSHOP)]
        return _page(ask.workshop(ask.now_ms()))
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the workshop's answer failed")
        return [html.H1("Workshop"), html.P(NO_WORKSHOP)]


def _page(answer: Answer) -> list[Any]:
    clock = _Clock(answer["time_zone"], answer["at_ms"])
    return [
        html.H1("Workshop"),
        *_findings(answer["findings"], clock),
        html.H2("Sensors"),
        _sensors(answer["sensors"], clock)
        if answer["sensors"]
        else html.P("No sensor is known yet. Messages that arrive are kept below, so nothing is lost meanwhile."),
        html.H2("Messages that nobody uses"),
        *_unread(answer, clock),
    ]


class _Clock:
    """Moments as the grower reads them: the time today, else the day with its month as a word."""

    def __init__(self, zone: str, now_ms: int) -> None:
        self._zone = ZoneInfo(zone)
        self._today = self._local(now_ms).date()

    def _local(self, time_ms: int) -> datetime:
        return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(self._zone)

    def __call__(self, time_ms: int | None) -> str:
        if time_ms is None:
            return "—"
        local = self._local(time_ms)
        clock = f"{local:%H:%M}"
        return clock if local.date() == self._today else f"{local.day} {local:%b} {clock}"


def _findings(findings: Sequence[Mapping[str, Any]], clock: _Clock) -> list[Any]:
    if not findings:
        return [html.P("Nothing needs attention here.", className="workshop-well")]
    return [
        html.Ul(
            [
                html.Li([html.Span(finding["says"]), html.Small(f"since {clock(finding['since_ms'])}")])
                for finding in findings
            ],
            className="workshop-findings",
        )
    ]


def _sensors(sensors: Sequence[Mapping[str, Any]], clock: _Clock) -> Any:
    """By place; a place's sensors stand together, those without a place come first because they wait for one."""
    ordered = sorted(sensors, key=lambda sensor: (sensor["at"] is not None, sensor["at"] or "", sensor["quantity"]))
    head = html.Tr([html.Th(words, scope="col") for words in ("place", "measures", "last value", "heard", "from")])
    return html.Table([html.Thead(head), html.Tbody([_sensor(sensor, clock) for sensor in ordered])], className="list")


def _sensor(sensor: Mapping[str, Any], clock: _Clock) -> Any:
    state = sensor["state"]
    heard: list[Any] = [html.Span(clock(sensor["last_ms"]))]
    if state != "fresh":
        heard.insert(0, html.Strong(STATES[state], className=f"state state-{state}"))
    return html.Tr(
        [
            html.Td(_place(sensor["at"])),
            html.Td(
                [
                    WORDS.get(sensor["quantity"], sensor["quantity"]),
                    *([html.Small(sensor["says"])] if sensor["says"] else []),
                ]
            ),
            html.Td(_value(sensor)),
            html.Td(heard),
            html.Td(
                [
                    *([sensor["label"]] if sensor["label"] else []),
                    html.Code(" ".join(filter(None, (sensor["topic"], sensor["field"])))),
                ]
            ),
        ]
    )


def _place(at: str | None) -> str:
    """A pot before its shelf, as people say it."""
    if at is None:
        return "no place yet"
    shelf, _, pot = at.partition("/")
    return f"{pot}, {shelf}" if pot else shelf


def _value(sensor: Mapping[str, Any]) -> str:
    value = sensor["last_value"]
    if value is None:
        return "—"
    return f"{value:.4g} {UNITS.get(sensor['unit'], sensor['unit'])}".strip()


def _unread(answer: Answer, clock: _Clock) -> list[Any]:
    if not answer["unread"]:
        return [html.P("Every message that arrived was understood and used.", className="workshop-well")]
    kept = f"{answer['unread_kept']} kept"
    if answer["unread_dropped"]:
        kept += f", {answer['unread_dropped']} older ones had to make room"
    rows = [
        html.Li(
            [
                html.Div([html.Strong(message["topic"]), html.Small(_when(message, clock))]),
                html.P(message["reason"]),
                html.Pre(message["body"] or "(empty)", tabIndex="0"),
            ]
        )
        for message in answer["unread"]
    ]
    return [
        html.P(f"{kept}. Once a sensor claims them they are read after all, with their own times."),
        html.Ul(rows, className="unread"),
    ]


def _when(message: Mapping[str, Any], clock: _Clock) -> str:
    like = f", {message['like']} more like it" if message["like"] else ""
    return f"arrived {clock(message['arrived_ms'])}{like}{'' if message['time_known'] else ', time unknown'}"


def _wire(app: Any, ask: Ask) -> None:
    def shown(path: str | None, _ticks: int | None) -> Any:
        return show(ask) if path and _owns(path) else no_update

    app.callback(
        Output("workshop", "children"), Input("url", "pathname"), Input("workshop-tick", "n_intervals"), hidden=True
    )(shown)


PAGE = Page("workshop", "Workshop", "/workshop", _owns, _title, _layout, _wire)
