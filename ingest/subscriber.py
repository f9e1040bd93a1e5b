"""The MQTT client: batch, commit, then acknowledge.

Owns the connection, the order of acknowledgements and the question whether a message's arrival is its time. What a
message says is `intake.py`'s business, and where readings are kept is the store's.

*Acknowledged means kept.* A message is acknowledged to the broker after the store has committed it, never before, and
in the order of delivery. While the store refuses (full disk, locked file, file moved away) nothing is acknowledged, the
batch is tried again with growing patience, and the broker keeps what follows. A connection that breaks forgets its
pending acknowledgements; the broker delivers those messages again, and the store takes a reading of the same source and
moment only once.

*Backlog.* A message without a time of its own is stamped with its arrival only if it came straight through. Three
things make what follows a backlog: the broker kept our session while we were away; the store or this process stood
still for more than a few seconds; the machine slept. The backlog ends when a marker, which we publish to ourselves at
that moment, comes back, because a broker delivers a session in order (the embedded one within a subscription, which is
why it is best left with the one subscription "#"); or, where the broker does not let us publish it, when the
line has been quiet for some seconds with nothing left to commit. Late messages without a time are kept as "time
unknown".

All of it runs in one thread: reading, committing and acknowledging take turns, so a disconnect can never fall between
a commit and its acknowledgements. The broker goes on sending meanwhile, up to its in-flight window; a batch of at most
half that window keeps it busy, and a pause in the stream ends a batch early, so a small window costs no waiting.
"""

import contextlib
import json
import logging
import math
import os
import random
import select
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.intake import Batch, Intake, Message, Store
from ingest.readings import UnreadMessage
from ingest.sensors import Sensor

log = logging.getLogger(__name__)

BATCH = 250
LINGER_S = 0.05
#: A stream that pauses this long with at least half the smallest usual window (Mosquitto's 20) waiting has filled the
#: broker's window: waiting for more would be in vain.
PAUSE_S = 0.0005
FEW = 10
#: Standing still longer than this makes what comes next a backlog.
STOOD_STILL_S = 5.0
QUIET_S = 5.0
REFRESH_S = 2.0
REPLAY_S = 600.0
STATUS_S = 5.0
CONNECT_S = 10.0
TURN_S = 0.2
MOST_WAITING = 10_000
PACKETS_A_TURN = 100
#: What this program itself says over MQTT (markers here, alerts elsewhere) is never data.
OWN_ROOT = "dryline/"


@dataclass(frozen=True)
class Link:
    """Where the broker is and how we present ourselves. With a `shared_group`, several ingesters share the messages.

    `client_id` names the session that the broker keeps while we are away: it must stay the same across restarts
    and differ between ingesters.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "dryline-ingest"
    topics: tuple[str, ...] = ("#",)
    shared_group: str | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls_ca: str | None = None
    keepalive_s: int = 60
    session_s: int = 30 * 24 * 3600

    @property
    def filters(self) -> list[str]:
        """The subscriptions, shared if so asked."""
        prefix = f"$share/{self.shared_group}/" if self.shared_group else ""
        return [prefix + topic for topic in self.topics]

    @property
    def marker_topic(self) -> str:
        """Where our markers go."""
        return f"{OWN_ROOT}ingest/{self.client_id}"


@dataclass
class Counters:
    """What the ingester did since it started, for `/healthz`, `check` and tests."""

    connected: bool = False
    protocol: str = ""
    backlog: bool = False
    received: int = 0
    readings: int = 0
    failures: int = 0
    unread: int = 0
    replayed: int = 0
    commits: int = 0
    acknowledged: int = 0
    connections: int = 0
    store_errors: int = 0
    last_commit_ms: int = 0
    longest_wait_ms: int = 0  # from a message's arrival to its being on disk: what only a broker in memory then holds
    trouble: str = ""


@dataclass(slots=True)
class _Delivery:
    """A message that waits for its commit; `message` is None for a marker, which only wants its acknowledgement."""

    message: Message | None
    mid: int
    qos: int
    connection: int


def now_ms() -> int:
    """The host's clock."""
    return time.time_ns() // 1_000_000


