"""What every store of readings promises: one set of assertions, run over each of them.

`rows` reads from fresh rows, `sealed` packs every day after each batch so that all reads come from chunks
and late readings re-seal, `other process` reads through a second, read-only opening of the same file. `influx` has
forwarded every reading to a real InfluxDB server and pruned it here, so that all reads come from there.
"""

import contextlib
import math
from collections.abc import Callable, Iterator, Sequence
from itertools import count
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.readings import (
    DAILY_COLUMNS,
    DAY_MS,
    HOUR_MS,
    HOURLY_COLUMNS,
    FailureSpell,
    Reading,
    ReadingsStore,
    SensorFailure,
    UnreadMessage,
)
from ingest.readings.influx import InfluxReadings
from ingest.readings.influx_server import InfluxServer
from ingest.readings.sqlite import LATEST_MS, SqliteReadings
from tests.influxd import Influxd, running_influxd

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"


class SealedAtOnce(SqliteReadings):
    """Packs every day, today included, after each batch."""

    def append(
        self,
        readings: Sequence[Reading] = (),
        failures: Sequence[SensorFailure] = (),
        unread: Sequence[UnreadMessage] = (),
    ) -> None:
        super().append(readings, failures, unread)
        self.seal(LATEST_MS)


class PrunedAtOnce(InfluxReadings):
    """Sends every reading to the server after each batch, and keeps none here."""

    def append(
        self,
        readings: Sequence[Reading] = (),
        failures: Sequence[SensorFailure] = (),
        unread: Sequence[UnreadMessage] = (),
    ) -> None:
        super().append(readings, failures, unread)
        while self.forward().waiting:
            pass
        self.prune(keep_raw_days=0, now_ms=T0 + 1000 * DAY_MS)


class Pair(NamedTuple):
    """The store that is written to, and the one that is read from (often the same)."""

    writer: ReadingsStore
    reader: ReadingsStore


NewPair = Callable[[], Pair]


@pytest.fixture(scope="module")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influxd]:
    with running_influxd(tmp_path_factory.mktemp("influx") / "server") as server:
        yield server


# The server runs once: all that need it run in one worker.
KINDS = ["rows", "sealed", "other process", pytest.param("influx", marks=pytest.mark.xdist_group("influxd"))]


@pytest.fixture(params=KINDS)
def new_pair(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[NewPair]:
    kind: str = request.param
    numbers = count()
    with contextlib.ExitStack() as opened:

        def make() -> Pair:
            path = tmp_path / f"{next(numbers)}.sqlite"
            writer: SqliteReadings
            if kind == "influx":
                influxd: Influxd = request.getfixturevalue("influxd")
                server = InfluxServer(influxd.url, f"{tmp_path.name}{path.stem}", influxd.secret, timeout_s=60)
                writer = PrunedAtOnce(path, server)
            else:
                writer = (SealedAtOnce if kind == "sealed" else SqliteReadings)(path)
            opened.callback(writer.close)
            if kind != "other process":
                return Pair(writer, writer)
            reader = SqliteReadings(path, read_only=True)
            opened.callback(reader.close)
            return Pair(writer, reader)

        yield make


@pytest.fixture
def pair(new_pair: NewPair) -> Pair:
    return new_pair()


def pairs(
    store: ReadingsStore, source: str, start_ms: int = T0, end_ms: int = T0 + 30 * DAY_MS
) -> list[tuple[int, float]]:
    times, values = store.read([source], start_ms, end_ms)[source]
    assert times.dtype == np.int64
    assert values.dtype == np.float64
    return list(zip(times.tolist(), values.tolist(), strict=True))


def test_what_was_appended_is_read_in_order_of_time(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0 + 3000, 3.5), Reading(AIR, T0 + 1000, 1.25), Reading(AIR, T0 + DAY_MS, 4.0)])
    pair.writer.append([Reading(AIR, T0 + 2000, 2.0)])
    assert pairs(pair.reader, AIR) == [(T0 + 1000, 1.25), (T0 + 2000, 2.0), (T0 + 3000, 3.5), (T0 + DAY_MS, 4.0)]


