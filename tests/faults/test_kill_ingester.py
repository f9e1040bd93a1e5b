"""Acknowledged means kept: kill -9 of the ingester, and restarts and kills of the broker, while messages come.

One exception is Mosquitto's own: it acknowledges a message to its sender a moment before it saves it, so what it took
in the last moment before its own kill -9 can be lost. The test bounds that moment, and the docs tell it.

Each test prints its figures: kills survived, messages sent, acknowledged to the publisher, kept, doubled, lost. The
short form runs with all tests, the long form (50 kills) by `make faults`.
"""

import json
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.readings.sqlite import SqliteReadings
from tests.brokers import Running

TOPICS = [f"load/{n}" for n in range(10)]
PATIENCE_S = 180.0
FIRST_MS = 1_780_000_000_000
CLIENT_ID = "ingester under fire"


def timed(number: int) -> tuple[str, str]:
    """Topic and body of a message that carries a moment of its own."""
    return TOPICS[number % len(TOPICS)], json.dumps(
        [{"n": "t", "u": "Cel", "v": number % 50, "t": (FIRST_MS + number) / 1000}]
    )


class Publisher:
    """Publishes numbered messages and knows which of them the broker acknowledged."""

    def __init__(self, broker: Running, a_second: float, message: Callable[[int], tuple[str, str]] = timed) -> None:
        """Start publishing at about that many messages a second."""
        self._message = message
        # paho numbers its messages from 1 and begins again after 65,535: no test here sends as many.
        self._numbers: dict[int, int] = {}
        self._acknowledged: list[int] = []
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="publisher", clean_session=False)
        if broker.username:
            self._client.username_pw_set(broker.username, broker.password)
        self._client.on_publish = lambda _c, _u, mid, _reason, _p: self._acknowledged.append(mid)
        self._client.reconnect_delay_set(1, 1)
        self._client.max_inflight_messages_set(100)
        self._client.connect("127.0.0.1", broker.publish_port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._publish, args=(a_second,))
        self._thread.start()

    @property
    def sent(self) -> int:
        """How many messages were handed to the client."""
        return len(self._numbers)

    @property
    def connected(self) -> bool:
        """Whether the client believes in its connection."""
        return self._client.is_connected()

    @property
    def acknowledged(self) -> set[int]:
        """The numbers of the messages that the broker acknowledged."""
        return {self._numbers[mid] for mid in self._acknowledged[:]}

    def _publish(self, a_second: float) -> None:
        while not self._stop.wait(0.01):
            for _ in range(round(a_second * 0.01)):
                number = self.sent
                self._numbers[self._client.publish(*self._message(number), qos=1).mid] = number

    def finish(self) -> None:
        """Stop publishing and wait until the broker has acknowledged everything that was sent."""
        self._stop.set()
        self._thread.join()
        until(lambda: len(self.acknowledged) == self.sent, "for the broker")
        self.close()

    def close(self) -> None:
        """Let go of the connection."""
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


class Ingester:
    """The ingester's process, started as often as it is killed."""

    def __init__(self, broker: Running, folder: Path, **more: object) -> None:
        """Write what the process is to read."""
        self.folder = folder
        self.status_file = folder / "status.json"
        self._path = folder / "ingester.json"
        link = {"port": broker.port, "username": broker.username, "password": broker.password, "client_id": CLIENT_ID}
        settings = {
            "link": link,
            "store": str(folder / "readings.db"),
            "topics": TOPICS,
            "status": str(self.status_file),
        }
        self._path.write_text(json.dumps(settings | more), encoding="utf-8")
        self.process: subprocess.Popen | None = None

    def start(self, process_group: int | None = None) -> None:
        """Start the process and wait until it is connected."""
        self.status_file.unlink(missing_ok=True)
        log = (self.folder / "ingester.log").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, Path(__file__).with_name("run_ingester.py"), self._path],
            stdout=log,
            stderr=log,
            process_group=process_group,
        )
        log.close()
        until(lambda: self.status().get("connected"), "for the ingester")

    def status(self) -> dict:
        """The counters that the process last told."""
        return json.loads(self.status_file.read_text(encoding="utf-8")) if self.status_file.exists() else {}

    def end(self, sign: signal.Signals) -> None:
        """Send a signal and wait for the end."""
        self.process.send_signal(sign)
        self.process.wait(PATIENCE_S)


def until(true, what=""):
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"waited in vain {what}"
        time.sleep(0.02)


def kept_numbers(folder: Path) -> list[int]:
    """The number of every reading in the store, told by its moment; doubles would show as doubles."""
    store = SqliteReadings(folder / "readings.db", read_only=True)
    series = store.read([f"{topic}#t" for topic in TOPICS], 0, 10**14)
    unread = store.unread()
    store.close()
    assert unread == []
    return [int(time_ms) - FIRST_MS for times, _ in series.values() for time_ms in times]


def settled(ingester: Ingester, publisher: Publisher) -> list[int]:
    """Wait until nothing has come for three seconds, or all has, then stop the ingester."""
    last, since = -1, time.monotonic()
    while last < len(publisher.acknowledged) and time.monotonic() - since < 3.0:
        now = len(kept_numbers(ingester.folder))
        if now != last:
            last, since = now, time.monotonic()
        time.sleep(0.05)
    ingester.end(signal.SIGTERM)
    return kept_numbers(ingester.folder)


