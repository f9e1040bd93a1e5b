"""Days that are over, packed: how fresh rows become chunks, and how the two are read as one table.

A day's rows are replaced by their chunk inside one transaction, so a crash leaves either. A late reading
lands among the fresh rows, where it wins over the chunk when read, and is packed with it at the next
sealing. `chunks.py` owns what a chunk looks like inside. Functions that take a database run inside the
caller's transaction; those that take `Connections` make short ones of their own, so that an ingester
waits milliseconds, not minutes.
"""

import sqlite3
from collections.abc import Callable, Iterator
from typing import TypeVar

import numpy as np

from ingest.readings import DAY_MS, HOUR_MS, Series, StoreTorn
from ingest.readings.chunks import chunk_key, decode, decode_many, encode, series_and_day
from ingest.readings.connections import Connections

Progress = Callable[[int, int], None]
T = TypeVar("T")

_ROW = np.dtype([("time_ms", np.int64), ("value", np.float64)])
_DAYS_A_TRANSACTION = 100
_PAGES_A_TRANSACTION = 1000


def seal(connections: Connections, before_ms: int, progress: Progress | None = None) -> int:
    """Pack every day that ended by `before_ms` and has fresh rows; returns how many were packed."""
    with connections.reading() as db:
        days = list(days_with_rows(db, before_ms - before_ms % DAY_MS))
    for done, batch in _batches(days, _DAYS_A_TRANSACTION):
        with connections.writing() as db:
            for series, day in batch:
                _seal_day(db, series, day)
        if progress is not None:
            progress(done, len(days))
    if days:
        give_back(connections)
    return len(days)


def days_with_rows(db: sqlite3.Connection, before_ms: int) -> Iterator[tuple[int, int]]:
    """Hop from day to day through the clustered rows instead of reading them."""
    for (series,) in db.execute("SELECT id FROM series ORDER BY id").fetchall():
        from_ms: int | None = None
        while True:
            row = db.execute(
                "SELECT time_ms FROM fresh WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms LIMIT 1",
                (series, -(2**63) if from_ms is None else from_ms, before_ms),
            ).fetchone()
            if row is None:
                break
            day = row[0] // DAY_MS
            yield series, day
            from_ms = (day + 1) * DAY_MS


def _seal_day(db: sqlite3.Connection, series: int, day: int) -> None:
    key, bounds = chunk_key(series, day), (series, day * DAY_MS, (day + 1) * DAY_MS)
    rows = _fresh(db, *bounds)
    if rows[0].size == 0:
        return
    old = db.execute("SELECT body FROM chunk WHERE key = ?", (key,)).fetchone()
    times, values = rows if old is None else merged(decode(key, old[0]), rows)
    db.execute("INSERT OR REPLACE INTO chunk VALUES (?, ?, ?)", (key, times.size, encode(key, times, values)))
    db.execute("DELETE FROM fresh WHERE series = ? AND time_ms >= ? AND time_ms < ?", bounds)


def give_back(connections: Connections) -> None:
    """Return pages that packing or pruning freed to the disk, keeping a tenth for tomorrow's rows."""
    while True:
        with connections.writing() as db:
            free: int = db.execute("PRAGMA freelist_count").fetchone()[0]
            pages: int = db.execute("PRAGMA page_count").fetchone()[0]
            spare = free - pages // 10
            if spare <= 0:
                return
            db.execute(f"PRAGMA incremental_vacuum({min(spare, _PAGES_A_TRANSACTION)})").fetchall()


def read_range(db: sqlite3.Connection, series: int, start_ms: int, end_ms: int) -> Series:
    """Readings of a series in [start, end), packed and fresh as one, sorted."""
    if end_ms <= start_ms:
        return np.empty(0, np.int64), np.empty(0, np.float64)
    fresh = _fresh(db, series, start_ms, end_ms)
    packed = db.execute(
        "SELECT key, body FROM chunk WHERE key BETWEEN ? AND ? ORDER BY key",
        (_key_at(series, start_ms), _key_at(series, end_ms - 1)),
    ).fetchall()
    if not packed:
        return fresh
    times, values = decode_many(packed)
    inside = slice(*np.searchsorted(times, (start_ms, end_ms)))
    return merged((times[inside], values[inside]), fresh)


def last_before(db: sqlite3.Connection, series: int, time_ms: int) -> tuple[int, float] | None:
    """The last reading of a series strictly before a moment, packed or fresh."""
    fresh: tuple[int, float] | None = db.execute(
        "SELECT time_ms, value FROM fresh WHERE series = ? AND time_ms < ? ORDER BY time_ms DESC LIMIT 1",
        (series, time_ms),
    ).fetchone()
    keys = (_key_at(series, -(2**62)), _key_at(series, time_ms - 1))
    for key, body in db.execute("SELECT key, body FROM chunk WHERE key BETWEEN ? AND ? ORDER BY key DESC", keys):
        times, values = decode(key, body)
        at = int(np.searchsorted(times, time_ms)) - 1
        if at >= 0:
            packed = (int(times[at]), float(values[at]))
            return fresh if fresh is not None and fresh[0] >= packed[0] else packed
    return fresh