def test_the_last_value_delivered_for_a_moment_wins(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 1.0), Reading(AIR, T0, 2.0)])
    assert pairs(pair.reader, AIR) == [(T0, 2.0)]
    pair.writer.append([Reading(AIR, T0, 3.0)])
    assert pairs(pair.reader, AIR) == [(T0, 3.0)]
    assert pair.reader.latest() == {AIR: (T0, 3.0)}


def test_delivering_a_batch_twice_changes_nothing(pair: Pair) -> None:
    batch = [Reading(AIR, T0 + 60_000 * minute, 20 + minute / 10) for minute in range(100)]
    pair.writer.append(batch)
    once = pairs(pair.reader, AIR)
    pair.writer.append(batch)
    assert pairs(pair.reader, AIR) == once
    assert len(once) == 100


def test_a_late_reading_finds_its_place_and_is_not_the_latest(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0 + hour * HOUR_MS, float(hour)) for hour in (0, 1, 30)])
    pair.writer.append([Reading(AIR, T0 + 2 * HOUR_MS, 2.0), Reading(AIR, T0 - 5 * DAY_MS, -5.0)])
    assert pairs(pair.reader, AIR) == [(T0 + hour * HOUR_MS, float(hour)) for hour in (0, 1, 2, 30)]
    assert pairs(pair.reader, AIR, T0 - 10 * DAY_MS, T0) == [(T0 - 5 * DAY_MS, -5.0)]
    assert pair.reader.latest() == {AIR: (T0 + 30 * HOUR_MS, 30.0)}


def test_a_range_holds_its_start_and_not_its_end(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0 + step, float(step)) for step in range(5)])
    assert pairs(pair.reader, AIR, T0 + 1, T0 + 3) == [(T0 + 1, 1.0), (T0 + 2, 2.0)]
    assert pairs(pair.reader, AIR, T0 + 3, T0 + 3) == []
    assert pairs(pair.reader, AIR, T0 + 3, T0 + 1) == []


def test_days_without_readings_leave_a_gap_and_no_invented_values(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 1.0), Reading(AIR, T0 + 9 * DAY_MS, 2.0)])
    assert pairs(pair.reader, AIR) == [(T0, 1.0), (T0 + 9 * DAY_MS, 2.0)]
    assert pairs(pair.reader, AIR, T0 + DAY_MS, T0 + 9 * DAY_MS) == []


def test_every_source_asked_for_is_answered_even_an_unknown_one(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 1.0)])
    answer = pair.reader.read([AIR, "nobody#"], T0, T0 + 1)
    assert list(answer) == [AIR, "nobody#"]
    assert answer["nobody#"][0].size == answer["nobody#"][1].size == 0


def test_sources_are_told_apart_letter_by_letter(pair: Pair) -> None:
    sources = ["Haus/Süd#temp", "haus/süd#temp", "温室/棚#温度", "a b,c=d\\#/0/t", 'quote"#', "a#", "a#t", "emoji/🌱#%"]
    pair.writer.append([Reading(source, T0, float(position)) for position, source in enumerate(sources)])
    answer = pair.reader.read(sources, T0, T0 + 1)
    assert {source: values.tolist() for source, (_, values) in answer.items()} == {
        source: [float(position)] for position, source in enumerate(sources)
    }
    assert pair.reader.latest() == {source: (T0, float(position)) for position, source in enumerate(sources)}


def test_more_than_a_handful_of_sources_are_read_at_once(pair: Pair) -> None:
    sources = [f"pot/{number}#level" for number in range(120)]
    pair.writer.append([Reading(source, T0 + 1, float(number)) for number, source in enumerate(sources)])
    answer = pair.reader.read([*sources, "nobody#"], T0, T0 + 2)
    assert [answer[source][1].tolist() for source in sources] == [[float(number)] for number in range(120)]


EXTREME = [
    0.0,
    -0.0,
    0.1,
    1 / 3,
    21.444444444444443,
    5e-324,
    -2.2250738585072014e-308,
    1.7976931348623157e308,
    -1.7976931348623157e308,
    2.0**53,
    2.0**53 + 2,
    -(2.0**62),
    1e15 + 0.3,
    float(np.float32(21.4)),
    1e-15,
    123456789.123456,
]


