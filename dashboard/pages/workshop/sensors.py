"""The workshop's sensors: all of them with what they last said, and one of them with its places and calibration."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from analysis.quantities import in_units, quantity
from dashboard.pages import Answer
from dashboard.pages.forms import Field, field, form, tap
from dashboard.pages.workshop.words import (
    CANONICAL,
    PASSING,
    QUANTITIES,
    UNITS,
    Clock,
    address,
    amount,
    fold,
    inner,
    link,
    place,
    places,
    sensor_name,
    table,
)

STATES = {
    "fresh": "fresh",
    "stale": "late",
    "silent": "silent",
    "failed": "failed",
    "never": "never heard",
    "unplaced": "stands nowhere",
}
NO_SENSOR = (
    "No sensor is known yet. Messages that arrive are kept, so nothing is lost meanwhile: as soon as one is here, it "
    "stands under "
)
STEPS = "Write the sensor's own number at each step, and what was true. Two steps suffice, five are better."
SENSOR_UNITS = ("Cel", "°F", "%RH", "mm", "cm", "inch", "g", "kg", "m/s", "%")
TIME_FORMATS = (
    "Left empty it is found out. Else iso (2026-03-01T09:00:00Z), unix_s or unix_ms (seconds or milliseconds since "
    "1970), or a pattern like %d.%m.%Y %H:%M."
)
ROWS = 5  # measurements of a calibration
WIRES = (
    "Sensors in water: low voltage only, a loop in the cable below the socket so that no drop runs along it, a "
    "residual-current device, and no lithium cells below the water line. Bare pins leak metal into the water."
)


def overview(answer: Answer) -> list[Any]:
    """Findings first, then every sensor by its place."""
    clock = Clock(answer["time_zone"], answer["at_ms"])
    sensors = answer["sensors"]
    return [
        *(_findings(answer["findings"], clock) or _well(sensors, bool(answer["unread_topics"]))),
        *_waiting(answer),
        html.H2("Sensors"),
        *(_by_place(sensors, clock, answer["units"]) if sensors else [_no_sensor()]),
        html.P(WIRES, className="caution"),
    ]


def _findings(findings: Sequence[Mapping[str, Any]], clock: Clock) -> list[Any]:
    if not findings:
        return []
    return [
        html.Ul(
            [
                html.Li([html.Span(finding["says"]), html.Small(f"since {clock(finding['since_ms'])}")])
                for finding in findings
            ],
            className="workshop-findings",
        )
    ]


def _well(sensors: Sequence[Mapping[str, Any]], messages_wait: bool) -> list[Any]:
    unheard = sum(sensor["state"] == "never" for sensor in sensors)
    waiting = "1 sensor waits for its" if unheard == 1 else f"{unheard} sensors wait for their"
    if messages_wait and not unheard:
        return []
    says = f"Nothing needs attention yet: {waiting} first message." if unheard else "Nothing needs attention here."
    return [html.P(says, className="workshop-well")]


def _waiting(answer: Answer) -> list[Any]:
    topics = len(answer["unread_topics"])
    if not topics:
        return []
    says = "Messages of one topic belong to no sensor" if topics == 1 else f"Messages of {topics} topics have no sensor"
    door = html.A("say where they belong", href=address("messages"), **inner())
    return [html.P([f"{says}: ", door, "."], className="workshop-well")]


def _no_sensor() -> Any:
    door = html.A("Messages", href=address("messages"), **inner())
    return html.P([NO_SENSOR, door, " and asks which shelf or pot it belongs to."], className="workshop-well")


def _by_place(sensors: Sequence[Mapping[str, Any]], clock: Clock, units: str) -> list[Any]:
    """Those that wait for a place first, then by place; those that were put away lie folded below."""
    ended = [sensor for sensor in sensors if _has_ended(sensor)]
    current = [sensor for sensor in sensors if not _has_ended(sensor)]
    folded = [fold(f"{len(ended)} put away", _sensors(ended, clock, units))] if ended else []
    return [*([_sensors(current, clock, units)] if current else []), *folded]


def _has_ended(sensor: Mapping[str, Any]) -> bool:
    return sensor["at"] is None and bool(sensor["placed"])


def _sensors(sensors: Sequence[Mapping[str, Any]], clock: Clock, units: str) -> Any:
    ordered = sorted(sensors, key=lambda sensor: (sensor["at"] is not None, sensor["at"] or "", sensor["quantity"]))
    return table(
        ("place", "measures", "last value", "heard", "from"),
        [
            (_stands(sensor, clock), _measures(sensor), value(sensor, units), _heard(sensor, clock), _from(sensor))
            for sensor in ordered
        ],
    )


def _stands(sensor: Mapping[str, Any], clock: Clock) -> str:
    if not _has_ended(sensor):
        return place(sensor["at"])
    last = max(sensor["placed"], key=lambda placed: placed["from_ms"])
    return f"stood at {place(last['at'])} until {clock(last['to_ms'])}"


def _measures(sensor: Mapping[str, Any]) -> list[Any]:
    words = QUANTITIES.get(sensor["quantity"], sensor["quantity"])
    is_odd = sensor["state"] != "fresh" and not _has_ended(sensor)
    says = [html.Small(sensor["says"])] if sensor["says"] and is_odd else []
    return [html.A(words, href=address("sensor", sensor["source"]), className="row-door", **inner()), *says]


def _heard(sensor: Mapping[str, Any], clock: Clock) -> list[Any]:
    state = sensor["state"]
    told = (
        [] if state == "fresh" or _has_ended(sensor) else [html.Strong(STATES[state], className=f"state state-{state}")]
    )
    return told if state == "never" else [*told, html.Span(clock(sensor["last_ms"]))]


def _from(sensor: Mapping[str, Any]) -> list[Any]:
    label = [sensor["label"]] if sensor["label"] else []
    return [*label, html.Code(" ".join(filter(None, (sensor["topic"], sensor["field"]))))]


def _last_said(sensor: Mapping[str, Any], clock: Clock, units: str) -> str:
    if sensor["last_ms"] is None:
        return "It has never been heard."
    heard = clock(sensor["last_ms"])
    return f"Last heard {heard}." if sensor["last_value"] is None else f"Last {value(sensor, units)}, {heard}."


def value(sensor: Mapping[str, Any], units: str) -> str:
    """What a sensor last said, calibrated."""
    last = sensor["last_value"]
    return "—" if last is None else amount(last, sensor["quantity"], units)


# --- one sensor


def one(answer: Answer, source: str) -> list[Any]:
    """Where a sensor stood when, and everything that can be done with it."""
    sensor = next((one for one in answer["sensors"] if one["source"] == source), None)
    if sensor is None:
        return [html.P("There is no such sensor; it may have been taken out."), link("All sensors")]
    clock = Clock(answer["time_zone"], answer["at_ms"])
    words = QUANTITIES.get(sensor["quantity"], sensor["quantity"])
    return [
        html.H2(sensor_name(sensor)),
        html.P(f"{words.capitalize()}, {_stands(sensor, clock)}."),
        html.P(_last_said(sensor, clock, answer["units"]), className=PASSING),
        html.P(html.Code(" ".join(filter(None, (sensor["topic"], sensor["field"], f"({sensor['payload']})"))))),
        _placements(sensor, clock),
        *_placing(answer, sensor),
        *_calibration(answer, sensor),
        fold(
            "What it is",
            form(
                "sensor",
                _described_fields(),
                units=answer["units"],
                values={"sensor": sensor["described"]},
                fixed={"source": source, "was": sensor["described"]},
            ),
        ),
        fold(
            "Entered by mistake?",
            html.P("Its readings are kept, and it can be entered again."),
            html.Div(tap("Take this sensor out", "sensor_withdrawn", {"source": source}), className="doors"),
        ),
    ]


def _placements(sensor: Mapping[str, Any], clock: Clock) -> Any:
    if not sensor["placed"]:
        return html.P("It has stood nowhere yet, so nothing is made of its numbers.")
    return table(
        ("place", "since", "until", ""),
        [
            (
                place(placed["at"]),
                clock(placed["from_ms"]),
                "now" if placed["to_ms"] is None else clock(placed["to_ms"]),
                tap(
                    "Take away",
                    "placement_withdrawn",
                    {"source": sensor["source"], "from_ms": placed["from_ms"]},
                ),
            )
            for placed in reversed(sensor["placed"])
        ],
    )


def _placing(answer: Answer, sensor: Mapping[str, Any]) -> list[Any]:
    source, units = sensor["source"], answer["units"]
    since = field("from", "Since", "time", hint="Empty: since now.")
    placing = fold(
        "Place or move it",
        html.P("A move closes one place and opens the next; earlier readings stay with the earlier place."),
        form(
            "sensor_placed",
            [
                field("at", "Where", "choice", words=places(answer["pots_by_shelf"]), needed=True, none="choose"),
                since,
                field("to", "Until", "time", hint="Empty: until it is moved."),
            ],
            units=units,
            fixed={"source": source},
            button="Place it",
        ),
        is_open=sensor["at"] is None,
    )
    if sensor["at"] is None:
        return [placing]
    away = form("sensor_put_away", [since], units=units, fixed={"source": source}, button="It stands nowhere")
    return [placing, fold("Put it away", away), fold("Swap it for another device", _swapping(answer, sensor, since))]


def _swapping(answer: Answer, sensor: Mapping[str, Any], since: Field) -> Any:
    others = [
        (other["source"], sensor_name(other))
        for other in answer["sensors"]
        if other["quantity"] == sensor["quantity"] and other["source"] != sensor["source"] and other["at"] is None
    ]
    if not others:
        return html.P(
            "A new device that measures the same and stands nowhere yet can take its place, each with its own history. "
            "Claim its messages first, and put it away."
        )
    fields = [field("by", "The new device", "choice", words=others, needed=True, none="choose"), since]
    fixed = {"source": sensor["source"]}
    return form("sensor_swapped", fields, units=answer["units"], fixed=fixed, button="Swap")


def _described_fields() -> list[Field]:
    return [
        field("sensor.label", "Called"),
        field("sensor.quantity", "Measures", "choice", words=list(QUANTITIES.items()), needed=True),
        field("sensor.unit", "Unit of its numbers", words=list(SENSOR_UNITS), hint="As it sends them; Cel is °C."),
        field("sensor.interval_s", "Reports every", "number", unit="s", hint="The longest it keeps quiet when well."),
        field("sensor.height_mm", "Float switch: its height", "number", unit="mm"),
        field("sensor.online_topic", "Topic that says whether it is online"),
        field("sensor.time_field", "Where its time stands in the message"),
        field("sensor.time_format", "How it writes its time", words=["iso", "unix_s", "unix_ms"], hint=TIME_FORMATS),
        field("sensor.time_zone", "Time zone it keeps", hint="Like Europe/Lisbon, when its times name none."),
    ]


def _calibration(answer: Answer, sensor: Mapping[str, Any]) -> list[Any]:
    if sensor["quantity"] in ("reservoir_low", "online"):
        return []
    source, points, vessel = sensor["source"], sensor["calibration"], sensor["reservoir"]
    is_level = sensor["quantity"] == "reservoir_level"
    unit = UNITS.get(sensor["unit"], sensor["unit"]) or CANONICAL.get(sensor["quantity"], "")
    now = ", ".join(f"{raw:g} means {quantity(meant, unit, '.4g')}" for raw, meant in points)
    told = (
        html.P(f"Now: {in_units(now, answer['units'])}")
        if points
        else html.P("It has none: its numbers are taken as they come.")
    )
    taken = [tap("Take the calibration away", "calibration_set", {"source": source, "points": []})] if points else []
    return [
        fold(
            "Calibration",
            told,
            html.Div([_asked(source), *taken], className="doors"),
            form(
                "calibration",
                _calibration_fields(is_level),
                units=answer["units"],
                values={key: vessel[key] for key in ("fill_ml", "fill_mark_mm") if key in vessel},
                fixed={"source": source} | ({} if is_level else {"by": "values"}),
                button="Look at it first",
                says=STEPS,
            ),
        )
    ]


def _asked(source: str) -> Any:
    """A button that asks for the sensor's number and changes nothing."""
    told: Any = {"data-ask": json.dumps(["raw_now", {"source": source}])}
    return html.Button("What does it say just now?", type="button", className="door", **told)


def _calibration_fields(is_level: bool) -> list[Field]:
    ways = [("poured", "what was poured in"), ("values", "the height on a ruler")]
    fields = [field("by", "Known by", "choice", words=ways, value="poured", needed=True)] if is_level else []
    poured: dict[str, Any] = {"if": ("by", ["poured"])}
    ruler: dict[str, Any] = {"if": ("by", ["values"])} if is_level else {}
    if is_level:
        fields += [
            field("fill_ml", "From empty to the mark", "number", unit="ml", needed=True, **poured),
            field("fill_mark_mm", "Height of the mark", "number", unit="mm", needed=True, **poured),
        ]
    for row in range(ROWS):
        fields.append(field(f"step-{row}", f"Step {row + 1}", "heading"))
        fields.append(field(f"points.{row}.raw", "The sensor said", "number"))
        if is_level:
            hint = "0 with the reservoir empty." if row == 0 else "Since the step before."
            fields.append(field(f"points.{row}.poured_ml", "Poured in", "number", unit="ml", hint=hint, **poured))
        unit = {"unit": "mm"} if is_level else {}
        fields.append(field(f"points.{row}.value", "In truth", "number", **unit, **ruler))
    return fields
