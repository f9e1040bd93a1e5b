"""One database and its transactions: everything of one call is written, or nothing.

Owns the engine, the taking of turns between writers, the revision number and the history of rows.
Knows no shelf, pot or note. Clocks are handed in.
"""

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa

from ingest.logbook import schema, tables
from ingest.logbook.refusals import Unreachable


def now_ms() -> int:
    """The host's clock."""
    return time.time_ns() // 1_000_000


@contextmanager
def _in_plain_words() -> Iterator[None]:
    """A database that does not answer, as a sentence; a broken rule of ours stays an error of the program."""
    try:
        yield
    except (sa.exc.OperationalError, sa.exc.DatabaseError) as error:
        if isinstance(error, (sa.exc.IntegrityError, sa.exc.ProgrammingError, sa.exc.DataError)):
            raise
        reason = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else type(error.orig).__name__
        raise Unreachable(f"The logbook cannot be reached ({reason}); nothing was changed.") from error


class Store:
    """A logbook's database at an SQLAlchemy URL (`sqlite:///…/logbook.db`, `postgresql+psycopg://…`)."""

    def __init__(self, url: str, *, clock: Callable[[], int] = now_ms, busy_s: float = schema.BUSY_S) -> None:
        """Open it, and bring it up to date; `busy_s` is how long to wait for another writer of an SQLite file."""
        self._clock = clock
        self._ours = threading.local()
        with _in_plain_words():
            schema.upgrade(url, clock(), busy_s=busy_s)
        self._engine = schema.engine(url, busy_s=busy_s)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def writing(self, *, keep: bool = True) -> Iterator[sa.Connection]:
        """One transaction. A call inside a call joins it, so several changes are one; `keep=False` only tries them."""
        joined: sa.Connection | None = getattr(self._ours, "connection", None)
        if joined is not None:
            yield joined
            return
        with _in_plain_words(), self._engine.connect().execution_options(writes=True) as connection:
            # First of all: on PostgreSQL this row's lock is what makes writers take turns.
            connection.execute(sa.update(tables.state).values(revision=tables.state.c.revision + 1))
            self._ours.connection = connection
            try:
                yield connection
            finally:
                self._ours.connection = None
            if keep:
                connection.commit()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One consistent view; inside `writing`, the view of that transaction."""
        joined: sa.Connection | None = getattr(self._ours, "connection", None)
        if joined is not None:
            yield joined
            return
        with _in_plain_words(), self._engine.connect() as connection:
            yield connection

    def revision(self) -> int:
        """A number that is another one after every write, from whichever process."""
        with self.reading() as connection:
            return int(connection.execute(sa.select(tables.state.c.revision)).scalar_one())

    def integrity(self) -> list[str]:
        """What is damaged in an SQLite file, one sentence each; a database server looks after itself."""
        if self._engine.dialect.name != "sqlite":
            return []
        with self.reading() as connection:
            words = connection.exec_driver_sql("PRAGMA integrity_check(20)").scalars().all()
            if list(words) != ["ok"]:
                return [f"The logbook is damaged ({word}); restore a backup." for word in words]
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        lost = f"In the logbook {len(broken)} rows belong to nothing that is there; restore a backup."
        return [lost] if broken else []

    def _keep(self, subject: str, subject_id: int, body: Mapping[str, Any]) -> None:
        """Put a row as it was into the history before it changes."""
        with self.writing() as connection:
            row = {"subject": subject, "subject_id": subject_id, "written_ms": self._clock(), "body": dict(body)}
            connection.execute(sa.insert(tables.history).values(row))
