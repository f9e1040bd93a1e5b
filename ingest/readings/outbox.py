"""Readings on their way to a server: what was appended, in order, until the server has it.

A row enters in the transaction that keeps the reading and leaves in one that begins after the server said
yes, so a crash in between sends it twice, which the server takes as once. What was there before forwarding
began is remembered as whole days. What the server will never accept is set aside with its reason. Functions
here run inside the caller's transaction; nothing here talks to a server.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from ingest.readings import DAY_MS, RefusedReading
from ingest.readings.chunks import chunk_key, series_and_day
from ingest.readings.sealing import days_with_rows, read_range

_EVER_MS = 2**62


class Waiting(NamedTuple):
    """Rows to send next: (source, time, value) in order, and what to strike off once they are there."""

    rows: list[tuple[str, int, float]]
    last_sequence: int | None
    day_key: int | None


def is_on(db: sqlite3.Connection) -> bool:
    """Whether appended readings are to be forwarded."""
    return db.execute("SELECT 1 FROM tally WHERE name = 'forwarding'").fetchone() is not None


def turn_on(db: sqlite3.Connection) -> None:
    """Forward from now on, and every day that is here already."""
    if is_on(db):
        return
    db.execute("INSERT INTO tally VALUES ('forwarding', 1)")
    keys = [chunk_key(*place) for place in days_with_rows(db, _EVER_MS)]
    db.executemany("INSERT OR IGNORE INTO outbox_day VALUES (?)", ((key,) for key in keys))
    db.execute("INSERT OR IGNORE INTO outbox_day SELECT key FROM chunk")


def turn_off(db: sqlite3.Connection) -> None:
    """Forward no longer, and forget what waited."""
    db.execute("DELETE FROM tally WHERE name = 'forwarding'")
    db.execute("DELETE FROM outbox")
    db.execute("DELETE FROM outbox_day")


def add(db: sqlite3.Connection, rows: Iterable[tuple[int, int, float]]) -> None:
    """Put appended rows (series, time, value) at the end."""
    db.executemany("INSERT INTO outbox (series, time_ms, value) VALUES (?, ?, ?)", rows)


def next_rows(db: sqlite3.Connection, most: int) -> Waiting:
    """The oldest rows that wait; when there are none, one of the days that were here before."""
    rows = db.execute(
        """SELECT sequence, source, time_ms, value FROM outbox JOIN series ON id = series
           ORDER BY sequence LIMIT ?""",
        (most,),
    ).fetchall()
    if rows:
        # Of several values for one moment only the last one may arrive last.
        newest = {(source, time_ms): value for _, source, time_ms, value in rows}
        return Waiting([(*moment, value) for moment, value in newest.items()], rows[-1][0], None)
    day = db.execute("SELECT key FROM outbox_day ORDER BY key LIMIT 1").fetchone()
    if day is None:
        return Waiting([], None, None)
    series, number = series_and_day(day[0])
    source = db.execute("SELECT source FROM series WHERE id = ?", (series,)).fetchone()[0]
    times, values = read_range(db, series, number * DAY_MS, (number + 1) * DAY_MS)
    sent = [(source, time_ms, value) for time_ms, value in zip(times.tolist(), values.tolist(), strict=True)]
    return Waiting(sent, None, day[0])


def strike_off(db: sqlite3.Connection, sent: Waiting, refused: Sequence[RefusedReading]) -> None:
    """Forget what the server has, and set aside what it will not take."""
    db.executemany(
        "INSERT INTO refused (series, time_ms, value, reason) SELECT id, ?, ?, ? FROM series WHERE source = ?",
        ((one.time_ms, one.value, one.reason, one.source) for one in refused),
    )
    db.execute("DELETE FROM outbox WHERE sequence <= ?", (sent.last_sequence,))
    db.execute("DELETE FROM outbox_day WHERE key = ?", (sent.day_key,))


def waiting(db: sqlite3.Connection) -> int:
    """How many rows wait (days that were here before count as one)."""
    rows: int = db.execute("SELECT (SELECT COUNT(*) FROM outbox) + (SELECT COUNT(*) FROM outbox_day)").fetchone()[0]
    return rows


def oldest_waiting_ms(db: sqlite3.Connection) -> int | None:
    """The earliest moment that the server may not have yet."""
    row = db.execute("SELECT MIN(time_ms) FROM outbox").fetchone()[0]
    # Keys sort by series first; there are as many as series and days before forwarding began.
    days = [series_and_day(key)[1] * DAY_MS for (key,) in db.execute("SELECT key FROM outbox_day")]
    return min(([] if row is None else [int(row)]) + days, default=None)


def refused(db: sqlite3.Connection, limit: int) -> list[RefusedReading]:
    """Readings that the server will never accept, newest first."""
    rows = db.execute(
        """SELECT source, time_ms, value, reason FROM refused JOIN series ON id = series
           ORDER BY sequence DESC LIMIT ?""",
        (limit,),
    )
    return [RefusedReading(*row) for row in rows]


def try_again(db: sqlite3.Connection) -> int:
    """Put what was set aside back in line, for example after the server was mended; returns how many."""
    db.execute(
        "INSERT INTO outbox (series, time_ms, value) SELECT series, time_ms, value FROM refused ORDER BY sequence"
    )
    return db.execute("DELETE FROM refused").rowcount
