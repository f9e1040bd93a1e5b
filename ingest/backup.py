"""The whole home as one file, and back: readings, logbook, photos and settings.

A backup is consistent while everything runs: each database is copied as of one moment. It never holds a secret: the
settings go in without passwords, and files that hold secrets stay behind. A restore verifies every byte first, puts
everything in place at the end, and overwrites nothing unless told to, and then keeps what it replaced.
"""

import fcntl
import hashlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
import tomlkit

from ingest.home import refuse_lost
from ingest.logbook import schema, tables
from ingest.logbook.photos import photo_names
from ingest.logbook.refusals import Refused
from ingest.logbook.store import now_ms
from ingest.moments import text_of

_FORMAT = 1
_MANIFEST = "manifest.json"
# What the library raises on a file that is torn, or no archive, or packed in a way we never pack.
_NO_BACKUP = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, KeyError, TypeError, json.JSONDecodeError)
_READINGS, _LOGBOOK, _SETTINGS = "readings.db", "logbook.db", "dryline.toml"
_PARTS = (_READINGS, _LOGBOOK, _SETTINGS, "photos")
_RESTORING, _MOVING = ".restoring-", "moving"
_PHOTO = re.compile(r"photos/(?:thumbnails/)?[0-9a-f]{32}\.jpg")
_PASSWORD_IN_URL = re.compile(r"(?<=://)([^/@:]*):[^@/]*@")
_SECRET_KEYS = re.compile(r"(?i)password$|token$|secret|api_?key")

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class BackedUp:
    """What a backup holds, or what a restore put back."""

    file: Path
    size_bytes: int
    photos: int
    made: str


def backup(
    folder: Path,
    file: Path,
    *,
    logbook_url: str | None = None,
    at_ms: int | None = None,
    progress: Progress | None = None,
) -> BackedUp:
    """Write the home in `folder` into one archive; an older one of that name stays until the new one is whole.

    `logbook_url` is where the logbook is, if not in the folder (a PostgreSQL server).
    """
    from ingest.readings.sqlite import SqliteReadings

    if not folder.is_dir():
        raise Refused(f"There is no home folder {folder}.")
    # Copies without it would in time push out all that still hold it.
    refuse_lost(folder, _READINGS)
    if logbook_url is None:
        refuse_lost(folder, _LOGBOOK)
    made = text_of(at_ms if at_ms is not None else now_ms())
    file.parent.mkdir(parents=True, exist_ok=True)
    half = file.with_name(f".{file.name}.{os.getpid()}.half")
    try:
        with tempfile.TemporaryDirectory(prefix=".dryline-", dir=file.parent) as name:
            copies = Path(name)
            members: dict[str, Path] = {}
            if (folder / _READINGS).exists():
                with closing(SqliteReadings(folder / _READINGS)) as readings:
                    readings.backup(copies / _READINGS)
                members[_READINGS] = copies / _READINGS
            source = logbook_url or (f"sqlite:///{folder / _LOGBOOK}" if (folder / _LOGBOOK).exists() else None)
            if source is not None:
                copy_logbook(source, f"sqlite:///{copies / _LOGBOOK}")
                members[_LOGBOOK] = copies / _LOGBOOK
            if (folder / _SETTINGS).exists():
                settings = without_secrets((folder / _SETTINGS).read_text(encoding="utf-8"))
                (copies / _SETTINGS).write_text(settings, encoding="utf-8")
                members[_SETTINGS] = copies / _SETTINGS
            photos = photo_names(folder / "photos")
            for photo in photos:
                members[f"photos/{photo}"] = folder / "photos" / photo
                members[f"photos/thumbnails/{photo}"] = folder / "photos" / "thumbnails" / photo
            _write_archive(half, members, made, progress)
        _flush(half)
        half.replace(file)
        _flush(file.parent)
    except OSError as error:
        raise Refused(f"The backup {file} could not be written: {error.strerror or error}.") from error
    finally:
        half.unlink(missing_ok=True)
    return BackedUp(file, file.stat().st_size, len(photos), made)


