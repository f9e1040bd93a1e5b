"""InfluxDB stopped, frozen, or cut off in the middle: ingest goes on, the cursor catches up, nothing is there twice."""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from pathlib import Path
from uuid import uuid4

import numpy as np
import pytest

from ingest.readings import DAY_MS, Reading, StoreAway
from ingest.readings.influx import InfluxReadings, keep_forwarding
from ingest.readings.influx_server import InfluxServer
from tests.influxd import Influxd, running_influxd

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"

pytestmark = pytest.mark.xdist_group("influxd")


@pytest.fixture
def influxd(tmp_path: Path) -> Iterator[Influxd]:
    with running_influxd(tmp_path / "server") as server:
        yield server


def minute(number: int) -> list[Reading]:
    """Readings of 20 sources a minute."""
    return [Reading(f"pot/{pot}#level", T0 + number * 60_000 + pot, float(number)) for pot in range(20)]


def rows_there(server: InfluxServer) -> int:
    return sum(times.size for times, _ in server.read([f"pot/{pot}#level" for pot in range(20)], 0, 10**13).values())


def test_an_hours_outage_loses_nothing_and_doubles_nothing(tmp_path: Path, influxd: Influxd) -> None:
    server = InfluxServer(influxd.url, "dryline", influxd.secret, timeout_s=60)
    with closing(InfluxReadings(tmp_path / "readings.sqlite", server)) as store:
        for number in range(5):
            store.append(minute(number))
        store.forward()
        store.append([Reading(AIR, T0 - 9 * DAY_MS, 1.0)])
        store.forward()
        store.prune(keep_raw_days=1, now_ms=T0)
        said: list[str] = []
        stop, away, back = threading.Event(), threading.Event(), threading.Event()

        def tell(words: str) -> None:
            said.append(words)
            (back if "answers again" in words else away).set()

        influxd.stop()
        pool = ThreadPoolExecutor()
        forwarding = pool.submit(keep_forwarding, store, stop, tell, every_s=0.02, longest_wait_s=0.1)
        try:
            for number in range(5, 65):
                store.append(minute(number))
            assert store.read(["pot/3#level"], T0, T0 + DAY_MS)["pot/3#level"][0].size == 65
            with pytest.raises(StoreAway, match=r"InfluxDB at http://127\.0\.0\.1:\d+ does not answer"):
                store.read([AIR], T0 - 30 * DAY_MS, T0)
            assert store.waiting() == 60 * 20
            assert away.wait(timeout=60)
            influxd.start()
            assert back.wait(timeout=60), said
        finally:
            stop.set()
            forwarding.result()
            pool.shutdown()
        assert store.waiting() == 0
        assert len(said) == 2
        assert rows_there(server) == 65 * 20
        assert store.read([AIR], T0 - 30 * DAY_MS, T0)[AIR][1].tolist() == [1.0]
        print(f"readings {65 * 20}, of these in the outage {60 * 20}, on the server {rows_there(server)}")


def test_a_server_that_takes_connections_and_never_answers_makes_nobody_wait_but_the_forwarder(
    tmp_path: Path, influxd: Influxd
) -> None:
    server = InfluxServer(influxd.url, "dryline", influxd.secret, timeout_s=1)
    with closing(InfluxReadings(tmp_path / "readings.sqlite", server)) as store:
        store.append(minute(0))
        store.forward()
        influxd.pause()
        try:
            store.append(minute(1))
            with pytest.raises(StoreAway, match="does not answer"):
                store.forward()
            store.append(minute(2))
            assert store.latest()["pot/0#level"] == (T0 + 120_000, 2.0)
        finally:
            influxd.resume()
        patient = InfluxServer(influxd.url, "dryline", influxd.secret, timeout_s=60)
        with closing(InfluxReadings(tmp_path / "readings.sqlite", patient)) as again:
            assert again.forward() == (40, 0, 0)
            assert rows_there(patient) == 60


