"""Refills, flushes, losses and leaks, told apart from noise, use, and each other."""

import numpy as np
import pytest

from analysis.held_series import DAY_MS, HOUR_MS
from analysis.levels import cleaned
from analysis.refills import find_jumps, usual_fall_mm_per_day, with_notes
from tests.analysis.levels_for_tests import START_MS, level_of, looks, read_coarsely, read_finely


def jumps_of(time_ms, value_mm):
    levels = cleaned(time_ms, value_mm)
    return find_jumps(levels, usual_fall_mm_per_day(levels)), levels


def day_of(jumps):
    return (jumps.time_ms - START_MS) / DAY_MS


def test_the_usual_fall_is_found_despite_refills_and_noise():
    time_ms = looks(14)
    levels = cleaned(time_ms, read_finely(time_ms, level_of(time_ms, mm_per_day=2.5, swing=0.8)))
    assert usual_fall_mm_per_day(levels) == pytest.approx(2.5, rel=0.05)


@pytest.mark.parametrize("coarse", [False, True])
def test_refills_are_found_with_their_moment_and_size(coarse):
    time_ms = looks(14, 60 if coarse else 15)
    level = level_of(time_ms, refills=((4.5, 11.0), (9.3, 12.0)))
    jumps, _ = jumps_of(*(read_coarsely(time_ms, level) if coarse else (time_ms, read_finely(time_ms, level))))
    assert jumps.kind.tolist() == ["refill", "refill"]
    assert day_of(jumps) == pytest.approx([4.5, 9.3], abs=1 / 12)
    assert jumps.change_mm == pytest.approx([11.0, 12.0], abs=1.5 if coarse else 0.5)


def test_a_small_top_up_is_found_by_either_sensor():
    time_ms = looks(14)
    level = level_of(time_ms, mm_per_day=1.0, refills=((6.4, 2.6),))
    assert jumps_of(time_ms, read_finely(time_ms, level))[0].kind.tolist() == ["refill"]
    hourly = looks(14, 60)
    level = level_of(hourly, mm_per_day=1.0, refills=((6.4, 2.6),))
    assert jumps_of(*read_coarsely(hourly, level))[0].kind.tolist() == ["refill"]


def test_nothing_is_found_where_nothing_happened():
    for seed in range(6):
        time_ms = looks(30)
        level = level_of(time_ms, mm_per_day=1.0, refills=(), swing=0.9)
        assert jumps_of(time_ms, read_finely(time_ms, level, seed=seed))[0].time_ms.size == 0
        hourly = looks(30, 60)
        level = level_of(hourly, mm_per_day=1.0, refills=(), swing=0.9)
        assert jumps_of(*read_coarsely(hourly, level, seed=seed))[0].time_ms.size == 0


def test_a_rise_that_only_the_last_reading_shows_is_not_yet_a_refill():
    time_ms = looks(6)
    value = read_finely(time_ms, level_of(time_ms, refills=()))
    value[-1] += 12
    assert jumps_of(time_ms, value)[0].time_ms.size == 0
    value[-2] += 12
    assert jumps_of(time_ms, value)[0].kind.tolist() == ["refill"]


def test_a_refill_poured_over_several_looks_is_one_refill():
    time_ms = looks(8)
    value = read_finely(time_ms, level_of(time_ms, refills=()))
    value[400:] += 5
    value[401:] += 6
    jumps, _ = jumps_of(time_ms, value)
    assert jumps.kind.tolist() == ["refill"]
    assert jumps.change_mm[0] == pytest.approx(11, abs=0.6)
    assert jumps.after_ms[0] == time_ms[399]
    assert jumps.before_ms[0] == time_ms[401]


def test_a_flush_is_a_rise_that_drains_off_again():
    time_ms = looks(10)
    jumps, _ = jumps_of(time_ms, read_finely(time_ms, level_of(time_ms, refills=((5.0, 20.0), (5.2, -14.0)))))
    assert jumps.kind.tolist() == ["flush", "loss"]


