"""Ingest against a bare paho subscriber that throws the messages away: the same broker, the same 20,000 messages.

Run it by hand or by `make bench`; it prints a table and fails nothing. Each run lets the broker collect all
messages for a session that is away and then measures how fast that session is emptied, so that the publisher takes no
part in the race. Rates depend on how fast the disk commits and on who else uses it; the processor's time does not, so
it stands beside them. Medians of three runs, taken in turns. Messages are SenML with their own time, QoS 1; ours are on
disk before they are acknowledged.
"""

import json
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).parents[2]))

from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Sensor
from ingest.subscriber import Link, Subscriber
from tests.benchmarks.table import Growth, Row
from tests.brokers import Running

MESSAGES = 20_000
TOPICS = 50
RUNS = 3
SENSORS = [Sensor(f"bench/{n}", "senml", "t", "air_temperature", "Cel") for n in range(TOPICS)]


def main() -> None:
    """Print one line for each broker: rates and their ratio."""
    print(f"{MESSAGES:,} messages, QoS 1, {RUNS} runs each, medians")
    print(f"{'broker':12} {'bare paho':>12} {'dryline':>12} {'ratio':>6} {'processor, us a message':>26}")
    for kind in ("embedded", "embedded-5", "mosquitto"):
        (one, one_us), (two, two_us) = measured(kind)
        print(f"{kind:12} {one:10,.0f}/s {two:10,.0f}/s {two / one:6.2f} {one_us:12.0f} {two_us:12.0f}")


def measured(kind: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Medians of messages a second and microseconds of processor a message: bare paho's, ours."""
    bare, ours = [], []
    for _ in range(RUNS):
        with tempfile.TemporaryDirectory() as folder:
            # Saving its state at every change is what Mosquitto would be measured by; the subscribers are meant.
            broker = Running(kind, Path(folder), extra=["autosave_on_changes false", "autosave_interval 3600"]).start()
            bare.append(rate(broker, partial(bare_subscriber, broker)))
            ours.append(rate(broker, partial(dryline, broker, Path(folder))))
            broker.stop()
    one, two = ((statistics.median(column) for column in zip(*some, strict=True)) for some in (bare, ours))
    return (next(one), next(one)), (next(two), next(two))


def rows(scale: float = 1.0) -> tuple[list[Row], list[Growth]]:
    """A row for each broker; the number of messages is the same at every scale, a rate needs some seconds."""
    del scale
    found = []
    for kind, name in (("mosquitto", "Mosquitto"), ("embedded", "the embedded broker")):
        (bare, bare_us), (ours, ours_us) = measured(kind)
        told = [f"{rate:,.0f}/s, {cpu:.0f} us of processor" for rate, cpu in ((ours, ours_us), (bare, bare_us))]
        what = f"ingest from {name}: QoS 1, on disk before it is acknowledged"
        peer, ratio = "bare paho that throws the messages away", ours / bare
        found.append(Row(what, told[0], peer, told[1], f"{ratio:.2f} of its rate", "at least 0.7", ratio >= 0.7))
    return found, []


def rate(broker: Running, subscriber: Callable[[bool], float]) -> tuple[float, float]:
    """Messages a second and processor microseconds a message: make the session, fill it, empty it."""
    subscriber(False)
    publish(broker)
    began_s = time.process_time()
    took_s = subscriber(True)
    return MESSAGES / took_s, (time.process_time() - began_s) / MESSAGES * 1e6


def publish(broker: Running) -> None:
    """All messages, acknowledged by the broker."""
    client = signed_in(broker, "bench-publisher", MQTTProtocolVersion.MQTTv311)
    client.max_inflight_messages_set(400)
    client.connect("127.0.0.1", broker.publish_port)
    client.loop_start()
    begin_s = int(time.time()) - MESSAGES
    sent = [
        client.publish(
            f"bench/{n % TOPICS}", json.dumps([{"n": "t", "u": "Cel", "v": 20 + n % 100 / 10, "t": begin_s + n}]), qos=1
        )
        for n in range(MESSAGES)
    ]
    for one in sent:
        one.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def bare_subscriber(broker: Running, empty: bool) -> float:
    """Seconds from the first to the last message, thrown away by paho's own loop."""
    client = signed_in(broker, "bench-bare", protocol_of(broker))
    moments: list[float] = []
    done = threading.Event()

    def on_message(_client: mqtt.Client, _userdata: object, _message: mqtt.MQTTMessage) -> None:
        moments.append(time.perf_counter())
        if len(moments) == MESSAGES:
            done.set()

    client.on_message = on_message
    client.on_subscribe = lambda *_: None if empty else done.set()
    connect(client, broker.port)
    client.subscribe("bench/#", qos=1)
    client.loop_start()
    done.wait(120)
    client.disconnect()
    client.loop_stop()
    return moments[-1] - moments[0] if empty else 0.0


def dryline(broker: Running, folder: Path, empty: bool) -> float:
    """Seconds from the first message to the last commit."""
    store = SqliteReadings(folder / "readings.db")
    link = Link(port=broker.port, client_id="bench-ours", username=broker.username, password=broker.password)
    subscriber = Subscriber(link, store, lambda: SENSORS)
    stop = threading.Event()
    thread = threading.Thread(target=subscriber.run, args=(stop,))
    thread.start()
    counters = subscriber.counters
    while not counters.connected or (empty and not counters.received):
        time.sleep(0.001)
    began = time.perf_counter()
    while counters.readings < MESSAGES if empty else counters.backlog:
        time.sleep(0.005)
    took = time.perf_counter() - began
    if not empty:
        time.sleep(0.3)
    stop.set()
    thread.join()
    store.close()
    return took


def protocol_of(broker: Running) -> MQTTProtocolVersion:
    """The protocol that our subscriber ends up with there; the bare one speaks the same, for MQTT 5 costs more."""
    return MQTTProtocolVersion.MQTTv311 if broker.kind == "embedded" else MQTTProtocolVersion.MQTTv5


def signed_in(broker: Running, client_id: str, protocol: MQTTProtocolVersion) -> mqtt.Client:
    """A paho client with a lasting session and the broker's password."""
    clean = None if protocol == MQTTProtocolVersion.MQTTv5 else False
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol, clean_session=clean)
    if broker.username:
        client.username_pw_set(broker.username, broker.password)
    return client


def connect(client: mqtt.Client, port: int) -> None:
    """Take up the lasting session, in the words of either protocol."""
    if client.protocol == MQTTProtocolVersion.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    else:
        client.connect("127.0.0.1", port)


if __name__ == "__main__":
    main()
