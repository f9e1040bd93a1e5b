"""Hourly climate facts and daily pot facts in the SQLite store.

Owns how facts are kept and handed back. What they mean, and how they follow from readings, their writer
knows. Hours lie on a grid, so a place's hours are kept as blocks of 32 days, arrays as they are: a year of a
place is read or written in a few steps, not in 8,760 rows. A pot's days begin at the grower's midnight,
which moves; they are rows. Functions here run inside the caller's transaction. pandas is imported when
facts are read: the ingester, which never does, stays small.
"""

import sqlite3
from typing import TYPE_CHECKING

import numpy as np

from ingest.readings import DAILY_COLUMNS, DAY_MS, HOUR_MS, HOURLY_COLUMNS, FloatArray, IntArray, StoreTorn

if TYPE_CHECKING:
    import pandas as pd

_BLOCK_MS = 32 * DAY_MS
_HOURS_A_BLOCK = _BLOCK_MS // HOUR_MS
_HOUR_BYTES = 8 * len(HOURLY_COLUMNS)


def write_hourly(db: sqlite3.Connection, facts: "pd.DataFrame") -> None:
    """Replace the facts of the same place and hour; an hour without a single value is forgotten."""
    hours, values = _checked(facts, "hourly", "place", "hour_ms", HOURLY_COLUMNS)
    if (hours % HOUR_MS).any():
        raise ValueError("hourly facts begin on the hour, UTC")
    codes, places = facts["place"].factorize()
    names = [str(place) for place in places]  # out of pandas once, not for each block
    blocks = hours // _BLOCK_MS
    # Stable, so that of two rows for one hour the later one in the table is the one that stays.
    order = np.lexsort((blocks, codes))
    changes = np.flatnonzero((np.diff(codes[order]) != 0) | (np.diff(blocks[order]) != 0)) + 1
    for rows in np.split(order, changes) if order.size else ():
        _write_block(db, names[codes[rows[0]]], int(blocks[rows[0]]), hours[rows], values[rows])


def _write_block(db: sqlite3.Connection, place: str, block: int, hours: IntArray, values: FloatArray) -> None:
    row = db.execute("SELECT rowid, LENGTH(body) FROM hourly WHERE place = ? AND block = ?", (place, block)).fetchone()
    places = (hours - block * _BLOCK_MS) // HOUR_MS
    is_whole = row is not None and row[1] == _HOURS_A_BLOCK * _HOUR_BYTES
    if is_whole and (np.diff(places) == 1).all() and not np.isnan(values).all():
        # As nearly always: hours that ended since. They touch a page of the file, not all of the block.
        with db.blobopen("hourly", "body", row[0]) as body:
            body.seek(int(places[0]) * _HOUR_BYTES)
            body.write(values.astype("<f8").tobytes())
        return
    old = None if row is None else db.execute("SELECT body FROM hourly WHERE rowid = ?", row[:1]).fetchone()[0]
    facts = np.full((_HOURS_A_BLOCK, len(HOURLY_COLUMNS)), np.nan) if old is None else _unpacked(old).copy()
    facts[places] = values
    if np.isnan(facts).all():
        db.execute("DELETE FROM hourly WHERE place = ? AND block = ?", (place, block))
    else:
        db.execute("INSERT OR REPLACE INTO hourly VALUES (?, ?, ?)", (place, block, facts.astype("<f8").tobytes()))


def read_hourly(db: sqlite3.Connection, place: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
    """A place's facts in [start, end), sorted, NaN where unknown; hours without any fact are left out."""
    import pandas as pd

    span = (place, start_ms // _BLOCK_MS, (end_ms - 1) // _BLOCK_MS)
    rows = db.execute(
        "SELECT block, body FROM hourly WHERE place = ? AND block BETWEEN ? AND ? ORDER BY block", span
    ).fetchall()
    values = np.concatenate([_unpacked(body) for _, body in rows] or [np.empty((0, len(HOURLY_COLUMNS)))])
    hours = np.concatenate([_hours_of(block) for block, _ in rows] or [np.empty(0, np.int64)])
    wanted = (hours >= start_ms) & (hours < end_ms) & ~np.isnan(values).all(axis=1)
    facts = pd.DataFrame(values[wanted], columns=list(HOURLY_COLUMNS))
    facts.insert(0, "hour_ms", hours[wanted])
    return facts


def _hours_of(block: int) -> IntArray:
    return block * _BLOCK_MS + np.arange(_HOURS_A_BLOCK, dtype=np.int64) * HOUR_MS


def _unpacked(body: bytes) -> FloatArray:
    try:
        return np.frombuffer(body, "<f8").reshape(_HOURS_A_BLOCK, len(HOURLY_COLUMNS))
    except ValueError as damage:
        raise StoreTorn("a block of hourly facts is damaged; they can be computed anew") from damage


def write_daily(db: sqlite3.Connection, facts: "pd.DataFrame") -> None:
    """Replace the facts of the same pot and day; a day without a single value is forgotten."""
    days, values = _checked(facts, "daily", "pot", "day_ms", DAILY_COLUMNS)
    keys = list(zip(facts["pot"].astype(str).tolist(), days.tolist(), strict=True))
    empty = np.asarray(np.isnan(values).all(axis=1)).tolist()
    marks = ", ".join("?" * (2 + len(DAILY_COLUMNS)))
    # SQLite keeps NaN as NULL by itself.
    db.executemany(
        f"INSERT OR REPLACE INTO daily VALUES ({marks})",
        ((*key, *row) for key, row, gone in zip(keys, values.tolist(), empty, strict=True) if not gone),
    )
    db.executemany(
        "DELETE FROM daily WHERE pot = ? AND day_ms = ?", (key for key, gone in zip(keys, empty, strict=True) if gone)
    )


def read_daily(db: sqlite3.Connection, pot: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
    """A pot's facts in [start, end), sorted, NaN where unknown."""
    import pandas as pd

    rows = db.execute(
        f"""SELECT day_ms, {", ".join(DAILY_COLUMNS)} FROM daily
            WHERE pot = ? AND day_ms >= ? AND day_ms < ? ORDER BY day_ms""",
        (pot, start_ms, end_ms),
    ).fetchall()
    # NULL becomes NaN here; a millisecond of any year is a whole double.
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 1 + len(DAILY_COLUMNS))
    facts = pd.DataFrame(table[:, 1:], columns=list(DAILY_COLUMNS))
    facts.insert(0, "day_ms", table[:, 0].astype(np.int64))
    return facts


def _checked(
    facts: "pd.DataFrame", kind: str, owner: str, time: str, columns: tuple[str, ...]
) -> tuple[IntArray, FloatArray]:
    """Times, and values with a column for each fact, NaN where the table has none; odd columns are refused by name."""
    odd = [str(column) for column in facts.columns if column not in (owner, time, *columns)]
    if odd:
        raise ValueError(f"{kind} facts have no column named {odd[0]}; they have {', '.join(columns)}")
    values = np.full((len(facts), len(columns)), np.nan)
    for position, column in enumerate(columns):
        if column in facts.columns:
            values[:, position] = facts[column].to_numpy(dtype=float, na_value=np.nan)
    return facts[time].to_numpy(dtype=np.int64), values