def restore(
    file: Path, folder: Path, *, overwrite: bool = False, logbook_url: str | None = None, at_ms: int | None = None
) -> BackedUp:
    """Put a backup back into `folder`, verified whole before anything is touched.

    With something there already it is refused unless `overwrite`, which moves what was there into a folder
    `before-restore-…` beside it. Stop dryline first: files under a running program are not exchanged safely.
    """
    folder.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=_RESTORING, dir=folder))
    with _held(fresh):
        try:
            manifest = _unpacked(file, fresh)
            _verify_databases(file, fresh)
            there = [n for n in _PARTS if (folder / n).exists()]
            if logbook_url is not None and _has_rows(logbook_url):
                there.append("the logbook on its server")
            if there and not overwrite:
                raise Refused(
                    f"{folder} already holds {', '.join(there)}; nothing was changed. "
                    "Restore into an empty folder, or say that it may be overwritten."
                )
            if logbook_url is not None and (fresh / _LOGBOOK).exists():
                copy_logbook(f"sqlite:///{fresh / _LOGBOOK}", logbook_url, overwrite=overwrite)
                (fresh / _LOGBOOK).unlink()
            aside = f"before-restore-{at_ms if at_ms is not None else now_ms()}"
            parts = [new for new in _PARTS if (fresh / new).exists()]
            (fresh / _MOVING).write_text(json.dumps({"aside": aside, "parts": parts}), encoding="utf-8")
            _flush(fresh / _MOVING)
            _flush(fresh)
            # From here on a restore that is killed is finished by whoever opens the home next.
            _move_in(fresh, folder)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    photos = len(photo_names(folder / "photos"))
    return BackedUp(file, file.stat().st_size, photos, str(manifest["made"]))


def finish_restore(folder: Path) -> None:
    """Finish a restore that was killed while it put things in place; forget one that had not begun to.

    Raises:
        Refused: a restore is under way at this moment.
    """
    for fresh in folder.glob(f"{_RESTORING}*"):
        with _held(fresh) as held:
            if not held:
                raise Refused(f"A backup is being restored into {folder}; try again when that is done.")
            if (fresh / _MOVING).exists():
                _move_in(fresh, folder)
            shutil.rmtree(fresh, ignore_errors=True)


def _move_in(fresh: Path, folder: Path) -> None:
    """What was there aside, what is in `fresh` into the home; killed at any point, it can simply be done again."""
    told = json.loads((fresh / _MOVING).read_text(encoding="utf-8"))
    for part in _PARTS:
        if part in told["parts"] and not (fresh / part).exists():
            continue  # it is in its place already
        # With a database goes what SQLite keeps beside it: an old log on a new database would ruin it.
        for old in (part, f"{part}-wal", f"{part}-shm"):
            if (folder / old).exists():
                (folder / told["aside"]).mkdir(exist_ok=True)
                (folder / old).rename(folder / told["aside"] / old)
        if part in told["parts"]:
            (fresh / part).rename(folder / part)
    _flush(folder)