class SlowWire:
    """A wire to a server that is slow: everything passes, each piece after a while."""

    def __init__(self, port: int, delay_s: float) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._server.getsockname()[1]}"
        self._port, self._delay_s = port, delay_s
        self._open: list[socket.socket] = [self._server]
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._server.accept()
                far = socket.create_connection(("127.0.0.1", self._port))
                self._open += [near, far]
                for ends in ((near, far), (far, near)):
                    self._threads.append(threading.Thread(target=self._pass_on, args=ends))
                    self._threads[-1].start()

    def _pass_on(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while piece := source.recv(65536):
                time.sleep(self._delay_s)  # this is what slow means
                target.sendall(piece)

    def close(self) -> None:
        for one in self._open:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        for thread in self._threads:
            thread.join()


def test_a_slow_server_holds_up_the_forwarder_and_nobody_else(tmp_path: Path, influxd: Influxd) -> None:
    with closing(SlowWire(influxd.port, 0.3)) as wire:
        server = InfluxServer(wire.url, "dryline", influxd.secret, timeout_s=60)
        with closing(InfluxReadings(tmp_path / "readings.sqlite", server)) as store, ThreadPoolExecutor() as pool:
            store.append(minute(0))
            store.forward()
            store.append(minute(1))
            forwarding = pool.submit(store.forward)
            appended_meanwhile = 0
            while not forwarding.done() and appended_meanwhile < 50:
                store.append(minute(2 + appended_meanwhile))
                appended_meanwhile += 1
            forwarding.result()
            while store.forward().waiting:
                pass
    straight = InfluxServer(influxd.url, "dryline", influxd.secret, timeout_s=60)
    assert appended_meanwhile > 1
    assert rows_there(straight) == (2 + appended_meanwhile) * 20
    print(f"readings {(2 + appended_meanwhile) * 20}, appended while a slow server took 20 of them:"
          f" {appended_meanwhile * 20}, on the server {rows_there(straight)}")  # fmt: skip


FORWARDER = """
import sys
from ingest.readings.influx import InfluxReadings
from ingest.readings.influx_server import InfluxServer

path, url, database, secret = sys.argv[1:]
store = InfluxReadings(path, InfluxServer(url, database, secret, timeout_s=60))
while True:
    print(store.forward(most=7).waiting, flush=True)
"""


def forward_and_be_killed(tmp_path: Path, influxd: Influxd, kills: int) -> None:
    rng = np.random.default_rng(20260102)
    database, path = f"db{uuid4().hex}", tmp_path / "readings.sqlite"
    server = InfluxServer(influxd.url, database, influxd.secret, timeout_s=60)
    command = [sys.executable, "-c", FORWARDER, str(path), influxd.url, database, influxd.secret]
    with closing(InfluxReadings(path, server)) as store:
        for kill in range(kills):
            for number in range(10):
                store.append(minute(kill * 10 + number))
            with subprocess.Popen(command, stdout=subprocess.PIPE) as forwarder:
                assert forwarder.stdout is not None
                for _ in range(int(rng.integers(1, 6))):
                    forwarder.stdout.readline()
                # A random moment is what is wanted here, not an event.
                time.sleep(float(rng.uniform(0, 0.01)))
                forwarder.kill()
        waiting = store.waiting()
        while store.forward().waiting:
            pass
        there, sent = rows_there(server), kills * 10 * 20
        print(f"kills {kills}, readings {sent}, waiting after the last kill {waiting}, on the server {there}")
        assert waiting > 0
        assert there == sent
        assert store.refused() == []


def test_a_forwarder_killed_at_random_moments_sends_everything_and_nothing_twice(
    tmp_path: Path, influxd: Influxd
) -> None:
    forward_and_be_killed(tmp_path, influxd, kills=3)


@pytest.mark.long
def test_a_forwarder_killed_thirty_times_sends_everything_and_nothing_twice(tmp_path: Path, influxd: Influxd) -> None:
    forward_and_be_killed(tmp_path, influxd, kills=30)
