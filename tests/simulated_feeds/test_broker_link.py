"""The glasshouse's node says that it is online whenever it reaches the broker; its last will says when it was lost."""

import queue
import socket
import threading
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import EmbeddedBroker, Listener, free_port
from simulated_feeds.broker_link import IN_FLIGHT, ONLINE_TOPIC, Link, connected
from simulated_feeds.messages import Message

PATIENCE_S = 60.0


@pytest.fixture
def broker() -> Iterator[Link]:
    port = free_port()
    with EmbeddedBroker(Listener(port=port)):
        yield Link(port=port)


@pytest.fixture
def said(broker: Link) -> Iterator["queue.Queue[bytes]"]:
    """What is said on the online topic from now on, in order."""
    heard: queue.Queue[bytes] = queue.Queue()
    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: heard.put(bytes(message.payload))
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.subscribe(ONLINE_TOPIC, 1)
    assert subscribed.wait(PATIENCE_S)
    yield heard
    client.disconnect()
    client.loop_stop()


def test_it_is_online_while_it_runs_and_offline_when_it_ends(broker: Link, said: "queue.Queue[bytes]"):
    with connected(broker, threading.Event()):
        assert said.get(timeout=PATIENCE_S) == b"online"
    assert said.get(timeout=PATIENCE_S) == b"offline"


def test_a_lost_connection_is_told_by_the_last_will_and_the_next_one_by_the_node(
    broker: Link, said: "queue.Queue[bytes]"
):
    with connected(broker, threading.Event()) as sender:
        assert said.get(timeout=PATIENCE_S) == b"online"
        wire = sender.client.socket()
        assert wire is not None
        wire.shutdown(socket.SHUT_RDWR)
        assert said.get(timeout=PATIENCE_S) == b"offline"
        assert said.get(timeout=PATIENCE_S) == b"online"


def test_saying_so_takes_no_room_from_what_is_sent(broker: Link, said: "queue.Queue[bytes]"):
    with connected(broker, threading.Event()) as sender:
        for number in range(2 * IN_FLIGHT):
            assert sender.send(Message(number, "glasshouse/test", b"1"))
        sender.say_online()
        assert [said.get(timeout=PATIENCE_S) for _ in range(2)] == [b"online", b"online"]
        assert sender.drained(PATIENCE_S)
        held = [sender.room.acquire(blocking=False) for _ in range(IN_FLIGHT + 1)]
        assert held == [True] * IN_FLIGHT + [False]
        for _ in range(IN_FLIGHT):
            sender.room.release()
