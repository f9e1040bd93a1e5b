"""The landing zone and its server: what is sent when, what is read from where, and what the server will not take."""

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from uuid import uuid4

import pytest

from ingest.readings import DAY_MS, Reading, StoreAway
from ingest.readings.influx import Forwarded, InfluxReadings
from ingest.readings.influx_server import InfluxServer
from ingest.readings.sqlite import SqliteReadings
from tests.influxd import Influxd, running_influxd

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"
EVER = (-(10**15), 10**15)

pytestmark = pytest.mark.xdist_group("influxd")


@pytest.fixture(scope="module")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influxd]:
    with running_influxd(tmp_path_factory.mktemp("influx") / "server") as server:
        yield server


@pytest.fixture
def connect(influxd: Influxd) -> Callable[[], InfluxServer]:
    """Makes connections to one new database; a store closes its own with itself."""
    database = f"db{uuid4().hex}"
    return lambda: InfluxServer(influxd.url, database, influxd.secret, timeout_s=60)


@pytest.fixture
def server(connect: Callable[[], InfluxServer]) -> Iterator[InfluxServer]:
    with closing(connect()) as server:
        yield server


@pytest.fixture
def store(tmp_path: Path, connect: Callable[[], InfluxServer]) -> Iterator[InfluxReadings]:
    with closing(InfluxReadings(tmp_path / "readings.sqlite", connect())) as store:
        yield store


def drain(store: InfluxReadings) -> int:
    sent = 0
    while True:
        step = store.forward()
        sent += step.sent
        if not step.waiting:
            return sent


def daily(days: int, value: float = 1.0) -> list[Reading]:
    return [Reading(AIR, T0 + day * DAY_MS, value) for day in range(days)]


def values_there(server: InfluxServer, source: str = AIR) -> list[float]:
    found = server.read([source], *EVER)
    return found[source][1].tolist() if source in found else []


def test_what_was_here_before_forwarding_began_is_sent_too(
    tmp_path: Path, server: InfluxServer, connect: Callable[[], InfluxServer]
) -> None:
    with closing(SqliteReadings(tmp_path / "readings.sqlite")) as plain:
        plain.append([*daily(5), Reading("b#", T0 + 7, 2.0)])
        plain.seal(T0 + 3 * DAY_MS)
    with closing(InfluxReadings(tmp_path / "readings.sqlite", connect())) as store:
        assert store.waiting() == 6
        assert drain(store) == 6
        assert values_there(server) == [1.0] * 5
        assert values_there(server, "b#") == [2.0]
    with closing(InfluxReadings(tmp_path / "readings.sqlite", connect())) as again:
        assert again.waiting() == 0