def first_after(db: sqlite3.Connection, series: int, time_ms: int) -> int | None:
    """The time of the first reading of a series strictly after a moment, packed or fresh."""
    fresh = db.execute(
        "SELECT time_ms FROM fresh WHERE series = ? AND time_ms > ? ORDER BY time_ms LIMIT 1", (series, time_ms)
    ).fetchone()
    candidates = [] if fresh is None else [int(fresh[0])]
    keys = (_key_at(series, time_ms + 1), _key_at(series, 2**62))
    for key, body in db.execute("SELECT key, body FROM chunk WHERE key BETWEEN ? AND ? ORDER BY key", keys):
        times = decode(key, body)[0]
        at = int(np.searchsorted(times, time_ms, side="right"))
        if at < times.size:
            candidates.append(int(times[at]))
            break
    if candidates:
        return min(candidates)
    # Readings that were pruned here still left the newest of them behind.
    newest = db.execute("SELECT time_ms FROM latest WHERE series = ? AND time_ms > ?", (series, time_ms)).fetchone()
    return None if newest is None else int(newest[0])


def hours_with_readings(db: sqlite3.Connection, series: int) -> list[int]:
    """Hours of a series that may hold readings: exact for fresh rows, whole days for packed ones."""
    hours = {
        hour * HOUR_MS
        for (hour,) in db.execute(
            # SQL divides towards zero; hours before 1970 must still begin before their readings.
            f"""SELECT DISTINCT (time_ms - (time_ms % {HOUR_MS} + {HOUR_MS}) % {HOUR_MS}) / {HOUR_MS}
                FROM fresh WHERE series = ?""",
            (series,),
        )
    }
    keys = (_key_at(series, -(2**62)), _key_at(series, 2**62))
    for (key,) in db.execute("SELECT key FROM chunk WHERE key BETWEEN ? AND ?", keys):
        start_ms = series_and_day(key)[1] * DAY_MS
        hours.update(range(start_ms, start_ms + DAY_MS, HOUR_MS))
    return sorted(hours)


def damaged_days(connections: Connections, progress: Progress | None = None) -> list[str]:
    """Unpack every chunk and say in a sentence what is wrong with those that are not whole."""
    with connections.reading() as db:
        keys = [key for (key,) in db.execute("SELECT key FROM chunk ORDER BY key")]
        names = dict(db.execute("SELECT id, source FROM series").fetchall())
    wrong = []
    for done, batch in _batches(keys, 1000):
        with connections.reading() as db:
            rows = db.execute("SELECT key, readings, body FROM chunk WHERE key BETWEEN ? AND ?", (batch[0], batch[-1]))
            for key, count, body in rows:
                series, day = series_and_day(key)
                if not _is_whole(key, count, body) or series not in names:
                    name = names.get(series, "an unknown source")
                    wrong.append(f"The sealed day {np.datetime64(day, 'D')} of {name} is damaged.")
        if progress is not None:
            progress(done, len(keys))
    return wrong


def _is_whole(key: int, count: int, body: bytes) -> bool:
    try:
        times, values = decode(key, body)
    except StoreTorn:
        return False
    day = series_and_day(key)[1]
    in_order = bool((np.diff(times) > 0).all()) and times[0] // DAY_MS == day == times[-1] // DAY_MS
    return in_order and times.size == count and bool(np.isfinite(values).all())


def prune(connections: Connections, before_ms: int) -> int:
    """Let go of days that ended by `before_ms`; returns how many readings went. Facts and latest values stay."""
    before_ms -= before_ms % DAY_MS
    gone = 0
    with connections.reading() as db:
        numbers = [series for (series,) in db.execute("SELECT id FROM series ORDER BY id")]
    for series in numbers:
        with connections.writing() as db:
            keys = (_key_at(series, -(2**62)), _key_at(series, before_ms - 1))
            gone += db.execute("SELECT TOTAL(readings) FROM chunk WHERE key BETWEEN ? AND ?", keys).fetchone()[0]
            db.execute("DELETE FROM chunk WHERE key BETWEEN ? AND ?", keys)
            gone += db.execute("DELETE FROM fresh WHERE series = ? AND time_ms < ?", (series, before_ms)).rowcount
    if gone:
        give_back(connections)
    return int(gone)


def merged(older: Series, newer: Series) -> Series:
    """Two sorted series as one; where both have a moment, the newer one's value counts."""
    if newer[0].size == 0 or older[0].size == 0:
        return older if newer[0].size == 0 else newer
    times, values = np.concatenate((older[0], newer[0])), np.concatenate((older[1], newer[1]))
    if older[0][-1] < newer[0][0]:
        return times, values
    order = np.argsort(times, kind="stable")
    times, values = times[order], values[order]
    last_of_moment = np.append(times[1:] != times[:-1], True)
    return times[last_of_moment], values[last_of_moment]


def _fresh(db: sqlite3.Connection, series: int, start_ms: int, end_ms: int) -> Series:
    rows = np.fromiter(
        db.execute(
            "SELECT time_ms, value FROM fresh WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms",
            (series, start_ms, end_ms),
        ).fetchall(),
        dtype=_ROW,
    )
    return rows["time_ms"].copy(), rows["value"].copy()


_FIRST_DAY, _LAST_DAY = -(1 << 23), (1 << 23) - 1


def _key_at(series: int, time_ms: int) -> int:
    return chunk_key(series, min(max(time_ms // DAY_MS, _FIRST_DAY), _LAST_DAY))


def _batches(items: list[T], size: int) -> Iterator[tuple[int, list[T]]]:
    """Slices of a list, each with how many items are done once it is."""
    for begin in range(0, len(items), size):
        batch = items[begin : begin + size]
        yield begin + len(batch), batch