@pytest.mark.parametrize("values", [EXTREME, EXTREME[::-1], [-0.0], [0.1, 0.2, 0.30000000000000004], [1.0, 5e-324]])
def test_values_come_back_to_the_last_bit(pair: Pair, values: list[float]) -> None:
    pair.writer.append([Reading(AIR, T0 + step, value) for step, value in enumerate(values)])
    _, back = pair.reader.read([AIR], T0, T0 + 100)[AIR]
    assert back.view(np.int64).tolist() == np.array(values).view(np.int64).tolist()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_refused_and_nothing_of_its_batch_is_kept(pair: Pair, value: float) -> None:
    with pytest.raises(ValueError, match=r"A reading of .*air#temp is .*, which is not a number that can be kept"):
        pair.writer.append([Reading(AIR, T0, 1.0), Reading(AIR, T0 + 1, value)])
    assert pair.reader.latest() == {}


@pytest.mark.parametrize("time_ms", [-(10**17), 10**18])
def test_a_time_outside_the_calendar_is_refused(pair: Pair, time_ms: int) -> None:
    with pytest.raises(ValueError, match="outside the years 1 to 9999"):
        pair.writer.append([Reading(AIR, time_ms, 1.0)])
    with pytest.raises(ValueError, match="outside the years 1 to 9999"):
        pair.writer.append(failures=[SensorFailure(AIR, time_ms, "-127")])


def test_the_last_reading_before_a_moment_is_found_over_days_without_any(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 1.0), Reading(AIR, T0 + 5, 2.0), Reading(AIR, T0 + 7 * DAY_MS, 3.0)])
    pair.writer.append([Reading("b#", T0 + 6, 9.0)])
    before = pair.reader.last_before
    assert before([AIR, "b#", "nobody#"], T0 + 6 * DAY_MS) == {AIR: (T0 + 5, 2.0), "b#": (T0 + 6, 9.0)}
    assert before([AIR], T0 + 5) == {AIR: (T0, 1.0)}
    assert before([AIR], T0) == {}
    assert before([AIR], T0 + 400 * DAY_MS) == {AIR: (T0 + 7 * DAY_MS, 3.0)}


def test_a_failure_said_again_and_again_is_one_spell_until_the_next_reading(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 20.0)])
    for minute in range(1, 50):
        pair.writer.append(failures=[SensorFailure(AIR, T0 + minute, "unavailable")])
    assert pair.reader.failures() == [FailureSpell(AIR, T0 + 1, T0 + 49, None, "unavailable")]
    pair.writer.append([Reading(AIR, T0 + 60, 20.0)])
    assert pair.reader.failures() == [FailureSpell(AIR, T0 + 1, T0 + 49, T0 + 60, "unavailable")]
    pair.writer.append(failures=[SensorFailure(AIR, T0 + 70, "unavailable")])
    assert pair.reader.failures(since_ms=T0 + 61) == [FailureSpell(AIR, T0 + 70, T0 + 70, None, "unavailable")]


def test_a_late_failure_ends_at_the_reading_that_came_before_it_was_delivered(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 20.0), Reading(AIR, T0 + DAY_MS, 21.0)])
    pair.writer.append(failures=[SensorFailure(AIR, T0 + 5, "-127")])
    assert pair.reader.failures() == [FailureSpell(AIR, T0 + 5, T0 + 5, T0 + DAY_MS, "-127")]


def test_a_late_reading_inside_a_spell_of_failure_splits_it(pair: Pair) -> None:
    pair.writer.append(failures=[SensorFailure(AIR, T0 + 1, "-127"), SensorFailure(AIR, T0 + 9, "-127")])
    pair.writer.append([Reading(AIR, T0 + 5, 20.0)])
    assert pair.reader.failures() == [
        FailureSpell(AIR, T0 + 1, T0 + 1, T0 + 5, "-127"),
        FailureSpell(AIR, T0 + 9, T0 + 9, None, "-127"),
    ]


