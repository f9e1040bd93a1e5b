"""What was measured at a place: joined over moves, in canonical units, with failures marked; and a shelf's air now."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.air import vapour_pressure_deficit_kpa
from dashboard.answers.places import measured_at
from dashboard.answers.refresh import refresh
from dashboard.answers.shelf_air import AirNow, air_now
from ingest.home import Home
from ingest.readings import SensorFailure
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers.small_home import HOUR_MS, HUMIDITY, WARMTH, air_sensor, every, home_with, march, told


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    opened = home_with(tmp_path)
    yield opened
    opened.close()


def series(home: Home, at: str, quantity: str = "air_temperature", start: float = 0, end: float = 24):
    return measured_at(home.readings, home.logbook.sensors(), at, quantity, march(2, start), march(2, end))


def now(home: Home, at_ms: int, shelf: str = "east-window") -> AirNow:
    shelves = {one.label: one.given() for one in home.logbook.shelves()}
    return air_now(home, shelf, shelves, home.logbook.sensors(), at_ms)


def test_a_swapped_sensor_continues_the_series_of_the_place(home: Home):
    home.readings.append(told(WARMTH, *every(60, march(2), march(2, 12), 20.0)))
    new = air_sensor("new", "air_temperature", "east-window", unit="degF")
    home.logbook.swap_sensor(WARMTH.source, replace(new, placed=()), march(2, 12))
    home.readings.append(told(new, *every(60, march(2, 12), march(3), 77.0)))
    found = series(home, "east-window")
    assert found.value.tolist() == pytest.approx([20.0] * 12 + [25.0] * 12)
    assert [sensor.source for sensor in found.sensors] == [WARMTH.source, new.source]


def test_only_the_time_that_a_sensor_stood_there_counts(home: Home):
    home.readings.append(told(WARMTH, *every(60, march(2), march(3), 20.0)))
    home.logbook.place_sensor(WARMTH.source, "stairwell", march(2, 18))
    assert series(home, "east-window").time_ms.size == 18
    assert series(home, "stairwell").time_ms.size == 6


def test_a_pot_keeps_its_sensor_when_it_is_carried_to_another_shelf(tmp_path: Path):
    level = Sensor("t/level", "number", "", "reservoir_level", "mm",
                   placed=(Placement(march(1), None, "east-window/window left"),))  # fmt: skip
    home = home_with(tmp_path, [])
    with home.logbook.writing():
        home.logbook.put_pot({"label": "window left", "plant": "Cattleya hybrid"})
        home.logbook.put_sensor(level)
    home.readings.append(told(level, (march(2, 1), 31.0)))
    assert series(home, "stairwell/window left", "reservoir_level").value.tolist() == [31.0]
    home.close()


def test_a_failure_is_no_number_from_its_beginning_on(home: Home):
    home.readings.append(told(WARMTH, (march(2, 8), 20.0), (march(2, 12), 21.0)))
    home.readings.append(failures=[SensorFailure(WARMTH.source, march(2, 9), "-127")])
    found = series(home, "east-window")
    assert found.time_ms.tolist() == [march(2, 8), march(2, 9), march(2, 12)]
    assert np.isnan(found.value).tolist() == [False, True, False]


def test_a_place_that_no_sensor_serves_is_empty(home: Home):
    found = series(home, "stairwell")
    assert (found.time_ms.size, found.sensors) == (0, ())


def test_the_air_now_is_of_the_last_readings_and_the_day_of_the_facts(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(3), 20.0), (march(3), 24.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(3), 50.0), (march(3), 40.0)))
    refresh(home, march(3))
    air = now(home, march(3) + 60_000)
    assert (air.temperature_c, air.relative_humidity_pct, air.state) == (24.0, 40.0, "measured")
    assert air.vpd_kpa == pytest.approx(float(vapour_pressure_deficit_kpa(24.0, 40.0)))
    assert air.vpd_day_kpa == pytest.approx(float(vapour_pressure_deficit_kpa(20.0, 50.0)))
    assert air.age_s == 60.0


def test_air_near_saturation_is_wet_and_not_measured(home: Home):
    home.readings.append(told(WARMTH, (march(2), 20.0)) + told(HUMIDITY, (march(2), 98.0)))
    assert now(home, march(2) + 1000).state == "wet_unmeasured"


@pytest.mark.parametrize(("quiet_minutes", "state"), [(5, "fresh"), (31, "silent")])
def test_a_hygrometer_that_missed_three_of_its_intervals_is_silent(home: Home, quiet_minutes: int, state: str):
    home.readings.append(told(WARMTH, *every(5, march(2), march(2, 10), 20.0)))
    home.readings.append(told(HUMIDITY, *every(5, march(2), march(2, 10) - quiet_minutes * 60_000 + 1, 50.0)))
    air = now(home, march(2, 10))
    assert air.sensor_state == state
    assert (air.vpd_kpa is None) == (state == "silent")


def test_the_air_of_a_failed_sensor_is_not_told(home: Home):
    home.readings.append(told(WARMTH, *every(10, march(2), march(2, 10), 20.0)))
    home.readings.append(told(HUMIDITY, *every(10, march(2), march(2, 10), 50.0)))
    home.readings.append(failures=[SensorFailure(WARMTH.source, march(2, 10), "unavailable")])
    air = now(home, march(2, 10) + 1)
    assert (air.temperature_c, air.vpd_kpa, air.sensor_state) == (None, None, "failed")


def test_a_shelf_without_a_sensor_or_a_neighbour_has_no_air(home: Home):
    assert now(home, march(2), "stairwell") == AirNow(None, None, None, None, "none", None, "none")


def test_a_shelf_that_borrows_from_one_without_a_sensor_has_no_air(tmp_path: Path):
    home = home_with(tmp_path, [])
    with home.logbook.writing():
        home.logbook.put_shelf({"label": "stairwell", "air": "draughty", "air_from": "east-window"})
    assert now(home, march(2) + HOUR_MS, "stairwell").state == "none"
    home.close()
