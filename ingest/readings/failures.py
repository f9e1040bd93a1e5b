"""When a source did not measure: spells of failure in the SQLite store.

A sensor that says `unavailable` every minute for a week is one spell, not ten thousand rows. A spell ends
with the first reading after it. Messages may come in any order: a late reading inside a spell splits it,
and the later part then begins where failure was last reported, which is all that is known for sure.
Functions here run inside the caller's transaction.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterable

from ingest.readings import FailureSpell

# The time of the first reading of a series after a moment, fresh or sealed.
FirstAfter = Callable[[int, int], int | None]


def add_failure(db: sqlite3.Connection, series: int, time_ms: int, code: str, first_after: FirstAfter) -> None:
    """Join the failure to a spell that holds it or that it continues, or begin a new one."""
    before = db.execute(
        """SELECT from_ms, last_ms, ended_ms, code FROM failure WHERE series = ? AND from_ms <= ?
           ORDER BY from_ms DESC LIMIT 1""",
        (series, time_ms),
    ).fetchone()
    if before is not None:
        from_ms, last_ms, ended_ms, same_code = before
        if time_ms <= last_ms and (code == same_code or time_ms == from_ms):
            return
        if code == same_code and (ended_ms is None or time_ms < ended_ms):
            db.execute("UPDATE failure SET last_ms = ? WHERE series = ? AND from_ms = ?", (time_ms, series, from_ms))
            return
    ended_ms = first_after(series, time_ms)
    after = db.execute(
        "SELECT from_ms, last_ms, code FROM failure WHERE series = ? AND from_ms > ? ORDER BY from_ms LIMIT 1",
        (series, time_ms),
    ).fetchone()
    last_ms = time_ms
    if after is not None and after[2] == code and (ended_ms is None or ended_ms > after[0]):
        last_ms = after[1]
        db.execute("DELETE FROM failure WHERE series = ? AND from_ms = ?", (series, after[0]))
    db.execute("INSERT INTO failure VALUES (?, ?, ?, ?, ?)", (series, time_ms, last_ms, ended_ms, code))


def end_failures(db: sqlite3.Connection, rows: Iterable[tuple[int, int, float]]) -> None:
    """Let readings (series, time, value) end, or split, the spells that they fall into or follow."""
    if db.execute("SELECT 1 FROM failure LIMIT 1").fetchone() is None:
        return
    times_by_series: defaultdict[int, list[int]] = defaultdict(list)
    for series, time_ms, _ in rows:
        times_by_series[series].append(time_ms)
    for series, times in times_by_series.items():
        open_spells = db.execute(
            "SELECT from_ms FROM failure WHERE series = ? AND from_ms < ? AND (ended_ms IS NULL OR ended_ms > ?)",
            (series, max(times), min(times)),
        ).fetchall()
        if open_spells:
            for time_ms in sorted(times):
                _end_at(db, series, time_ms)


def _end_at(db: sqlite3.Connection, series: int, time_ms: int) -> None:
    spells = db.execute(
        """SELECT from_ms, last_ms, ended_ms, code FROM failure
           WHERE series = ? AND from_ms < ? AND (ended_ms IS NULL OR ended_ms > ?)""",
        (series, time_ms, time_ms),
    ).fetchall()
    for from_ms, last_ms, ended_ms, code in spells:
        db.execute(
            "UPDATE failure SET last_ms = ?, ended_ms = ? WHERE series = ? AND from_ms = ?",
            (last_ms if last_ms < time_ms else from_ms, time_ms, series, from_ms),
        )
        if last_ms > time_ms:
            db.execute(
                "INSERT OR REPLACE INTO failure VALUES (?, ?, ?, ?, ?)", (series, last_ms, last_ms, ended_ms, code)
            )


def forget_ended(db: sqlite3.Connection, before_ms: int) -> None:
    """Forget spells that ended before a moment."""
    db.execute("DELETE FROM failure WHERE ended_ms < ?", (before_ms,))


def spells(db: sqlite3.Connection, since_ms: int) -> list[FailureSpell]:
    """Spells that stand, or that ended at or after a moment, oldest first."""
    rows = db.execute(
        """SELECT source, from_ms, last_ms, ended_ms, code FROM failure JOIN series ON id = series
           WHERE ended_ms IS NULL OR ended_ms >= ? ORDER BY from_ms, source""",
        (since_ms,),
    )
    return [FailureSpell(*row) for row in rows]
