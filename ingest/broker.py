"""The embedded broker for the first run, the demo and tests: iotcore as a child process.

Owns how iotcore is configured, started and stopped, and nothing else knows that it is iotcore. It listens on this
host alone unless it is given users, may listen at several addresses at once, keeps everything in memory, and ends with
the process that started it. What only it holds is lost when both are killed together; for every day there is Mosquitto
(docs/broker.md).
"""

import contextlib
import ipaddress
import json
import logging
import os
import socket
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from iotcore import Broker

    from ingest.subscriber import Link

log = logging.getLogger(__name__)

#: iotcore's own limit of 20,480 bytes closes the connection of a sender of more; here the message arrives and is
#: refused with a reason.
MOST_BYTES = 2_097_152
#: What one sender may have unacknowledged. What waits for a subscriber's acknowledgement is 100 whatever is set.
IN_FLIGHT = 500
#: What the broker keeps for those who are away: four segments of 16 MB, the oldest let go first.
SEGMENT_BYTES = 16 * 1024 * 1024
SEGMENTS = 4
OPENING_S = 5.0


class BrokerError(RuntimeError):
    """The embedded broker cannot run; the message is one sentence that says what to do."""


@dataclass(frozen=True)
class Listener:
    """Where the broker listens. MQTT 5 has a port of its own (None: 3.1.1 alone).

    Any address but this host's own needs `users` (name -> password); `tls_cert` and `tls_key` make it TLS.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    port_v5: int | None = None
    users: dict[str, str] = field(default_factory=dict, repr=False)
    tls_cert: Path | None = None
    tls_key: Path | None = None


class EmbeddedBroker:
    """A broker that runs while this object is started: `with EmbeddedBroker(Listener(port=1883)): ...`."""

    def __init__(self, *listeners: Listener) -> None:
        """Check what was asked; raises BrokerError."""
        for listener in listeners:
            _check(listener)
        self.listeners = listeners
        self._broker: Broker | None = None

    def start(self) -> "EmbeddedBroker":
        """Start it and wait until it accepts connections; raises BrokerError."""
        broker_class = _iotcore()
        with tempfile.TemporaryDirectory(prefix="dryline-broker-") as folder:
            # The file may hold passwords: its folder is ours alone, and it is gone once the broker has read it.
            path = Path(folder) / "broker.toml"
            path.write_text(_configuration(self.listeners), encoding="utf-8")
            path.chmod(0o600)
            places = " or ".join(f"{listener.host}:{listener.port}" for listener in self.listeners)
            try:
                broker = broker_class(config_path=str(path))
                broker.start()
            except OSError as error:
                raise BrokerError(
                    f"The embedded broker cannot listen on {places} ({error}): another broker may run there; stop it,"
                    " or choose another port in dryline.toml."
                ) from None
            except (RuntimeError, ValueError) as error:
                raise BrokerError(f"The embedded broker did not start: {error}.") from None
        self._broker = broker
        return self

    def stop(self) -> None:
        """Stop it and free its ports; what it held is gone."""
        broker, self._broker = self._broker, None
        if broker is not None:
            broker.stop()

    @property
    def running(self) -> bool:
        """Whether its process is alive."""
        return self._broker is not None and bool(self._broker.is_running)

    def __enter__(self) -> "EmbeddedBroker":
        return self.start()

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.stop()


def run(*listeners: Listener, stop: threading.Event, keep_for: "Link | None" = None) -> None:
    """Run the embedded broker until `stop` is set; raises BrokerError when it cannot start or ends by itself.

    It begins with no memory of anybody, and acknowledges what nobody has subscribed to. So that nothing is lost between
    its start and the ingester's, the ingester's session is opened for it at once.
    """
    with EmbeddedBroker(*listeners) as broker:
        if keep_for is not None:
            open_session(keep_for)
        while not stop.wait(0.5):
            if not broker.running:
                raise BrokerError("The embedded broker ended by itself; what only it held is lost.")


def open_session(link: "Link") -> None:
    """Subscribe in the ingester's name and leave, so that the broker keeps what comes for it."""
    subscribed = threading.Event()

    def subscribe(client: mqtt.Client, *_: object) -> None:
        client.subscribe([(topic, 1) for topic in link.filters])

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=link.client_id, clean_session=False)
    if link.username is not None:
        client.username_pw_set(link.username, link.password)
    client.on_connect = subscribe
    client.on_subscribe = lambda *_: subscribed.set()
    try:
        client.connect(link.host, link.port)
        client.loop_start()
        subscribed.wait(OPENING_S)
        client.disconnect()
        client.loop_stop()
    except OSError as error:
        log.warning("the ingester's session could not be opened for it: %s", error)


