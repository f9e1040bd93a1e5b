"""What the Workshop shows: every sensor with what it last said, and the messages that nobody reads."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from dashboard.answers.check import LEARN_FROM_MS, disk_free_pct, place_of, sensor_findings
from dashboard.answers.shelf_air import STALE_MS
from ingest.home import Home
from ingest.proposals import proposals
from ingest.readings import HOUR_MS, Series, StoredUnread
from ingest.sensors import Sensor, in_canonical_units, silent

LONGEST_SHOWN = 400
LOOKED_AT = 2000
SHOWN_OF = 20  # how many of a topic are tried for one that can be read


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """Sensors, unread messages (newest first, alike ones together), findings, and the labels to choose from.

    `unread_topics` are the topics that no sensor claims, each with its newest message and what could be read in it:
    `{topic, id, body, arrived_ms, since_ms, count, time_known, streams: [Proposal as a dict]}`.
    """
    count = home.readings.unread_count()
    return {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "units": home.settings.grower.units,
        "disk_free_pct": disk_free_pct(home),
        "findings": sensor_findings(home, at_ms),
        "sensors": _sensors(home, at_ms),
        "unread": _unread(home),
        "unread_topics": _topics(home),
        "unread_kept": count.kept,
        "unread_dropped": count.dropped,
        "shelves": [shelf.label for shelf in home.logbook.shelves()],
        "pots": [pot.label for pot in home.logbook.pots()],
        "pots_by_shelf": _pots_by_shelf(home, at_ms),
    }


def _sensors(home: Home, at_ms: int) -> list[dict[str, Any]]:
    sensors = home.logbook.sensors()
    sources = [sensor.source for sensor in sensors]
    recent = home.readings.read(sources, at_ms - LEARN_FROM_MS, at_ms + 1)
    last = home.readings.last_before(sources, at_ms + 1)
    failed = {spell.source for spell in home.readings.failures(at_ms) if spell.ended_ms is None}
    vessels = {pot: setup.get("reservoir", {}) for pot, setup in home.logbook.setups_at(at_ms).items()}
    told = [
        _sensor(sensor, at_ms, recent[sensor.source], last.get(sensor.source), sensor.source in failed)
        for sensor in sensors
    ]
    return [{**one, "reservoir": vessels.get((one["at"] or "").partition("/")[2], {})} for one in told]


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
        "payload": sensor.payload,
        "calibration": [list(point) for point in sensor.calibration],
        "placed": [asdict(placement) for placement in sensor.placed],
        "described": plain(sensor),
        "last_value": value,
        "last_ms": None if last is None else last[0],
        "state": state,
        "says": {
            "fresh": "speaks as usual",
            "stale": f"quiet for {_hours(at_ms - last[0])}, within its habit" if last else "",
            "silent": "has gone silent",
            "failed": "says that it does not measure",
            "never": "has never been heard",
            "unplaced": "serves no place",
        }[state],
    }


def _hours(spell_ms: int) -> str:
    hours = spell_ms // HOUR_MS
    return "an hour" if hours <= 1 else f"{hours} hours"


def _state(sensor: Sensor, at_ms: int, recent: Series, last: tuple[int, float] | None, failed: bool) -> str:
    if last is None:
        return "never"
    if failed:
        return "failed"
    if not recent[0].size or silent(sensor.interval_s, recent[0], at_ms):
        return "silent"
    return "stale" if at_ms - int(recent[0][-1]) > STALE_MS else "fresh"


#: What a person may say of a sensor; where its numbers come from is fixed, since its readings lie under that name.
DESCRIBED = (
    "label",
    "quantity",
    "unit",
    "interval_s",
    "height_mm",
    "time_field",
    "time_format",
    "time_zone",
    "online_topic",
)


def plain(sensor: Sensor) -> dict[str, Any]:
    """What can be described anew of a sensor, as a screen shows it and sends it back."""
    return {name: value for name in DESCRIBED if (value := getattr(sensor, name)) not in (None, "")}


def _pots_by_shelf(home: Home, at_ms: int) -> list[dict[str, Any]]:
    """Every shelf with the pots that stand there; pots without a set-up come last, under no shelf."""
    setups = home.logbook.setups_at(at_ms)
    stands = {pot.label: setups[pot.label]["shelf"] if pot.label in setups else None for pot in home.logbook.pots()}
    shelves: list[str | None] = [shelf.label for shelf in home.logbook.shelves()]
    found = [{"shelf": shelf, "pots": [pot for pot, at in stands.items() if at == shelf]} for shelf in (*shelves, None)]
    return [row for row in found if row["shelf"] is not None or row["pots"]]


def _topics(home: Home) -> list[dict[str, Any]]:
    claimed = {sensor.topic for sensor in home.logbook.sensors()}
    by_topic: dict[str, list[StoredUnread]] = {}
    for message in home.readings.unread(LOOKED_AT):
        if message.topic not in claimed:
            by_topic.setdefault(message.topic, []).append(message)
    return [_topic(topic, messages) for topic, messages in by_topic.items()]


def _topic(topic: str, messages: Sequence[StoredUnread]) -> dict[str, Any]:
    """One topic, newest message first; the one shown is the newest that holds anything that could be read."""
    read = [(message, found) for message in messages[:SHOWN_OF] if (found := proposals(topic, message.body))]
    message, streams = read[0] if read else (messages[0], [])
    return {
        "topic": topic,
        "id": message.id,
        "reason": message.reason,
        "body": message.body.decode("utf-8", "replace")[:LONGEST_SHOWN],
        "arrived_ms": messages[0].arrived_ms,
        "since_ms": messages[-1].arrived_ms,
        "count": len(messages),
        "time_known": message.time_known,
        "streams": [stream._asdict() for stream in streams],
    }


def _unread(home: Home) -> list[dict[str, Any]]:
    """One row for messages of the same topic and reason, with how many more are like it."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for message in home.readings.unread(LOOKED_AT):
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
