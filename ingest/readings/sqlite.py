"""The readings store in one SQLite file: `SqliteReadings`.

Owns the way of a batch into the file and of a range out of it. Fresh rows lie clustered by (series, time);
`latest`, spells of failure and the marks of touched hours change in the same transaction; days that are over
lie packed (`sealing.py`). One process may write while others read. Units, places and what facts mean are not
known here.
"""

import math
import os
import shutil
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from itertools import chain, islice
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ingest.readings import (
    DAY_MS,
    HOUR_MS,
    FailureSpell,
    Reading,
    SensorFailure,
    Series,
    StoredUnread,
    StoreError,
    StoreSize,
    StoreTorn,
    Touched,
    UnreadCount,
    UnreadMessage,
    facts,
    failures,
    outbox,
    schema,
    sealing,
    unread_messages,
)
from ingest.readings.connections import Connections
from ingest.readings.sealing import Progress
from ingest.readings.unread_messages import UnreadBounds

if TYPE_CHECKING:
    import pandas as pd

# Times that a store can hold: the years 1 to 9999, so that any of them can also be written as a date.
EARLIEST_MS = -62_135_596_800_000
LATEST_MS = 253_402_300_800_000

Row = tuple[int, int, float]
_ROWS_A_STATEMENT = 100


class SqliteReadings:
    """Readings, failures, unread messages and facts in one file; safe to use from any thread."""

    def __init__(
        self,
        path: str | Path,
        *,
        read_only: bool = False,
        busy_s: float = 30.0,
        unread_bounds: UnreadBounds | None = None,
    ) -> None:
        """Open the file, or make it; `busy_s` is how long to wait for another writer before raising `StoreBusy`."""
        self.path = Path(path)
        self._connections = Connections(self.path, read_only=read_only, busy_s=busy_s, prepare=self._prepare)
        self._unread_bounds = unread_bounds or UnreadBounds()
        # Series never change their number in a file, so what a connection once committed may be remembered.
        self._numbers: tuple[sqlite3.Connection | None, dict[str, int]] = (None, {})
        try:
            self._connections.get()
        except BaseException:
            self._connections.close()
            raise

    def _prepare(self, db: sqlite3.Connection) -> None:
        """Bring the file up to date, or refuse it."""
        if not self._connections.read_only:
            schema.migrate(db, self.path)
        elif schema.version(db) != len(schema.MIGRATIONS):
            raise StoreTorn("it is empty, or of another version than this dryline")

    def append(
        self,
        readings: Sequence[Reading] = (),
        failures: Sequence[SensorFailure] = (),
        unread: Sequence[UnreadMessage] = (),
    ) -> None:
        """Keep all of it in one durable transaction (see the protocol)."""
        _refuse_what_is_no_reading(readings, failures)
        self._connections.follow()
        with self._connections.writing() as db:
            sources = {source for source, _, _ in readings} | {source for source, _, _ in failures}
            numbered_by, known = self._numbers
            if numbered_by is not db:
                known = {}
            fresh_numbers = _number(db, sources - known.keys())
            numbers = known | fresh_numbers if fresh_numbers else known
            if readings:
                _insert_readings(db, readings, numbers)
            for failure in failures:
                _add_failure(db, numbers[failure.source], failure)
            if unread:
                unread_messages.add_unread(db, unread, self._unread_bounds)
        self._numbers = db, numbers

    def read(self, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """Times and values of each source in [start, end), sorted (see the protocol)."""
        with self._connections.reading() as db:
            numbers = _numbers_of(db, sources)
            # An unknown source has no number; no series has the number 0.
            return {source: sealing.read_range(db, numbers.get(source, 0), start_ms, end_ms) for source in sources}

    def last_before(self, sources: Sequence[str], time_ms: int) -> dict[str, tuple[int, float]]:
        """The last reading of each source strictly before a moment."""
        with self._connections.reading() as db:
            numbers = _numbers_of(db, sources)
            found = {
                source: sealing.last_before(db, numbers[source], time_ms) for source in sources if source in numbers
            }
        return {source: last for source, last in found.items() if last is not None}

    def latest(self) -> dict[str, tuple[int, float]]:
        """The newest reading of every source."""
        with self._connections.reading() as db:
            rows = db.execute("SELECT source, time_ms, value FROM latest JOIN series ON id = series").fetchall()
        return {source: (time_ms, value) for source, time_ms, value in rows}

    def sources(self) -> list[str]:
        """Every source that ever sent a reading or a failure, sorted."""
        with self._connections.reading() as db:
            return [source for (source,) in db.execute("SELECT source FROM series ORDER BY source")]

    def first_ms(self, since_ms: int = EARLIEST_MS, sources: Sequence[str] | None = None) -> int | None:
        """When the first reading of these sources (None: of all) since a moment was taken; None where there is none."""
        with self._connections.reading() as db:
            numbers = _numbers_of(db, sources).values()
            firsts = [sealing.first_after(db, number, since_ms - 1) for number in numbers]
        return min((first for first in firsts if first is not None), default=None)

    def failures(self, since_ms: int = 0) -> list[FailureSpell]:
        """Spells of failure that still stand or ended at or after `since_ms`, oldest first."""
        with self._connections.reading() as db:
            return failures.spells(db, since_ms)

    def unread(self, limit: int = 200) -> list[StoredUnread]:
        """Unread messages, newest first."""
        with self._connections.reading() as db:
            return unread_messages.newest(db, limit)

    def unread_count(self) -> UnreadCount:
        """How many unread messages are kept and how many had to make room."""
        with self._connections.reading() as db:
            return unread_messages.count(db)

    def forget_unread(self, ids: Iterable[int]) -> None:
        """Forget unread messages, for example after they were replayed."""
        with self._connections.writing() as db:
            unread_messages.forget(db, ids)

    def touched(self) -> Touched:
        """Hours whose readings changed since facts were last written."""
        with self._connections.reading() as db:
            until = db.execute("SELECT value FROM tally WHERE name = 'mark'").fetchone()[0]
            names = {number: source for source, number in _numbers_of(db, None).items()}
            marked = np.array(db.execute("SELECT series, hour_ms FROM touched").fetchall(), dtype=np.int64).reshape(
                -1, 2
            )
        numbers, begins = np.unique(marked[:, 0], return_index=True)
        hours = np.split(marked[:, 1].copy(), begins[1:])
        return Touched({names[number]: mine for number, mine in zip(numbers.tolist(), hours, strict=False)}, until)

    def touch(self, sources: Iterable[str] | None = None) -> None:
        """Mark every hour of these sources (None: of all) as changed."""
        with self._connections.writing() as db:
            numbers = _numbers_of(db, None if sources is None else list(sources))
            _mark(
                db, ((number, hour) for number in numbers.values() for hour in sealing.hours_with_readings(db, number))
            )

    def _mark_by_source(self, hours: Mapping[str, Sequence[int]]) -> None:
        with self._connections.writing() as db:
            numbers = _numbers_of(db, list(hours))
            _mark(db, ((number, hour) for source, number in numbers.items() for hour in hours[source]))

    def forward_no_longer(self) -> None:
        """Forget what waited for a server whose settings were taken away (if they come back, all days are sent)."""
        with self._connections.writing() as db:
            outbox.turn_off(db)

    def write_facts(
        self,
        hourly: "Sequence[pd.DataFrame]" = (),
        daily: "pd.DataFrame | None" = None,
        *,
        touched_until: int | None = None,
        derived: Mapping[str, tuple[str, bytes]] | None = None,
    ) -> None:
        """Write facts and clear the marks they answer, in one transaction (see the protocol)."""
        with self._connections.writing() as db:
            for table in hourly:
                facts.write_hourly(db, table)
            if daily is not None:
                facts.write_daily(db, daily)
            if touched_until is not None:
                db.execute("DELETE FROM touched WHERE mark <= ?", (touched_until,))
            for key, (fingerprint, body) in (derived or {}).items():
                _put_derived(db, key, fingerprint, body)

    def read_hourly(self, place: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
        """Hourly facts of a place, sorted."""
        with self._connections.reading() as db:
            return facts.read_hourly(db, place, start_ms, end_ms)

    def read_daily(self, pot: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
        """Daily facts of a pot, sorted."""
        with self._connections.reading() as db:
            return facts.read_daily(db, pot, start_ms, end_ms)

    def put_derived(self, key: str, fingerprint: str, body: bytes) -> None:
        """Keep something computed with the fingerprint of what it was computed from."""
        with self._connections.writing() as db:
            _put_derived(db, key, fingerprint, body)

    def get_derived(self, key: str) -> tuple[str, bytes] | None:
        """The fingerprint and body kept under a key, or None."""
        with self._connections.reading() as db:
            row = db.execute("SELECT fingerprint, body FROM derived WHERE key = ?", (key,)).fetchone()
        return None if row is None else (row[0], row[1])

    def size(self) -> StoreSize:
        """How much is kept, and what it takes on disk, log and index included."""
        with self._connections.reading() as db:
            fresh = db.execute("SELECT COUNT(*) FROM fresh").fetchone()[0]
            sealed = db.execute("SELECT TOTAL(readings) FROM chunk").fetchone()[0]
            sources = db.execute("SELECT COUNT(*) FROM series").fetchone()[0]
        files = (self.path.with_name(self.path.name + ending) for ending in ("", "-wal", "-shm"))
        taken = sum(file.stat().st_size for file in files if file.exists())
        return StoreSize(fresh + int(sealed), int(sealed), sources, taken, shutil.disk_usage(self.path.parent).free)

    def seal(self, before_ms: int, progress: Progress | None = None) -> int:
        """Pack every day that ended by `before_ms`; returns how many series' days were packed."""
        return sealing.seal(self._connections, before_ms, progress)

    def prune(self, keep_raw_days: int, now_ms: int) -> int:
        """Let go of raw readings of days older than that; facts and latest values stay. Returns how many went."""
        before_ms = now_ms - keep_raw_days * DAY_MS
        with self._connections.writing() as db:
            failures.forget_ended(db, before_ms)
        return sealing.prune(self._connections, before_ms)

    def verify(self, progress: Progress | None = None) -> list[str]:
        """Unpack every sealed day; one sentence for each that is damaged."""
        return sealing.damaged_days(self._connections, progress)

    def integrity(self) -> list[str]:
        """Let SQLite check the whole file; one sentence for each thing that is wrong."""
        try:
            with self._connections.reading() as db:
                words = [row[0] for row in db.execute("PRAGMA integrity_check(20)")]
                page = db.execute("PRAGMA page_size").fetchone()[0]
        except StoreTorn as trouble:
            return [str(trouble)]
        if self.path.stat().st_size % page:
            # SQLite takes the missing end of a last page for zeros.
            return [f"The file {self.path} ends in the middle of a page."]
        return [] if words == ["ok"] else [f"The file {self.path} is damaged: {word}." for word in words]

    def backup(self, target: str | Path) -> None:
        """Write a copy of one moment's state to `target` while readings go on; an older copy is replaced at the end."""
        target = Path(target)
        half = target.with_name(target.name + ".half")
        try:
            half.unlink(missing_ok=True)
            with self._connections.reading() as db:
                try:
                    _copy(db, half)
                except sqlite3.Error as trouble:
                    raise StoreError(f"The backup {target} could not be written: {trouble}.") from trouble
            _flush_to_disk(half)
            half.replace(target)
            _flush_to_disk(target.parent)
        except OSError as trouble:
            raise StoreError(f"The backup {target} could not be written: {trouble.strerror}.") from trouble
        finally:
            half.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the file; every thread's connection is closed."""
        self._connections.close()


def refuse_torn(path: str | Path) -> None:
    """Raise `StoreTorn` unless the file is a whole readings store: for a copy that someone wants to restore."""
    with closing(SqliteReadings(path, read_only=True)) as store:
        wrong = store.integrity() or store.verify()
    if wrong:
        raise StoreTorn(wrong[0])


def _copy(db: sqlite3.Connection, target: Path) -> None:
    with closing(sqlite3.connect(target)) as copy:
        db.backup(copy)
        # One file without a log beside it, that can be carried anywhere.
        copy.execute("PRAGMA journal_mode = DELETE").fetchone()


def _flush_to_disk(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on the disk and not only in memory."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _refuse_what_is_no_reading(readings: Sequence[Reading], failures: Sequence[SensorFailure]) -> None:
    for source, time_ms, value in readings:
        if not math.isfinite(value):
            raise ValueError(f"A reading of {source} is {value}, which is not a number that can be kept.")
        if not EARLIEST_MS <= time_ms < LATEST_MS:
            raise ValueError(f"A reading of {source} has the time {time_ms} ms, outside the years 1 to 9999.")
    for failure in failures:
        if not EARLIEST_MS <= failure.time_ms < LATEST_MS:
            raise ValueError(
                f"A failure of {failure.source} has the time {failure.time_ms} ms, outside the years 1 to 9999."
            )


def _number(db: sqlite3.Connection, sources: Iterable[str]) -> dict[str, int]:
    """The numbers of sources, new ones included; sorted so that the same batch always numbers them alike."""
    numbers = {}
    for source in sorted(sources):
        db.execute("INSERT OR IGNORE INTO series (source) VALUES (?)", (source,))
        numbers[source] = db.execute("SELECT id FROM series WHERE source = ?", (source,)).fetchone()[0]
    return numbers


def _numbers_of(db: sqlite3.Connection, sources: Sequence[str] | None) -> dict[str, int]:
    """The numbers of known sources, without making any."""
    if sources is None or len(sources) > 50:
        everything = dict(db.execute("SELECT source, id FROM series").fetchall())
        return (
            everything
            if sources is None
            else {source: everything[source] for source in sources if source in everything}
        )
    found = ((source, db.execute("SELECT id FROM series WHERE source = ?", (source,)).fetchone()) for source in sources)
    return {source: row[0] for source, row in found if row is not None}


def _insert_readings(db: sqlite3.Connection, readings: Sequence[Reading], numbers: Mapping[str, int]) -> None:
    # numpy's numbers are not the database's.
    rows = [(numbers[source], int(time_ms), float(value)) for source, time_ms, value in readings]
    # Of one moment, the value that was delivered last: sorting keeps their order.
    newest = {row[0]: row for row in sorted(rows, key=itemgetter(1))}
    _insert(db, "fresh", rows, "ON CONFLICT (series, time_ms) DO UPDATE SET value = excluded.value")
    _insert(
        db,
        "latest",
        newest.values(),
        """ON CONFLICT (series) DO UPDATE
           SET time_ms = excluded.time_ms, value = excluded.value WHERE excluded.time_ms >= latest.time_ms""",
    )
    _mark(db, sorted({(number, time_ms - time_ms % HOUR_MS) for number, time_ms, _ in rows}))
    failures.end_failures(db, rows)
    if outbox.is_on(db):
        outbox.add(db, rows)


def _insert(db: sqlite3.Connection, table: str, rows: Iterable[Row], on_conflict: str) -> None:
    """Insert rows of three columns, many a statement: row by row costs twice as much."""
    remaining = iter(rows)
    while some := list(islice(remaining, _ROWS_A_STATEMENT)):
        places = ", ".join(["(?, ?, ?)"] * len(some))
        db.execute(f"INSERT INTO {table} VALUES {places} {on_conflict}", list(chain.from_iterable(some)))


def _mark(db: sqlite3.Connection, hours: Iterable[tuple[int, int]]) -> None:
    """Mark hours (series, start) as touched, with a number that grows: a mark set meanwhile is told from one seen."""
    mark = db.execute("UPDATE tally SET value = value + 1 WHERE name = 'mark' RETURNING value").fetchall()[0][0]
    marked = ((series, hour_ms, mark) for series, hour_ms in hours)
    _insert(db, "touched", marked, "ON CONFLICT (series, hour_ms) DO UPDATE SET mark = excluded.mark")


def _put_derived(db: sqlite3.Connection, key: str, fingerprint: str, body: bytes) -> None:
    db.execute("INSERT OR REPLACE INTO derived VALUES (?, ?, ?)", (key, fingerprint, bytes(body)))


def _add_failure(db: sqlite3.Connection, number: int, failure: SensorFailure) -> None:
    def first_after(series: int, time_ms: int) -> int | None:
        return sealing.first_after(db, series, time_ms)

    failures.add_failure(db, number, int(failure.time_ms), failure.code, first_after)
