"""Hourly facts from real readings and a real logbook: what they say, and that no order of events changes them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.air import vapour_pressure_deficit_kpa as vpd_kpa
from dashboard.answers.refresh import refresh
from ingest.home import Home
from ingest.readings import SensorFailure
from tests.dashboard.answers.small_home import (
    DAY_MS,
    HOUR_MS,
    HUMIDITY,
    WARMTH,
    air_sensor,
    every,
    home_with,
    march,
    told,
)

EVER = (0, 2**50)


@pytest.fixture
def home(tmp_path: Path):
    opened = home_with(tmp_path)
    yield opened
    opened.close()


def facts(home: Home, shelf: str = "east-window") -> pd.DataFrame:
    return home.readings.read_hourly(shelf, *EVER)


def at(home: Home, hour_ms: int, shelf: str = "east-window") -> pd.Series:
    return facts(home, shelf).set_index("hour_ms").loc[hour_ms]


def test_the_deficit_of_an_hour_is_the_mean_of_the_moments_not_the_deficit_of_the_means(home: Home):
    # Half an hour cold and damp, half an hour warm and dry; temperature and humidity come in separate messages.
    home.readings.append(
        told(WARMTH, (march(2, 10), 15.0), (march(2, 10.5), 30.0), (march(2, 11), 30.0))
        + told(HUMIDITY, (march(2, 10), 90.0), (march(2, 10.5), 30.0), (march(2, 11), 30.0))
    )
    refresh(home, march(2, 11))
    hour = at(home, march(2, 10))
    assert hour["vpd_kpa"] == pytest.approx((vpd_kpa(15.0, 90.0) + vpd_kpa(30.0, 30.0)) / 2)
    assert hour["vpd_kpa"] - vpd_kpa(22.5, 60.0) > 0.4  # kPa; the deficit of the mean air is far too low
    assert hour["vpd_max_kpa"] == pytest.approx(vpd_kpa(30.0, 30.0))
    assert (hour["temperature_c"], hour["relative_humidity_pct"], hour["coverage"]) == pytest.approx((22.5, 60.0, 1.0))


def test_readings_are_told_in_the_shelf_s_units_whatever_the_sensor_says(tmp_path: Path):
    fahrenheit = replace(WARMTH, unit="degF")
    home = home_with(tmp_path, [fahrenheit, HUMIDITY])
    home.readings.append(told(fahrenheit, *every(10, march(2, 8), march(2, 10), 68.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2, 8), march(2, 10), 50.0)))
    refresh(home, march(2, 10))
    assert at(home, march(2, 9))["temperature_c"] == pytest.approx(20.0)
    home.close()


def test_a_late_reading_repairs_its_hours(home: Home):
    home.readings.append(told(WARMTH, *every(30, march(2), march(3), 20.0)))
    home.readings.append(told(HUMIDITY, *every(30, march(2), march(3), 50.0)))
    refresh(home, march(3))
    home.readings.append(told(HUMIDITY, (march(2, 10.25), 80.0)))
    assert refresh(home, march(3)) > 0
    assert at(home, march(2, 10))["relative_humidity_pct"] == pytest.approx(0.75 * 50 + 0.25 * 80)
    assert at(home, march(2, 9))["relative_humidity_pct"] == pytest.approx(50.0)


def test_a_sensor_moved_on_tuesday_and_reported_on_friday_corrects_both_shelves(home: Home):
    tuesday, friday = march(3, 12), march(6)
    home.readings.append(told(WARMTH, *every(10, march(2), friday, 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), friday, 50.0)))
    refresh(home, friday)
    assert facts(home, "stairwell").empty
    assert facts(home)["hour_ms"].max() == friday - HOUR_MS
    for sensor in (WARMTH, HUMIDITY):
        home.logbook.place_sensor(sensor.source, "stairwell", tuesday)
    refresh(home, friday)
    # The last reading on the first shelf, ten minutes before the move, may stand for its hour.
    assert facts(home)["hour_ms"].max() == tuesday
    assert at(home, tuesday)["coverage"] == pytest.approx(50 / 60)
    there = facts(home, "stairwell")["hour_ms"]
    assert (there.min(), there.max()) == (tuesday, friday - HOUR_MS)


def test_a_mended_calibration_corrects_history(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(3), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(3), 50.0)))
    refresh(home, march(3))
    home.logbook.calibrate_sensor(HUMIDITY.source, [(0.0, 4.0), (100.0, 104.0)])
    refresh(home, march(3))
    assert facts(home)["relative_humidity_pct"].to_numpy() == pytest.approx(np.full(24, 54.0))


def test_what_a_silent_sensor_did_not_tell_stays_unknown(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(2, 20), 20.0)))
    # The hygrometer says its last word at 8:00 and may be held for an hour.
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(2, 8) + 1, 50.0)))
    for hour in range(1, 21):
        refresh(home, march(2, hour))
    known = facts(home).set_index("hour_ms")
    assert known.loc[march(2, 8), "coverage"] == pytest.approx(1.0)
    assert np.isnan(known.loc[march(2, 9), ["vpd_kpa", "relative_humidity_pct", "coverage"]]).all()
    assert known.loc[march(2, 9), "temperature_c"] == pytest.approx(20.0)


def test_a_sensor_that_speaks_only_on_change_is_held_while_nothing_is_computed_twice(tmp_path: Path):
    # Two hours between heartbeats; refreshed each hour, also in those in which nothing came.
    slow = replace(HUMIDITY, interval_s=7200.0)
    home = home_with(tmp_path, [WARMTH, slow])
    home.readings.append(told(WARMTH, *every(10, march(2), march(3), 20.0)))
    for hour in range(24):
        if hour % 2 == 0:
            home.readings.append(told(slow, (march(2, hour), 50.0)))
        refresh(home, march(2, hour + 1))
    assert facts(home)["coverage"].to_numpy() == pytest.approx(np.ones(24))
    home.close()


def test_a_failure_ends_what_was_known_even_when_it_is_told_late(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(2, 6), 20.0)))
    home.readings.append(told(HUMIDITY, *every(30, march(2), march(2, 4), 50.0)))
    refresh(home, march(2, 6))
    assert at(home, march(2, 4))["coverage"] == pytest.approx(0.5)
    home.readings.append(failures=[SensorFailure(HUMIDITY.source, march(2, 3.75), "unavailable")])
    refresh(home, march(2, 6))
    assert at(home, march(2, 3))["coverage"] == pytest.approx(0.75)
    assert np.isnan(at(home, march(2, 4))["vpd_kpa"])


def test_two_refreshes_in_a_row_write_nothing_new(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(3), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(3), 50.0)))
    assert refresh(home, march(3)) == 24
    assert refresh(home, march(3)) == 0
    assert refresh(home, march(3, 0.9)) == 0


def test_no_fact_reaches_beyond_the_moment(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(2, 10.4), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(2, 10.4), 50.0)))
    refresh(home, march(2, 10.4))
    assert facts(home)["hour_ms"].max() == march(2, 9)  # the hour that began at 10 has not ended


def test_asking_as_of_the_past_takes_nothing_away_from_the_present(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(5), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(5), 50.0)))
    refresh(home, march(3))
    refresh(home, march(5))
    assert len(facts(home)) == 72
    home.logbook.calibrate_sensor(HUMIDITY.source, [(0.0, 4.0), (100.0, 104.0)])
    refresh(home, march(3))
    assert len(facts(home)) == 72


def test_later_readings_leave_earlier_hours_as_they_were(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(3), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(3), 50.0)))
    refresh(home, march(3))
    before = facts(home)
    home.readings.append(told(WARMTH, *every(10, march(3), march(6), 26.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(3), march(6), 70.0)))
    refresh(home, march(6))
    pd.testing.assert_frame_equal(facts(home).head(len(before)), before)


def test_days_whose_readings_were_let_go_keep_their_facts(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[readings]\nkeep_raw_days = 30\n")
    home = home_with(tmp_path)
    for sensor, value in ((WARMTH, 20.0), (HUMIDITY, 50.0)):
        home.readings.append(told(sensor, *every(60, march(1), march(1) + 45 * DAY_MS, value)))
    now_ms = march(1) + 45 * DAY_MS
    refresh(home, now_ms)
    assert len(facts(home)) == 45 * 24
    home.readings.seal(now_ms - DAY_MS)
    home.readings.prune(30, now_ms)
    home.logbook.calibrate_sensor(HUMIDITY.source, [(0.0, 10.0), (100.0, 110.0)])
    refresh(home, now_ms)
    humidity = facts(home)["relative_humidity_pct"].to_numpy()
    assert humidity.size == 45 * 24
    assert (humidity[0], humidity[-1]) == pytest.approx((50.0, 60.0))
    home.close()


def test_a_failure_that_is_long_past_takes_no_facts_away(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[readings]\nkeep_raw_days = 30\n")
    home = home_with(tmp_path)
    home.readings.append(failures=[SensorFailure(HUMIDITY.source, march(3) + 1, "unavailable")])
    for day in (20, 50, 70):
        for sensor, value in ((WARMTH, 20.0), (HUMIDITY, 50.0)):
            home.readings.append(
                told(sensor, *every(60, march(1) + (day - 30) * DAY_MS, march(1) + day * DAY_MS, value))
            )
        now_ms = march(1) + day * DAY_MS
        refresh(home, now_ms)
        known = len(facts(home))
        home.readings.seal(now_ms)
        home.readings.prune(30, now_ms)
        refresh(home, now_ms)
        assert len(facts(home)) == known
    home.close()


def test_shelves_computed_together_know_nothing_of_each_other(tmp_path: Path):
    shelves = ("east-window", "stairwell")
    pairs = {
        at: [air_sensor(f"{at}/{quantity}", quantity, at) for quantity in ("air_temperature", "relative_humidity")]
        for at in shelves
    }

    def facts_of(name: str, some: tuple[str, ...]) -> dict[str, pd.DataFrame]:
        home = home_with(tmp_path / name, [sensor for at in some for sensor in pairs[at]])
        for hour in range(24):
            for number, at in enumerate(some, start=shelves.index(some[0])):
                warmth, humidity = pairs[at]
                moments = [ms for ms, _ in every(10, march(2, hour), march(2, hour + 1), 0.0)]
                home.readings.append(told(warmth, *((ms, 15.0 + 9 * number + ms % 7) for ms in moments)))
                # One after the other falls silent for some hours: the air of neither may stand for the other's.
                if not 8 + 3 * number <= hour < 13 + 3 * number:
                    home.readings.append(told(humidity, *((ms + 1, 40.0 + 30 * number + ms % 11) for ms in moments)))
                if hour == 9 + 6 * number:
                    home.readings.append(failures=[SensorFailure(warmth.source, moments[-1] + 2, "unavailable")])
            refresh(home, march(2, hour + 1))
        found = {at: facts(home, at) for at in some}
        home.close()
        return found

    together = facts_of("together", shelves)
    for at in shelves:
        assert together[at]["coverage"].isna().any()
        # The order of sums differs, so the last of sixteen digits may.
        pd.testing.assert_frame_equal(together[at], facts_of(at, (at,))[at], rtol=1e-13, atol=0.0)


def test_a_pace_that_late_readings_teach_anew_gives_the_facts_of_a_fresh_start(tmp_path: Path):
    sensors = [replace(WARMTH, interval_s=None), replace(HUMIDITY, interval_s=None)]
    sparse, dense = (every(minutes, march(2), march(7), 20.0) for minutes in (180, 10))

    def told_all(home: Home, rows: list[tuple[int, float]]) -> None:
        for sensor in sensors:
            home.readings.append(told(sensor, *rows))

    home = home_with(tmp_path / "steps", sensors)
    held = []
    for day in range(2, 7):
        told_all(home, [row for row in sparse if march(day) <= row[0] < march(day + 1)])
        refresh(home, march(day + 1))
        refresh(home, march(day + 1, 5))
        held.append(march(day + 1, 2) in set(facts(home)["hour_ms"]))
    assert held == [False, True, True, True, True]  # eight readings teach nothing yet; more, that they are hours apart
    told_all(home, dense)
    refresh(home, march(7, 5))
    assert march(7, 2) not in set(facts(home)["hour_ms"])

    fresh = home_with(tmp_path / "fresh", sensors)
    told_all(fresh, dense)
    refresh(fresh, march(7, 5))
    pd.testing.assert_frame_equal(facts(home), facts(fresh), rtol=1e-13, atol=0.0)
    home.close()
    fresh.close()


DELIVERY = st.tuples(
    st.sampled_from(["warmth", "humidity"]),
    st.integers(0, 30 * 6 - 1),  # ten-minute marks of thirty hours
    st.one_of(st.integers(10, 90).map(float), st.none()),  # None: the sensor fails
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(batches=st.lists(st.lists(DELIVERY, min_size=1, max_size=12), min_size=1, max_size=5))
def test_any_order_of_deliveries_and_refreshes_gives_the_facts_of_a_fresh_start(tmp_path_factory, batches):
    sensors = {
        "warmth": air_sensor("warmth", "air_temperature", "east-window", interval_s=None),
        "humidity": air_sensor("humidity", "relative_humidity", "east-window", interval_s=3600.0),
    }
    folder = tmp_path_factory.mktemp("order")
    home = home_with(folder, sensors.values())
    now_ms = march(2)
    for batch in batches:
        now_ms = max(now_ms, *(march(2) + mark * 600_000 for _, mark, _ in batch))
        _deliver(home, sensors, batch)
        refresh(home, now_ms)
    refresh(home, march(4))
    step_by_step = facts(home)
    home.close()

    fresh = home_with(tmp_path_factory.mktemp("fresh"), sensors.values())
    for batch in batches:
        _deliver(fresh, sensors, batch)
    refresh(fresh, march(4))
    from_nothing = facts(fresh)
    fresh.close()
    pd.testing.assert_frame_equal(step_by_step, from_nothing, rtol=1e-12, atol=1e-12)


def _deliver(home: Home, sensors, batch) -> None:
    for name, mark, value in batch:
        moment_ms = march(2) + mark * 600_000
        if value is None:
            home.readings.append(failures=[SensorFailure(sensors[name].source, moment_ms, "unavailable")])
        else:
            home.readings.append(told(sensors[name], (moment_ms, value)))