def is_available() -> bool:
    """Whether this machine has an embedded broker at all."""
    with contextlib.suppress(BrokerError):
        _iotcore()
        return True
    return False


def free_port(host: str = "127.0.0.1") -> int:
    """A port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def _check(listener: Listener) -> None:
    """Refuse a listener that would let anyone in, or whose TLS cannot work."""
    if not _is_loopback(listener.host) and not listener.users:
        raise BrokerError(
            f"The embedded broker does not listen on {listener.host} without a user and a password: give both"
            " (username and password_file under [broker]), or keep it on 127.0.0.1."
        )
    if (listener.tls_cert is None) != (listener.tls_key is None):
        raise BrokerError("TLS for the embedded broker needs both a certificate and its key.")
    for file in (listener.tls_cert, listener.tls_key):
        if file is not None and not os.access(file, os.R_OK):
            raise BrokerError(f"The embedded broker cannot read {file}, which its TLS needs.")


def _iotcore() -> "type[Broker]":
    try:
        from iotcore import Broker
    except ImportError:
        raise BrokerError(
            "There is no embedded broker for this machine (32-bit Arm has none): install Mosquitto as docs/broker.md"
            " says and set embedded = false under [broker] in dryline.toml."
        ) from None
    return Broker


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _configuration(listeners: Sequence[Listener]) -> str:
    """What rumqttd, the broker inside iotcore, reads."""
    parts = [
        "id = 0",
        "[router]",
        "id = 0",
        "max_connections = 1000",
        "max_outgoing_packet_count = 200",
        f"max_segment_size = {SEGMENT_BYTES}",
        f"max_segment_count = {SEGMENTS}",
    ]
    for number, listener in enumerate(listeners, start=1):
        parts += _server(f"v4.{number}", listener.port, listener)
        if listener.port_v5 is not None:
            parts += _server(f"v5.{number}", listener.port_v5, listener)
    return "\n".join(parts) + "\n"


def _server(name: str, port: int, listener: Listener) -> list[str]:
    host = "127.0.0.1" if listener.host == "localhost" else listener.host
    host = f"[{host}]" if ":" in host else host
    # JSON's strings are TOML's basic strings, quotes and escapes included.
    lines = [
        f"[{name}]",
        f"name = {json.dumps(name)}",
        f"listen = {json.dumps(f'{host}:{port}')}",
        "next_connection_delay_ms = 1",
    ]
    if listener.tls_cert is not None and listener.tls_key is not None:
        lines += [
            f"[{name}.tls]",
            f"certpath = {json.dumps(os.fspath(listener.tls_cert))}",
            f"keypath = {json.dumps(os.fspath(listener.tls_key))}",
        ]
    lines += [
        f"[{name}.connections]",
        "connection_timeout_ms = 60000",
        f"max_payload_size = {MOST_BYTES}",
        f"max_inflight_count = {IN_FLIGHT}",
        "dynamic_filters = true",
    ]
    if listener.users:
        lines.append(f"[{name}.connections.auth]")
        lines += [f"{json.dumps(user)} = {json.dumps(password)}" for user, password in listener.users.items()]
    return lines
