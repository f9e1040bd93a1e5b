"""What the Workshop shows: every sensor with what it last said, and the messages that nobody reads."""

from typing import Any

from dashboard.answers.check import LEARN_FROM_MS, disk_free_pct, place_of, sensor_findings
from dashboard.answers.shelf_air import STALE_MS
from ingest.home import Home
from ingest.readings import Series
from ingest.sensors import Sensor, in_canonical_units, silent

LONGEST_SHOWN = 400


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """Sensors, unread messages (newest first, alike ones together), findings, and the labels to choose from."""
    count = home.readings.unread_count()
    return {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "units": home.settings.grower.units,
        "disk_free_pct": disk_free_pct(home),
        "findings": sensor_findings(home, at_ms),
        "sensors": _sensors(home, at_ms),
        "unread": _unread(home),
        "unread_kept": count.kept,
        "unread_dropped": count.dropped,
        "shelves": [shelf.label for shelf in home.logbook.shelves()],
        "pots": [pot.label for pot in home.logbook.pots()],
    }


def _sensors(home: Home, at_ms: int) -> list[dict[str, Any]]:
    sensors = home.logbook.sensors()
    sources = [sensor.source for sensor in sensors]
    recent = home.readings.read(sources, at_ms - LEARN_FROM_MS, at_ms + 1)
    last = home.readings.last_before(sources, at_ms + 1)
    failed = {spell.source for spell in home.readings.failures(at_ms) if spell.ended_ms is None}
    return [
        _sensor(sensor, at_ms, recent[sensor.source], last.get(sensor.source), sensor.source in failed)
        for sensor in sensors
    ]


def _sensor(sensor: Sensor, at_ms: int, recent: Series, last: tuple[int, float] | None, failed: bool) -> dict[str, Any]:
    at, from_ms = place_of(sensor, at_ms)
    state = _state(sensor, at_ms, recent, last, failed) if at else "unplaced"
    value = None if last is None else float(in_canonical_units(sensor, recent[1][-1:])[0]) if recent[1].size else None
    return {
        "source": sensor.source,
        "label": sensor.label,
        "topic": sensor.topic,
        "field": sensor.field,
        "quantity": sensor.quantity,
        "unit": sensor.unit,
        "at": at,
        "from_ms": from_ms,
        "last_value": value,
        "last_ms": None if last is None else last[0],
        "state": state,
        "says": {
            "fresh": "speaks as usual",
            "stale": "quiet for an hour, within its habit",
            "silent": "has gone silent",
            "failed": "says that it does not measure",
            "never": "has never been heard",
            "unplaced": "serves no place",
        }[state],
    }


def _state(sensor: Sensor, at_ms: int, recent: Series, last: tuple[int, float] | None, failed: bool) -> str:
    if last is None:
        return "never"
    if failed:
        return "failed"
    if not recent[0].size or silent(sensor.interval_s, recent[0], at_ms):
        return "silent"
    return "stale" if at_ms - int(recent[0][-1]) > STALE_MS else "fresh"


def _unread(home: Home) -> list[dict[str, Any]]:
    """One row for messages of the same topic and reason, with how many more are like it."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for message in home.readings.unread(2000):
        row = rows.get((message.topic, message.reason))
        if row is not None:
            row["like"] += 1
            continue
        rows[message.topic, message.reason] = {
            "id": message.id,
            "topic": message.topic,
            "reason": message.reason,
            "body": message.body.decode("utf-8", "replace")[:LONGEST_SHOWN],
            "arrived_ms": message.arrived_ms,
            "retained": message.retained,
            "time_known": message.time_known,
            "like": 0,
        }
    return list(rows.values())
