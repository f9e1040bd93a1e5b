"""Messages that nobody uses: claimed for a place, read again, or forgotten.

A claim makes a sensor of each stream that was chosen in one message, reads what was kept of its topic, and places the
sensors since their first reading, so that nothing that had arrived is lost.
"""

from collections.abc import Sequence
from typing import Any

from dashboard.changes.bodies import Body, answered, rows, word
from dashboard.changes.sensors import in_words, name_of, place_of
from ingest.home import Home
from ingest.intake import replay
from ingest.logbook.refusals import Fault, Refused
from ingest.proposals import Proposal, proposals
from ingest.readings import StoredUnread
from ingest.sensors import OF_ONE_POT, QUANTITIES, Sensor

LOOKED_AT = 20_000
WHICH_POT = "Water and mass are those of one pot, not of a shelf: choose the pot."
NOTHING_CHOSEN = "Tick at least one value of the message."


def claim(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The streams `streams` of the kept message `id` are sensors at the place `at`.

    A stream is `{"use", "field", "payload", "quantity"?, "unit"?}`; what is missing is as it was proposed.
    `time_zone` is that of times which name none.
    """
    at = place_of(home, word(body, "at", "Say where it stands: a shelf, or a pot."), at_ms)
    message = _message(home, body.get("id"))
    sensors = _sensors(home, message, rows(body, "streams"), body.get("time_zone"))
    if "/" not in at and all(sensor.quantity in OF_ONE_POT for sensor in sensors):
        raise Refused(Fault("at", WHICH_POT))
    waited = _kept_of(home, message.topic)
    # The logbook first: a replay that is cut short goes on by itself, since the ingester reads claimed messages again.
    with home.logbook.writing():
        for sensor in sensors:
            home.logbook.put_sensor(sensor)
            home.logbook.place_sensor(sensor.source, at, min(message.arrived_ms, at_ms))
    replay(home.readings, home.logbook.sensors(), at_ms)
    read = max(waited - _kept_of(home, message.topic), 0)  # by us, or by the ingester, who may have been quicker
    _place_since_first_reading(home, sensors, at, at_ms)
    undo = [("sensor_withdrawn", {"source": sensor.source}) for sensor in sensors]
    return answered(f"{_counted(len(sensors), 'sensor')} at {in_words(at)}; {_counted(read, 'message')} read.", *undo)


def replay_all(home: Home, at_ms: int, _body: Body) -> dict[str, Any]:
    """Read again every kept message that a sensor claims by now."""
    read = replay(home.readings, home.logbook.sensors(), at_ms)
    left = home.readings.unread_count().kept
    return answered(f"{_counted(read, 'message')} read; {_counted(left, 'message')} left.")


def forget(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Forget the kept messages of a topic that are there for one reason; they cannot be had again."""
    topic, reason = word(body, "topic", "Say which messages."), word(body, "reason", "Say which messages.")
    ids = [one.id for one in home.readings.unread(LOOKED_AT) if (one.topic, one.reason) == (topic, reason)]
    home.readings.forget_unread(ids)
    return answered(f"{_counted(len(ids), 'message')} forgotten.")


def _message(home: Home, number: Any) -> StoredUnread:
    found = next((one for one in home.readings.unread(LOOKED_AT) if one.id == number), None)
    if found is None:
        raise Refused("That message is no longer kept: it was read meanwhile, or made room for newer ones. Look again.")
    return found


def _kept_of(home: Home, topic: str) -> int:
    return sum(one.topic == topic for one in home.readings.unread(LOOKED_AT))


def _sensors(home: Home, message: StoredUnread, chosen: Sequence[Body], zone: Any) -> list[Sensor]:
    proposed = {(one.payload, one.field): one for one in proposals(message.topic, message.body)}
    taken = {sensor.source for sensor in home.logbook.sensors()}
    found = []
    for number, stream in enumerate(chosen):
        if not stream.get("use"):
            continue
        proposal = proposed.get((str(stream.get("payload")), str(stream.get("field", ""))))
        if proposal is None:
            raise Refused("The message does not hold what was chosen; look again.")
        found.append(_sensor(message.topic, proposal, stream, number, zone))
    if not found:
        raise Refused(Fault("streams", NOTHING_CHOSEN))
    double = next((sensor for sensor in found if sensor.source in taken), None)
    if double is not None:
        raise Refused(f"The sensor {name_of(double)} is there already; open it to move it or to describe it anew.")
    return found


def _sensor(topic: str, proposal: Proposal, stream: Body, number: int, zone: Any) -> Sensor:
    quantity = stream.get("quantity") or proposal.quantity
    if quantity not in QUANTITIES:
        raise Refused(Fault(f"streams.{number}.quantity", "Say what this number measures."))
    given = stream.get("unit")
    unit = given.strip() if isinstance(given, str) else proposal.unit or ""
    names_a_zone = proposal.time_field is not None and isinstance(zone, str) and zone.strip()
    return Sensor(
        topic,
        proposal.payload,
        proposal.field,
        str(quantity),
        unit,
        time_field=proposal.time_field,
        time_format=proposal.time_format,
        time_zone=zone.strip() if names_a_zone else None,
    )


def _place_since_first_reading(home: Home, sensors: Sequence[Sensor], at: str, at_ms: int) -> None:
    """Kept messages may hold times before their arrival, and others may have arrived before the one that was shown."""
    kept = home.readings.read([sensor.source for sensor in sensors], 0, at_ms + 1)
    for sensor in sensors:
        times_ms, _ = kept[sensor.source]
        (placed,) = home.logbook.sensor(sensor.source).placed
        if times_ms.size and int(times_ms[0]) < placed.from_ms:
            home.logbook.place_sensor(sensor.source, at, int(times_ms[0]), None)
            home.logbook.withdraw_placement(sensor.source, placed.from_ms)


def _counted(count: int, noun: str) -> str:
    return f"one {noun}" if count == 1 else f"{count} {noun}s"
