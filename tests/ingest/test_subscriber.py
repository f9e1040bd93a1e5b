"""The subscriber on real brokers: the embedded one with MQTT 3.1.1 and 5, and Mosquitto as docs/broker.md says."""

import gc
import json
import os
import socket
import sqlite3
import subprocess
import threading
import time
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import free_port
from ingest.intake import BACKLOG, RETAINED, UNCLAIMED
from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Sensor
from ingest.subscriber import Link, Subscriber, default_client_id, now_ms
from tests.brokers import KINDS, PASSWORD, Running, mosquitto, wait_for_port

AIR = Sensor("shelf/air", "senml", "temp", "air_temperature", "Cel")
DAMP = Sensor("shelf/air", "senml", "hum", "relative_humidity", "%RH")
BARE = Sensor("shelf/bare", "number", "", "relative_humidity", "%RH")
JSON = Sensor("shelf/json", "json", "/c", "air_temperature", "Cel", time_field="/at")
EVER = (0, 10**14)
PATIENCE_S = 20.0


@pytest.fixture(params=KINDS)
def broker(request, tmp_path):
    running = Running(request.param, tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def any_broker(tmp_path):
    running = Running("mosquitto", tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def store(tmp_path):
    opened = SqliteReadings(tmp_path / "readings.db", busy_s=0.2)
    yield opened
    opened.close()


def link(broker, **more):
    return Link(port=broker.port, username=broker.username, password=broker.password, **more)


@contextmanager
def ingesting(broker, store, sensors, *, clock_ms=now_ms, wait=True, **more):
    """An ingester in a thread of this process, running on the way in and stopped and joined on the way out."""
    options = {name: more.pop(name) for name in ("batch", "status_file") if name in more}
    subscriber = Subscriber(
        link(broker, **more), store, sensors if callable(sensors) else lambda: sensors,
        clock_ms=clock_ms, first_wait_s=0.05, longest_wait_s=0.2, **options,
    )  # fmt: skip
    stop = threading.Event()
    thread = threading.Thread(target=subscriber.run, args=(stop,))
    thread.start()
    try:
        if wait:
            until(lambda: subscriber.counters.connected and not subscriber.counters.backlog)
            settle(broker)
        yield subscriber
    finally:
        stop.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()


@contextmanager
def publishing(broker):
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    if broker.username:
        client.username_pw_set(broker.username, broker.password)
    client.connect("127.0.0.1", broker.publish_port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def settle(broker):
    """Until a subscription made before is certainly known to the broker: a round trip of another client."""
    with publishing(broker) as client:
        say(client, "dryline/settle", b"")


def say(client, topic, *bodies, retain=False):
    for one in [client.publish(topic, body, qos=1, retain=retain) for body in bodies]:
        one.wait_for_publish(PATIENCE_S)


def until(true, what=""):
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"waited in vain {what}"
        time.sleep(0.01)


def senml(value, time_s, name="temp"):
    return json.dumps([{"n": name, "u": "Cel", "v": value, "t": time_s}]).encode()


def kept(store, sensor):
    times, values = store.read([sensor.source], *EVER)[sensor.source]
    return dict(zip(times.tolist(), values.tolist(), strict=True))


def test_messages_of_every_payload_become_readings_and_are_acknowledged(broker, store):
    at_s = now_ms() // 1000
    with ingesting(broker, store, [AIR, BARE, JSON]) as subscriber, publishing(broker) as client:
        say(client, AIR.topic, *[senml(20 + i / 100, at_s - i) for i in range(300)])
        say(client, BARE.topic, b"55.5")
        say(client, JSON.topic, json.dumps({"c": 21.5, "at": "2026-03-01T09:00:00Z"}).encode())
        until(lambda: subscriber.counters.readings == 302)
        until(lambda: subscriber.counters.acknowledged >= 302)
        assert subscriber.counters.protocol == ("3.1.1" if broker.kind == "embedded" else "5")
    assert kept(store, AIR) == {(at_s - i) * 1000: 20 + i / 100 for i in range(300)}
    assert kept(store, JSON) == {1772355600000: 21.5}
    ((time_ms, value),) = kept(store, BARE).items()
    assert value == 55.5
    assert abs(time_ms - now_ms()) < 30_000
    assert store.unread() == []


def test_two_bare_numbers_within_a_millisecond_are_both_kept(broker, store):
    with ingesting(broker, store, [BARE]) as subscriber, publishing(broker) as client:
        say(client, BARE.topic, *[str(40 + i) for i in range(50)])
        until(lambda: subscriber.counters.readings == 50)
    assert list(kept(store, BARE).values()) == [40.0 + i for i in range(50)]


def test_what_came_while_nobody_listened_is_read_by_its_own_time_or_kept_as_time_unknown(broker, store):
    at_s = now_ms() // 1000
    with ingesting(broker, store, [AIR, BARE]):
        pass
    with publishing(broker) as client:
        for i in range(150):
            client.publish(AIR.topic, senml(20.0, at_s - 86_400 + i), qos=1)
            client.publish(BARE.topic, str(i % 100), qos=1)
        say(client, BARE.topic, b"99")
        with ingesting(broker, store, [AIR, BARE]) as subscriber:
            until(lambda: subscriber.counters.readings + subscriber.counters.unread == 301)
            assert len(kept(store, AIR)) == 150
            assert kept(store, BARE) == {}
            unread = store.unread(1000)
            assert len(unread) == 151
            assert {BACKLOG in one.reason and "time unknown" in one.reason for one in unread} == {True}
            assert {one.time_known for one in unread} == {False}
            # What comes straight through afterwards is stamped again.
            say(client, BARE.topic, b"50")
            until(lambda: subscriber.counters.readings == 151)
            assert list(kept(store, BARE).values()) == [50.0]


def test_a_retained_message_without_a_time_is_kept_once_however_often_it_is_replayed(broker, store):
    with publishing(broker) as client:
        say(client, BARE.topic, b"61", retain=True)
    for n in range(3):
        with ingesting(broker, store, [BARE], client_id=f"new session {n}") as subscriber:
            until(lambda: subscriber.counters.unread >= 1)
    (unread,) = store.unread()
    assert RETAINED in unread.reason
    assert unread.retained
    assert kept(store, BARE) == {}


def test_a_broken_connection_is_made_again_and_loses_nothing(broker, store):
    at_s = now_ms() // 1000
    with ingesting(broker, store, [AIR]) as subscriber, publishing(broker) as client:
        for round_ in range(3):
            say(client, AIR.topic, *[senml(20.0, at_s - 1000 * round_ - i) for i in range(100)])
            subscriber._client.socket().shutdown(socket.SHUT_RDWR)
            say(client, AIR.topic, *[senml(20.0, at_s - 1000 * round_ - 500 - i) for i in range(100)])
            until(lambda: subscriber.counters.connections == round_ + 2)  # noqa: B023 - used within this turn
        until(lambda: len(kept(store, AIR)) == 600)
    assert store.unread() == []


def test_while_the_store_refuses_nothing_is_acknowledged_and_afterwards_everything_is_there(broker, store):
    at_s = now_ms() // 1000
    with ingesting(broker, store, [AIR], batch=40) as subscriber, publishing(broker) as client:
        lock = sqlite3.connect(store.path, isolation_level=None)
        lock.execute("BEGIN IMMEDIATE")
        say(client, AIR.topic, *[senml(20.0, at_s - i) for i in range(400)])
        until(lambda: subscriber.counters.store_errors >= 2)
        assert "nothing is acknowledged" in subscriber.counters.trouble
        assert subscriber.counters.acknowledged == 0
        lock.execute("ROLLBACK")
        lock.close()
        until(lambda: subscriber.counters.readings == 400)
        assert subscriber.counters.trouble == ""
    assert len(kept(store, AIR)) == 400


def test_what_the_broker_kept_while_the_store_refused_is_not_stamped(any_broker, store):
    any_broker.stop()
    any_broker.extra = ["max_inflight_messages 20"]
    any_broker.start()
    with ingesting(any_broker, store, [BARE], batch=10) as subscriber, publishing(any_broker) as client:
        lock = sqlite3.connect(store.path, isolation_level=None)
        lock.execute("BEGIN IMMEDIATE")
        say(client, BARE.topic, *[str(40 + i) for i in range(50)])
        until(lambda: subscriber.counters.store_errors >= 1)
        lock.execute("ROLLBACK")
        lock.close()
        until(lambda: subscriber.counters.readings + subscriber.counters.unread == 50)
    # The window's worth was already here when the store refused and has its true moment of arrival; the rest waited.
    stamped = sorted(kept(store, BARE).values())
    assert stamped == [40.0 + i for i in range(len(stamped))]
    assert 0 < len(stamped) <= 20
    assert len(store.unread()) == 50 - len(stamped)


def test_bad_messages_are_kept_with_their_reason_and_the_good_ones_among_them_are_read(broker, store):
    bad = {
        b"{not json": "not valid JSON",
        b"{}": "a pack is a JSON array",
        b'[{"n":"temp","u":"Cel","v":NaN}]': "not valid JSON",
        b'[{"n":"temp","u":"Cel","v":' + b"9" * 400 + b"}]": "not valid JSON",
        b'[{"n":"temp","u":"Cel","v":999}]': "which cannot be",
        b'[{"n":"temp","u":"Cel","v":Infinity}]': "not valid JSON",
        b'[{"n":"hum","u":"%RH","v":250}]': "250 %, which cannot be",
        b'[{"n":"temp","u":"Cel","v":20,"bver":11}]': "version is 11",
        b'[{"n":"temp","u":"Cel","v":20,"a_":1}]': "must be understood",
        b'[{"n":"temp","u":"%","v":45}]': "not a percentage",
        senml(20, 2**28): "before 2000",
        senml(20, 7_226_582_400): "in the future",
        b"x" * 1_000_000: "1,000,000 bytes",
    }
    with ingesting(broker, store, [AIR, DAMP]) as subscriber, publishing(broker) as client:
        for body in bad:
            say(client, AIR.topic, body)
        say(client, AIR.topic, b"")
        say(client, AIR.topic, senml(20.5, now_ms() / 1000))
        until(lambda: subscriber.counters.readings == 1)
        until(lambda: subscriber.counters.unread == len(bad) + 1)
    reasons = {one.body: one.reason for one in store.unread(100)}
    assert "it is empty" in reasons.pop(b"")
    assert set(reasons) == set(bad)
    for body, part in bad.items():
        assert part in reasons[body]


def test_unclaimed_messages_are_replayed_when_a_sensor_claims_them(any_broker, store):
    sensors = []
    with ingesting(any_broker, store, lambda: list(sensors)) as subscriber, publishing(any_broker) as client:
        before = now_ms()
        say(client, BARE.topic, b"55", b"56")
        until(lambda: subscriber.counters.unread == 2)
        assert {one.reason for one in store.unread()} == {UNCLAIMED}
        sensors.append(BARE)
        until(lambda: subscriber.counters.replayed == 2)
        assert store.unread() == []
    times = list(kept(store, BARE))
    assert len(times) == 2
    assert all(before <= one <= now_ms() for one in times)


def test_two_sensors_that_claim_one_field_are_refused_and_their_messages_kept(any_broker, store):
    twin = Sensor(BARE.topic, "number", "", "air_temperature", "Cel")
    with ingesting(any_broker, store, [BARE, twin]) as subscriber, publishing(any_broker) as client:
        say(client, BARE.topic, b"55")
        until(lambda: subscriber.counters.unread == 1)
    (unread,) = store.unread()
    assert "two sensors claim the value of shelf/bare" in unread.reason


def test_with_a_host_clock_in_1970_only_messages_with_their_own_time_are_read(any_broker, store):
    with (
        ingesting(any_broker, store, [AIR, BARE], clock_ms=lambda: 5_000) as subscriber,
        publishing(any_broker) as client,
    ):
        say(client, BARE.topic, b"55")
        say(client, AIR.topic, senml(20.5, 1_790_000_000))
        until(lambda: subscriber.counters.unread == 1 and subscriber.counters.readings == 1)
    assert kept(store, AIR) == {1_790_000_000_000: 20.5}
    (unread,) = store.unread()
    assert "this host's clock is not set" in unread.reason
    assert not unread.time_known


def test_a_clock_set_back_keeps_what_seems_to_come_from_the_future_and_reads_it_when_the_clock_is_right(
    any_broker, store
):
    real = now_ms()
    hour = 3_600_000
    shift = [-hour]
    sensors = [AIR]
    with (
        ingesting(any_broker, store, lambda: list(sensors), clock_ms=lambda: now_ms() + shift[0]) as subscriber,
        publishing(any_broker) as client,
    ):
        say(client, AIR.topic, senml(20.5, real / 1000))
        until(lambda: subscriber.counters.unread == 1)
        assert "in the future" in store.unread()[0].reason
        shift[0] = 0
        sensors.append(BARE)  # any change of the sensors replays at once; otherwise it is done every ten minutes
        until(lambda: subscriber.counters.replayed == 1)
    assert list(kept(store, AIR).values()) == [20.5]
    assert store.unread() == []


def test_a_standstill_of_the_process_makes_what_waited_a_backlog(any_broker, store, monkeypatch):
    with ingesting(any_broker, store, [BARE]) as subscriber, publishing(any_broker) as client:
        # Six seconds pass between two turns of the loop, as after a suspended laptop.
        subscriber._last_turn_s -= 6.0
        until(lambda: subscriber._marker == 1)
        until(lambda: not subscriber.counters.backlog)
        say(client, BARE.topic, b"55")
        until(lambda: subscriber.counters.readings == 1)


def test_an_offline_will_marks_the_sensor_offline_at_once(broker, store):
    sensor = Sensor("shelf/air", "senml", "temp", "air_temperature", "Cel", online_topic="shelf/online")
    with ingesting(broker, store, [sensor]) as subscriber:
        device = mqtt.Client(CallbackAPIVersion.VERSION2)
        device.will_set("shelf/online", b"offline", qos=1, retain=True)
        if broker.username:
            device.username_pw_set(broker.username, broker.password)
        device.connect("127.0.0.1", broker.publish_port)
        device.loop_start()
        say(device, "shelf/online", b"online", retain=True)
        device.socket().shutdown(socket.SHUT_RDWR)
        until(lambda: subscriber.counters.readings == 2)
        device.loop_stop()
    _times, values = store.read(["shelf/online#"], *EVER)["shelf/online#"]
    assert values.tolist() == [1.0, 0.0]


def test_a_shared_group_divides_the_messages_and_loses_none_when_one_member_ends(any_broker, store, tmp_path):
    at_s = now_ms() // 1000
    other_store = SqliteReadings(tmp_path / "other.db")
    with publishing(any_broker) as client:
        with ingesting(any_broker, store, [AIR], shared_group="house", client_id="one") as first:
            with ingesting(any_broker, other_store, [AIR], shared_group="house", client_id="two") as second:
                say(client, AIR.topic, *[senml(20.0, at_s - i) for i in range(200)])
                until(lambda: first.counters.readings + second.counters.readings == 200)
                assert first.counters.readings > 0
                assert second.counters.readings > 0
            say(client, AIR.topic, *[senml(20.0, at_s - 200 - i) for i in range(100)])
        # What a member held when it ended, or was given while away, waits in its session until it comes back.
        with (
            ingesting(any_broker, store, [AIR], shared_group="house", client_id="one"),
            ingesting(any_broker, other_store, [AIR], shared_group="house", client_id="two"),
        ):
            until(lambda: len(kept(store, AIR) | kept(other_store, AIR)) == 300)
    doubled = kept(store, AIR).keys() & kept(other_store, AIR).keys()
    other_store.close()
    assert not doubled


def test_a_wrong_password_is_told_and_waited_for(any_broker, store):
    any_broker.password = "wrong"
    with ingesting(any_broker, store, [BARE], wait=False) as subscriber:
        until(lambda: "did not let us in" in subscriber.counters.trouble)
        assert "authorized" in subscriber.counters.trouble.lower()
        assert PASSWORD not in repr(link(any_broker))


def test_an_absent_broker_is_waited_for_and_taken_up_when_it_comes(any_broker, store):
    any_broker.stop()
    with ingesting(any_broker, store, [BARE], wait=False) as subscriber:
        until(lambda: "no connection to the broker" in subscriber.counters.trouble)
        any_broker.start()
        until(lambda: subscriber.counters.connected)
        assert subscriber.counters.trouble == ""


# paho leaves the socket of a failed handshake to the garbage collector, which warns of it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_over_tls_the_broker_must_show_a_certificate_of_the_named_authority(tmp_path, store):
    certificates(tmp_path)
    port = Running("mosquitto", tmp_path, port=free_port())
    port.publish_port = port.port
    path = tmp_path / "tls.conf"
    path.write_text(
        f"listener {port.port} 127.0.0.1\nallow_anonymous true\nuser root\n"
        f"certfile {tmp_path}/server.pem\nkeyfile {tmp_path}/server.key\n",
        encoding="utf-8",
    )
    process = subprocess.Popen([mosquitto(), "-c", str(path)], stderr=subprocess.DEVNULL)
    try:
        wait_for_port(port.port, process)
        with ingesting(port, store, [BARE], tls_ca=str(tmp_path / "ca.pem"), wait=False) as subscriber:
            until(lambda: subscriber.counters.connected)
        with ingesting(port, store, [BARE], tls_ca=str(tmp_path / "stranger.pem"), wait=False) as subscriber:
            until(lambda: "certificate verify failed" in subscriber.counters.trouble)
    finally:
        process.terminate()
        process.wait(10)


def certificates(folder):
    """An authority, a server's certificate signed by it, and a stranger's authority."""
    for command in (
        "req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -days 30 -subj /CN=authority",
        "req -x509 -newkey rsa:2048 -nodes -keyout stranger.key -out stranger.pem -days 30 -subj /CN=stranger",
        "req -newkey rsa:2048 -nodes -keyout server.key -out server.csr -subj /CN=localhost",
        "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 30 -extfile names -out server.pem",
    ):
        (folder / "names").write_text("subjectAltName=IP:127.0.0.1", encoding="utf-8")
        subprocess.run(["openssl", *command.split()], cwd=folder, check=True, capture_output=True)


def test_stopping_flushes_what_has_come_and_leaves_the_session_at_the_broker(any_broker, store, tmp_path):
    at_s = now_ms() // 1000
    status = tmp_path / "ingest.json"
    with ingesting(any_broker, store, [AIR], status_file=status) as subscriber, publishing(any_broker) as client:
        say(client, AIR.topic, *[senml(20.0, at_s - i) for i in range(30)])
        until(lambda: subscriber.counters.received >= 30)
    assert len(kept(store, AIR)) == 30
    told = json.loads(status.read_text(encoding="utf-8"))
    assert (told["readings"], told["connected"]) == (30, False)
    with publishing(any_broker) as client:
        say(client, AIR.topic, senml(20.0, at_s + 1))
    with ingesting(any_broker, store, [AIR]):
        until(lambda: len(kept(store, AIR)) == 31)


def test_several_ingesters_have_client_ids_of_their_own_and_a_single_one_a_fixed_one():
    assert default_client_id(None) == "dryline-ingest"
    assert default_client_id("house") == f"dryline-house-{socket.gethostname()}"


def test_no_thread_and_no_descriptor_is_left_behind(any_broker, store):
    def open_things():
        gc.collect()
        return threading.active_count(), len(os.listdir("/proc/self/fd"))

    with ingesting(any_broker, store, [BARE]):
        pass
    before = open_things()
    for _ in range(3):
        with ingesting(any_broker, store, [BARE]) as subscriber:
            subscriber._client.socket().shutdown(socket.SHUT_RDWR)
            until(lambda: subscriber.counters.connections == 2)
    assert open_things() == before
