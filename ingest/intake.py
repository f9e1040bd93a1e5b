"""Messages in, one batch for the store out: who claims each message, what it says, what must be kept unread.

Owns the decision between reading, failure and unread message, the one judgement that needs memory (humidity held
at 100 %), and the replay of unread messages once a sensor claims them. It knows no broker and no connection.
"""

import logging
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple, Protocol

from ingest.failure_codes import HELD_AT_100, HELD_MS, saturated_since_ms
from ingest.message_times import host_clock_is_sane
from ingest.payloads import Decoded, decode
from ingest.readings import FailureSpell, Reading, SensorFailure, StoredUnread, UnreadMessage
from ingest.sensors import Claims, Sensor, canonical_value, claims

log = logging.getLogger(__name__)

UNCLAIMED = "no sensor claims this topic"
RETAINED = "it was retained, so it may be of any age"
BACKLOG = "it waited at the broker while nobody was listening"
#: How many unread messages one replay looks at; what is left over waits for the next.
REPLAYED_AT_ONCE = 20_000


class Message(NamedTuple):
    """One message as it came. `late` says that its arrival is not its time: it was part of a backlog."""

    topic: str
    body: bytes
    arrived_ms: int
    retained: bool = False
    late: bool = False


class Batch(NamedTuple):
    """What a run of messages comes to, for one `append`."""

    readings: list[Reading]
    failures: list[SensorFailure]
    unread: list[UnreadMessage]


class Store(Protocol):
    """The part of a readings store that ingest needs."""

    def append(
        self,
        readings: Sequence[Reading] = (),
        failures: Sequence[SensorFailure] = (),
        unread: Sequence[UnreadMessage] = (),
    ) -> None:
        """Keep all of it in one durable transaction, or raise and keep none."""

    def unread(self, limit: int = 200) -> list[StoredUnread]:
        """Unread messages, newest first."""

    def forget_unread(self, ids: Iterable[int]) -> None:
        """Forget unread messages that were replayed."""

    def failures(self, since_ms: int = 0) -> list[FailureSpell]:
        """Spells of failure that still stand or ended since."""


class Intake:
    """Turns messages into batches for the sensors of the moment."""

    def __init__(self, sensors: Callable[[], Sequence[Sensor]]) -> None:
        self._sensors = sensors
        self._known: tuple[Sensor, ...] | None = None
        self._claims = Claims({}, {})
        self._humidity: dict[str, Sensor] = {}
        # For each humidity source: since when it has stood at 100 % (None: it does not), and its newest reading.
        self._saturated: dict[str, tuple[int | None, int]] = {}

    def refresh(self) -> bool:
        """Ask for the sensors again; True when they changed since the last time."""
        known = tuple(self._sensors())
        if known == self._known:
            return False
        self._claims = claims(known)
        usable = [sensor for some in self._claims.by_topic.values() for sensor in some]
        self._humidity = {sensor.source: sensor for sensor in usable if sensor.quantity == "relative_humidity"}
        self._known = known
        return True

    def remember(self, failures: Iterable[FailureSpell]) -> None:
        """Take up where an earlier process stopped: sources that stood at 100 % when it ended."""
        for spell in failures:
            if spell.ended_ms is None and spell.code == HELD_AT_100:
                self._saturated[spell.source] = (spell.from_ms - HELD_MS, spell.last_ms)

    def batch(self, messages: Iterable[Message]) -> Batch:
        """Everything in the messages, in their order. Never raises for what a message holds."""
        batch = Batch([], [], [])
        for message in messages:
            self._take(message, batch)
        return batch

    def _take(self, message: Message, batch: Batch) -> None:
        sensors = self._claims.by_topic.get(message.topic)
        refused = self._claims.refused.get(message.topic)
        reasons = list(refused or ())
        untimed = RETAINED if message.retained else BACKLOG if message.late else None
        time_known = untimed is None and host_clock_is_sane(message.arrived_ms)
        if sensors:
            decoded = decoded_or_reason(message.body, sensors, message.arrived_ms, untimed=untimed)
            self._keep(decoded, batch)
            if decoded.reason is not None:
                reasons.append(decoded.reason)
        elif not refused:
            reasons.append(UNCLAIMED)
        if reasons:
            batch.unread.append(
                UnreadMessage(
                    message.topic, message.body, message.arrived_ms, "; ".join(reasons), message.retained, time_known
                )
            )

    def _keep(self, decoded: Decoded, batch: Batch) -> None:
        batch.failures.extend(decoded.failures)
        for reading in decoded.readings:
            sensor = self._humidity.get(reading.source)
            if sensor is not None and self._held_at_100(sensor, reading):
                batch.failures.append(SensorFailure(reading.source, reading.time_ms, HELD_AT_100))
            else:
                batch.readings.append(reading)

    def _held_at_100(self, sensor: Sensor, reading: Reading) -> bool:
        since_ms, newest_ms = self._saturated.get(reading.source, (None, reading.time_ms))
        if reading.time_ms < newest_ms:
            return False  # late: it says nothing about how things stand now
        since_ms = saturated_since_ms(since_ms, reading.time_ms, canonical_value(sensor, reading.value))
        self._saturated[reading.source] = (since_ms, reading.time_ms)
        return since_ms is not None and reading.time_ms - since_ms >= HELD_MS

    def replay(self, store: Store, now_ms: int) -> int:
        """Read again what was kept unread and is claimed by now; returns how many messages were fully read."""
        waiting = [one for one in store.unread(REPLAYED_AT_ONCE) if one.topic in self._claims.by_topic]
        batch = Batch([], [], [])
        read = []
        for one in sorted(waiting, key=lambda unread: unread.id):
            if one.topic in self._claims.refused:
                continue
            untimed = None if one.time_known else RETAINED if one.retained else BACKLOG
            decoded = decoded_or_reason(
                one.body, self._claims.by_topic[one.topic], one.arrived_ms, untimed=untimed, now_ms=now_ms
            )
            self._keep(decoded, batch)
            if decoded.reason is None:
                read.append(one.id)
        if batch.readings or batch.failures:
            store.append(batch.readings, batch.failures)
        if read:
            store.forget_unread(read)
        return len(read)


def decoded_or_reason(
    body: bytes, sensors: Sequence[Sensor], arrived_ms: int, *, untimed: str | None = None, now_ms: int | None = None
) -> Decoded:
    """`decode`, behind a last line of defence: a fault of ours in one message must not stop all others."""
    try:
        return decode(body, sensors, arrived_ms, untimed=untimed, now_ms=now_ms)
    except Exception:
        log.exception("a message on %s could not be read because of a fault in this program", sensors[0].topic)
        return Decoded([], [], "it could not be read because of a fault in this program; the log says more")


def replay(store: Store, sensors: Sequence[Sensor], now_ms: int) -> int:
    """Read again the unread messages that `sensors` claim by now; returns how many were fully read and forgotten.

    A message whose arrival says nothing about its time is read only as far as it has times of its own.
    """
    intake = Intake(lambda: sensors)
    intake.refresh()
    intake.remember(store.failures())
    return intake.replay(store, now_ms)
