"""One pot's water as of a moment, from a level sensor or a load cell."""

import numpy as np
import pytest

from analysis.held_series import DAY_MS, HOUR_MS
from analysis.pot_water import RefillNotes, measured_water, weighed_water
from analysis.reservoir import vessel_by_area
from tests.analysis.levels_for_tests import START_MS, level_of, looks, read_coarsely, read_finely

VESSEL = vessel_by_area(9000, 50)
REFILLS = ((4.5, 11.0), (9.3, 12.0), (14.6, 13.0), (19.4, 12.0))


def notes(*rows):
    """Rows of (day, amount mL or nan, to the mark)."""
    return RefillNotes(
        np.array([START_MS + round(day * DAY_MS) for day, _, _ in rows], dtype=np.int64),
        np.array([amount for _, amount, _ in rows], dtype=np.float64),
        np.array([mark for _, _, mark in rows], dtype=np.bool_),
        np.full(len(rows), np.nan),
        np.zeros(len(rows), np.bool_),
    )


def asked(days, time_ms=None, value=None, **more):
    time_ms = looks(24) if time_ms is None else time_ms
    value = read_finely(time_ms, level_of(time_ms, refills=REFILLS)) if value is None else value
    return measured_water(VESSEL, time_ms, value, START_MS + round(days * DAY_MS), **more)


def test_a_pot_with_a_level_sensor_has_its_level_its_week_and_its_days():
    water = asked(22.35)
    true_level = level_of(np.array([water.at_ms]), refills=REFILLS)[0]
    assert water.level_mm == pytest.approx(true_level, abs=0.4)
    assert water.level_low_mm < true_level < water.level_high_mm
    assert water.ml_left == pytest.approx(9 * water.level_mm)
    assert water.level_age_ms < HOUR_MS
    assert water.week.low < 22.5 < water.week.high
    assert water.week.value == pytest.approx(22.5, rel=0.03)
    assert water.drawn_week.value == pytest.approx(22.5, rel=0.03)
    assert water.days.day_ms.size == 22
    assert np.median(water.days.use_ml) == pytest.approx(22.5, rel=0.05)
    assert water.weeks.value_ml[-1] / 7 == pytest.approx(water.week.value)
    assert [refill.source for refill in water.refills] == ["seen"] * 4
    assert [refill.ml for refill in water.refills] == pytest.approx([99, 108, 117, 108], abs=8)
    assert all(refill.low_ml < refill.ml < refill.high_ml for refill in water.refills)
    assert water.rests_on == "measured"
    assert water.silent_since_ms is None
    assert water.stuck_since_ms is None
    assert np.nanmax(np.abs(water.hourly_level_mm - level_of(water.hour_ms, refills=REFILLS))) < 3


def test_use_from_refill_to_refill_is_told():
    water = asked(22.35)
    assert water.intervals.value_ml.size == 3
    assert water.intervals.per_day()[0] == pytest.approx([22.5] * 3, rel=0.05)


def test_a_coarse_sensor_gives_the_same_week_less_surely():
    time_ms = looks(24, 60)
    coarse = asked(22.35, *read_coarsely(time_ms, level_of(time_ms, refills=REFILLS)))
    fine = asked(22.35)
    assert coarse.week.low < 22.5 < coarse.week.high
    assert coarse.week.high - coarse.week.low > fine.week.high - fine.week.low


def test_an_answer_as_of_a_moment_is_unchanged_by_later_data():
    time_ms = looks(24)
    value = read_finely(time_ms, level_of(time_ms, refills=REFILLS))
    at_ms = START_MS + round(15.4 * DAY_MS)
    late = notes((14.6, 117.0, False), (19.4, np.nan, True))
    whole = asked(15.4, time_ms, value, notes=late)
    cut = asked(15.4, time_ms[time_ms <= at_ms], value[time_ms <= at_ms], notes=late.until(at_ms))
    assert whole.week == cut.week
    assert whole.refills == cut.refills
    assert whole.level_mm == cut.level_mm


def test_notes_and_sensor_say_together_who_knew_of_a_refill():
    water = asked(22.35, notes=notes((4.6, np.nan, True), (9.25, 100.0, False), (12.0, np.nan, True)))
    assert [refill.source for refill in water.refills] == ["both", "both", "seen", "seen"]
    assert water.unseen_notes.tolist() == [2]


def test_a_refill_in_an_outage_is_recovered_from_its_note():
    time_ms = looks(24)
    value = read_finely(time_ms, level_of(time_ms, refills=REFILLS))
    day = (time_ms - START_MS) / DAY_MS
    heard = (day < 18.5) | (day > 20.2)
    told = asked(23.9, time_ms[heard], value[heard], notes=notes((19.4, 108.0, False)))
    refill = told.refills[-1]
    assert refill.in_gap
    assert refill.source == "both"
    assert refill.time_ms == START_MS + round(19.4 * DAY_MS)
    assert refill.ml == pytest.approx(108, abs=12)
    assert told.week.low < 22.5 < told.week.high


