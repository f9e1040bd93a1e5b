"""The embedded broker: on loopback, with its parent, and never open without a password."""

import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from dashboard.alerts import publish_retained
from ingest import broker
from ingest.broker import BrokerError, EmbeddedBroker, Listener, free_port
from ingest.home import open_home
from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Sensor
from ingest.subscriber import Link, run
from tests.ingest.test_subscriber import certificates


def answer(port, *, user=None, password=None, protocol=MQTTProtocolVersion.MQTTv311, authority=None):
    """What the broker says to a client: "Success", or how the connection ended."""
    said = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
    if user:
        client.username_pw_set(user, password)
    if authority:
        client.tls_set(ca_certs=str(authority))
    client.on_connect = lambda _c, _u, _f, reason, _p: said.append(str(reason))
    client.on_disconnect = lambda _c, _u, _f, reason, _p: said.append(f"disconnected: {reason}")
    client.connect("127.0.0.1", port)
    deadline = time.monotonic() + 10
    while not said:
        client.loop(0.1)
        assert time.monotonic() < deadline
    client.on_disconnect = None
    client.disconnect()
    client.loop(0.1)
    return said[0]


def test_it_speaks_both_protocols_and_frees_its_ports():
    listener = Listener(port=free_port(), port_v5=free_port())
    with EmbeddedBroker(listener) as running:
        assert running.running
        assert answer(listener.port) == "Success"
        assert answer(listener.port_v5, protocol=MQTTProtocolVersion.MQTTv5) == "Success"
    assert not running.running
    for port in (listener.port, listener.port_v5):
        with socket.socket() as again:
            again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            again.bind(("127.0.0.1", port))


def test_it_listens_on_loopback_only():
    listener = Listener(port=free_port())
    with EmbeddedBroker(listener), socket.socket() as elsewhere:
        # Every 127/8 address is this host; a broker on all addresses would answer here too.
        elsewhere.settimeout(2)
        with pytest.raises(OSError, match="refused"):
            elsewhere.connect(("127.0.0.2", listener.port))


def test_the_network_needs_a_user_and_a_password():
    with pytest.raises(BrokerError, match=r"does not listen on 0\.0\.0\.0 without a user and a password"):
        EmbeddedBroker(Listener(host="0.0.0.0"))
    listener = Listener(host="0.0.0.0", port=free_port(), users={'gr"ower': "pass wörd"})
    assert "wörd" not in repr(listener)
    with EmbeddedBroker(listener):
        assert answer(listener.port, user='gr"ower', password="pass wörd") == "Success"
        assert answer(listener.port, user='gr"ower', password="wrong") != "Success"
        assert answer(listener.port) != "Success"


def test_a_port_in_use_is_told_in_one_sentence():
    listener = Listener(port=free_port())
    with EmbeddedBroker(listener), pytest.raises(BrokerError, match="another broker may run there"):
        EmbeddedBroker(listener).start()


def test_a_certificate_without_its_key_is_refused(tmp_path):
    with pytest.raises(BrokerError, match="needs both a certificate and its key"):
        EmbeddedBroker(Listener(tls_cert=tmp_path / "c.pem"))


def test_it_dies_with_its_parent():
    port = free_port()
    code = (
        "import sys, time; from ingest.broker import *; "
        f"b = EmbeddedBroker(Listener(port={port})).start(); print('up', flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert parent.stdout.readline() == b"up\n"
    assert answer(port) == "Success"
    parent.send_signal(signal.SIGKILL)
    parent.wait(10)
    parent.stdout.close()
    deadline = time.monotonic() + 10
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            break
        assert time.monotonic() < deadline, "the broker outlived its parent"
        time.sleep(0.02)


def test_run_ends_when_told_to():
    stop = threading.Event()
    listener = Listener(port=free_port())
    thread = threading.Thread(target=broker.run, args=(listener,), kwargs={"stop": stop})
    thread.start()
    deadline = time.monotonic() + 10
    while True:
        try:
            assert answer(listener.port) == "Success"
            break
        except OSError:
            assert time.monotonic() < deadline
            time.sleep(0.02)
    stop.set()
    thread.join(10)
    assert not thread.is_alive()


def test_a_machine_without_iotcore_is_sent_to_mosquitto(monkeypatch):
    monkeypatch.setitem(sys.modules, "iotcore", None)
    assert not broker.is_available()
    with pytest.raises(BrokerError, match=r"install Mosquitto as docs/broker\.md says"):
        EmbeddedBroker(Listener()).start()


def test_on_the_network_it_demands_credentials_and_speaks_tls_while_this_host_goes_on_in_clear(tmp_path):
    certificates(tmp_path)
    (tmp_path / "password").write_text("pass wörd\n", encoding="utf-8")
    here, outside = free_port(), free_port()
    (tmp_path / "dryline.toml").write_text(
        f'[broker]\nport = {here}\nusername = "grower"\npassword_file = "password"\n'
        f'network_host = "0.0.0.0"\nnetwork_port = {outside}\ntls_cert = "server.pem"\ntls_key = "server.key"\n',
        encoding="utf-8",
    )
    authority = tmp_path / "ca.pem"
    with closing(open_home(tmp_path)) as home, EmbeddedBroker(*home.listeners()):
        publish_retained(home.link(), {"dryline/x": b"here"})
        assert answer(outside, user="grower", password="pass wörd", authority=authority) == "Success"
        assert answer(outside, user="grower", password="wrong", authority=authority) != "Success"
        assert answer(outside, authority=authority) != "Success"
        assert answer(outside, user="grower", password="pass wörd") != "Success"
        assert answer(here) != "Success"


NO_FILES = '\ntls_cert = "none.pem"\ntls_key = "none.key"'


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ('network_host = "0.0.0.0"', "does not listen on 0.0.0.0 without a user and a password"),
        ('network_host = "0.0.0.0"\nusername = "grower"\npassword_file = "password"' + NO_FILES, "cannot read"),
    ],
)
def test_settings_that_would_open_it_or_cannot_work_are_refused(tmp_path, settings, sentence):
    (tmp_path / "password").write_text("word", encoding="utf-8")
    (tmp_path / "dryline.toml").write_text(f"[broker]\n{settings}\n", encoding="utf-8")
    with closing(open_home(tmp_path)) as home, pytest.raises(BrokerError, match=sentence):
        EmbeddedBroker(*home.listeners())


def test_what_comes_before_the_ingester_is_kept_for_it(tmp_path):
    link = Link(port=free_port(), client_id="late")
    sensor = Sensor("late/air", "senml", "t", "air_temperature", "Cel")
    with EmbeddedBroker(Listener(port=link.port)), closing(SqliteReadings(tmp_path / "readings.db")) as store:
        broker.open_session(link)
        publish_retained(link, {sensor.topic: b'[{"n": "t", "u": "Cel", "v": 20.5, "t": 1780000000}]'}, retain=False)
        stop = threading.Event()
        ingester = threading.Thread(target=run, args=(link, store, lambda: [sensor]), kwargs={"stop": stop})
        ingester.start()
        deadline = time.monotonic() + 60
        while not store.latest() and time.monotonic() < deadline:
            time.sleep(0.01)
        stop.set()
        ingester.join()
        assert store.latest() == {sensor.source: (1_780_000_000_000, 20.5)}