@contextmanager
def _held(fresh: Path) -> Iterator[bool]:
    """Hold the folder of a restore while the block runs: False when another process holds it. It ends with us."""
    handle = os.open(fresh, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True
    finally:
        os.close(handle)


def without_secrets(settings: str) -> str:
    """dryline.toml without what must not lie about: passwords in addresses, and keys that hold one by mistake."""
    document = tomlkit.parse(settings)
    _strip(document)
    return tomlkit.dumps(document)


def _strip(table: Any) -> None:
    for key in list(table):
        value = table[key]
        if isinstance(value, dict):
            _strip(value)
        elif isinstance(value, list):
            for inner in value:
                if isinstance(inner, dict):
                    _strip(inner)
        elif isinstance(value, str) and _SECRET_KEYS.search(key):
            del table[key]
        elif isinstance(value, str) and _PASSWORD_IN_URL.search(value):
            table[key] = _PASSWORD_IN_URL.sub(r"\1@", value)


# --- the logbook, from any server to any other ----------------------------------------------------------------------


def copy_logbook(from_url: str, to_url: str, *, overwrite: bool = False) -> None:
    """Every row of one logbook into another, as of one moment, whichever servers they are on."""
    if from_url.startswith("sqlite:") and to_url.startswith("sqlite:") and not overwrite:
        source, target = (str(sa.make_url(url).database) for url in (from_url, to_url))
        with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(target)) as new:
            old.backup(new)
            # One file without a log beside it, that can be carried anywhere.
            new.execute("PRAGMA journal_mode = DELETE").fetchone()
        return
    schema.upgrade(to_url, now_ms())
    old_engine, new_engine = schema.engine(from_url), schema.engine(to_url)
    try:
        # One snapshot: on PostgreSQL the usual isolation would look anew at each table.
        level = {} if from_url.startswith("sqlite:") else {"isolation_level": "REPEATABLE READ"}
        with old_engine.connect().execution_options(**level) as old_rows, new_engine.begin() as new_rows:
            for table in reversed(tables.metadata.sorted_tables):
                new_rows.execute(sa.delete(table))
            for table in tables.metadata.sorted_tables:
                for part in old_rows.execute(sa.select(table)).mappings().partitions(5000):
                    new_rows.execute(sa.insert(table), [dict(row) for row in part])
            if new_engine.dialect.name == "postgresql":
                _set_sequences(new_rows)
    finally:
        old_engine.dispose()
        new_engine.dispose()
    if to_url.startswith("sqlite:"):
        with closing(sqlite3.connect(str(sa.make_url(to_url).database))) as new:
            new.execute("PRAGMA journal_mode = DELETE").fetchone()


def _set_sequences(connection: sa.Connection) -> None:
    """Rows came with their numbers; the counters that give new ones must go on after them."""
    for table in tables.metadata.sorted_tables:
        connection.execute(
            sa.text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                f"COALESCE((SELECT MAX(id) FROM {table.name}), 0) + 1, false)"
            )
        )


def _has_rows(url: str) -> bool:
    engine = schema.engine(url)
    try:
        with engine.connect() as connection:
            if schema.current(connection) is None:
                return False
            found = sa.select(sa.func.count()).select_from(tables.shelf)
            return bool(connection.execute(found).scalar_one())
    finally:
        engine.dispose()


# --- the archive ----------------------------------------------------------------------------------------------------


