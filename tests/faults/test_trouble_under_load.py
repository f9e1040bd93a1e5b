"""Acknowledged means kept, in other troubles than a kill: a locked database, a full disk, a clock set back an hour.

The messages come over a real broker to a real process while the damage is done. Each test prints its figures.
"""

import json
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from ingest.readings.sqlite import SqliteReadings
from tests.brokers import Running
from tests.faults.test_kill_ingester import Ingester, Publisher, drained, judge, timed, until
from tests.faults.test_store_locked import HOLDER, let_go

BARE = "load/bare"
HOUR_MS = 3_600_000


@contextmanager
def under_load(
    kind: str, folder: Path, message: Callable[[int], tuple[str, str]] = timed, **more: object
) -> Iterator[tuple[Running, Ingester, Publisher]]:
    """A broker, an ingester and somebody who publishes, all of them ended whatever happens."""
    broker = Running(kind, folder).start()
    ingester = Ingester(broker, folder, **more)
    ingester.start()
    publisher = Publisher(broker, 200 if kind == "embedded" else 100, message)
    try:
        yield broker, ingester, publisher
    finally:
        publisher.close()
        if ingester.process is not None and ingester.process.poll() is None:
            ingester.end(signal.SIGKILL)
        broker.stop()


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_database_locked_by_another_process_loses_nothing(kind: str, tmp_path: Path):
    with under_load(kind, tmp_path) as (broker, ingester, publisher):
        until(lambda: len(publisher.acknowledged) > 20, "for the first messages")
        command = [sys.executable, "-c", HOLDER, str(tmp_path / "readings.db")]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
            assert holder.stdout is not None
            assert holder.stdout.readline() == "held\n"
            until(lambda: ingester.status().get("store_errors", 0) >= 1, "for the store to refuse")
            assert "locked; nothing was written" in ingester.status()["trouble"]
            let_go(holder)
            holder.kill()
        publisher.finish()
        assert not judge("locked database", broker, 0, publisher, drained(ingester, publisher))


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of memory of 4 MB, nearly full."""
    place = tmp_path / "tiny"
    place.mkdir()
    mount = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)], capture_output=True)
    if mount.returncode != 0:
        pytest.skip(f"a file system of memory cannot be mounted here: {mount.stderr.decode().strip()}")
    (place / "ballast").write_bytes(bytes(3_600_000))
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_disk_that_is_really_full_loses_nothing(kind: str, tmp_path: Path, tiny_disk: Path):
    with under_load(kind, tmp_path, store=str(tiny_disk / "readings.db")) as (broker, ingester, publisher):
        until(lambda: ingester.status().get("store_errors", 0) >= 1, "for the disk to fill")
        assert "no room left" in ingester.status()["trouble"]
        publisher.finish()
        (tiny_disk / "ballast").unlink()
        ingester.folder = tiny_disk
        assert not judge("full tmpfs", broker, 0, publisher, drained(ingester, publisher))


def untimed(number: int) -> tuple[str, str]:
    """A bare number, in thousandths of a degree so that it is plausible: its time is that of its arrival."""
    return BARE, str(number / 1000)


def numbers_anywhere(folder: Path) -> list[int]:
    """Every bare number in the store, as a reading or kept unread because its time was not sure."""
    with closing(SqliteReadings(folder / "readings.db", read_only=True)) as store:
        _, values = store.read([f"{BARE}#"], 0, 10**14)[f"{BARE}#"]
        unread = [float(message.body) for message in store.unread(100_000)]
    return [round(1000 * value) for value in [*values, *unread]]


@pytest.mark.parametrize("message", [timed, untimed], ids=["own times", "times of arrival"])
@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_clock_set_back_an_hour_loses_nothing_and_doubles_nothing(kind: str, message: Callable, tmp_path: Path):
    clock = tmp_path / "clock"
    clock.write_text("0", encoding="utf-8")
    with under_load(kind, tmp_path, message, clock_file=str(clock), bare=[BARE]) as (broker, ingester, publisher):
        until(lambda: len(publisher.acknowledged) > 20, "for the first messages")
        sent = publisher.sent
        beside = clock.with_suffix(".new")
        beside.write_text(str(-HOUR_MS), encoding="utf-8")
        beside.replace(clock)
        until(lambda: publisher.sent > sent + 100, "for messages after the clock was set back")
        publisher.finish()
        if message is timed:
            kept = drained(ingester, publisher)
        else:
            until(lambda: len(numbers_anywhere(tmp_path)) >= len(publisher.acknowledged), "for the store")
            ingester.end(signal.SIGTERM)
            kept = numbers_anywhere(tmp_path)
        assert not judge("clock set back an hour", broker, 0, publisher, kept)
        with closing(sqlite3.connect(tmp_path / "readings.db")) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert json.loads(ingester.status_file.read_text(encoding="utf-8"))["connected"] is False