def test_failures_of_another_code_or_source_are_spells_of_their_own(pair: Pair) -> None:
    pair.writer.append(
        failures=[
            SensorFailure(AIR, T0 + 1, "-127"),
            SensorFailure(AIR, T0 + 2, "85"),
            SensorFailure("b#", T0 + 1, "-127"),
        ]
    )
    assert [(spell.source, spell.from_ms, spell.code) for spell in pair.reader.failures()] == [
        ("b#", T0 + 1, "-127"),
        (AIR, T0 + 1, "-127"),
        (AIR, T0 + 2, "85"),
    ]


def test_unread_messages_are_kept_whole_newest_first_until_forgotten(pair: Pair) -> None:
    odd = UnreadMessage(
        "glasshouse/odd", b"\x00\xff{", T0, "no sensor claims this topic", retained=False, time_known=False
    )
    pair.writer.append(unread=[odd, odd._replace(body=b"", arrived_ms=T0 + 1)])
    newest, oldest = pair.reader.unread()
    assert tuple(oldest)[1:] == tuple(odd)
    assert newest.body == b""
    assert pair.reader.unread_count().kept == 2
    pair.writer.forget_unread([oldest.id, 999_999])
    assert [message.id for message in pair.reader.unread()] == [newest.id]
    assert pair.reader.unread_count()._replace(bytes=0) == (1, 0, 0)


def test_touched_hours_are_those_of_the_readings_written_since(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0 + 90_000, 1.0), Reading(AIR, T0 + HOUR_MS, 1.0), Reading("b#", -1, 1.0)])
    touched = pair.reader.touched()
    assert {source: hours.tolist() for source, hours in touched.hours.items()} == {
        AIR: [T0, T0 + HOUR_MS],
        "b#": [-HOUR_MS],
    }
    pair.writer.write_facts(touched_until=touched.until)
    assert pair.reader.touched().hours == {}


def test_an_hour_touched_while_facts_were_computed_keeps_its_mark(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0, 1.0), Reading(AIR, T0 + HOUR_MS, 1.0)])
    seen = pair.reader.touched()
    pair.writer.append([Reading(AIR, T0, 2.0)])
    pair.writer.write_facts(touched_until=seen.until)
    assert {source: hours.tolist() for source, hours in pair.reader.touched().hours.items()} == {AIR: [T0]}


def test_touching_a_source_marks_every_hour_that_has_readings(pair: Pair) -> None:
    pair.writer.append([Reading(AIR, T0 - DAY_MS, 1.0), Reading(AIR, T0 + HOUR_MS, 1.0), Reading("b#", -1, 1.0)])
    pair.writer.write_facts(touched_until=pair.reader.touched().until)
    pair.writer.touch([AIR])
    hours = pair.reader.touched().hours
    assert set(hours) == {AIR}
    assert {T0 - DAY_MS, T0 + HOUR_MS} <= set(hours[AIR].tolist())
    pair.writer.touch()
    assert -HOUR_MS in pair.reader.touched().hours["b#"]


def test_facts_replace_facts_of_the_same_hour_and_an_empty_row_removes_them(pair: Pair) -> None:
    facts = pd.DataFrame(
        {
            "place": "east-window",
            "hour_ms": [T0 + HOUR_MS, T0, T0],
            "vpd_kpa": [0.9, 0.7, 0.8],
            "coverage": [1.0, 0.5, 1.0],
        }
    )
    pair.writer.write_facts([facts])
    kept = pair.reader.read_hourly("east-window", T0, T0 + 2 * HOUR_MS)
    assert list(kept.columns) == ["hour_ms", *HOURLY_COLUMNS]
    assert kept["hour_ms"].tolist() == [T0, T0 + HOUR_MS]
    assert kept["vpd_kpa"].tolist() == [0.8, 0.9]
    assert kept["temperature_c"].isna().all()
    pair.writer.write_facts([pd.DataFrame({"place": ["east-window"], "hour_ms": [T0], "vpd_kpa": [math.nan]})])
    assert pair.reader.read_hourly("east-window", T0, T0 + 2 * HOUR_MS)["hour_ms"].tolist() == [T0 + HOUR_MS]
    assert pair.reader.read_hourly("stairwell", T0, T0 + HOUR_MS).empty


