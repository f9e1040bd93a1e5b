"""A store's file moved, deleted or exchanged under a running ingester: nothing goes where nobody looks.

Real files and real brokers. Acknowledged means kept in the file at the home's path; until there is one, the broker
keeps what comes, and what the ingester has taken keeps the moment at which it came.
"""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from dashboard.answers import check
from ingest.backup import backup, restore
from ingest.home import Home
from ingest.logbook.refusals import Refused
from ingest.readings import Reading, StoreError, UnreadMessage
from ingest.readings.sqlite import SqliteReadings
from tests.brokers import Running
from tests.ingest.test_subscriber import AIR, BARE, ingesting, kept, publishing, say, senml, until

ROOT = Path(__file__).parents[2]
T0_S = 1_767_225_600  # 2026-01-01T00:00Z
BESIDE = ("", "-wal", "-shm")


@pytest.fixture(params=["embedded", "mosquitto"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Running]:
    running = Running(request.param, tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "home").mkdir()
    return tmp_path / "home" / "readings.db"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteReadings]:
    with closing(SqliteReadings(path, busy_s=0.2)) as opened:
        yield opened


def moved(path: Path, to: Path, endings: tuple[str, ...] = BESIDE) -> None:
    for ending in endings:
        os.rename(f"{path}{ending}", f"{to}{ending}")


def values(path: Path, source: str = AIR.source) -> list[float]:
    """What somebody finds who opens the file at a path."""
    with closing(SqliteReadings(path, read_only=True)) as found:
        assert found.integrity() == []
        return found.read([source], 0, 10**14)[source][1].tolist()


@pytest.mark.parametrize("endings", [BESIDE, ("",)], ids=["with its log", "without its log"])
def test_nothing_is_acknowledged_while_the_file_is_away_and_all_is_kept_once_it_is_back(
    broker: Running, store: SqliteReadings, path: Path, endings: tuple[str, ...]
) -> None:
    aside = path.with_name("aside.db")
    with ingesting(broker, store, [AIR, BARE]) as subscriber, publishing(broker) as client:
        say(client, AIR.topic, senml(1, T0_S))
        until(lambda: subscriber.counters.readings == 1)
        acknowledged = subscriber.counters.acknowledged
        moved(path, aside, endings)
        say(client, AIR.topic, senml(2, T0_S + 1))
        say(client, BARE.topic, b"55")
        until(lambda: f"{path} is no longer in its place" in subscriber.counters.trouble)
        assert subscriber.counters.acknowledged == acknowledged
        assert not path.exists()
        assert kept(store, BARE) == {}
        moved(aside, path, endings)
        until(lambda: subscriber.counters.acknowledged == acknowledged + 2)
        assert subscriber.counters.trouble == ""
    store.close()
    assert values(path) == [1, 2]
    assert values(path, BARE.source) == [55]  # it has no time of its own: the moment of its arrival was not lost


def test_readings_go_into_a_backup_that_is_restored_under_a_running_ingester(
    broker: Running, store: SqliteReadings, path: Path, tmp_path: Path
) -> None:
    (tmp_path / "old").mkdir()
    with closing(SqliteReadings(tmp_path / "old" / "readings.db")) as old:
        # The same source has another number here.
        old.append([Reading("another#", T0_S * 1000, 7.0)])
        old.append([Reading(AIR.source, T0_S * 1000, 20.0)])
    backup(tmp_path / "old", tmp_path / "copy.zip")
    with ingesting(broker, store, [AIR]) as subscriber, publishing(broker) as client:
        say(client, AIR.topic, senml(21, T0_S + 1))
        until(lambda: subscriber.counters.readings == 1)
        restore(tmp_path / "copy.zip", path.parent, overwrite=True, at_ms=1)
        say(client, AIR.topic, senml(22, T0_S + 2))
        until(lambda: subscriber.counters.readings == 2)
        assert kept(store, AIR) == {T0_S * 1000: 20, (T0_S + 2) * 1000: 22}
        assert subscriber.counters.trouble == ""
    store.close()
    assert values(path) == [20, 22]
    assert values(path, "another#") == [7]
    assert values(path.parent / "before-restore-1" / "readings.db") == [21]


def test_a_deleted_file_is_not_made_anew_and_what_waits_reaches_a_restored_one_after_a_restart(
    store: SqliteReadings, path: Path, tmp_path: Path
) -> None:
    broker = Running("mosquitto", tmp_path).start()
    try:
        with ingesting(broker, store, [AIR]) as subscriber, publishing(broker) as client:
            say(client, AIR.topic, senml(1, T0_S))
            until(lambda: subscriber.counters.readings == 1)
            backup(path.parent, tmp_path / "copy.zip")
            for ending in BESIDE:
                os.unlink(f"{path}{ending}")
            say(client, AIR.topic, senml(2, T0_S + 1))
            until(lambda: "no longer in its place" in subscriber.counters.trouble)
        store.close()
        assert list(path.parent.iterdir()) == []
        restore(tmp_path / "copy.zip", path.parent)
        with closing(SqliteReadings(path)) as again, ingesting(broker, again, [AIR], wait=False) as subscriber:
            until(lambda: subscriber.counters.readings == 1)
        assert values(path) == [1, 2]
    finally:
        broker.stop()