def test_water_spilt_is_a_loss_and_not_use():
    time_ms = looks(10)
    jumps, _ = jumps_of(time_ms, read_finely(time_ms, level_of(time_ms, refills=((5.0, -12.0),))))
    assert jumps.kind.tolist() == ["loss"]
    assert jumps.change_mm[0] == pytest.approx(-12, abs=0.6)


def test_hours_of_falling_at_many_times_the_usual_are_a_leak():
    time_ms = looks(12)
    level = level_of(time_ms, mm_per_day=1.5, refills=())
    day = (time_ms - START_MS) / DAY_MS
    level = level - 20 * np.clip((day - 6.0) / 0.5, 0, 1)
    jumps, _ = jumps_of(time_ms, read_finely(time_ms, level))
    assert set(jumps.kind) == {"leak"}
    assert jumps.change_mm.sum() == pytest.approx(-21, abs=3)


def gappy(rise_mm, gap_days=1.5):
    time_ms = looks(14)
    level = level_of(time_ms, refills=((7.0, rise_mm),))
    day = (time_ms - START_MS) / DAY_MS
    heard = (day < 6.5) | (day > 6.5 + gap_days)
    return time_ms[heard], read_finely(time_ms, level)[heard]


def test_a_refill_during_an_outage_is_found_from_the_jump_across_it():
    jumps, _ = jumps_of(*gappy(15.0))
    assert jumps.kind.tolist() == ["refill"]
    assert jumps.in_gap.tolist() == [True]
    # The jump across is 15 less the use of a day and a half; what was poured is given with the use put back.
    assert jumps.change_mm[0] == pytest.approx(15.0, abs=1.0)


def test_an_outage_without_a_refill_is_not_a_refill():
    assert jumps_of(*gappy(0.0))[0].time_ms.size == 0


def test_a_note_dates_the_refill_in_an_outage():
    jumps, levels = jumps_of(*gappy(15.0))
    note_ms = np.array([START_MS + 7 * DAY_MS], dtype=np.int64)
    joined, unseen = with_notes(jumps, levels, note_ms, np.array([False]))
    assert joined.time_ms.tolist() == note_ms.tolist()
    assert joined.note.tolist() == [0]
    assert unseen.size == 0


def test_a_noted_refill_that_the_use_of_a_long_outage_hides_is_still_there():
    time_ms, value = gappy(7.0, gap_days=4.0)
    jumps, levels = jumps_of(time_ms, value)
    note_ms = np.array([START_MS + 7 * DAY_MS, START_MS + 8 * DAY_MS], dtype=np.int64)
    joined, unseen = with_notes(jumps, levels, note_ms, np.array([False, False]))
    assert joined.in_gap.all()
    assert joined.kind.tolist() == ["refill", "refill"]
    assert unseen.size == 0


def test_a_note_of_which_an_awake_sensor_saw_nothing_is_unseen():
    time_ms = looks(10)
    jumps, levels = jumps_of(time_ms, read_finely(time_ms, level_of(time_ms, refills=((4.5, 11.0),))))
    note_ms = START_MS + np.array([round(4.7 * DAY_MS), 8 * DAY_MS], dtype=np.int64)
    joined, unseen = with_notes(jumps, levels, note_ms, np.array([False, False]))
    assert joined.note.tolist() == [0]
    assert unseen.tolist() == [1]


def test_a_flush_noted_as_one_is_called_so():
    time_ms = looks(10)
    jumps, levels = jumps_of(time_ms, read_finely(time_ms, level_of(time_ms, refills=((4.5, 11.0),))))
    joined, _ = with_notes(jumps, levels, jumps.time_ms + HOUR_MS, np.array([True]))
    assert joined.kind.tolist() == ["flush"]


def test_series_too_short_to_show_anything_show_nothing():
    time_ms = looks(0.02)
    jumps, levels = jumps_of(time_ms, np.full(time_ms.size, 40.0))
    assert jumps.time_ms.size == 0
    assert np.isnan(usual_fall_mm_per_day(levels))
