"""Unread messages in the SQLite store: kept whole, the newest of each topic, within a bound.

A device that sends rubbish every second must neither fill the disk nor push out the one odd message of
another: so many are kept a topic, then so many bytes in all, where the topics with most messages give way
first, and what made room is counted. A retained
message comes back at every reconnect; it is kept once. Functions here run inside the caller's transaction.
"""

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

from ingest.readings import StoredUnread, UnreadCount, UnreadMessage

# What a message takes beside its topic and body, roughly; it bounds the number of empty messages too.
_ROW_BYTES = 128


class UnreadBounds(NamedTuple):
    """How many unread messages are kept of each topic, and how many bytes in all.

    Ten thousand hold a day of a sensor that speaks every ten seconds: a backlog that came without times, or what a
    sensor sent before anyone declared it.
    """

    a_topic: int = 10_000
    in_all_bytes: int = 64 * 1024 * 1024


def add_unread(db: sqlite3.Connection, messages: Iterable[UnreadMessage], bounds: UnreadBounds) -> None:
    """Keep the messages; let the oldest go where a bound is passed, and count them."""
    topics = set()
    for message in messages:
        if _size(message) > bounds.in_all_bytes // 4:
            # One monster would push out everything else.
            _add(db, "unread_dropped", 1)
        elif not _came_again(db, message):
            _insert(db, message)
            topics.add(message.topic)
    for topic in sorted(topics):
        _let_go(db, _beyond_newest(db, topic, bounds.a_topic))
    if _tally(db, "unread_bytes") > bounds.in_all_bytes:
        # A tenth more than needed, so that a flood does not sort all messages at every batch.
        _let_go(db, _worth(db, _tally(db, "unread_bytes") - bounds.in_all_bytes * 9 // 10))


def _came_again(db: sqlite3.Connection, message: UnreadMessage) -> bool:
    if not message.retained:
        return False
    again = db.execute(
        "UPDATE unread SET arrived_ms = ? WHERE topic = ? AND retained AND body = ? AND reason = ?",
        (message.arrived_ms, message.topic, message.body, message.reason),
    )
    return again.rowcount > 0


def _size(message: UnreadMessage) -> int:
    return len(message.topic.encode()) + len(message.body) + len(message.reason.encode()) + _ROW_BYTES


def _insert(db: sqlite3.Connection, message: UnreadMessage) -> None:
    db.execute(
        """INSERT INTO unread (topic, arrived_ms, reason, retained, time_known, bytes, body)
           VALUES (?, ?, ?, ?, ?, ?, ?)""",
        (
            message.topic,
            message.arrived_ms,
            message.reason,
            message.retained,
            message.time_known,
            _size(message),
            bytes(message.body),
        ),
    )
    _add(db, "unread", 1)
    _add(db, "unread_bytes", _size(message))


def _beyond_newest(db: sqlite3.Connection, topic: str, keep: int) -> list[int]:
    rows = db.execute("SELECT id FROM unread WHERE topic = ? ORDER BY id DESC LIMIT -1 OFFSET ?", (topic, keep))
    return [number for (number,) in rows]


def _worth(db: sqlite3.Connection, over_bytes: int) -> list[int]:
    """Messages of that many bytes: first those that have the most newer ones in their topic, of these the oldest."""
    freed, numbers = 0, []
    rows = db.execute(
        "SELECT id, bytes FROM unread ORDER BY ROW_NUMBER() OVER (PARTITION BY topic ORDER BY id DESC) DESC, id"
    )
    for number, size in rows:
        numbers.append(number)
        freed += size
        if freed >= over_bytes:
            break
    rows.close()
    return numbers


def _let_go(db: sqlite3.Connection, ids: list[int]) -> None:
    _add(db, "unread_dropped", forget(db, ids))


def forget(db: sqlite3.Connection, ids: Iterable[int]) -> int:
    """Remove messages; returns how many there were."""
    count = 0
    for number in ids:
        row = db.execute("DELETE FROM unread WHERE id = ? RETURNING bytes", (int(number),)).fetchone()
        if row is not None:
            count += 1
            _add(db, "unread", -1)
            _add(db, "unread_bytes", -row[0])
    return count


def newest(db: sqlite3.Connection, limit: int) -> list[StoredUnread]:
    """The newest messages first."""
    rows = db.execute(
        "SELECT id, topic, body, arrived_ms, reason, retained, time_known FROM unread ORDER BY id DESC LIMIT ?",
        (limit,),
    )
    return [
        StoredUnread(number, topic, body, arrived_ms, reason, bool(retained), bool(time_known))
        for number, topic, body, arrived_ms, reason, retained, time_known in rows
    ]


def count(db: sqlite3.Connection) -> UnreadCount:
    """How many are kept, their bytes, and how many had to make room since the store was made."""
    return UnreadCount(_tally(db, "unread"), _tally(db, "unread_bytes"), _tally(db, "unread_dropped"))


def _tally(db: sqlite3.Connection, name: str) -> int:
    value: int = db.execute("SELECT value FROM tally WHERE name = ?", (name,)).fetchone()[0]
    return value


def _add(db: sqlite3.Connection, name: str, more: int) -> None:
    db.execute("UPDATE tally SET value = value + ? WHERE name = ?", (more, name))