def _write_archive(half: Path, members: dict[str, Path], made: str, progress: Progress | None) -> None:
    digests: dict[str, str] = {}
    with zipfile.ZipFile(half, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for count, (name, path) in enumerate(members.items(), start=1):
            # Photos are compressed already.
            packing = zipfile.ZIP_STORED if name.startswith("photos/") else zipfile.ZIP_DEFLATED
            info = zipfile.ZipInfo(name)
            info.compress_type = packing
            digest = hashlib.sha256()
            with path.open("rb") as source, archive.open(info, "w", force_zip64=True) as target:
                while piece := source.read(1 << 20):
                    digest.update(piece)
                    target.write(piece)
            digests[name] = digest.hexdigest()
            if progress is not None:
                progress(count, len(members))
        manifest = {"format": _FORMAT, "made": made, "logbook_schema": schema.HEAD, "sha256": digests}
        archive.writestr(_MANIFEST, json.dumps(manifest, indent=1))


def _unpacked(file: Path, folder: Path) -> dict[str, Any]:
    """The members of an archive in `folder`, each as its digest says."""
    try:
        with zipfile.ZipFile(file) as archive:
            manifest: dict[str, Any] = json.loads(archive.read(_MANIFEST))
            if manifest["format"] != _FORMAT:
                raise Refused(f"{file} was made by a newer version of dryline; restore it with that one.")
            for name, digest in manifest["sha256"].items():
                if name not in (_READINGS, _LOGBOOK, _SETTINGS) and not _PHOTO.fullmatch(name):
                    raise Refused(f"{file} holds {name[:60]!r}, which no backup of dryline holds; nothing was changed.")
                _unpack(archive, name, digest, folder / name, file)
    except _NO_BACKUP as error:
        raise Refused(f"{file} is not a whole backup of dryline ({error}); nothing was changed.") from error
    except OSError as error:
        raise Refused(f"{file} cannot be read: {error.strerror or error}; nothing was changed.") from error
    return manifest


def _unpack(archive: zipfile.ZipFile, name: str, digest: str, path: Path, file: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    found = hashlib.sha256()
    with archive.open(name) as source, path.open("wb") as target:
        while piece := source.read(1 << 20):
            found.update(piece)
            target.write(piece)
        target.flush()
        os.fsync(target.fileno())
    if found.hexdigest() != digest:
        raise Refused(f"{name} in {file} is damaged; nothing was changed.")


def _verify_databases(file: Path, folder: Path) -> None:
    from ingest.readings import StoreError
    from ingest.readings.sqlite import refuse_torn

    try:
        if (folder / _READINGS).exists():
            refuse_torn(folder / _READINGS)
        if (folder / _LOGBOOK).exists():
            with closing(sqlite3.connect(folder / _LOGBOOK)) as db:
                word = db.execute("PRAGMA integrity_check").fetchone()[0]
                (version,) = db.execute("SELECT version_num FROM alembic_version").fetchone()
            if word != "ok":
                raise Refused(f"The logbook in {file} is damaged ({word}); nothing was changed.")
            if version > schema.HEAD:
                raise Refused(f"The logbook in {file} was written by a newer version of dryline; nothing was changed.")
    except (StoreError, sqlite3.Error, TypeError) as error:
        raise Refused(f"A database in {file} is damaged ({error}); nothing was changed.") from error


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# --- by the clock ---------------------------------------------------------------------------------------------------

COPIES_KEPT = 30
#: What a backup that was killed leaves behind, and how old it must be so that nobody can still be at it.
_LEFT = re.compile(r"\.dryline-[a-z0-9_]+|\.dryline-\d{13}\.zip\.\d+\.half")
_LEFT_FOR_S = 86_400.0
_COPY = re.compile(r"dryline-(\d{13})\.zip")


def scheduled_backup(
    folder: Path, to_folder: Path, every_hours: float, at_ms: int, *, logbook_url: str | None = None
) -> BackedUp | None:
    """A backup into `to_folder` if the newest there is older than `every_hours`; None while none is due.

    The folder must be there: a second disk that is not plugged in must not become a folder on the first. The
    newest thirty copies are kept.
    """
    if not to_folder.is_dir():
        raise Refused(f"The backup folder {to_folder} is not there; plug the disk in, or make the folder.")
    _sweep(to_folder)
    made = copies_made_ms(to_folder)
    if made and at_ms - made[-1] < every_hours * 3_600_000:
        return None
    done = backup(folder, to_folder / f"dryline-{at_ms:013d}.zip", logbook_url=logbook_url, at_ms=at_ms)
    for old in made[: max(len(made) + 1 - COPIES_KEPT, 0)]:
        (to_folder / f"dryline-{old:013d}.zip").unlink(missing_ok=True)
    return done


def _sweep(to_folder: Path) -> None:
    """Take away what backups left that were killed a day ago or earlier."""
    for path in to_folder.iterdir():
        if _LEFT.fullmatch(path.name) and time.time() - path.stat().st_mtime > _LEFT_FOR_S:
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)


def copies_made_ms(folder: Path) -> list[int]:
    """When each copy by the clock that lies in a folder was made, the oldest first; none where there is no folder."""
    if not folder.is_dir():
        return []
    return sorted(int(found[1]) for path in folder.iterdir() if (found := _COPY.fullmatch(path.name)))