def test_hourly_facts_of_a_year_and_several_places_come_back_place_by_place(pair: Pair) -> None:
    rng = np.random.default_rng(3)
    hours = T0 + np.arange(-4000, 4760, dtype=np.int64) * HOUR_MS
    frames = {}
    for place in ("east-window", "stairwell"):
        values = pd.DataFrame(rng.normal(0, 1, (hours.size, len(HOURLY_COLUMNS))), columns=list(HOURLY_COLUMNS))
        frames[place] = values.assign(hour_ms=hours, place=place)
    pair.writer.write_facts([pd.concat(frames.values()).sample(frac=1, random_state=3)])
    for place, facts in frames.items():
        kept = pair.reader.read_hourly(place, int(hours[7]), int(hours[-5]))
        pd.testing.assert_frame_equal(kept, facts.iloc[7:-5][kept.columns].reset_index(drop=True))


def test_hourly_facts_that_do_not_begin_on_the_hour_are_refused(pair: Pair) -> None:
    with pytest.raises(ValueError, match="hourly facts begin on the hour, UTC"):
        pair.writer.write_facts([pd.DataFrame({"place": ["east-window"], "hour_ms": [T0 + 1], "vpd_kpa": [1.0]})])


def test_daily_facts_of_a_pot_come_back_with_every_column(pair: Pair) -> None:
    row = {column: float(number) for number, column in enumerate(DAILY_COLUMNS)}
    pair.writer.write_facts(daily=pd.DataFrame([{"pot": "window left", "day_ms": T0, **row}]))
    kept = pair.reader.read_daily("window left", T0, T0 + 1)
    assert kept.to_dict("records") == [{"day_ms": T0, **row}]
    assert kept["day_ms"].dtype == np.int64


def test_facts_with_an_unknown_column_are_refused_by_name(pair: Pair) -> None:
    with pytest.raises(ValueError, match="hourly facts have no column named mood"):
        pair.writer.write_facts([pd.DataFrame({"place": ["east-window"], "hour_ms": [T0], "mood": [1.0]})])


def test_something_derived_is_kept_under_its_key_with_its_fingerprint(pair: Pair) -> None:
    assert pair.reader.get_derived("calibration") is None
    pair.writer.put_derived("calibration", "abc", b"\x00draws")
    pair.writer.put_derived("calibration", "abd", b"\x01draws")
    assert pair.reader.get_derived("calibration") == ("abd", b"\x01draws")


deliveries = st.lists(
    st.tuples(
        st.sampled_from(["a#t", "b#t"]),
        st.integers(T0, T0 + 3 * DAY_MS) | st.integers(T0, T0 + 50),
        st.floats(allow_nan=False, allow_infinity=False) | st.integers(-500, 500).map(lambda tenth: tenth / 10),
    ),
    max_size=60,
    unique_by=lambda row: row[:2],
)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=deliveries, data=st.data())
def test_any_order_of_delivery_and_any_batches_give_the_same_reads(
    new_pair: NewPair, rows: list[tuple[str, int, float]], data: st.DataObject
) -> None:
    pair = new_pair()
    order = data.draw(st.permutations(rows))
    cut = data.draw(st.integers(0, len(rows)))
    for batch in (order[:cut], order[cut:], order[: cut // 2]):
        pair.writer.append([Reading(*row) for row in batch])
    expected = {source: sorted(row[1:] for row in rows if row[0] == source) for source in ("a#t", "b#t")}
    assert {source: pairs(pair.reader, source) for source in expected} == expected
    assert pair.reader.latest() == {source: mine[-1] for source, mine in expected.items() if mine}
    start, end = sorted(data.draw(st.tuples(st.integers(T0, T0 + 3 * DAY_MS), st.integers(T0, T0 + 3 * DAY_MS))))
    assert pairs(pair.reader, "a#t", start, end) == [row for row in expected["a#t"] if start <= row[0] < end]
    before = [row for row in expected["a#t"] if row[0] < end]
    assert pair.reader.last_before(["a#t"], end) == ({"a#t": before[-1]} if before else {})
