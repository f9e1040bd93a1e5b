"""Water use in closed form: worlds in which the right answer is known exactly."""

import numpy as np
import pytest

from analysis.held_series import DAY_MS, HOUR_MS
from analysis.levels import cleaned
from analysis.refills import find_jumps, usual_fall_mm_per_day, with_notes
from analysis.reservoir import vessel_by_area
from analysis.use_regression import estimate_use
from analysis.water_use import (
    MEASURED,
    RESERVOIR_EMPTY,
    SENSOR_STUCK,
    TOO_FEW_READINGS,
    drawn_within,
    use_within,
)
from tests.analysis.levels_for_tests import START_MS, fallen_mm, level_of, looks, read_finely

VESSEL = vessel_by_area(9000, 50)


def estimated(time_ms, value_mm, days, **more):
    levels = cleaned(time_ms, value_mm)
    fall = usual_fall_mm_per_day(levels)
    jumps = more.pop("jumps", None) or find_jumps(levels, fall)
    estimate = estimate_use(
        levels, jumps, VESSEL, START_MS, START_MS + days * DAY_MS, max(fall, 0.1) * VESSEL.ml_per_mm, **more
    )
    assert estimate is not None
    return estimate


def span(from_day, until_day):
    return (
        np.array([START_MS + round(from_day * DAY_MS)], dtype=np.int64),
        np.array([START_MS + round(until_day * DAY_MS)], dtype=np.int64),
    )


def test_a_steady_fall_is_its_own_use():
    time_ms = looks(14)
    estimate = estimated(time_ms, read_finely(time_ms, level_of(time_ms)), 14)
    week = use_within(estimate, *span(7, 14))
    assert week.value_ml[0] == pytest.approx(7 * 2.5 * 9, rel=0.02)
    assert week.low_ml[0] < 7 * 2.5 * 9 < week.high_ml[0]


def test_a_day_is_not_biased_by_day_and_night():
    """A slope through the day would be off by 5-7 % here; the ends of the day are what counts."""
    time_ms = looks(20)
    errors = []
    for seed in range(4):
        value = read_finely(time_ms, level_of(time_ms, swing=0.9), seed=seed)
        estimate = estimated(time_ms, value, 20)
        days = START_MS + np.arange(2, 19, dtype=np.int64) * DAY_MS
        told = use_within(estimate, days, days + DAY_MS)
        errors.extend(told.value_ml / (2.5 * 9) - 1)
        noon = use_within(estimate, days + 9 * HOUR_MS, days + 15 * HOUR_MS)
        midnight = use_within(estimate, days + 21 * HOUR_MS, days + 27 * HOUR_MS)
        assert np.median(noon.value_ml) > 3 * np.median(midnight.value_ml)
    assert abs(np.mean(errors)) < 0.01


def test_a_refill_costs_no_more_than_its_own_ends():
    time_ms = looks(14)
    without = estimated(time_ms, read_finely(time_ms, level_of(time_ms, refills=())), 14)
    with_one = estimated(time_ms, read_finely(time_ms, level_of(time_ms, refills=((10.5, 12.0),))), 14)
    assert with_one.jump_ml == pytest.approx([12 * 9], abs=6)

    def width(estimate):
        told = drawn_within(estimate, *span(7, 14))
        return told.high_ml[0] - told.low_ml[0]

    assert width(without) < width(with_one) < 3 * width(without)


def test_days_share_their_errors_so_a_week_is_surer_than_its_days_together():
    time_ms = looks(14)
    estimate = estimated(time_ms, read_finely(time_ms, level_of(time_ms)), 14)
    days = START_MS + np.arange(7, 14, dtype=np.int64) * DAY_MS
    told = use_within(estimate, days, days + DAY_MS)
    week = use_within(estimate, *span(7, 14))
    assert told.value_ml.sum() == pytest.approx(week.value_ml[0], rel=1e-6)
    half = (told.high_ml - told.low_ml) / 2
    assert (week.high_ml[0] - week.low_ml[0]) / 2 < half.sum()


def test_what_the_medium_drinks_after_a_refill_is_drawn_but_not_used():
    """The medium takes a seventh of each refill within hours and gives it back as the level falls."""
    time_ms = looks(21)
    dt_h, per_mm, use_mm_per_h = 0.25, 9.0, 2.5 / 24
    refills = {round(5.5 * 96): 14.0, round(11.5 * 96): 15.0, round(17.5 * 96): 30.0}
    level, store = 48.0, 0.15 * 48.0
    levels, stored = [], []
    for look in range(time_ms.size):
        level += refills.get(look, 0.0)
        flow = (0.15 * level - store) * (1 - np.exp(-dt_h / 5))
        store += flow
        level -= flow + use_mm_per_h * dt_h
        levels.append(level)
        stored.append(store)
    estimate = estimated(time_ms, read_finely(time_ms, np.array(levels), noise_mm=0.1), 21)
    used, drawn = use_within(estimate, *span(14, 21)), drawn_within(estimate, *span(14, 21))
    taken_up = (stored[-1] - stored[14 * 96 - 1]) * per_mm
    assert taken_up > 10
    assert used.value_ml[0] == pytest.approx(7 * 2.5 * per_mm, rel=0.03)
    assert drawn.value_ml[0] == pytest.approx(7 * 2.5 * per_mm + taken_up, rel=0.03)