def test_a_silent_sensor_is_said_to_be_silent_and_its_level_unknown():
    water = asked(27)
    assert water.silent_since_ms == int(looks(24)[-1])
    assert np.isnan(water.level_mm)
    assert np.isnan(water.ml_left)
    assert water.week.reason
    assert np.isnan(water.week.value)


def test_a_stuck_sensor_is_said_to_be_stuck_and_tells_no_use():
    time_ms = looks(24)
    value = read_finely(time_ms, level_of(time_ms, refills=REFILLS))
    value[time_ms > START_MS + 20 * DAY_MS] = 44.0
    water = asked(23.9, time_ms, value)
    assert water.stuck_since_ms is not None
    assert abs(water.stuck_since_ms - (START_MS + 20 * DAY_MS)) < HOUR_MS
    assert np.isnan(water.level_mm)
    assert "did not move" in water.week.reason


def test_a_pot_known_for_three_days_has_a_level_and_no_week():
    water = asked(3.4)
    assert np.isfinite(water.level_mm)
    assert water.week.reason == "fewer than seven full days of readings"


def test_a_pot_without_readings_has_an_answer_that_says_so():
    nothing = np.empty(0, np.int64)
    water = measured_water(VESSEL, nothing, np.empty(0), START_MS)
    assert water.rests_on == "nothing"
    assert water.week.reason == "no readings"
    assert water.level_age_ms is None


def test_night_and_day_are_told_apart_with_the_shelf_temperature_and_not_without():
    time_ms = looks(24)
    value = read_finely(
        time_ms,
        level_of(time_ms, mm_per_day=5.0, swing=0.9, refills=[(d + 0.5, 15.0) for d in (2, 5, 8, 11, 14, 17, 20)]),
    )
    warmth = (time_ms, 21 + np.sin(2 * np.pi * (time_ms - START_MS) / DAY_MS + 1))
    told = asked(22.35, time_ms, value, shelf_temperature=warmth).days
    carried = np.isfinite(told.by_day_ml)
    assert carried.mean() > 0.5
    assert np.median(told.by_day_ml[carried] / told.by_night_ml[carried]) > 2
    assert np.isnan(asked(22.35, time_ms, value).days.by_day_ml).all()


def test_the_last_week_costs_no_more_than_the_last_week():
    recent = asked(22.35, since_ms=START_MS + 15 * DAY_MS)
    assert recent.week.value == pytest.approx(asked(22.35).week.value, rel=1e-9)
    assert recent.days.day_ms[0] >= START_MS + 14 * DAY_MS


def test_local_midnights_bound_the_days_when_given():
    edges = START_MS + 10 * HOUR_MS + np.arange(24, dtype=np.int64) * DAY_MS
    water = asked(22.6, day_edges_ms=edges)
    assert set(water.days.day_ms) <= set(edges)
    assert water.weeks.until_ms[-1] == edges[edges <= water.at_ms][-1]


def weighed(lift=False, notes_=None):
    time_ms = looks(24)
    grams = 640 + 9 * level_of(time_ms, first_mm=50.0, refills=((4.5, 11.25), (9.3, 12.0), (14.6, 13.25), (19.4, 12.0)))
    grams = grams + np.random.default_rng(5).normal(0, 0.6, time_ms.size)
    if lift:
        grams[time_ms.searchsorted(START_MS + round(14.55 * DAY_MS))] = 1.0
    return weighed_water(VESSEL, time_ms, grams, START_MS + round(22.35 * DAY_MS), notes=notes_)


@pytest.mark.parametrize("lift", [False, True])
def test_a_load_cell_weighs_the_use_and_a_lifted_pot_is_no_loss(lift):
    water = weighed(lift)
    assert water.week.value == pytest.approx(22.5, rel=0.02)
    assert water.week.low < 22.5 < water.week.high
    assert [refill.ml for refill in water.refills] == pytest.approx([101.25, 108, 119.25, 108], abs=4)
    assert water.other_losses == ()


def test_a_load_cell_knows_the_level_from_the_last_filling_to_the_mark():
    assert np.isnan(weighed().level_mm)
    water = weighed(notes_=notes((4.5, np.nan, True), (19.4, np.nan, True)))
    assert water.level_mm == pytest.approx(50 - 2.5 * (22.35 - 19.4), abs=0.8)


def test_water_spilt_is_told_as_a_loss():
    time_ms = looks(24)
    value = read_finely(time_ms, level_of(time_ms, refills=(*REFILLS, (21.0, -12.0))))
    water = asked(22.35, time_ms, value)
    assert [kind for _, kind, _ in water.other_losses] == ["loss"]
    assert water.other_losses[0][2] == pytest.approx(108, abs=8)
    assert water.week.low < 22.5 < water.week.high
