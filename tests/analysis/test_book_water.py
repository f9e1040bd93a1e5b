"""One pot's water where no sensor follows its level: a float switch, or notes alone."""

import numpy as np
import pytest

from analysis.book_water import LEVEL_STOOD, TOO_ROUGH, book_water, switched_water
from analysis.held_series import DAY_MS, HOUR_MS
from analysis.pot_water import RefillNotes, no_notes
from analysis.reservoir import vessel_by_area
from tests.analysis.levels_for_tests import START_MS

VESSEL = vessel_by_area(9000, 50)


def notes(*rows):
    """Rows of (day, amount mL or nan, to the mark, level mm or nan)."""
    return RefillNotes(
        np.array([START_MS + round(row[0] * DAY_MS) for row in rows], dtype=np.int64),
        np.array([row[1] for row in rows], dtype=np.float64),
        np.array([row[2] for row in rows], dtype=np.bool_),
        np.array([row[3] if len(row) > 3 else np.nan for row in rows], dtype=np.float64),
        np.zeros(len(rows), np.bool_),
    )


def at(day):
    return START_MS + round(day * DAY_MS)


def test_two_fillings_to_the_mark_with_the_amount_measure_the_use():
    water = book_water(VESSEL, notes((0, np.nan, True), (6, 135.0, True), (12, 140.0, True)), at(14))
    assert water.intervals.per_day()[0] == pytest.approx([22.5, 23.3], abs=0.1)
    assert water.week.low < 22.5 < water.week.high
    assert water.rests_on == "notes"
    assert water.level_mm == pytest.approx(50 - 2 * water.week.value / 9, abs=0.2)
    assert water.level_low_mm < water.level_mm < water.level_high_mm


def test_a_refill_that_nobody_wrote_down_is_allowed_for():
    water = book_water(VESSEL, notes((0, np.nan, True), (6, 135.0, True)), at(7))
    assert water.week.high - water.week.value > water.week.value - water.week.low


def test_a_tick_without_an_amount_measures_nothing():
    water = book_water(VESSEL, notes((0, np.nan, True), (6, np.nan, True)), at(8), expected_use_ml_per_day=20.0)
    assert water.intervals.value_ml.size == 0
    assert np.isnan(water.week.value)
    assert water.week.reason
    assert water.rests_on == "expected"
    assert water.level_mm == pytest.approx(50 - 2 * 20 / 9)


def test_an_untold_top_up_between_two_marks_spoils_the_measure():
    water = book_water(
        VESSEL, notes((0, np.nan, True), (3, np.nan, True), (6, 60.0, True)), at(7), expected_use_ml_per_day=20.0
    )
    assert water.intervals.from_ms.tolist() == [at(3)]


def test_a_look_at_the_gauge_sets_the_level_and_measures_the_use_since_the_mark():
    water = book_water(VESSEL, notes((0, np.nan, True), (5, np.nan, False, 21.0)), at(6), expected_use_ml_per_day=18.0)
    assert water.intervals.per_day()[0] == pytest.approx([29 * 9 / 5])
    assert water.level_mm == pytest.approx(21 - 29 / 5, abs=0.1)
    assert water.level_low_mm < water.level_mm < water.level_high_mm


def test_what_was_found_before_filling_measures_the_use_and_empty_does_not():
    """Half found on day 6 and filled at once: half a reservoir in six days. Empty may have been so for long."""
    half = book_water(VESSEL, notes((0, np.nan, True), (6, np.nan, False, 25.0), (6.01, np.nan, True)), at(8))
    assert half.intervals.per_day()[0] == pytest.approx([25 * 9 / 6])
    assert half.week.low < 25 * 9 / 6 < half.week.high
    empty = book_water(
        VESSEL,
        notes((0, np.nan, True), (6, np.nan, False, 0.0), (6.01, np.nan, True)),
        at(8),
        expected_use_ml_per_day=40.0,
    )
    assert empty.intervals.value_ml.size == 0
    assert empty.level_mm == pytest.approx(50 - 1.99 * 40 / 9, abs=0.2)


def test_a_pot_of_which_nothing_is_noted_has_no_level_and_says_why():
    assert book_water(VESSEL, no_notes(), at(3)).week.reason == "no notes of its water"
    silent = book_water(VESSEL, notes((0, np.nan, True)), at(3))
    assert silent.week.reason == "neither use nor expectation is known"
    assert np.isnan(silent.level_mm)


