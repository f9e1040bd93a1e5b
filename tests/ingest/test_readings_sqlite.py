"""What only the SQLite store has: its file, its connections, its bounds and its upgrades."""

import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ingest.readings import (
    DAY_MS,
    Reading,
    SensorFailure,
    StoreBusy,
    StoreError,
    StoreTorn,
    UnreadMessage,
    schema,
)
from ingest.readings.sqlite import SqliteReadings, refuse_torn
from ingest.readings.unread_messages import UnreadBounds

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteReadings]:
    with closing(SqliteReadings(path)) as store:
        yield store


def message(topic: str, body: bytes, retained: bool = False) -> UnreadMessage:
    return UnreadMessage(topic, body, T0, "no sensor claims this topic", retained)


def test_the_size_counts_readings_and_sources(store: SqliteReadings) -> None:
    store.append([Reading(AIR, T0 + step, 1.0) for step in range(10)] + [Reading("b#", T0, 1.0)])
    size = store.size()
    assert (size.readings, size.sources) == (11, 2)
    assert size.bytes > 0
    assert size.free_bytes > 0


def test_the_settings_that_survive_a_power_cut_are_set_on_every_connection(path: Path, store: SqliteReadings) -> None:
    seen = []

    def look() -> None:
        with store._connections.writing() as db:
            seen.append([db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")])

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    look()
    full = 2
    assert seen == [["wal", full], ["wal", full]]


def test_a_store_closed_and_opened_again_goes_on_where_it_was(path: Path) -> None:
    with closing(SqliteReadings(path)) as store:
        store.append([Reading(AIR, T0, 1.0)], [SensorFailure("b#", T0, "-127")], [message("x", b"1")])
        before = (store.latest(), store.failures(), store.unread(), store.touched().until, store.sources())
    with closing(SqliteReadings(path)) as store:
        assert (store.latest(), store.failures(), store.unread(), store.touched().until, store.sources()) == before
        store.append([Reading(AIR, T0 + 1, 2.0)])
        assert store.read([AIR], T0, T0 + 2)[AIR][1].tolist() == [1.0, 2.0]


def test_threads_write_and_read_side_by_side_and_nothing_is_lost(store: SqliteReadings) -> None:
    troubles: list[BaseException] = []

    def work(number: int) -> None:
        try:
            for batch in range(10):
                store.append([Reading(f"t/{number}#", T0 + batch * 10 + step, float(step)) for step in range(10)])
                assert store.read([f"t/{number}#"], T0, T0 + 1000)[f"t/{number}#"][0].size == (batch + 1) * 10
        except BaseException as trouble:  # handed to the main thread, which fails the test
            troubles.append(trouble)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    assert store.size().readings == 400


def files_open(name: str) -> int:
    links = [Path("/proc/self/fd") / handle for handle in os.listdir("/proc/self/fd")]
    return sum(name in os.readlink(link) for link in links if link.is_symlink())


def test_threads_that_end_leave_no_heap_of_open_files_behind(store: SqliteReadings) -> None:
    def visit() -> None:
        thread = threading.Thread(target=store.latest)
        thread.start()
        thread.join()

    # SQLite keeps one handle of a closed connection for the next one while others hold the file's locks.
    visit()
    before = files_open("readings.sqlite")
    for _ in range(5):
        visit()
    assert files_open("readings.sqlite") == before
    store.close()
    assert files_open("readings.sqlite") == 0


def test_a_closed_store_says_so(store: SqliteReadings) -> None:
    store.close()
    with pytest.raises(StoreError, match=r"The readings store .*readings\.sqlite has been closed\."):
        store.latest()


def test_a_store_opened_for_reading_writes_nothing_and_says_so(store: SqliteReadings, path: Path) -> None:
    with closing(SqliteReadings(path, read_only=True)) as reader:
        with pytest.raises(StoreError, match="is open for reading only"):
            reader.append([Reading(AIR, T0, 1.0)])
        assert reader.latest() == {}


def test_reading_a_store_that_is_not_there_says_so_and_makes_none(path: Path) -> None:
    with pytest.raises(StoreError, match="There is no readings store at"):
        SqliteReadings(path, read_only=True)
    assert not path.exists()
    with pytest.raises(StoreError, match="cannot be opened; does its folder exist"):
        SqliteReadings(path.parent / "no folder" / "readings.sqlite")


def test_a_reader_sees_one_state_while_days_are_packed(store: SqliteReadings, path: Path) -> None:
    store.append([Reading(AIR, T0 + step, float(step)) for step in range(100)])
    with closing(SqliteReadings(path, read_only=True)) as reader, reader._connections.reading() as db:
        assert db.execute("SELECT COUNT(*) FROM fresh").fetchone() == (100,)
        store.seal(T0 + DAY_MS)
        assert db.execute("SELECT COUNT(*) FROM fresh").fetchone() == (100,)
        assert db.execute("SELECT COUNT(*) FROM chunk").fetchone() == (0,)
    assert store.size()[:2] == (100, 100)


def test_another_writer_is_waited_for_and_then_named(path: Path) -> None:
    with closing(SqliteReadings(path, busy_s=0.05)) as store, closing(sqlite3.connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusy, match=r"Another process keeps the readings store .* locked; nothing was written"):
            store.append([Reading(AIR, T0, 1.0)])
        other.rollback()
        store.append([Reading(AIR, T0, 1.0)])
        assert store.latest() == {AIR: (T0, 1.0)}


def test_a_failed_batch_leaves_no_series_number_behind_that_later_batches_trust(
    store: SqliteReadings, path: Path
) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "CREATE TRIGGER no_b BEFORE INSERT ON fresh WHEN NEW.value = 13 BEGIN SELECT RAISE(ABORT, 'no'); END"
        )
    with pytest.raises(StoreError, match="failed: no"):
        store.append([Reading("a#", T0, 13.0)])
    store.append([Reading("b#", T0, 1.0)])
    store.append([Reading("a#", T0, 2.0)])
    assert store.latest() == {"a#": (T0, 2.0), "b#": (T0, 1.0)}


def test_only_the_newest_unread_messages_of_a_topic_are_kept_and_the_rest_is_counted(path: Path) -> None:
    with closing(SqliteReadings(path, unread_bounds=UnreadBounds(a_topic=3))) as store:
        store.append(unread=[message("quiet", b"once")])
        for number in range(10):
            store.append(unread=[message("chatty", b"%d" % number)])
        assert [(unread.topic, unread.body) for unread in store.unread()] == [
            ("chatty", b"9"),
            ("chatty", b"8"),
            ("chatty", b"7"),
            ("quiet", b"once"),
        ]
        count = store.unread_count()
        assert (count.kept, count.dropped) == (4, 7)


def test_unread_messages_never_take_more_than_their_bound(path: Path) -> None:
    with closing(SqliteReadings(path, unread_bounds=UnreadBounds(in_all_bytes=10_000))) as store:
        for number in range(50):
            store.append(unread=[message(f"topic/{number}", bytes(900))])
            assert store.unread_count().bytes <= 10_000
        assert store.unread()[0].topic == "topic/49"
        assert store.unread_count().kept + store.unread_count().dropped == 50
        store.append(unread=[message("chatty", bytes(100)) for _ in range(60)])
        assert {unread.topic for unread in store.unread()} > {"topic/49", "topic/48", "topic/47", "chatty"}


def test_an_unread_message_too_large_to_keep_is_counted_and_pushes_nothing_out(path: Path) -> None:
    with closing(SqliteReadings(path, unread_bounds=UnreadBounds(in_all_bytes=10_000))) as store:
        store.append(unread=[message("small", b"1"), message("huge", bytes(5_000))])
        assert [unread.topic for unread in store.unread()] == ["small"]
        assert store.unread_count().dropped == 1


def test_a_retained_message_that_comes_back_at_every_reconnect_is_kept_once(store: SqliteReadings) -> None:
    for later in range(5):
        store.append(unread=[message("x", b"old", retained=True)._replace(arrived_ms=T0 + later)])
    store.append(unread=[message("x", b"old")])
    assert [(unread.retained, unread.arrived_ms) for unread in store.unread()] == [(False, T0), (True, T0 + 4)]


def test_a_backup_holds_one_moment_while_another_thread_writes(store: SqliteReadings, tmp_path: Path) -> None:
    stop = threading.Event()

    def write() -> None:
        moment = 0
        while not stop.is_set():
            store.append([Reading("a#", T0 + moment, 1.0), Reading("b#", T0 + moment, 1.0)])
            moment += 1

    store.append([Reading(AIR, T0 + step, step / 10) for step in range(1000)])
    store.seal(T0 + DAY_MS)
    thread = threading.Thread(target=write)
    thread.start()
    try:
        for _ in range(5):
            store.backup(tmp_path / "copy.sqlite")
            refuse_torn(tmp_path / "copy.sqlite")
            with closing(SqliteReadings(tmp_path / "copy.sqlite", read_only=True)) as copy:
                both = copy.read(["a#", "b#", AIR], T0, T0 + DAY_MS)
            assert np.array_equal(both["a#"][0], both["b#"][0])
            assert both[AIR][0].size == 1000
    finally:
        stop.set()
        thread.join()
    assert sorted(file.name for file in tmp_path.iterdir() if file.name.startswith("copy")) == ["copy.sqlite"]


def test_a_backup_that_cannot_be_written_leaves_the_old_one(store: SqliteReadings, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"The backup .*no folder.* could not be written"):
        store.backup(tmp_path / "no folder" / "copy.sqlite")
    (tmp_path / "copy.sqlite").mkdir()
    with pytest.raises(StoreError, match=r"The backup .*copy\.sqlite could not be written: Is a directory"):
        store.backup(tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("*.half"))


def some_text(path: Path) -> None:
    path.write_bytes(b"these are not pages of a database " * 200)


def other_database(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        # Already in WAL mode, so that looking at it has nothing to change.
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE recipes (name TEXT)")
        db.execute("PRAGMA user_version = 3")


@pytest.mark.parametrize("make", [some_text, other_database])
def test_a_file_that_is_no_readings_store_is_refused_and_left_alone(path: Path, make: Callable[[Path], None]) -> None:
    make(path)
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreTorn, match="cannot be used as a readings store"):
            SqliteReadings(path, read_only=read_only)
    assert path.read_bytes() == before


def test_a_store_written_by_a_newer_program_is_refused(store: SqliteReadings, path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    with pytest.raises(StoreTorn, match="it was written by a newer dryline; update this one"):
        SqliteReadings(path)


def add_a_table(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE later (number INTEGER)")


def fail_half_way(db: sqlite3.Connection) -> None:
    add_a_table(db)
    db.execute("INSERT INTO nowhere VALUES (1)")


def test_an_upgrade_keeps_a_copy_of_what_was_there_and_records_itself(store: SqliteReadings, path: Path) -> None:
    store.append([Reading(AIR, T0, 1.0)])
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        schema.migrate(db, path, [*schema.MIGRATIONS, add_a_table])
        assert schema.version(db) == len(schema.MIGRATIONS) + 1
        assert db.execute("SELECT COUNT(*) FROM later").fetchone() == (0,)
    with closing(SqliteReadings(path.with_name(f"readings.sqlite.version-{len(schema.MIGRATIONS)}"))) as copy:
        assert copy.latest() == {AIR: (T0, 1.0)}


def test_an_upgrade_that_fails_leaves_neither_change_nor_record(store: SqliteReadings, path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        with pytest.raises(sqlite3.OperationalError, match="no such table: nowhere"):
            schema.migrate(db, path, [*schema.MIGRATIONS, fail_half_way])
        assert schema.version(db) == len(schema.MIGRATIONS)
        assert db.execute("SELECT name FROM sqlite_master WHERE name = 'later'").fetchall() == []


def test_a_damaged_block_of_facts_says_so(store: SqliteReadings, path: Path) -> None:
    store.write_facts([pd.DataFrame({"place": ["east-window"], "hour_ms": [T0], "vpd_kpa": [1.0]})])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE hourly SET body = substr(body, 1, 20)")
    with pytest.raises(StoreTorn, match="a block of hourly facts is damaged; they can be computed anew"):
        store.read_hourly("east-window", T0, T0 + DAY_MS)


def test_two_processes_that_open_a_new_file_at_once_make_its_tables_once(path: Path) -> None:
    start, troubles = threading.Barrier(4), []

    def open_it() -> None:
        start.wait()
        try:
            SqliteReadings(path).close()
        except StoreError as trouble:
            troubles.append(trouble)

    threads = [threading.Thread(target=open_it) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    with closing(SqliteReadings(path, read_only=True)) as store:
        assert store.latest() == {}