def drained(ingester: Ingester, publisher: Publisher) -> list[int]:
    """Wait until the store holds what was acknowledged (or nothing more comes), then stop the ingester."""
    return drained_to(ingester, len(publisher.acknowledged))


def drained_to(ingester: Ingester, count: int) -> list[int]:
    """Wait until the store holds so many messages, then stop the ingester."""
    until(lambda: len(kept_numbers(ingester.folder)) >= count, "for the store")
    ingester.end(signal.SIGTERM)
    return kept_numbers(ingester.folder)


def judge(what: str, broker: Running, times: int, publisher: Publisher, kept: list[int]) -> set[int]:
    """Print the figures and return what was lost; nothing may be there twice."""
    lost = publisher.acknowledged - set(kept)
    doubled = len(kept) - len(set(kept))
    print(
        f"\n{what}, {broker.kind}: {times} times, sent {publisher.sent}, acknowledged {len(publisher.acknowledged)},"
        f" kept {len(kept)}, doubled {doubled}, lost {len(lost)}"
    )
    assert publisher.sent > 20 * times
    assert doubled == 0
    return lost


def kill_ingester(kind: str, folder: Path, kills: int) -> None:
    chance = random.Random(kills)
    broker = Running(kind, folder).start()
    ingester = Ingester(broker, folder)
    ingester.start()
    publisher = Publisher(broker, 1000 if kind.startswith("embedded") else 100)
    try:
        for _ in range(kills):
            time.sleep(chance.uniform(0.1, 0.6))  # under load: the moment of the kill is what is random
            ingester.end(signal.SIGKILL)
            ingester.start()
        publisher.finish()
        assert not judge("kill -9 of the ingester", broker, kills, publisher, drained(ingester, publisher))
    finally:
        publisher.close()
        if ingester.process.poll() is None:
            ingester.end(signal.SIGKILL)
        broker.stop()


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_every_acknowledged_message_is_kept_once_when_the_ingester_is_killed(kind, tmp_path):
    kill_ingester(kind, tmp_path, 3)


@pytest.mark.long
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("kind", ["embedded", "embedded-5", "mosquitto"])
def test_every_acknowledged_message_is_kept_once_through_fifty_kills_of_the_ingester(kind, tmp_path):
    kill_ingester(kind, tmp_path, 50)


#: How far behind what was sent last a message may be that Mosquitto had in hand when it was killed: what the publisher
#: kept back while the broker was away for some seconds, and the hundred that may be under way.
UNDER_WAY = 600


def end_broker(folder: Path, times: int, sign: signal.Signals) -> None:
    chance = random.Random(times)
    broker = Running("mosquitto", folder).start()
    ingester = Ingester(broker, folder)
    ingester.start()
    publisher = Publisher(broker, 100)
    marks = []
    try:
        for _ in range(times):
            time.sleep(chance.uniform(0.3, 0.8))
            (broker.kill if sign == signal.SIGKILL else broker.stop)()
            marks.append(publisher.sent)
            broker.start()
        publisher.finish()
        lost = judge(f"{sign.name} of the broker", broker, times, publisher, settled(ingester, publisher))
        if sign == signal.SIGTERM:
            assert not lost
        # Nothing but what was acknowledged in the last moment before a kill, and about one message a kill at most.
        assert all(any(mark - UNDER_WAY <= number <= mark for mark in marks) for number in lost)
        assert len(lost) <= times + 3
    finally:
        publisher.close()
        if ingester.process.poll() is None:
            ingester.end(signal.SIGKILL)
        broker.stop()


def test_every_acknowledged_message_is_kept_once_when_mosquitto_is_restarted(tmp_path):
    end_broker(tmp_path, 2, signal.SIGTERM)


def test_no_more_than_the_last_moment_is_lost_when_mosquitto_is_killed(tmp_path):
    end_broker(tmp_path, 2, signal.SIGKILL)


@pytest.mark.long
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGKILL])
def test_fifty_restarts_or_kills_of_mosquitto(sign, tmp_path):
    end_broker(tmp_path, 50, sign)


def test_a_full_disk_loses_nothing_and_is_told(tmp_path):
    broker = Running("embedded", tmp_path).start()
    ingester = Ingester(broker, tmp_path, file_limit_bytes=150_000)
    ingester.start()
    publisher = Publisher(broker, 1000)
    try:
        until(lambda: ingester.status().get("store_errors", 0) >= 1, "for the disk to fill")
        before = ingester.status()
        assert "nothing is acknowledged" in before["trouble"]
        publisher.finish()
        ingester.process.send_signal(signal.SIGUSR1)
        kept = drained(ingester, publisher)
        assert not judge("full disk", broker, 0, publisher, kept)
        assert before["readings"] < len(kept)
    finally:
        publisher.close()
        if ingester.process.poll() is None:
            ingester.end(signal.SIGKILL)
        broker.stop()