def test_a_sensor_that_moves_with_the_shelf_is_not_a_pot_that_drinks_by_day():
    time_ms = looks(20)
    warmth = 4 * np.sin(2 * np.pi * (time_ms - START_MS) / DAY_MS) + 3 * np.sin(
        2 * np.pi * (time_ms - START_MS) / (9 * DAY_MS)
    )
    value = read_finely(time_ms, level_of(time_ms) + 0.2 * warmth)
    estimate = estimated(time_ms, value, 20, temperature=(time_ms, 21 + warmth))
    assert estimate.drift_mm_per_k == pytest.approx(0.2, abs=0.05)
    days = START_MS + np.arange(3, 18, dtype=np.int64) * DAY_MS
    noon = use_within(estimate, days + 6 * HOUR_MS, days + 18 * HOUR_MS)
    assert np.median(noon.value_ml) == pytest.approx(2.5 * 9 / 2, rel=0.15)


def test_a_mark_and_a_poured_amount_recover_a_refill_in_an_outage():
    time_ms = looks(16)
    level = level_of(time_ms, refills=((8.0, 13.0),))
    day = (time_ms - START_MS) / DAY_MS
    heard = (day < 6.0) | (day > 9.0)
    levels = cleaned(time_ms[heard], read_finely(time_ms, level)[heard])
    poured_ms = np.array([START_MS + 8 * DAY_MS], dtype=np.int64)
    jumps, _ = with_notes(find_jumps(levels, 2.5), levels, poured_ms, np.array([False]))
    for more in (
        {"poured_ml": np.array([13.0 * 9])},
        {"marks": (poured_ms + 1, np.array([48 - fallen_mm(poured_ms, 2.5)[0] + 13]), np.array([1.0]))},
    ):
        estimate = estimated(time_ms[heard], read_finely(time_ms, level)[heard], 16, jumps=jumps, **more)
        assert estimate.jump_ml == pytest.approx([13.0 * 9], rel=0.15)


def test_too_few_readings_give_a_reason_and_no_number():
    time_ms = looks(14)
    day = (time_ms - START_MS) / DAY_MS
    heard = (day < 8) | (day > 11.5)
    estimate = estimated(time_ms[heard], read_finely(time_ms, level_of(time_ms, refills=()))[heard], 14)
    week = use_within(estimate, *span(7, 14))
    assert week.reason.tolist() == [TOO_FEW_READINGS]
    assert np.isnan([week.value_ml[0], week.low_ml[0], week.high_ml[0]]).all()
    assert use_within(estimate, *span(1, 7)).reason.tolist() == [MEASURED]


def test_a_stuck_sensor_never_reads_as_a_pot_that_drinks_nothing():
    time_ms = looks(14)
    value = read_finely(time_ms, level_of(time_ms, refills=()))
    value[(time_ms - START_MS) > 9 * DAY_MS] = 25.0
    week = use_within(estimated(time_ms, value, 14), *span(7, 14))
    assert week.reason.tolist() == [SENSOR_STUCK]
    assert np.isnan(week.value_ml[0])


def test_an_empty_reservoir_measures_no_use():
    time_ms = looks(14)
    level = np.maximum(level_of(time_ms, first_mm=22.0, refills=()), 0.0)
    value = np.maximum(read_finely(time_ms, level, noise_mm=0.1), 0.0)
    assert use_within(estimated(time_ms, value, 14), *span(7, 14)).reason.tolist() == [RESERVOIR_EMPTY]


def test_two_readings_are_no_estimate():
    levels = cleaned(looks(0.03), np.full(looks(0.03).size, 40.0))
    jumps = find_jumps(levels, 2.0)
    assert estimate_use(levels, jumps, VESSEL, START_MS, START_MS + DAY_MS, 20.0) is None


def test_a_leak_is_not_use():
    time_ms = looks(14)
    day = (time_ms - START_MS) / DAY_MS
    level = level_of(time_ms, mm_per_day=1.5, refills=()) - 18 * np.clip((day - 10.0) / 0.5, 0, 1)
    week = use_within(estimated(time_ms, read_finely(time_ms, level), 14), *span(7, 14))
    assert week.value_ml[0] == pytest.approx(7 * 1.5 * 9, rel=0.15)
