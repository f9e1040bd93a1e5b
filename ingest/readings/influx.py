"""Readings that land in SQLite and move on to InfluxDB: `InfluxReadings`.

A batch is kept as soon as it is in the file on this machine; the server gets it afterwards, in order, by a
cursor. So a server that is away, slow or full loses nothing and makes nobody wait. Old raw readings may then
be pruned here, but never before the server has them, and long ranges are read from both as one. Everything
else (latest values, failures, facts) stays in the file.

One process at a time forwards; others may read and append.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from ingest.readings import DAY_MS, RefusedReading, Series, StoreError, outbox, sealing
from ingest.readings.influx_server import InfluxServer
from ingest.readings.sqlite import EARLIEST_MS, SqliteReadings
from ingest.readings.unread_messages import UnreadBounds

_NOTHING_PRUNED = -(2**62)


class Forwarded(NamedTuple):
    """One step of forwarding: rows the server took, rows it will never take, rows that still wait."""

    sent: int
    refused: int
    waiting: int


class InfluxReadings(SqliteReadings):
    """The SQLite store as a landing zone, with its long history on a server."""

    def __init__(
        self,
        path: str | Path,
        server: InfluxServer,
        *,
        read_only: bool = False,
        busy_s: float = 30.0,
        unread_bounds: UnreadBounds | None = None,
    ) -> None:
        """Open the file and begin to forward what is in it and what comes; the server need not be there yet."""
        super().__init__(path, read_only=read_only, busy_s=busy_s, unread_bounds=unread_bounds)
        self._server = server

    def _prepare(self, db: sqlite3.Connection) -> None:
        super()._prepare(db)
        if not self._connections.read_only and not outbox.is_on(db):
            db.execute("BEGIN IMMEDIATE")
            with db:  # commits, or rolls back
                outbox.turn_on(db)

    def forward(self, most: int = 5000) -> Forwarded:
        """Send the next rows; raises `StoreAway`, with the rows still in line, when the server does not take them."""
        self._connections.follow()
        with self._connections.reading() as db:
            rows = outbox.next_rows(db, most)
        if not rows.rows and rows.day_key is None:
            return Forwarded(0, 0, 0)
        refusals = self._server.write(rows.rows)
        refused = [RefusedReading(*rows.rows[position], reason) for position, reason in refusals]
        with self._connections.writing() as later:
            if later is not db:
                # Another file stands in the place of the one they came from: its line is a different one.
                return Forwarded(0, 0, outbox.waiting(later))
            outbox.strike_off(db, rows, refused)
            left = outbox.waiting(db)
        return Forwarded(len(rows.rows) - len(refused), len(refused), left)

    def waiting(self) -> int:
        """How many readings the server does not have yet (a day from before forwarding counts as one)."""
        with self._connections.reading() as db:
            return outbox.waiting(db)

    def refused(self, limit: int = 200) -> list[RefusedReading]:
        """Readings that the server will never accept, with its reasons, newest first."""
        with self._connections.reading() as db:
            return outbox.refused(db, limit)

    def try_refused_again(self) -> int:
        """Put what was refused back in line, for example after the server was mended; returns how many."""
        with self._connections.writing() as db:
            return outbox.try_again(db)

    def read(self, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """Times and values of each source in [start, end), from here and from the server as one."""
        here = super().read(sources, start_ms, end_ms)
        # Asked after the read: what was pruned meanwhile is then found on the server as well, not nowhere.
        there_until_ms = min(end_ms, self._pruned_before_ms())
        if there_until_ms <= start_ms:
            return here
        there = self._server.read(list(here), start_ms, there_until_ms)
        return {source: sealing.merged(there.get(source, mine), mine) for source, mine in here.items()}

    def last_before(self, sources: Sequence[str], time_ms: int) -> dict[str, tuple[int, float]]:
        """The last reading of each source strictly before a moment, here or on the server."""
        last = super().last_before(sources, time_ms)
        pruned_ms = self._pruned_before_ms()
        for source in sources:
            here = last.get(source)
            if pruned_ms > _NOTHING_PRUNED and (here is None or here[0] < pruned_ms):
                there = self._server.last_before(source, min(time_ms, pruned_ms))
                if there is not None and (here is None or there[0] > here[0]):
                    last[source] = there
        return last

    def first_ms(self, since_ms: int = EARLIEST_MS, sources: Sequence[str] | None = None) -> int | None:
        """When the first reading of these sources (None: of all) since a moment was taken, here or on the server."""
        firsts = [super().first_ms(since_ms, sources)]
        if self._pruned_before_ms() > since_ms:
            firsts.append(self._server.first_ms(since_ms, self.sources() if sources is None else sources))
        return min((first for first in firsts if first is not None), default=None)

    def touch(self, sources: Iterable[str] | None = None) -> None:
        """Mark every hour of these sources (None: of all) as changed, those on the server included."""
        sources = self.sources() if sources is None else list(sources)
        super().touch(sources)
        pruned_ms = self._pruned_before_ms()
        if pruned_ms > _NOTHING_PRUNED:
            hours = {source: self._server.hours(source, pruned_ms).tolist() for source in sources}
            self._mark_by_source(hours)

    def prune(self, keep_raw_days: int, now_ms: int) -> int:
        """Let go of raw readings here that are older than that and on the server; returns how many went."""
        with self._connections.reading() as db:
            oldest_ms = outbox.oldest_waiting_ms(db)
        before_ms = now_ms - keep_raw_days * DAY_MS
        if oldest_ms is not None:
            before_ms = min(before_ms, oldest_ms)
        before_ms -= before_ms % DAY_MS
        with self._connections.writing() as db:
            db.execute(
                """INSERT INTO tally VALUES ('pruned_before_ms', ?)
                   ON CONFLICT (name) DO UPDATE SET value = MAX(value, excluded.value)""",
                (before_ms,),
            )
        return sealing.prune(self._connections, before_ms)

    def close(self) -> None:
        """Let go of the file and of the server."""
        super().close()
        self._server.close()

    def _pruned_before_ms(self) -> int:
        with self._connections.reading() as db:
            row = db.execute("SELECT value FROM tally WHERE name = 'pruned_before_ms'").fetchone()
        return _NOTHING_PRUNED if row is None else int(row[0])


def keep_forwarding(
    store: InfluxReadings,
    stop: threading.Event,
    tell: Callable[[str], None],
    *,
    every_s: float = 1.0,
    longest_wait_s: float = 60.0,
) -> None:
    """Forward until `stop`; in an outage say so once, wait longer and longer, and say when it is over."""
    wait_s, away = every_s, False
    while not stop.is_set():
        try:
            while store.forward().waiting and not stop.is_set():
                pass
        except StoreError as trouble:
            if not away:
                tell(str(trouble))
            away, wait_s = True, min(wait_s * 2, longest_wait_s)
        else:
            if away:
                tell("InfluxDB answers again; what waited has been forwarded.")
            away, wait_s = False, every_s
        stop.wait(wait_s)
