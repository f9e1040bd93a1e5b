"""Connections to one SQLite file: one a thread, durable, patient, and plain about what went wrong.

Owns how the file is opened, how a transaction begins and ends, and the one sentence that each kind of
trouble becomes. Knows no table.

Nothing is written to a file that was moved or deleted: before and after each transaction that writes, the file at the
path must be the one that is open. After, because it may have gone in between.

WAL lets other processes read while one writes. `synchronous=FULL` makes a commit wait for the disk: with
NORMAL a power cut could take back transactions whose messages the broker has already forgotten.
"""

import logging
import sqlite3
import threading
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.open_file import OpenFile
from ingest.readings import StoreBusy, StoreError, StoreFull, StoreTorn

log = logging.getLogger(__name__)

# Failed writes of a full disk or quota come as FULL; of a file-size limit as an I/O error.
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_TORN = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


# The first one with RETURNING.
_OLDEST_SQLITE = (3, 35)


class _Held:
    """A thread's hold on its connection: gone with the thread, and the connection with it.

    The connection itself would linger: it is part of a cycle with its own cache of statements.
    """

    def __init__(self, db: sqlite3.Connection, file: OpenFile) -> None:
        self.db = db
        self.file = file

    def __del__(self) -> None:
        self.db.close()


class Connections:
    """Hands each thread its own connection to the file, and closes them all."""

    def __init__(
        self, path: Path, *, read_only: bool, busy_s: float, prepare: Callable[[sqlite3.Connection], None]
    ) -> None:
        """`prepare` sees to it that what a new connection finds in the file can be used."""
        self.path = path
        self.read_only = read_only
        self._busy_s = busy_s
        self._prepare = prepare
        self._file = OpenFile(path)
        self._mine = threading.local()
        self._all: weakref.WeakSet[_Held] = weakref.WeakSet()
        self._lock = threading.Lock()
        self._closed = False

    def get(self) -> sqlite3.Connection:
        """The calling thread's connection, opened when first asked for."""
        return self._hold().db

    def follow(self) -> None:
        """If another file stands in the place of ours, such as a restored backup, go on with that one.

        For the beginning of a piece of work that rests on nothing read before.
        """
        file = self._file
        if file.trouble() is None or not file.is_replaced():
            return
        with self._lock:
            if self._file is file:
                log.warning("another file stands at %s, and readings go on into that one", self.path)
                self._file = OpenFile(self.path)

    def _hold(self) -> _Held:
        held: _Held | None = getattr(self._mine, "held", None)
        if held is None or held.file is not self._file:
            held = self._mine.held = None  # another file's connection closes first
            held = self._mine.held = self._open(self._file)
            with self._lock:
                self._all.add(held)
        return held

    def _open(self, file: OpenFile) -> _Held:
        if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
            raise StoreError(
                f"SQLite {sqlite3.sqlite_version} is too old for the readings store; 3.35 or newer is needed."
            )
        if self._closed:
            raise StoreError(f"The readings store {self.path} has been closed.")
        if self.read_only and not self.path.exists():
            raise StoreError(f"There is no readings store at {self.path}.")
        if not file.may_be_made:
            _refuse_if_gone(file)
        mode = "ro" if self.read_only else "rwc" if file.may_be_made else "rw"
        address = f"{self.path.absolute().as_uri()}?mode={mode}"
        with self.plainly():
            # check_same_thread is off only so that close() may close the connections of other threads.
            db = sqlite3.connect(
                address,
                uri=True,
                timeout=self._busy_s,
                isolation_level=None,
                check_same_thread=False,
                cached_statements=256,
            )
            try:
                self._set_up(db)
                self._prepare(db)
            except BaseException:
                db.close()
                raise
        file.opened()
        return _Held(db, file)

    def _set_up(self, db: sqlite3.Connection) -> None:
        if self.read_only:
            db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
            return
        if db.execute("PRAGMA page_count").fetchone() == (0,):
            # Lets freed pages go back to the disk later. Asked of a file with pages, it would wait for its writer.
            db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute("PRAGMA journal_mode = WAL").fetchone()
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA journal_size_limit = 67108864").fetchone()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction that takes the write lock first; all of it or nothing."""
        held = self._hold()
        db = held.db
        _refuse_if_gone(held.file)
        with self.plainly():
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                # A full disk may have rolled back by itself.
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise
        _refuse_if_gone(held.file)

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several reads that see one state of the store: sealing in between can neither hide nor double a row."""
        db = self.get()
        with self.plainly():
            db.execute("BEGIN")
            try:
                yield db
            finally:
                if db.in_transaction:
                    db.execute("ROLLBACK")

    @contextmanager
    def plainly(self) -> Iterator[None]:
        """Turn the database's errors into ours, one sentence each."""
        try:
            yield
        except StoreTorn as trouble:
            raise StoreTorn(f"{self.path} cannot be used as a readings store: {trouble}.") from trouble
        except sqlite3.Error as trouble:
            raise _in_plain_words(self.path, trouble) from trouble

    def close(self) -> None:
        """Close every thread's connection."""
        with self._lock:
            self._closed = True
            for held in list(self._all):
                held.db.close()
            self._all.clear()
        self._mine = threading.local()


def _refuse_if_gone(file: OpenFile) -> None:
    trouble = file.trouble()
    if trouble is not None:
        raise StoreError(trouble)


def _in_plain_words(path: Path, trouble: sqlite3.Error) -> StoreError:
    code = getattr(trouble, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in _BUSY:
        return StoreBusy(f"Another process keeps the readings store {path} locked; nothing was written.")
    if primary == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_WRITE:
        return StoreFull(f"There is no room left on the disk for the readings store {path}; nothing was written.")
    if primary in _TORN:
        return StoreTorn(f"{path} cannot be used as a readings store: {trouble}.")
    if primary == sqlite3.SQLITE_READONLY:
        return StoreError(f"The readings store {path} is open for reading only.")
    if primary == sqlite3.SQLITE_CANTOPEN:
        return StoreError(f"The readings store {path} cannot be opened; does its folder exist, and may we write there?")
    return StoreError(f"The readings store {path} failed: {trouble}.")
