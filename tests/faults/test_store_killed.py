"""kill -9 of a process that writes readings, at random moments: what was promised is kept, the rest is whole or absent.

The writer says a batch's number once `append` has returned, as an ingester acknowledges a message. It also
packs days in between, so that some kills hit a day while its rows become a chunk.
"""

import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from ingest.readings import DAY_MS
from ingest.readings.sqlite import LATEST_MS, SqliteReadings

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
A_BATCH = 20

WRITER = f"""
import sys
from ingest.readings import Reading, SensorFailure, UnreadMessage
from ingest.readings.sqlite import LATEST_MS, SqliteReadings

store, number = SqliteReadings(sys.argv[1]), int(sys.argv[2])
while True:
    moment = {T0} + number * {A_BATCH}
    store.append(
        [Reading("a#", moment + step, float(number)) for step in range({A_BATCH})] + [Reading("b#", moment, 1.0)],
        [SensorFailure("c#", moment, str(number))],
        [UnreadMessage("odd", b"%d" % number, moment, "not JSON")],
    )
    print(number, flush=True)
    if number % 7 == 0:
        store.seal(LATEST_MS)
    number += 1
"""


def write_and_kill(path: Path, first: int, confirmations: int, then_s: float) -> int:
    """Let a writer confirm so many batches, kill it a moment later; returns the last batch that it confirmed."""
    with subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(first)], stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        last = first - 1
        for _ in range(confirmations):
            last = int(writer.stdout.readline())
        # A random moment is what is wanted here, not an event.
        time.sleep(then_s)
        writer.kill()
        rest = writer.stdout.read().splitlines(keepends=True)
        confirmed = [int(line) for line in rest if line.endswith(b"\n")]
    return confirmed[-1] if confirmed else last


def kill_and_count(path: Path, kills: int) -> None:
    rng = np.random.default_rng(20260101)
    confirmed = lost = doubled = half = 0
    following = 0
    for _ in range(kills):
        last = write_and_kill(path, following, int(rng.integers(1, 12)), float(rng.uniform(0, 0.02)))
        confirmed = last + 1
        with closing(SqliteReadings(path)) as store:
            assert store.integrity() == []
            assert store.verify() == []
            both = store.read(["a#", "b#"], T0, T0 + DAY_MS)
            unread = sorted(int(message.body) for message in store.unread(limit=1_000_000))
            spells = [int(spell.code) for spell in store.failures()]
        times, values = both["a#"]
        kept = both["b#"][0].size
        half += times.size != kept * A_BATCH or unread != spells or len(unread) != kept
        lost += max(confirmed - kept, 0)
        doubled += np.unique(times).size != times.size
        assert np.array_equal(times, T0 + np.arange(kept * A_BATCH))
        assert np.array_equal(values, np.repeat(np.arange(kept, dtype=float), A_BATCH))
        assert unread == list(range(kept))
        # At most the batch that was being written when the writer died may be there without having been confirmed.
        assert confirmed <= kept <= confirmed + 1
        following = kept
    print(f"kills {kills}, batches confirmed {confirmed}, lost {lost}, doubled {doubled}, half written {half}")
    assert (lost, doubled, half) == (0, 0, 0)
    with closing(SqliteReadings(path)) as store:
        store.seal(LATEST_MS)
        assert store.read(["b#"], T0, T0 + DAY_MS)["b#"][0].size == following


def test_what_a_killed_writer_had_confirmed_is_kept_once(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "readings.sqlite", kills=6)


@pytest.mark.long
def test_what_a_writer_killed_fifty_times_had_confirmed_is_kept_once(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "readings.sqlite", kills=50)