def test_a_file_that_was_exchanged_while_rows_of_the_first_were_sent_keeps_its_own_line(
    tmp_path: Path,
    store: InfluxReadings,
    server: InfluxServer,
    connect: Callable[[], InfluxServer],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with closing(InfluxReadings(tmp_path / "other", connect())) as other:
        other.append([Reading("b#", T0 + number, 2.0) for number in range(3)])
    store.append(daily(3))
    write = InfluxServer.write

    def write_and_exchange(self: InfluxServer, rows: list[tuple[str, int, float]]) -> list[tuple[int, str]]:
        monkeypatch.undo()
        for ending in ("", "-wal", "-shm"):
            (tmp_path / f"readings.sqlite{ending}").rename(tmp_path / f"aside{ending}")
        (tmp_path / "other").rename(tmp_path / "readings.sqlite")
        store.append([Reading("b#", T0 + 3, 2.0)])
        return write(self, rows)

    monkeypatch.setattr(InfluxServer, "write", write_and_exchange)
    assert store.forward() == Forwarded(0, 0, 4)
    assert drain(store) == 4
    assert values_there(server, "b#") == [2.0] * 4


def test_nothing_is_pruned_here_that_the_server_does_not_have(store: InfluxReadings, server: InfluxServer) -> None:
    store.append(daily(10))
    assert store.prune(keep_raw_days=2, now_ms=T0 + 10 * DAY_MS) == 0
    drain(store)
    store.append([Reading("late#", T0 + 5 * DAY_MS + 9, 1.0)])
    assert store.prune(keep_raw_days=2, now_ms=T0 + 10 * DAY_MS) == 5
    drain(store)
    assert store.prune(keep_raw_days=2, now_ms=T0 + 10 * DAY_MS) == 4
    assert values_there(server) == [1.0] * 10


def test_a_range_over_the_border_is_read_from_both_as_one(store: InfluxReadings) -> None:
    store.append(daily(10))
    drain(store)
    store.prune(keep_raw_days=4, now_ms=T0 + 10 * DAY_MS)
    times, values = store.read([AIR], T0 + DAY_MS, T0 + 9 * DAY_MS)[AIR]
    assert times.tolist() == [T0 + day * DAY_MS for day in range(1, 9)]
    assert values.tolist() == [1.0] * 8
    assert store.last_before([AIR], T0 + 3 * DAY_MS) == {AIR: (T0 + 2 * DAY_MS, 1.0)}
    assert store.last_before([AIR], T0 + 8 * DAY_MS) == {AIR: (T0 + 7 * DAY_MS, 1.0)}


def test_a_late_reading_for_a_pruned_day_wins_here_at_once_and_there_when_forwarded(
    store: InfluxReadings, server: InfluxServer
) -> None:
    store.append(daily(10))
    drain(store)
    store.prune(keep_raw_days=1, now_ms=T0 + 10 * DAY_MS)
    store.append([Reading(AIR, T0 + 2 * DAY_MS, 7.0), Reading(AIR, T0 + 2 * DAY_MS + 5, 8.0)])
    assert store.read([AIR], T0 + 2 * DAY_MS, T0 + 3 * DAY_MS)[AIR][1].tolist() == [7.0, 8.0]
    assert store.last_before([AIR], T0 + 2 * DAY_MS + 1) == {AIR: (T0 + 2 * DAY_MS, 7.0)}
    assert store.last_before([AIR], T0 + 5 * DAY_MS) == {AIR: (T0 + 4 * DAY_MS, 1.0)}
    drain(store)
    assert values_there(server)[2:5] == [7.0, 8.0, 1.0]


def test_of_several_values_for_one_moment_the_last_delivered_stands_on_the_server(
    store: InfluxReadings, server: InfluxServer
) -> None:
    store.append([Reading(AIR, T0, 1.0)])
    store.append([Reading(AIR, T0, 2.0), Reading(AIR, T0, 3.0)])
    drain(store)
    assert values_there(server) == [3.0]


def test_what_the_server_cannot_hold_is_set_aside_with_its_reason_and_the_rest_arrives(
    store: InfluxReadings, server: InfluxServer
) -> None:
    year_2500_ms = 16_725_225_600_000
    batch = daily(200)
    batch[3:3] = [Reading(AIR, year_2500_ms, 1.0)]
    batch[120:120] = [Reading(AIR, year_2500_ms + 1, 2.0)]
    store.append(batch)
    assert store.forward() == (200, 2, 0)
    assert len(values_there(server)) == 200
    assert [(refused.time_ms - year_2500_ms, refused.value) for refused in store.refused()] == [(1, 2.0), (0, 1.0)]
    assert "time outside range" in store.refused()[0].reason


def test_a_week_that_another_program_filled_with_whole_numbers_is_set_aside_and_can_be_tried_again(
    store: InfluxReadings, server: InfluxServer
) -> None:
    server._make_ready()
    status, _ = server._call(
        "/write", [("db", server._database)], {"Content-Type": "text/plain"}, b"reading value=1i 0"
    )
    assert status == 204
    store.append([Reading(AIR, step, 1.0) for step in range(5)] + daily(3))
    assert store.forward() == (3, 5, 0)
    assert "field type conflict" in store.refused()[0].reason
    server._call("/query", [("db", server._database), ("q", "DROP MEASUREMENT reading")], {})
    assert store.try_refused_again() == 5
    assert store.forward() == (5, 0, 0)
    assert store.refused() == []


def test_readings_older_than_the_server_keeps_are_set_aside_all_at_once(
    store: InfluxReadings, server: InfluxServer
) -> None:
    server._make_ready()
    server._ask(f'ALTER RETENTION POLICY autogen ON "{server._database}" DURATION 1h SHARD DURATION 1h')
    store.append(daily(300))
    assert store.forward() == (0, 300, 0)
    assert "beyond retention policy" in store.refused()[0].reason
    assert store.read([AIR], *EVER)[AIR][0].size == 300


def test_a_wrong_secret_says_so_and_loses_nothing(tmp_path: Path, influxd: Influxd) -> None:
    server = InfluxServer(influxd.url, "dryline", "grower:wrong")
    with closing(InfluxReadings(tmp_path / "readings.sqlite", server)) as store:
        store.append(daily(2))
        with pytest.raises(StoreAway, match=r"does not let us in; is the secret in its token file right\?"):
            store.forward()
        assert store.waiting() == 2


def test_a_database_that_vanishes_is_made_again_and_never_read_as_empty(
    store: InfluxReadings, server: InfluxServer
) -> None:
    store.append(daily(2))
    drain(store)
    server._ask(f'DROP DATABASE "{server._database}"')
    store.append(daily(3, value=2.0))
    with pytest.raises(StoreAway, match="answered 404: database not found"):
        store.forward()
    assert store.waiting() == 3
    assert store.forward() == (3, 0, 0)
    assert values_there(server) == [2.0] * 3


def test_a_store_that_forwards_no_longer_forgets_its_line_and_sends_all_days_when_it_does_again(
    tmp_path: Path, server: InfluxServer, connect: Callable[[], InfluxServer]
) -> None:
    path = tmp_path / "readings.sqlite"
    with closing(InfluxReadings(path, connect())) as store:
        store.append(daily(2))
    with closing(SqliteReadings(path)) as plain:
        plain.forward_no_longer()
        plain.append(daily(4))
    with closing(InfluxReadings(path, connect())) as store:
        assert store.waiting() == 4
        assert drain(store) == 4
        assert values_there(server) == [1.0] * 4
