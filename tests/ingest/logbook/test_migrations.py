"""A logbook of an earlier day comes up to today's schema with every row, and a failed upgrade changes nothing."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from ingest.logbook import Logbook, Unreachable, schema, tables
from tests.ingest.conftest import march

SCRIPTS = Config()
SCRIPTS.set_main_option("script_location", str(Path(schema.__file__).parent / "migrations"))
REVISIONS = [script.revision for script in reversed(list(ScriptDirectory.from_config(SCRIPTS).walk_revisions()))]

# A filled logbook in the columns of the first schema (invented); later schemas only add to it.
ROWS = {
    "shelf": [(1, "east-window", "east-window", {"air": "gentle"})],
    "pot": [(1, "window left", "window left", march(20), {"plant": "Cattleya hybrid"})],
    "note": [(1, 1, march(3), "cover", 10.5, {"change": {"vents": "none"}}, 2, 0, march(3))],
    "setup": [
        (1, 1, march(1), march(3), {"shelf": "east-window"}, None, None),
        (2, 1, march(3), march(20), {"shelf": "east-window", "vents": "none"}, {"vents": "none"}, 1),
    ],
    "sensor": [(1, "a/b#", {"topic": "a/b", "payload": "number", "quantity": "battery", "unit": "%"})],
    "placement": [(1, 1, march(1), None, 1, 1)],
    "history": [
        (1, "note", 1, march(3), {"id": 1, "version": 1, "time_ms": march(3), "pot": "window left", "kind": "cover"})
    ],
}
COLUMNS = {
    "shelf": "id, label, label_key, body",
    "pot": "id, label, label_key, gone_ms, body",
    "note": "id, pot_id, time_ms, kind, level_mm, detail, version, withdrawn, written_ms",
    "setup": "id, pot_id, from_ms, to_ms, body, change, note_id",
    "sensor": "id, source, body",
    "placement": "id, sensor_id, from_ms, to_ms, shelf_id, pot_id",
    "history": "id, subject, subject_id, written_ms, body",
}


def fill(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        for table, rows in ROWS.items():
            for row in rows:
                values = [json.dumps(value) if isinstance(value, dict) else value for value in row]
                marks = ", ".join("?" * len(values))
                db.execute(f"INSERT INTO {table} ({COLUMNS[table]}) VALUES ({marks})", values)
        db.commit()


def schema_of(path: Path) -> str | None:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT version_num FROM alembic_version").fetchone()[0]


@pytest.mark.parametrize("revision", REVISIONS)
def test_a_filled_logbook_of_every_earlier_schema_comes_up_whole(tmp_path, revision):
    path = tmp_path / "logbook.db"
    schema.upgrade(f"sqlite:///{path}", 0, revision)
    fill(path)
    logbook = Logbook(f"sqlite:///{path}", clock=lambda: 77)
    try:
        assert [pot.given() for pot in logbook.pots(gone=True)] == [
            {"label": "window left", "plant": "Cattleya hybrid", "gone_ms": march(20)}
        ]
        assert [s.get("vents") for s in logbook.setups("window left")] == [None, "none"]
        assert [(n.level_mm, n.version, n.detail) for n in logbook.notes()] == [
            (10.5, 2, {"change": {"vents": "none"}})
        ]
        assert len(logbook.note_history(1)) == 2
        assert [p.at for p in logbook.sensors()[0].placed] == ["east-window/window left"]
        logbook.withdraw_note(1, 2)
        assert len(logbook.setups("window left")) == 1
        assert logbook.follow_ups(march(30)) == []
    finally:
        logbook.close()
    assert schema_of(path) == schema.HEAD
    copies = list(tmp_path.glob("logbook.db.schema-*"))
    if revision == schema.HEAD:
        assert copies == []
    else:
        assert [copy.name for copy in copies] == [f"logbook.db.schema-{revision}.77"]
        assert schema_of(copies[0]) == revision
        with closing(sqlite3.connect(copies[0])) as db:
            assert db.execute("SELECT count(*) FROM note").fetchone() == (1,)


def test_an_upgrade_that_fails_leaves_the_old_schema_whole(tmp_path):
    path = tmp_path / "logbook.db"
    schema.upgrade(f"sqlite:///{path}", 0, REVISIONS[0])
    fill(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE follow_up (id INTEGER)")  # in the way of the second step
        db.commit()
    with pytest.raises((sa.exc.OperationalError, Unreachable), match="follow_up"):
        Logbook(f"sqlite:///{path}")
    assert schema_of(path) == REVISIONS[0]
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM setup").fetchone() == (2,)


def test_a_row_that_belongs_to_nothing_stops_the_upgrade(tmp_path):
    path = tmp_path / "logbook.db"
    schema.upgrade(f"sqlite:///{path}", 0, REVISIONS[0])
    fill(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DELETE FROM shelf")
        db.commit()
    with pytest.raises(
        Unreachable, match=f"Schema {schema.HEAD} would break 1 rows of this logbook; nothing was changed"
    ):
        Logbook(f"sqlite:///{path}")
    assert schema_of(path) == REVISIONS[0]


def test_a_logbook_of_a_newer_version_is_not_touched(tmp_path, empty_file):
    path = tmp_path / "logbook.db"
    path.write_bytes(empty_file.read_bytes())
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
        db.commit()
    with pytest.raises(Unreachable, match="written by a newer version"):
        Logbook(f"sqlite:///{path}")
    assert schema_of(path) == "9999"


def test_the_newest_step_is_the_one_that_is_opened_for():
    assert REVISIONS[-1] == schema.HEAD
    assert sorted(REVISIONS) == REVISIONS


@pytest.mark.parametrize("url", ["sqlite", pytest.param("postgresql", marks=pytest.mark.xdist_group("postgresql"))])
def test_the_steps_lead_to_the_tables_that_the_code_knows(request, empty_file, url):
    made = schema.engine(f"sqlite:///{empty_file}" if url == "sqlite" else request.getfixturevalue("postgres_url"))
    with made.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.metadata) == []
    made.dispose()
