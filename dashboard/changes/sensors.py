"""Sensors from the screens: described, placed, moved, put away, swapped, taken out."""

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from dashboard.answers.workshop import DESCRIBED, plain
from dashboard.changes.bodies import Body, answered, moment, refuse_if_changed, table, word
from ingest.home import Home
from ingest.logbook.records import SensorRecord, checked
from ingest.sensors import Placement, Sensor

Undo = tuple[str, dict[str, Any]]
WHICH = "Say which sensor."
WHERE = "Say where it stands: a shelf, or a pot."


def describe(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Describe the sensor `source` anew; its calibration and placements stay."""
    sensor = home.logbook.sensor(word(body, "source", WHICH))
    refuse_if_changed(body, plain(sensor), f"the sensor {name_of(sensor)}")
    given = {key: value for key, value in table(body, "sensor").items() if value not in (None, "")}
    record = checked(
        SensorRecord, {"topic": sensor.topic, "payload": sensor.payload, "field": sensor.field, "unit": "", **given}
    )
    kept = {name: getattr(record, name) for name in DESCRIBED}
    new = replace(sensor, **kept, placed=())
    home.logbook.put_sensor(new)
    undo = {"source": sensor.source, "sensor": plain(sensor), "was": plain(new)}
    return answered(f"The sensor {name_of(new)} is described anew.", ("sensor", undo))


def place(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The sensor `source` stands at `at` since `from`, until `to` if that is given."""
    source, at = word(body, "source", WHICH), place_of(home, word(body, "at", WHERE), at_ms)
    from_ms = moment(home, body, "from", at_ms)
    to_ms = moment(home, body, "to") if body.get("to") or body.get("to_ms") else None
    known = _placements(home, source)
    home.logbook.place_sensor(source, at, from_ms, to_ms)
    name = name_of(home.logbook.sensor(source))
    same = known.get(from_ms)
    undo: tuple[str, dict[str, Any]] = ("placement_withdrawn", {"source": source, "from_ms": from_ms})
    if same is not None:
        undo = ("sensor_placed", {"source": source, "at": same.at, "from_ms": from_ms})
    return answered(f"{name} stands at {in_words(at)}.", undo)


def put_away(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The sensor `source` stands nowhere since `from`."""
    source, from_ms = word(body, "source", WHICH), moment(home, body, "from", at_ms)
    stood = _standing(_placements(home, source), from_ms)
    home.logbook.unplace_sensor(source, from_ms)
    undo = [] if stood is None else _lasting_on(source, stood, from_ms)
    return answered(f"{name_of(home.logbook.sensor(source))} stands nowhere now.", *undo)


def withdraw_placement(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take away the placement of `source` that begins at `from_ms`; the one before it lasts on."""
    source, from_ms = word(body, "source", WHICH), moment(home, body, "from")
    before = _placements(home, source).get(from_ms)
    home.logbook.withdraw_placement(source, from_ms)
    undo = [] if before is None else [("sensor_placed", _placing(source, before))]
    return answered("That placement is taken away.", *undo)


def swap(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """Another device, `by`, takes the place of the sensor `source` since `from`; both keep their history."""
    source, by = word(body, "source", WHICH), word(body, "by", "Say which sensor takes its place.")
    from_ms = moment(home, body, "from", at_ms)
    new = home.logbook.sensor(by)
    stood = _standing(_placements(home, source), from_ms)
    home.logbook.swap_sensor(source, replace(new, placed=()), from_ms)
    undo: list[Undo] = [("placement_withdrawn", {"source": by, "from_ms": from_ms})]
    if stood is not None:
        undo += _lasting_on(source, stood, from_ms)
    return answered(f"{name_of(new)} has taken the place of {name_of(home.logbook.sensor(source))}.", *undo)


def withdraw(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take out the sensor `source`; its raw readings stay, and it can be entered again."""
    sensor = home.logbook.sensor(word(body, "source", WHICH))
    home.logbook.withdraw_sensor(sensor.source)
    return answered(f"{name_of(sensor)} is taken out. Its readings are kept.", ("sensor_entered", _whole(sensor)))


def enter(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Enter a sensor with everything that is known of it."""
    given = {key: value for key, value in body.items() if value is not None}
    sensor = checked(SensorRecord, given, "sensor").plain()
    home.logbook.put_sensor(sensor)
    return answered(f"{name_of(sensor)} is entered.", ("sensor_withdrawn", {"source": sensor.source}))


def name_of(sensor: Sensor) -> str:
    """A sensor as people call it."""
    return sensor.label or (f"{sensor.topic} {sensor.field}".strip())


def in_words(at: str) -> str:
    """A pot before its shelf, as people say it."""
    shelf, _, pot = at.partition("/")
    return f"{pot}, {shelf}" if pot else shelf


def place_of(home: Home, at: str, at_ms: int) -> str:
    """Where a choice on the screen is: a shelf's label, `shelf/pot`, or `/pot` for a pot wherever it stands now."""
    if not at.startswith("/"):
        return at
    pot = home.logbook.pot(at[1:]).label
    setup = home.logbook.setup_at(pot, at_ms)
    shelves = [shelf.label for shelf in home.logbook.shelves()]
    return f"{setup['shelf'] if setup else shelves[0]}/{pot}"


def _placements(home: Home, source: str) -> dict[int, Placement]:
    return {placement.from_ms: placement for placement in home.logbook.sensor(source).placed}


def _standing(placed: Mapping[int, Placement], at_ms: int) -> Placement | None:
    return next((p for p in placed.values() if p.from_ms < at_ms and (p.to_ms is None or at_ms < p.to_ms)), None)


def _lasting_on(source: str, stood: Placement, from_ms: int) -> list[Undo]:
    """What makes a placement that was cut off at a moment last as long as before: a piece, and the joint taken out."""
    piece = _placing(source, replace(stood, from_ms=from_ms))
    return [("sensor_placed", piece), ("placement_withdrawn", {"source": source, "from_ms": from_ms})]


def _placing(source: str, placement: Placement) -> dict[str, Any]:
    ends = {} if placement.to_ms is None else {"to_ms": placement.to_ms}
    return {"source": source, "at": placement.at, "from_ms": placement.from_ms, **ends}


def _whole(sensor: Sensor) -> dict[str, Any]:
    known = {field.name: getattr(sensor, field.name) for field in fields(sensor) if field.name != "placed"}
    placed = [
        {"from_ms": p.from_ms, "at": p.at, **({} if p.to_ms is None else {"to_ms": p.to_ms})} for p in sensor.placed
    ]
    return {**known, "calibration": [list(pair) for pair in sensor.calibration], "placed": placed}
