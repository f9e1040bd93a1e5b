"""The way to the broker: one MQTT client, QoS 1, a bounded number of messages in flight.

Owns connection and flow control. It must not know what is sent.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from simulated_feeds.messages import Message

IN_FLIGHT = 600
ONLINE_TOPIC = "glasshouse/stairwell/online"


@dataclass(frozen=True)
class Link:
    """Where the broker is."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    tls_ca: Path | None = None


class NotConnectedError(ConnectionError):
    """The broker does not answer; the message says what to do."""


class Sender:
    """Sends messages in order and waits while too many are on their way."""

    def __init__(self, client: mqtt.Client, stop: threading.Event) -> None:
        """`client` has its loop running."""
        self.client = client
        self.stop = stop
        self.room = threading.Semaphore(IN_FLIGHT)
        self._said: set[int] = set()
        client.on_publish = self._arrived

    def say_online(self) -> None:
        """As a node does each time it has reached the broker; its last will says the contrary when it is lost."""
        self._said.add(self.client.publish(ONLINE_TOPIC, b"online", qos=1, retain=True).mid)

    def _arrived(self, _client: mqtt.Client, _data: object, number: int, *_: object) -> None:
        if number in self._said:
            self._said.discard(number)
        else:
            self.room.release()

    def send(self, message: Message) -> bool:
        """Send one message; False when asked to stop."""
        while not self.stop.is_set():
            if self.room.acquire(timeout=0.2):
                self.client.publish(message.topic, message.body, qos=1, retain=message.retain)
                return True
        return False

    def drained(self, timeout_s: float = 30.0) -> bool:
        """Wait until the broker has acknowledged everything."""
        for taken in range(IN_FLIGHT):
            if not self.room.acquire(timeout=timeout_s):
                for _ in range(taken):
                    self.room.release()
                return False
        for _ in range(IN_FLIGHT):
            self.room.release()
        return True


@contextmanager
def connected(link: Link, stop: threading.Event) -> Iterator[Sender]:
    """A sender on a running connection, ended cleanly."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="glasshouse", clean_session=False)
    client.max_inflight_messages_set(IN_FLIGHT // 3)
    client.reconnect_delay_set(1, 30)
    if link.username is not None:
        client.username_pw_set(link.username, link.password)
    if link.tls_ca is not None:
        client.tls_set(ca_certs=str(link.tls_ca))
    client.will_set(ONLINE_TOPIC, b"offline", qos=1, retain=True)
    answered = threading.Event()

    def on_connect(_client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _more: object) -> None:
        if not reason.is_failure:
            sender.say_online()
            answered.set()

    sender = Sender(client, stop)
    client.on_connect = on_connect
    try:
        client.connect(link.host, link.port, keepalive=30)
    except OSError as error:
        raise NotConnectedError(
            f"No broker answers at {link.host}:{link.port} ({error}): start one, or name another host or port."
        ) from error
    client.loop_start()
    try:
        if not answered.wait(10.0):
            raise NotConnectedError(
                f"The broker at {link.host}:{link.port} does not accept the glasshouse: check its users."
            )
        yield sender
        sender.drained(5.0)
    finally:
        client.publish(ONLINE_TOPIC, b"offline", qos=1, retain=True)
        client.disconnect()
        client.loop_stop()
