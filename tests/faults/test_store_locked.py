"""The readings store held by another process: append waits for it, then says so, and nothing is lost."""

import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from contextlib import closing
from pathlib import Path

import pytest

from ingest.readings import Reading, StoreBusy
from ingest.readings.sqlite import SqliteReadings

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"

HOLDER = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.readline()
db.execute("COMMIT")
print("let go", flush=True)
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    SqliteReadings(tmp_path / "readings.sqlite").close()
    return tmp_path / "readings.sqlite"


@pytest.fixture
def holder(path: Path) -> Iterator["subprocess.Popen[str]"]:
    """Another process that holds the store until a line is written to it."""
    command = [sys.executable, "-c", HOLDER, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


def let_go(holder: "subprocess.Popen[str]") -> None:
    assert holder.stdin is not None
    assert holder.stdout is not None
    holder.stdin.write("\n")
    holder.stdin.flush()
    assert holder.stdout.readline() == "let go\n"


def test_a_store_held_too_long_is_reported_and_the_batch_can_be_tried_again(
    path: Path, holder: "subprocess.Popen[str]"
) -> None:
    with closing(SqliteReadings(path, busy_s=0.1)) as store:
        for _ in range(3):
            with pytest.raises(StoreBusy, match=r"Another process keeps the readings store .* locked; nothing was"):
                store.append([Reading(AIR, T0, 1.0)])
        assert store.latest() == {}
        let_go(holder)
        store.append([Reading(AIR, T0, 1.0)])
        assert store.latest() == {AIR: (T0, 1.0)}


def test_a_store_held_for_a_moment_is_waited_for(path: Path, holder: "subprocess.Popen[str]") -> None:
    with closing(SqliteReadings(path, busy_s=60)) as store, ThreadPoolExecutor() as thread:
        waiting = thread.submit(store.append, [Reading(AIR, T0, 1.0)])
        with pytest.raises(NotYet):
            waiting.result(timeout=0.2)
        assert store.latest() == {}
        let_go(holder)
        waiting.result(timeout=60)
        assert store.latest() == {AIR: (T0, 1.0)}


def test_a_holder_that_is_killed_lets_go(path: Path, holder: "subprocess.Popen[str]") -> None:
    holder.kill()
    holder.wait()
    with closing(SqliteReadings(path, busy_s=10)) as store:
        store.append([Reading(AIR, T0, 1.0)])
        assert store.latest() == {AIR: (T0, 1.0)}