def test_a_level_that_stood_between_two_looks_is_doubted_and_what_is_expected_carries_it_on():
    """31 mm, and three weeks later 35: either somebody poured, or the pot drinks nothing."""
    looks = notes((0, np.nan, False, 31.0), (21, np.nan, False, 35.0))
    water = book_water(VESSEL, looks, at(25), expected_use_ml_per_day=9.0)
    assert np.isnan(water.week.value)
    assert water.week.reason == LEVEL_STOOD
    assert water.rests_on == "expected"
    assert water.level_mm == pytest.approx(35 - 4 * 9 / 9, abs=0.2)
    close = notes((0, np.nan, False, 33.0), (3, np.nan, False, 33.0))
    assert book_water(VESSEL, close, at(4), expected_use_ml_per_day=9.0).week.reason == TOO_ROUGH
    little = book_water(VESSEL, notes((0, np.nan, False, 40.0), (21, np.nan, False, 32.0)), at(25),
                        expected_use_ml_per_day=9.0)  # fmt: skip
    assert little.week.value == pytest.approx(8 * 9 / 21, rel=0.01)
    assert little.rests_on == "notes"


def test_a_use_that_may_have_been_nothing_is_as_uncertain_as_one_that_was_something() -> None:
    looks = notes((0, np.nan, False, 40.0), (14, np.nan, False, 37.0))
    water = book_water(VESSEL, looks, at(15), expected_use_ml_per_day=4.0)
    assert water.intervals.low_ml == [0.0]
    of_the_eye = (water.intervals.high_ml - water.intervals.value_ml)[0] / 14
    assert water.week.high - water.week.value >= of_the_eye


def test_notes_in_the_future_are_not_known_yet():
    later = notes((0, np.nan, True), (6, 135.0, True), (12, 400.0, True))
    assert book_water(VESSEL, later, at(8)).week == book_water(VESSEL, later.until(at(8)), at(8)).week


def test_a_long_absence_ends_in_an_empty_reservoir_and_not_below():
    water = book_water(VESSEL, notes((0, np.nan, True)), at(60), expected_use_ml_per_day=20.0)
    assert water.level_mm == 0
    assert water.ml_left == 0


def switch(turns, days=24):
    """A switch that reports every hour; it is low between each pair of days in `turns`."""
    time_ms = START_MS + np.arange(days * 24, dtype=np.int64) * HOUR_MS
    day = (time_ms - START_MS) / DAY_MS
    low = np.zeros(time_ms.size)
    for begin, end in turns:
        low[(day > begin) & (day < end)] = 1.0
    return time_ms, low


def test_a_float_switch_measures_from_the_mark_to_its_height():
    # 2.5 mm a day: from 50 mm the float at 15 mm turns after 14 days.
    time_ms, low = switch([(14.0, 16.0)])
    water = switched_water(
        VESSEL,
        time_ms,
        low,
        15.0,
        at(18),
        notes=notes((0, np.nan, True), (16, np.nan, True)),
        expected_use_ml_per_day=30.0,
    )
    assert water.intervals.per_day()[0] == pytest.approx([22.5], abs=0.2)
    assert water.week.low < 22.5 < water.week.high
    assert water.rests_on == "measured"
    assert water.level_mm == pytest.approx(50 - 2 * 2.5, abs=0.3)


def test_the_turning_float_corrects_a_level_by_the_book():
    time_ms, low = switch([(14.0, 24.0)])
    water = switched_water(
        VESSEL, time_ms, low, 15.0, at(15), notes=notes((3, 50.0, False)), expected_use_ml_per_day=9.0
    )
    assert water.level_mm == pytest.approx(15 - 1, abs=0.3)


def test_a_float_after_a_top_up_of_unknown_amount_measures_nothing():
    time_ms, low = switch([(14.0, 24.0)])
    water = switched_water(
        VESSEL,
        time_ms,
        low,
        15.0,
        at(15),
        notes=notes((0, np.nan, True), (5, 40.0, False)),
        expected_use_ml_per_day=20.0,
    )
    assert water.intervals.value_ml.size == 0
    assert np.isnan(water.week.value)