def run(
    link: Link,
    store: Store,
    sensors: Callable[[], Sequence[Sensor]],
    *,
    stop: threading.Event,
    clock_ms: Callable[[], int] = now_ms,
    status_file: Path | None = None,
    batch: int = BATCH,
) -> Counters:
    """Take messages from the broker into the store until `stop` is set; returns what was done.

    Never gives up: an absent broker, a wrong password, a full disk are waited for, each told once in the log and
    always in the counters. Stopping flushes what has come. `status_file` gets the counters as JSON every five seconds.
    """
    subscriber = Subscriber(link, store, sensors, clock_ms=clock_ms, status_file=status_file, batch=batch)
    subscriber.run(stop)
    return subscriber.counters


class Subscriber:
    """One session with one broker."""

    def __init__(
        self,
        link: Link,
        store: Store,
        sensors: Callable[[], Sequence[Sensor]],
        *,
        clock_ms: Callable[[], int] = now_ms,
        status_file: Path | None = None,
        batch: int = BATCH,
        first_wait_s: float = 0.2,
        longest_wait_s: float = 60.0,
    ) -> None:
        self.counters = Counters()
        self._link = link
        self._store = store
        self._intake = Intake(sensors)
        self._clock_ms = clock_ms
        self._status_file = status_file
        self._batch = batch
        self._waits_s = (first_wait_s, longest_wait_s)
        self._client: mqtt.Client | None = None
        self._protocol = MQTTProtocolVersion.MQTTv5
        self._five_worked = False
        self._connection = 0
        self._refused = ""
        self._unreached = False
        self._waiting: list[_Delivery] = []
        self._waiting_since_s = 0.0
        self._last_stamp_ms: dict[str, int] = {}
        self._last_arrival_s = 0.0
        self._last_turn_s = 0.0
        self._marker = 0
        self._store_failures = 0
        self._try_store_s = 0.0
        self._due_s = dict.fromkeys(("refresh", "replay", "status"), 0.0)
        self._taken_up = False

    # --- the life of a session ---

    def run(self, stop: threading.Event) -> None:
        """Connect, serve, reconnect, until `stop`; then flush and say goodbye, leaving the session at the broker."""
        attempts = 0
        try:
            while not stop.is_set():
                if self._connect(stop):
                    attempts = 0
                    self._serve(stop)
                elif not self._changed_protocol():
                    attempts += 1
                if not stop.is_set() and not self.counters.connected:
                    self._care()
                    stop.wait(self._patience_s(attempts) if attempts else 0.0)
        finally:
            self._say_goodbye()
            self._write_status(0.0)

    def _patience_s(self, attempts: int) -> float:
        first_s, longest_s = self._waits_s
        # Scattered, so that several ingesters do not knock at a restarted broker together.
        return min(first_s * 2.0 ** min(attempts - 1, 12), longest_s) * random.uniform(0.75, 1.0)

    def _connect(self, stop: threading.Event) -> bool:
        self._close_client()
        self._connection += 1
        self._refused = ""
        self._unreached = False
        client = self._client = self._new_client()
        deadline_s = time.monotonic() + CONNECT_S
        try:
            self._knock(client)
            self._last_turn_s = _awake_s()
            while not self.counters.connected and not self._refused and not stop.is_set():
                if time.monotonic() > deadline_s or client.socket() is None:
                    break
                self._turn(client, TURN_S)
        except (OSError, ValueError) as error:
            self._unreached = True
            self._in_trouble(f"no connection to the broker at {self._link.host}:{self._link.port}: {error}")
            return False
        if self.counters.connected:
            self._trouble_is_over()
        elif self._may_want_older_mqtt():
            log.info("the broker did not answer MQTT 5; trying 3.1.1")
        elif not stop.is_set():
            why = self._refused or "it closed the connection without a word"
            self._in_trouble(f"the broker at {self._link.host}:{self._link.port} did not let us in: {why}")
        return self.counters.connected

    def _may_want_older_mqtt(self) -> bool:
        """Whether MQTT 5 was answered by a refusal or by nothing, and never worked here before."""
        return self._protocol == MQTTProtocolVersion.MQTTv5 and not self._five_worked

    def _changed_protocol(self) -> bool:
        """After an answer that may be about MQTT 5, take 3.1.1, at once; after one to 3.1.1, take 5 again, later."""
        if self._client is None or self._unreached:
            return False
        if self._may_want_older_mqtt():
            self._protocol = MQTTProtocolVersion.MQTTv311
            return True
        self._protocol = MQTTProtocolVersion.MQTTv5
        return False

    def _new_client(self) -> mqtt.Client:
        five = self._protocol == MQTTProtocolVersion.MQTTv5
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._link.client_id,
            protocol=self._protocol,
            clean_session=None if five else False,
            manual_ack=True,
        )
        if self._link.username is not None:
            client.username_pw_set(self._link.username, self._link.password)
        if self._link.tls_ca is not None:
            client.tls_set(ca_certs=self._link.tls_ca)
        client.connect_timeout = CONNECT_S
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        # With this set, paho queues what it has to send and leaves the writing to `_turn`.
        client.on_socket_register_write = _leave_it_to_the_turn
        return client

    def _knock(self, client: mqtt.Client) -> None:
        if self._protocol == MQTTProtocolVersion.MQTTv5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = self._link.session_s
            properties.ReceiveMaximum = max(2 * self._batch, 20)
            client.connect(
                self._link.host, self._link.port, self._link.keepalive_s, clean_start=False, properties=properties
            )
        else:
            client.connect(self._link.host, self._link.port, self._link.keepalive_s)

    def _serve(self, stop: threading.Event) -> None:
        self._last_arrival_s = time.monotonic()
        while self.counters.connected and self._client is not None and not stop.is_set():
            if len(self._waiting) >= MOST_WAITING:
                # The store refuses: leave the rest at the broker, and only keep the connection alive.
                stop.wait(TURN_S)
                self._client.loop_misc()
            else:
                self._turn(self._client, self._turn_s())
            if self._commit_is_due():
                self._commit()
            self._end_quiet_backlog()
            self._care()

    def _say_goodbye(self) -> None:
        if self._waiting:
            self._try_store_s = 0.0
            self._commit()
        client = self._client
        if client is not None and client.is_connected():
            deadline_s = time.monotonic() + 2.0
            while client.want_write() and client.loop_write() == MQTTErrorCode.MQTT_ERR_SUCCESS:
                if time.monotonic() > deadline_s:
                    break
            self.counters.connected = False  # our own leave is no news
            client.disconnect()
            client.loop_write()
        self._close_client()

    def _close_client(self) -> None:
        client, self._client = self._client, None
        self.counters.connected = False
        if client is not None:
            client.on_disconnect = None
            sock = client.socket()
            if sock is not None:
                with contextlib.suppress(OSError):
                    sock.close()

    # --- one turn of the loop ---

    def _turn(self, client: mqtt.Client, timeout_s: float) -> None:
        """Wait for the socket, read what has come up to a batch, write what is to be written, keep alive."""
        sock = client.socket()
        if sock is None:
            return
        if not _holds_decrypted(sock):
            readable, _, _ = select.select([sock], [sock] if client.want_write() else [], [], timeout_s)
        else:
            readable = [sock]
        self._notice_standstill()
        if readable:
            self._read(client)
        while client.want_write() and client.loop_write() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            if not select.select([], [sock], [], 0)[1]:
                break
        client.loop_misc()

    def _read(self, client: mqtt.Client) -> None:
        for _ in range(PACKETS_A_TURN):
            before = self.counters.received
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            if self.counters.received == before or len(self._waiting) >= self._batch:
                return

    def _turn_s(self) -> float:
        if not self._waiting or time.monotonic() < self._try_store_s:
            return TURN_S
        if len(self._waiting) >= FEW:
            return PAUSE_S
        return max(0.0, self._waiting_since_s + LINGER_S - time.monotonic())

    def _commit_is_due(self) -> bool:
        if not self._waiting:
            return False
        now_s = time.monotonic()
        if now_s < self._try_store_s:
            return False
        return (
            len(self._waiting) >= self._batch
            or now_s - self._waiting_since_s >= LINGER_S
            or (len(self._waiting) >= FEW and now_s - self._last_arrival_s >= PAUSE_S)
        )

    def _commit(self) -> None:
        """Keep all that waits in one transaction, then acknowledge it in the order of its delivery."""
        try:
            if not self._taken_up:
                self._intake.refresh()
                self._intake.remember(self._store.failures())
                self._taken_up = True
            batch = self._intake.batch(one.message for one in self._waiting if one.message is not None)
            if any(batch):
                self._append(batch)
        except Exception as error:
            self._store_refused(error)
            return
        if self._store_failures:
            self._begin_backlog()
        self._store_failures = 0
        self._trouble_is_over()
        kept, self._waiting = self._waiting, []
        waited_ms = math.ceil(1000 * (time.monotonic() - self._waiting_since_s))
        self.counters.longest_wait_ms = max(self.counters.longest_wait_ms, waited_ms)
        self._count(batch)
        client = self._client
        for one in kept:
            if one.qos and one.connection == self._connection and client is not None:
                client.ack(one.mid, one.qos)
                self.counters.acknowledged += 1

    def _append(self, batch: Batch) -> None:
        try:
            self._store.append(batch.readings, batch.failures, batch.unread)
        except ValueError:
            # The store will never take one of these; alone, it does not hold up the others.
            for reading in batch.readings:
                try:
                    self._store.append([reading])
                except ValueError as error:
                    topic, _, _ = reading.source.partition("#")
                    body = repr(reading).encode()
                    batch.unread.append(UnreadMessage(topic, body, self._clock_ms(), f"the store refuses it: {error}"))
            self._store.append([], batch.failures, batch.unread)

    def _store_refused(self, error: Exception) -> None:
        self._store_failures += 1
        self.counters.store_errors += 1
        self._try_store_s = time.monotonic() + min(0.1 * 2.0 ** min(self._store_failures - 1, 10), 10.0)
        self._in_trouble(f"the readings store refuses, so nothing is acknowledged: {error}")

    def _count(self, batch: Batch) -> None:
        self.counters.readings += len(batch.readings)
        self.counters.failures += len(batch.failures)
        self.counters.unread += len(batch.unread)
        self.counters.commits += 1
        self.counters.last_commit_ms = self._clock_ms()

    # --- what the broker says ---

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._refused = str(reason)
            return
        self.counters.connected = True
        self._due_s["status"] = 0.0  # whoever waits for us learns of it at once
        self.counters.connections += 1
        self.counters.protocol = "5" if self._protocol == MQTTProtocolVersion.MQTTv5 else "3.1.1"
        self.counters.backlog = flags.session_present
        self._five_worked |= self._protocol == MQTTProtocolVersion.MQTTv5
        filters = self._link.filters
        if "#" not in filters:
            # Two subscriptions for one marker could let its second copy overtake the backlog of the first.
            filters = [*filters, self._link.marker_topic]
        if self._protocol == MQTTProtocolVersion.MQTTv5:
            # Retained messages only for a new subscription, not at every reconnect.
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(one, options) for one in filters])
        else:
            client.subscribe([(one, 1) for one in filters])

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic, reason in zip(self._link.filters, reasons, strict=False):
            if reason.is_failure:
                self._in_trouble(f"the broker refuses the subscription to {topic}: {reason}")
        if self.counters.backlog:
            self._begin_backlog()

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if self.counters.connected:
            log.warning("the connection to the broker ended: %s", reason)
        self.counters.connected = False

    def _on_message(self, _client: mqtt.Client, _userdata: object, arrived: mqtt.MQTTMessage) -> None:
        self.counters.received += 1
        self._last_arrival_s = time.monotonic()
        if not self._waiting:
            self._waiting_since_s = self._last_arrival_s
        try:
            topic = arrived.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        message: Message | None = None
        body = bytes(arrived.payload)
        if topic.startswith(OWN_ROOT):
            self._heed_marker(topic, body)
        else:
            message = Message(topic, body, self._stamp_ms(topic), arrived.retain, self.counters.backlog)
        self._waiting.append(_Delivery(message, arrived.mid, arrived.qos, self._connection))

    def _stamp_ms(self, topic: str) -> int:
        """The moment of arrival; two messages of one topic within a millisecond get one each, so that both are kept."""
        arrived_ms = self._clock_ms()
        last_ms = self._last_stamp_ms.get(topic, 0)
        if last_ms - 1000 < arrived_ms <= last_ms:
            arrived_ms = last_ms + 1
        self._last_stamp_ms[topic] = arrived_ms
        return arrived_ms

    # --- the backlog ---

    def _begin_backlog(self) -> None:
        self.counters.backlog = True
        self._marker += 1
        client = self._client
        if client is not None and client.is_connected():
            client.publish(self._link.marker_topic, self._marker_text(), qos=1)

    def _heed_marker(self, topic: str, text: bytes) -> None:
        if topic == self._link.marker_topic and text == self._marker_text():
            self.counters.backlog = False

    def _marker_text(self) -> bytes:
        # The connection is in it, so that a marker of an earlier process, still in the queue, ends nothing.
        return f"{os.getpid()} {self._connection} {self._marker}".encode()

    def _notice_standstill(self) -> None:
        """Called between waiting and reading: what is read after a standstill may have waited as long."""
        now_s = _awake_s()
        if now_s - self._last_turn_s > STOOD_STILL_S:
            self._begin_backlog()
        self._last_turn_s = now_s

    def _end_quiet_backlog(self) -> None:
        if self.counters.backlog and not self._waiting and time.monotonic() - self._last_arrival_s > QUIET_S:
            self.counters.backlog = False

    # --- care ---

    def _care(self) -> None:
        """What is done now and then: ask for the sensors again, replay what they claim, tell how it goes."""
        now_s = time.monotonic()
        if now_s >= self._due_s["refresh"]:
            self._due_s["refresh"] = now_s + REFRESH_S
            self._refresh(now_s)
        if now_s >= self._due_s["status"]:
            self._write_status(now_s)

    def _refresh(self, now_s: float) -> None:
        try:
            changed = self._intake.refresh()
            if changed or now_s >= self._due_s["replay"]:
                self._due_s["replay"] = now_s + REPLAY_S
                self.counters.replayed += self._intake.replay(self._store, self._clock_ms())
        except Exception as error:
            self._in_trouble(f"the sensors or the unread messages could not be read: {error}")

    def _write_status(self, now_s: float) -> None:
        self._due_s["status"] = now_s + STATUS_S
        if self._status_file is None:
            return
        written = self._status_file.with_suffix(".new")
        try:
            written.write_text(json.dumps(asdict(self.counters) | {"at_ms": self._clock_ms()}), encoding="utf-8")
            written.replace(self._status_file)
        except OSError as error:
            log.warning("the status file could not be written: %s", error)

    def _in_trouble(self, sentence: str) -> None:
        if sentence != self.counters.trouble:
            log.error("%s", sentence)
            self._due_s["status"] = 0.0
        self.counters.trouble = sentence

    def _trouble_is_over(self) -> None:
        if self.counters.trouble:
            log.info("trouble is over: %s", self.counters.trouble)
        self.counters.trouble = ""


def _awake_s() -> float:
    """A clock that also counts the time the machine slept, where the system has one."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


def _leave_it_to_the_turn(_client: mqtt.Client, _userdata: object, _socket: object) -> None:
    """Called by paho when it has something to write."""


def _holds_decrypted(sock: object) -> bool:
    """Whether a TLS socket holds bytes that were received already, for which waiting would be in vain."""
    pending = getattr(sock, "pending", None)
    return bool(pending is not None and pending() > 0)


def default_client_id(shared_group: str | None, number: int = 1) -> str:
    """A name for our session: fixed for a single ingester; in a group of several the host's and the ingester's own."""
    if shared_group is None:
        return "dryline-ingest"
    return f"dryline-{shared_group}-{socket.gethostname()}" + (f"-{number}" if number > 1 else "")
