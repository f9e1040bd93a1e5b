"""Levels made fit for use: what the sensor is like, bumps, stuck stretches, silence, the level by the book."""

import numpy as np
import pytest

from analysis.held_series import DAY_MS, HOUR_MS
from analysis.levels import character, cleaned, level_at, level_by_the_book, silent_since_ms
from tests.analysis.levels_for_tests import START_MS, level_of, looks, read_coarsely, read_finely


def test_a_sensor_by_the_clock_shows_its_noise_and_resolution():
    time_ms = looks(12)
    sensor = character(time_ms, read_finely(time_ms, level_of(time_ms)))
    assert sensor.noise_mm == pytest.approx(0.3, rel=0.1)
    assert sensor.step_mm == pytest.approx(0.1)
    assert not sensor.on_change
    assert sensor.interval_ms == 900_000


def test_a_sensor_on_change_shows_its_step_and_heartbeat():
    time_ms = looks(20, 60)
    sensor = character(*read_coarsely(time_ms, level_of(time_ms, mm_per_day=1.0)))
    assert sensor.on_change
    assert sensor.step_mm == pytest.approx(1.0)
    assert sensor.interval_ms == HOUR_MS
    assert sensor.longest_ms == 6 * HOUR_MS


def test_a_few_readings_teach_nothing_and_the_default_is_cautious():
    assert character(looks(0.1), np.full(9, 40.0)).noise_mm == 1.0


@pytest.mark.parametrize("length", [1, 2, 3])
@pytest.mark.parametrize("height_mm", [9.0, -9.0])
def test_a_knock_is_left_out_and_nothing_else_is(length, height_mm):
    time_ms = looks(12)
    value = read_finely(time_ms, level_of(time_ms))
    value[500 : 500 + length] += height_mm
    levels = cleaned(time_ms, value)
    gone = np.setdiff1d(time_ms, levels.time_ms)
    assert set(time_ms[500 : 500 + length]) <= set(gone)
    assert gone.size <= length + 2


def test_a_refill_is_no_knock():
    time_ms = looks(12)
    levels = cleaned(time_ms, read_finely(time_ms, level_of(time_ms)))
    assert levels.time_ms.size == time_ms.size


def test_a_lifted_pot_is_left_out_of_its_mass():
    time_ms = looks(6)
    mass_g = 900 - 9 * (time_ms - START_MS) / DAY_MS + np.random.default_rng(2).normal(0, 0.6, time_ms.size)
    mass_g[300] = 0.4
    assert time_ms[300] not in cleaned(time_ms, mass_g).time_ms


def test_a_sensor_that_repeats_itself_is_stuck_and_its_level_unknown():
    time_ms = looks(12)
    value = read_finely(time_ms, level_of(time_ms))
    value[600:900] = value[600]
    levels = cleaned(time_ms, value)
    assert levels.stuck_from_ms.tolist() == [time_ms[600]]
    assert np.isnan(level_at(levels, time_ms[700:710])).all()
    assert np.isfinite(level_at(levels, time_ms[[500, 950]])).all()


def test_a_stepping_sensor_that_does_not_move_for_many_times_its_usual_stay_is_stuck():
    time_ms = looks(30, 60)
    level = level_of(time_ms, mm_per_day=1.2, refills=((10, 12.0),))
    level[15 * 24 :] = level[15 * 24]
    levels = cleaned(*read_coarsely(time_ms, level, noise_mm=0.05))
    assert levels.stuck_from_ms.size == 1
    assert abs(levels.stuck_from_ms[0] - time_ms[15 * 24]) <= DAY_MS


def test_a_slow_pot_on_a_coarse_sensor_is_not_stuck():
    time_ms = looks(30, 60)
    levels = cleaned(*read_coarsely(time_ms, level_of(time_ms, mm_per_day=0.4, refills=())))
    assert levels.stuck_from_ms.size == 0


def test_an_empty_reservoir_is_empty_and_not_stuck():
    time_ms = looks(12)
    level = np.maximum(level_of(time_ms, first_mm=10.0, refills=()), 0.0)
    assert cleaned(time_ms, np.round(level, 1)).stuck_from_ms.size == 0


def test_a_reading_stands_for_a_while_and_then_for_nothing():
    time_ms = looks(3)
    levels = cleaned(time_ms, read_finely(time_ms, level_of(time_ms)))
    after = time_ms[-1] + np.array([HOUR_MS, 3 * HOUR_MS])
    assert np.isfinite(level_at(levels, after)).tolist() == [True, False]


def test_failed_readings_and_double_ones_do_no_harm():
    time_ms = looks(3)
    value = read_finely(time_ms, level_of(time_ms))
    value[40:50] = np.nan
    doubled = np.insert(time_ms, 100, time_ms[100])
    levels = cleaned(doubled, np.insert(value, 100, value[100] + 30))
    assert levels.time_ms.size == time_ms.size - 10
    assert np.max(levels.level_mm) < 60


@pytest.mark.parametrize("late_h", [0.5, 30])
def test_silence_is_judged_against_what_is_usual_for_the_sensor(late_h):
    time_ms = looks(3, 60)
    silent = silent_since_ms(time_ms, int(time_ms[-1]) + round(late_h * HOUR_MS))
    assert silent == (int(time_ms[-1]) if late_h > 10 else None)


def test_a_declared_interval_is_believed_and_a_sensor_never_heard_is_silent_since_ever():
    time_ms = looks(3, 60)
    assert silent_since_ms(time_ms, int(time_ms[-1]) + 5 * HOUR_MS, 12 * HOUR_MS) is None
    assert silent_since_ms(time_ms[:0], START_MS) == 0


def test_a_level_by_the_book_falls_from_the_mark_and_grows_uncertain():
    moments = START_MS + np.arange(10, dtype=np.int64) * DAY_MS
    book = level_by_the_book(
        moments,
        np.array([START_MS + DAY_MS, START_MS + 5 * DAY_MS]),
        np.array([50.0, np.nan]),
        np.array([np.nan, 6.0]),
        np.full(10, 3.0),
    )
    assert np.isnan(book.level_mm[0])
    assert book.level_mm[[1, 4, 5, 9]] == pytest.approx([50, 41, 44, 32])
    width = book.high_mm - book.low_mm
    assert np.all(np.diff(width[1:5]) > 0)
    assert width[5] > width[1]


def test_a_level_by_the_book_runs_empty_and_not_below():
    moments = START_MS + np.arange(30, dtype=np.int64) * DAY_MS
    book = level_by_the_book(moments, moments[:1], np.array([20.0]), np.array([np.nan]), np.full(30, 3.0))
    assert book.level_mm[-1] == 0
    assert book.is_empty[-1]
    assert not book.is_empty[5]
