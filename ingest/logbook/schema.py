"""How a logbook's database is opened, and brought up to today's schema.

Owns the engine's settings and the running of migrations. A schema upgrade of an SQLite file puts a copy of the
file beside it first; migration and record of it share one transaction, so a failure leaves the old schema whole.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ingest.logbook.refusals import Unreachable
from ingest.open_file import OpenFile

HEAD = "0003"  # a test holds it to the newest file in migrations/versions
BUSY_S = 30.0  # how long to wait for another writer


def engine(url: str, *, foreign_keys: bool = True, busy_s: float = BUSY_S) -> sa.Engine:
    """An engine with the settings that keep acknowledged writes through a power cut."""
    made = sa.create_engine(url)
    if made.dialect.name != "sqlite":
        return made
    file = OpenFile(str(made.url.database))

    @sa.event.listens_for(made, "do_connect")
    def _refuse_another_file(*_: object) -> None:
        if not file.may_be_made:
            _refuse_if_gone(file)

    @sa.event.listens_for(made, "connect")
    def _settings(connection: Any, _record: object) -> None:
        # The driver's own idea of when to begin would commit before DDL and let two writers deadlock.
        connection.isolation_level = None
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            f"foreign_keys = {'ON' if foreign_keys else 'OFF'}",
            f"busy_timeout = {round(busy_s * 1000)}",
        ):
            connection.execute(f"PRAGMA {pragma}").close()
        file.opened()

    @sa.event.listens_for(made, "begin")
    def _begin(connection: sa.Connection) -> None:
        # A reader that turns writer half-way can fail; a writer says so at once and waits its turn.
        writes = connection.get_execution_options().get("writes")
        if writes:
            _refuse_if_gone(file)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return made


def _refuse_if_gone(file: OpenFile) -> None:
    """What is written into a file that was moved or deleted is lost to everybody; what was read before still serves."""
    trouble = file.trouble()
    if trouble is not None:
        raise Unreachable(trouble)


def current(connection: sa.Connection) -> str | None:
    """The revision a database is at; None when it is empty."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def upgrade(url: str, at_ms: int, target: str = HEAD, *, busy_s: float = BUSY_S) -> None:
    """Bring the database at `url` to `target`, creating it if it is not there."""
    # Foreign keys rest while tables are rebuilt; they are checked before the commit.
    made = engine(url, foreign_keys=False, busy_s=busy_s)
    try:
        with made.connect().execution_options(writes=True) as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(7244)"))
            before = current(connection)
            if before == target:
                return
            if before is not None and before > HEAD:
                raise Unreachable(
                    f"This logbook was written by a newer version (schema {before}); this one knows {HEAD}. "
                    "Start the newer version, or restore a backup."
                )
            if before is not None:
                copy_before_upgrade(made.url, before, at_ms)
            _migrate(connection, target)
            if connection.dialect.name == "sqlite":
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
                if broken:
                    raise Unreachable(
                        f"Schema {target} would break {len(broken)} rows of this logbook; nothing was changed."
                    )
            connection.commit()
    finally:
        made.dispose()


def copy_before_upgrade(url: sa.URL, before: str, at_ms: int) -> Path | None:
    """A copy of an SQLite file beside it, named after its schema and the moment."""
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return None
    path = Path(url.database)
    copy = path.with_name(f"{path.name}.schema-{before}.{at_ms}")
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy


def _migrate(connection: sa.Connection, target: str) -> None:
    # Imported here: a database that is up to date does not pay for it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)
