"""Logbooks for tests: fresh ones on SQLite, and the same on a private PostgreSQL cluster."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from ingest.logbook import Logbook, schema, tables
from ingest.moments import ms_of_text
from tests.postgres_cluster import postgres_programs, running_cluster


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory) -> Path:
    """An empty logbook that tests copy, so that each need not make its tables anew."""
    path = tmp_path_factory.mktemp("empty") / "logbook.db"
    Logbook(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def fresh(tmp_path, empty_file) -> Iterator[Callable[..., Logbook]]:
    """Makes a fresh logbook in a file at every call; all are closed afterwards."""
    opened: list[Logbook] = []

    def make(name: str = "logbook.db", clock: Callable[[], int] | None = None) -> Logbook:
        path = tmp_path / name
        if not path.exists():
            shutil.copy(empty_file, path)
        opened.append(Logbook(f"sqlite:///{path}", **({"clock": clock} if clock else {})))
        return opened[-1]

    yield make
    for logbook in opened:
        logbook.close()


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    """The URL of a PostgreSQL cluster, `{name}` standing for a database."""
    programs = postgres_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    with running_cluster(programs) as url:
        schema.upgrade(url.format(name="postgres"), 0)
        yield url


@pytest.fixture
def postgres_url(cluster) -> Iterator[str]:
    """The URL of a database with empty tables, emptied again afterwards."""
    url = cluster.format(name="postgres")
    yield url
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        # Making a database a test would take longer than the tests.
        names = ", ".join(table.name for table in tables.metadata.sorted_tables)
        connection.execute(sa.text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))
        connection.execute(sa.insert(tables.state).values(id=1, revision=1))
    engine.dispose()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.xdist_group("postgresql"))])
def book(request) -> Iterator[Logbook]:
    """A logbook with a shelf or two and a pot, on each database in turn."""
    if request.param == "sqlite":
        logbook = request.getfixturevalue("fresh")()
    else:
        logbook = Logbook(request.getfixturevalue("postgres_url"))
    furnish(logbook)
    yield logbook
    logbook.close()


def furnish(logbook: Logbook) -> None:
    """Two shelves and a pot on one of them (invented)."""
    with logbook.writing():
        logbook.put_shelf({"label": "east-window", "air": "gentle"})
        logbook.put_shelf({"label": "stairwell", "air": "draughty", "heat": "none"})
        logbook.put_pot({"label": "window left", "plant": "Cattleya hybrid", "likes": "airy", "roots": "thick"})
        logbook.describe_setup("window left", {"shelf": "east-window", "vents": "many", "wick": "one"}, march(1))


def march(day: int, hour: int = 0) -> int:
    """A moment in March 2026."""
    return ms_of_text(f"2026-03-{day:02d}T{hour:02d}:00:00Z")
