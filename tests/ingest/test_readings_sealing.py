"""Days that are over: what is packed when, that nobody notices, and that damage is found."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from ingest.readings import DAY_MS, Reading, SensorFailure, StoreTorn
from ingest.readings.sqlite import SqliteReadings

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteReadings]:
    with closing(SqliteReadings(path)) as store:
        yield store


def days_of_readings(days: int, every_ms: int = 3_600_000, source: str = AIR) -> list[Reading]:
    return [Reading(source, T0 + step * every_ms, 20 + step % 24 / 10) for step in range(days * DAY_MS // every_ms)]


def test_only_days_that_are_over_are_packed(store: SqliteReadings) -> None:
    store.append(days_of_readings(3))
    assert store.seal(T0 + 2 * DAY_MS + 5) == 2
    assert store.size()[:2] == (72, 48)
    assert store.seal(T0 + 2 * DAY_MS + 5) == 0


def test_packing_changes_no_read(store: SqliteReadings) -> None:
    store.append(days_of_readings(5) + days_of_readings(5, 900_000, "b#"))
    windows = [(T0 + start, T0 + end) for start in (0, 7, DAY_MS) for end in (DAY_MS, 3 * DAY_MS + 1, 9 * DAY_MS)]
    rows = [store.read([AIR, "b#"], *window) for window in windows]
    assert store.seal(T0 + 4 * DAY_MS) == 8
    for window, before in zip(windows, rows, strict=True):
        after = store.read([AIR, "b#"], *window)
        for source in before:
            assert np.array_equal(before[source][0], after[source][0])
            assert np.array_equal(before[source][1], after[source][1])


def test_a_late_reading_for_a_packed_day_is_seen_at_once_and_packed_with_it_next_time(store: SqliteReadings) -> None:
    store.append(days_of_readings(2))
    store.seal(T0 + DAY_MS)
    store.append([Reading(AIR, T0 + 5, 7.5), Reading(AIR, T0, -1.0)])
    for _ in range(2):
        times, values = store.read([AIR], T0, T0 + DAY_MS)[AIR]
        assert (times.size, times[1], values[0], values[1]) == (25, T0 + 5, -1.0, 7.5)
        store.seal(T0 + DAY_MS)
    assert store.size()[:2] == (49, 25)
    assert store.verify() == []


def test_a_failure_told_late_ends_at_a_reading_that_was_packed_meanwhile(store: SqliteReadings) -> None:
    store.append(days_of_readings(2))
    store.seal(T0 + 2 * DAY_MS)
    store.append(failures=[SensorFailure(AIR, T0 + 5, "-127"), SensorFailure(AIR, T0 + 40 * DAY_MS, "-127")])
    assert [spell.ended_ms for spell in store.failures()] == [T0 + 3_600_000, None]


def test_sealing_says_how_far_it_is(store: SqliteReadings) -> None:
    store.append([Reading(AIR, T0 + day * DAY_MS, 1.0) for day in range(250)])
    heard: list[tuple[int, int]] = []
    store.seal(T0 + 250 * DAY_MS, lambda done, of: heard.append((done, of)))
    assert heard == [(100, 250), (200, 250), (250, 250)]


def test_packing_makes_the_file_smaller_on_the_disk(store: SqliteReadings, path: Path) -> None:
    store.append(days_of_readings(10, 60_000))
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    rows = path.stat().st_size
    store.seal(T0 + 10 * DAY_MS)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert path.stat().st_size < rows / 4


def test_pruning_takes_whole_days_and_leaves_the_latest_value(store: SqliteReadings) -> None:
    store.append([*days_of_readings(10), Reading("b#", T0, 3.0)])
    store.append(failures=[SensorFailure("b#", T0 - 9, "-127")])
    store.seal(T0 + 5 * DAY_MS)
    assert store.prune(keep_raw_days=3, now_ms=T0 + 10 * DAY_MS + 1) == 7 * 24 + 1
    assert store.read([AIR], T0, T0 + 10 * DAY_MS)[AIR][0][0] == T0 + 7 * DAY_MS
    assert store.latest()["b#"] == (T0, 3.0)
    assert store.failures() == []
    assert store.prune(keep_raw_days=3, now_ms=T0 + 10 * DAY_MS + 1) == 0


def test_a_damaged_chunk_is_named_by_verify_and_never_read_as_readings(store: SqliteReadings, path: Path) -> None:
    store.append(days_of_readings(3))
    store.seal(T0 + 3 * DAY_MS)
    assert store.verify() == []
    with closing(sqlite3.connect(path)) as db, db:
        key, body = db.execute("SELECT key, body FROM chunk ORDER BY key LIMIT 1 OFFSET 1").fetchone()
        db.execute("UPDATE chunk SET body = ? WHERE key = ?", (body[:-1] + bytes([body[-1] ^ 1]), key))
    assert store.verify() == [f"The sealed day 2026-01-02 of {AIR} is damaged."]
    assert store.read([AIR], T0, T0 + DAY_MS)[AIR][0].size == 24
    with pytest.raises(StoreTorn, match="the sealed day 2026-01-02 of series 1 is damaged"):
        store.read([AIR], T0, T0 + 3 * DAY_MS)


def test_a_chunk_that_lost_its_series_or_its_count_is_named(store: SqliteReadings, path: Path) -> None:
    store.append(days_of_readings(2))
    store.seal(T0 + 2 * DAY_MS)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE chunk SET readings = 25 WHERE key = (SELECT MIN(key) FROM chunk)")
    assert store.verify() == [f"The sealed day 2026-01-01 of {AIR} is damaged."]
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DELETE FROM series")
    assert store.verify() == [f"The sealed day 2026-01-0{day} of an unknown source is damaged." for day in (1, 2)]


def test_sealing_that_fails_half_way_leaves_every_reading_where_it_was(store: SqliteReadings, path: Path) -> None:
    store.append(days_of_readings(3))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(
            """CREATE TRIGGER second_day_fails BEFORE INSERT ON chunk
               WHEN (SELECT COUNT(*) FROM chunk) = 1 BEGIN SELECT RAISE(ABORT, 'the disk went away'); END"""
        )
    with pytest.raises(Exception, match="the disk went away"):
        store.seal(T0 + 3 * DAY_MS)
    assert store.size()[:2] == (72, 0)
    assert store.read([AIR], T0, T0 + 3 * DAY_MS)[AIR][0].size == 72
