"""The tables of the SQLite readings store, and how an older file becomes a newer one.

A migration and its record (`PRAGMA user_version`) share one transaction, so a failure leaves neither. An
older file is copied aside before it is changed. Nothing here knows what the tables are used for beyond
the comments beside them.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from ingest.readings import DAILY_COLUMNS, StoreTorn

# "drylnR" has no four-byte form; this number tells `file` and us that the file is a readings store.
APPLICATION_ID = 0x64726C52

Migration = Callable[[sqlite3.Connection], None]


def first_tables(db: sqlite3.Connection) -> None:
    """Readings, failures, unread messages, marks, facts, derived bodies, and what waits for a server."""
    statements = (
        "CREATE TABLE series (id INTEGER PRIMARY KEY, source TEXT NOT NULL UNIQUE)",
        # `value` has no declared type on purpose: a REAL column would store -0.0 as the integer 0.
        """CREATE TABLE fresh (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value NOT NULL,
           PRIMARY KEY (series, time_ms)) WITHOUT ROWID""",
        # One row a series and day. The key is both in one integer (see `sealing.chunk_key`): a table with a
        # rowid keeps a chunk of up to 4 kB on its leaf page, one without would spill it over from 1 kB.
        """CREATE TABLE chunk (key INTEGER PRIMARY KEY, readings INTEGER NOT NULL, body BLOB NOT NULL)""",
        "CREATE TABLE latest (series INTEGER PRIMARY KEY, time_ms INTEGER NOT NULL, value NOT NULL)",
        """CREATE TABLE failure (series INTEGER NOT NULL, from_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
           ended_ms INTEGER, code TEXT NOT NULL, PRIMARY KEY (series, from_ms)) WITHOUT ROWID""",
        """CREATE TABLE unread (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, arrived_ms INTEGER NOT NULL,
           reason TEXT NOT NULL, retained INTEGER NOT NULL, time_known INTEGER NOT NULL, bytes INTEGER NOT NULL,
           body BLOB NOT NULL)""",
        "CREATE INDEX unread_by_topic ON unread (topic, id, bytes)",
        "CREATE TABLE tally (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID",
        "INSERT INTO tally VALUES ('mark', 0), ('unread', 0), ('unread_bytes', 0), ('unread_dropped', 0)",
        """CREATE TABLE touched (series INTEGER NOT NULL, hour_ms INTEGER NOT NULL, mark INTEGER NOT NULL,
           PRIMARY KEY (series, hour_ms)) WITHOUT ROWID""",
        # A block of 32 days of a place, all columns in one body (see `facts`).
        """CREATE TABLE hourly (place TEXT NOT NULL, block INTEGER NOT NULL, body BLOB NOT NULL,
           PRIMARY KEY (place, block))""",
        f"""CREATE TABLE daily (pot TEXT NOT NULL, day_ms INTEGER NOT NULL, {" REAL, ".join(DAILY_COLUMNS)} REAL,
            PRIMARY KEY (pot, day_ms)) WITHOUT ROWID""",
        "CREATE TABLE derived (key TEXT PRIMARY KEY, fingerprint TEXT NOT NULL, body BLOB NOT NULL)",
        # AUTOINCREMENT: a sequence must never be given twice, or a row could be struck off for another.
        """CREATE TABLE outbox (sequence INTEGER PRIMARY KEY AUTOINCREMENT, series INTEGER NOT NULL,
           time_ms INTEGER NOT NULL, value NOT NULL)""",
        "CREATE TABLE outbox_day (key INTEGER PRIMARY KEY)",
        """CREATE TABLE refused (sequence INTEGER PRIMARY KEY AUTOINCREMENT, series INTEGER NOT NULL,
           time_ms INTEGER NOT NULL, value NOT NULL, reason TEXT NOT NULL)""",
        f"PRAGMA application_id = {APPLICATION_ID}",
    )
    for statement in statements:
        db.execute(statement)


MIGRATIONS: tuple[Migration, ...] = (first_tables,)


def version(db: sqlite3.Connection) -> int:
    """How many migrations the file has seen; refuses a file that another program or a newer dryline made."""
    seen: int = db.execute("PRAGMA user_version").fetchone()[0]
    mark: int = db.execute("PRAGMA application_id").fetchone()[0]
    tables: int = db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0]
    if (seen or tables) and mark != APPLICATION_ID:
        raise StoreTorn("it is a database, but not a readings store")
    return seen


def migrate(db: sqlite3.Connection, path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring the file up to date, each step in a transaction of its own, after a copy of what was there."""
    seen = version(db)
    if seen > len(migrations):
        raise StoreTorn("it was written by a newer dryline; update this one")
    if 0 < seen < len(migrations):
        copy_aside(db, path.with_name(f"{path.name}.version-{seen}"))
    for number in range(seen, len(migrations)):
        step(db, number, migrations[number])


def step(db: sqlite3.Connection, number: int, migration: Migration) -> None:
    """Run one migration with its record, unless another process was quicker."""
    db.execute("BEGIN IMMEDIATE")
    try:
        if version(db) == number:
            migration(db)
            db.execute(f"PRAGMA user_version = {number + 1}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def copy_aside(db: sqlite3.Connection, target: Path) -> None:
    """Copy the whole database to a new file, consistent even while others write."""
    with closing(sqlite3.connect(target)) as copy:
        db.backup(copy)
