"""Means of shelf air from the readings that home sensors really send."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import air
from analysis.held_series import HOUR_MS, MINUTE_MS, held, learned_hold_ms, mean_within, value_at

START = 1_780_000_000_000 // HOUR_MS * HOUR_MS


def times(*minutes):
    return START + np.array(minutes, dtype=np.int64) * MINUTE_MS


def hour(t_minutes, t_c, rh_minutes, rh_pct, hold_minutes=90, hours=1):
    return air.hourly_climate(
        times(*t_minutes),
        np.array(t_c, dtype=float),
        times(*rh_minutes),
        np.array(rh_pct, dtype=float),
        START,
        START + hours * HOUR_MS,
        hold_minutes * MINUTE_MS,
    )


def test_scalars_give_scalars_and_arrays_broadcast():
    assert isinstance(float(air.vapour_pressure_deficit_kpa(20, 50)), float)
    grid = air.vapour_pressure_deficit_kpa(np.array([[18.0], [22.0], [26.0]]), np.array([40.0, 80.0]))
    assert grid.shape == (3, 2)
    assert grid[1, 0] == air.vapour_pressure_deficit_kpa(22.0, 40.0)


def test_a_wet_sensor_above_100_percent_reads_as_no_deficit_and_never_a_negative_one():
    assert air.vapour_pressure_deficit_kpa(20.0, np.array([100.0, 101.0, 104.5])).tolist() == [0.0, 0.0, 0.0]


def test_a_humidity_of_250_percent_is_no_humidity():
    assert np.isnan(air.vapour_pressure_deficit_kpa(20.0, 250.0))
    assert np.isnan(air.dew_point_c(20.0, -40.0))


def test_bone_dry_air_has_no_dew_point_but_a_deficit():
    assert np.isnan(air.dew_point_c(20.0, 0.0))
    assert air.vapour_pressure_deficit_kpa(20.0, 0.0) == air.saturation_vapour_pressure_kpa(20.0)


def test_small_deficits_are_called_wet_and_unmeasured():
    assert air.is_wet_unmeasured(np.array([0.0, 0.149, 0.15, 0.9])).tolist() == [True, True, False, False]


@given(
    temperature=st.floats(0, 45),
    humidity=st.floats(1, 99),
    drier=st.floats(0.5, 20),
    warmer=st.floats(0.1, 10),
)
@settings(max_examples=80, deadline=None)
def test_drier_or_warmer_air_always_pulls_harder(temperature, humidity, drier, warmer):
    here = air.vapour_pressure_deficit_kpa(temperature, humidity)
    assert air.vapour_pressure_deficit_kpa(temperature, max(humidity - drier, 0.0)) > here
    assert air.vapour_pressure_deficit_kpa(temperature + warmer, humidity) > here
    dew = air.dew_point_c(temperature, humidity)
    assert dew < temperature
    assert air.saturation_vapour_pressure_kpa(dew) == pytest.approx(
        air.vapour_pressure_kpa(temperature, humidity), rel=1e-9
    )


def test_temperature_and_humidity_in_separate_messages_are_paired_moment_by_moment():
    # 20 degC from 0 min, 26 degC from 30 min; 50 % from 0 min, 40 % from 45 min.
    facts = hour([0, 30], [20, 26], [0, 45], [50, 40])
    expected = 0.5 * air.vapour_pressure_deficit_kpa(20, 50)
    expected += 0.25 * air.vapour_pressure_deficit_kpa(26, 50) + 0.25 * air.vapour_pressure_deficit_kpa(26, 40)
    assert facts.vpd_kpa[0] == pytest.approx(expected, rel=1e-12)
    assert facts.vpd_max_kpa[0] == pytest.approx(air.vapour_pressure_deficit_kpa(26, 40))
    assert facts.temperature_c[0] == pytest.approx(23.0)
    assert facts.relative_humidity_pct[0] == pytest.approx(47.5)
    assert facts.coverage[0] == pytest.approx(1.0)


def test_a_mean_is_weighted_by_time_not_by_the_number_of_readings():
    # A sensor that reports on change sends many readings while the door is open for six minutes.
    facts = hour([0, 1, 2, 3, 4, 5, 6], [20, 14, 13, 12, 13, 14, 20], [0], [50])
    assert facts.temperature_c[0] == pytest.approx((20 + 14 + 13 + 12 + 13 + 14 + 54 * 20) / 60)


def test_the_hour_begins_with_the_reading_that_still_holds():
    facts = hour([-30], [21], [-20], [55])
    assert facts.coverage[0] == pytest.approx(1.0)
    assert facts.vpd_kpa[0] == pytest.approx(air.vapour_pressure_deficit_kpa(21, 55))


def test_a_reading_too_old_stands_for_nothing():
    facts = hour([0], [21], [-70], [55], hold_minutes=90, hours=3)
    assert facts.coverage[0] == pytest.approx(20 / 60)  # humidity holds until minute 20
    assert facts.temperature_c[1] == pytest.approx(21)  # temperature until minute 90
    assert np.isnan(facts.vpd_kpa[1])
    assert np.isnan(facts.vpd_max_kpa[1])
    assert facts.coverage[1] == 0
    assert np.isnan(facts.temperature_c[2])


def test_a_failed_sensor_ends_what_its_last_reading_said():
    facts = hour([0, 15], [21, np.nan], [0], [55])
    assert facts.coverage[0] == pytest.approx(0.25)
    assert facts.temperature_c[0] == pytest.approx(21)


def test_an_implausible_humidity_is_unknown_and_not_an_extreme():
    facts = hour([0], [21], [0, 30], [55, 250])
    assert facts.coverage[0] == pytest.approx(0.5)
    assert facts.vpd_max_kpa[0] == pytest.approx(air.vapour_pressure_deficit_kpa(21, 55))


def test_no_readings_give_rows_that_say_so():
    facts = hour([], [], [], [], hours=2)
    assert facts.hour_ms.tolist() == [START, START + HOUR_MS]
    assert facts.coverage.tolist() == [0, 0]
    assert np.all(np.isnan(facts.vpd_kpa))


def test_of_two_readings_at_one_moment_the_last_counts():
    assert hour([0, 0], [99, 21], [0], [50]).temperature_c[0] == pytest.approx(21)


def test_descending_times_are_refused():
    with pytest.raises(ValueError, match="times must ascend"):
        hour([10, 0], [20, 21], [0], [50])


def test_a_window_inside_an_hour_gets_the_whole_hour():
    facts = air.hourly_climate(
        times(0), np.array([20.0]), times(0), np.array([50.0]), START + 20 * MINUTE_MS, START + 61 * MINUTE_MS, HOUR_MS
    )
    assert facts.hour_ms.tolist() == [START, START + HOUR_MS]
    assert facts.coverage.tolist() == [1.0, 0.0]


@given(seed=st.integers(0, 10_000), hold_minutes=st.integers(5, 200))
@settings(max_examples=40, deadline=None)
def test_hourly_facts_equal_a_second_by_second_reckoning(seed, hold_minutes):
    """The plain definition, minute by minute, against the prefix sums."""
    rng = np.random.default_rng(seed)
    t_minutes = np.sort(rng.integers(-60, 240, rng.integers(0, 30)))
    rh_minutes = np.sort(rng.integers(-60, 240, rng.integers(0, 30)))
    t_c = rng.uniform(5, 35, t_minutes.size)
    rh_pct = rng.uniform(20, 104, rh_minutes.size)
    t_c[rng.random(t_c.size) < 0.1] = np.nan
    facts = hour(t_minutes, t_c, rh_minutes, rh_pct, hold_minutes, hours=4)

    def last_known(minutes, values, now):
        before = np.flatnonzero(minutes <= now)
        known = before.size and now - minutes[before[-1]] < hold_minutes
        return values[before[-1]] if known else np.nan

    now = np.arange(240)
    t_now = np.array([last_known(t_minutes, t_c, m) for m in now])
    rh_now = np.array([last_known(rh_minutes, rh_pct, m) for m in now])
    vpd = air.vapour_pressure_deficit_kpa(t_now, rh_now).reshape(4, 60)
    known = ~np.isnan(vpd)
    assert facts.coverage == pytest.approx(known.mean(axis=1))
    for row in range(4):
        if known[row].any():
            assert facts.vpd_kpa[row] == pytest.approx(np.nanmean(vpd[row]), rel=1e-9, abs=1e-12)
            assert facts.vpd_max_kpa[row] == pytest.approx(np.nanmax(vpd[row]))
        else:
            assert np.isnan(facts.vpd_kpa[row])


def test_cutting_the_history_anywhere_gives_the_same_hours():
    rng = np.random.default_rng(3)
    minutes = np.sort(rng.integers(0, 48 * 60, 300))
    readings = rng.uniform(15, 25, 300)
    whole = hour(minutes, readings, minutes, readings + 40, hold_minutes=60, hours=48)
    late = minutes >= 20 * 60 - 60
    part = air.hourly_climate(
        times(*minutes[late]),
        readings[late],
        times(*minutes[late]),
        readings[late] + 40,
        START + 20 * HOUR_MS,
        START + 48 * HOUR_MS,
        HOUR_MS,
    )
    assert part.vpd_kpa == pytest.approx(whole.vpd_kpa[20:], rel=1e-12, nan_ok=True)


def test_hours_are_gathered_by_what_they_cover():
    value = np.array([1.0, 3.0, np.nan, 5.0])
    coverage = np.array([1.0, 0.5, 0.0, 1.0])
    mean, hours = air.mean_of_hours(value, coverage, np.array([0, 0, 0, 1]), 3)
    assert mean[:2] == pytest.approx([(1.0 + 1.5) / 1.5, 5.0])
    assert np.isnan(mean[2])
    assert hours.tolist() == [1.5, 1.0, 0.0]


def test_hold_is_learnt_from_the_sensor_itself():
    every_ten_minutes = START + np.arange(200, dtype=np.int64) * 10 * MINUTE_MS
    assert learned_hold_ms(every_ten_minutes) == HOUR_MS  # never below an hour
    heartbeat_of_two_hours = START + np.arange(200, dtype=np.int64) * 2 * HOUR_MS
    assert learned_hold_ms(heartbeat_of_two_hours) == 5 * HOUR_MS
    assert learned_hold_ms(heartbeat_of_two_hours[:3]) == HOUR_MS  # three readings teach nothing
    assert learned_hold_ms(START + np.arange(20, dtype=np.int64) * 30 * HOUR_MS) == 12 * HOUR_MS


def test_values_at_moments_in_any_order():
    series = held(times(0, 10, 50), np.array([1.0, 2.0, 3.0]), 20 * MINUTE_MS)
    assert value_at(series, times(55, -1, 0, 29, 30)).tolist()[0:1] == [3.0]
    assert np.isnan(value_at(series, times(-1, 30, 70))).all()


def test_a_decade_of_milliseconds_keeps_its_digits():
    count = 1_000_000
    time_ms = START + np.arange(count, dtype=np.int64) * 5 * MINUTE_MS
    series = held(time_ms, np.full(count, 21.3), HOUR_MS)
    mean, coverage = mean_within(series, time_ms[-13:-12], time_ms[-1:])
    assert mean[0] == pytest.approx(21.3, abs=1e-9)
    assert coverage[0] == pytest.approx(1.0, abs=1e-9)


def test_a_long_history_is_the_same_as_its_hours_asked_for_alone():
    rng = np.random.default_rng(5)
    start_ms, end_ms = 1_767_225_600_000 + 1_234_567, 1_767_225_600_000 + 100 * 24 * HOUR_MS
    t_times, rh_times = (np.sort(rng.integers(start_ms - 24 * HOUR_MS, end_ms, size)) for size in (3000, 1500))
    t_values, rh_values = rng.uniform(10, 30, 3000), rng.uniform(20, 115, 1500)
    t_values[rng.random(3000) < 0.05] = np.nan
    whole = air.hourly_climate(t_times, t_values, rh_times, rh_values, start_ms, end_ms, 6 * HOUR_MS)
    for hour in (0, 719, 720, 721, 1440, whole.hour_ms.size - 1):
        first_ms = int(whole.hour_ms[hour])
        alone = air.hourly_climate(t_times, t_values, rh_times, rh_values, first_ms, first_ms + HOUR_MS, 6 * HOUR_MS)
        for name in ("temperature_c", "relative_humidity_pct", "vpd_kpa", "vpd_max_kpa", "coverage"):
            expected = getattr(alone, name)[0]
            assert getattr(whole, name)[hour] == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True), (name, hour)
    with pytest.raises(ValueError, match="times must ascend"):
        air.hourly_climate(t_times[::-1], t_values, rh_times, rh_values, start_ms, end_ms, HOUR_MS)