def test_another_file_beside_the_log_of_the_first_is_left_alone(store: SqliteReadings, path: Path) -> None:
    store.append([Reading(AIR.source, 1, 1.0)])
    with closing(SqliteReadings(path.with_name("other.db"))) as other:
        other.append([Reading("other#", 1, 7.0)])
    moved(path, path.with_name("aside.db"), ("",))
    moved(path.with_name("other.db"), path, ("",))
    log = Path(f"{path}-wal")
    there = path.read_bytes(), log.read_bytes()
    for _ in range(2):
        with pytest.raises(StoreError, match=r"^Another file stands in the place of .*, beside the log of the first"):
            store.append([Reading(AIR.source, 2, 2.0)])
    assert (path.read_bytes(), log.read_bytes()) == there
    assert store.latest() == {AIR.source: (1, 1.0)}  # what was read before still serves
    moved(path.with_name("aside.db"), path, ("",))
    store.append([Reading(AIR.source, 2, 2.0)])
    store.close()
    assert values(path) == [1, 2]


def test_a_file_that_goes_in_the_middle_of_a_transaction_is_noticed_after_it(
    store: SqliteReadings, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def add_and_lose(*given: object) -> None:
        moved(path, path.with_name("aside.db"))

    monkeypatch.setattr("ingest.readings.unread_messages.add_unread", add_and_lose)
    with pytest.raises(StoreError, match="no longer in its place"):
        store.append([Reading(AIR.source, 1, 1.0)], unread=[UnreadMessage("odd", b"", 1, "not JSON")])
    moved(path.with_name("aside.db"), path)
    store.append([Reading(AIR.source, 1, 1.0)])
    store.close()
    assert values(path) == [1]


def test_an_ingester_does_not_start_on_a_new_file_where_one_was_lost(path: Path) -> None:
    home = path.parent
    (home / "ingester.json").write_text("{}", encoding="utf-8")
    command = [sys.executable, "-m", "dryline", "ingest", "--home", str(home)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert ended.stderr == (
        f"dryline: readings.db is no longer in {home}: put it back, or restore a backup. "
        "(To begin anew without it, take away ingester.json.)\n"
    )
    with closing(Home(home)) as house:
        found = check.answer(house, T0_S * 1000)["findings"]
    assert [one["says"].split(" is no longer in ")[0] for one in found if one["kind"] == "store_damaged"] == [
        "readings.db",
        "logbook.db",
    ]
    assert not path.exists()
    with pytest.raises(Refused, match=r"readings\.db is no longer in"):
        backup(home, home / "copy.zip")
    assert not (home / "copy.zip").exists()


def test_a_log_without_its_file_is_kept_for_the_file(path: Path) -> None:
    home_folder = path.parent
    with closing(Home(home_folder)) as home:
        home.readings.append([Reading(AIR.source, 1, 1.0)])
        home.logbook.put_shelf({"label": "east-window"})
        for name in ("readings", "logbook"):
            moved(home_folder / f"{name}.db", home_folder / f"{name}.aside", ("",))
    left = {name: (home_folder / f"{name}.db-wal").read_bytes() for name in ("readings", "logbook")}
    assert all(left.values())
    with closing(Home(home_folder)) as home:
        with pytest.raises(Refused, match=r"readings\.db is no longer in .*take away readings\.db-wal"):
            _ = home.readings
        with pytest.raises(Refused, match=r"logbook\.db is no longer in .*take away logbook\.db-wal"):
            _ = home.logbook
    for name, log in left.items():
        assert (home_folder / f"{name}.db-wal").read_bytes() == log
        moved(home_folder / f"{name}.aside", home_folder / f"{name}.db", ("",))
    with closing(Home(home_folder)) as home:
        assert home.readings.latest() == {AIR.source: (1, 1.0)}
        assert [shelf.label for shelf in home.logbook.shelves()] == ["east-window"]


def test_no_note_goes_into_a_logbook_that_was_moved_away(path: Path) -> None:
    with closing(Home(path.parent)) as home:
        home.logbook.put_shelf({"label": "east-window"})
        where, aside = path.parent / "logbook.db", path.parent / "aside.db"
        moved(where, aside)
        with pytest.raises(Refused, match=r"logbook\.db is no longer in its place, so nothing is written"):
            home.logbook.put_shelf({"label": "stairwell"})
        assert not where.exists()
        assert [shelf.label for shelf in home.logbook.shelves()] == ["east-window"]
        moved(aside, where)
        home.logbook.put_shelf({"label": "heated-rack"})
    with closing(Home(path.parent)) as home:
        assert {shelf.label for shelf in home.logbook.shelves()} == {"east-window", "heated-rack"}


def test_a_pool_that_wants_another_connection_makes_no_new_logbook(path: Path) -> None:
    with closing(Home(path.parent)) as home:
        book = home.logbook
        book.put_shelf({"label": "east-window"})
        moved(path.parent / "logbook.db", path.parent / "aside.db")
        book.close()  # its pool is empty now, as it is for a second reader at once
        with pytest.raises(Refused, match=r"logbook\.db is no longer in its place"):
            book.shelves()
        assert not (path.parent / "logbook.db").exists()


def test_a_dashboard_writes_into_no_file_that_was_exchanged_under_it(store: SqliteReadings, path: Path) -> None:
    store.append([Reading(AIR.source, 1, 1.0)])
    moved(path, path.with_name("aside.db"))
    with closing(SqliteReadings(path)) as other:
        other.append([Reading(AIR.source, 2, 2.0)])
        with pytest.raises(StoreError, match="nothing is written until dryline is started again"):
            store.put_derived("key", "fingerprint", b"of the first file")
        assert other.get_derived("key") is None
        assert store.latest() == {AIR.source: (1, 1.0)}
