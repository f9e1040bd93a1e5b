"""What a level means in millilitres, however the reservoir was described."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.reservoir import (
    level_from_mass_mm,
    level_mm,
    switch_crossings,
    vessel_by_area,
    vessel_by_pouring,
    vessel_by_steps,
    vessel_of,
    water_ml,
)


def test_a_free_reservoir_holds_area_times_level():
    # 9000 mm2 x 50 mm = 450 000 mm3 = 450 mL, by the definition of the litre.
    vessel = vessel_by_area(9000, 50)
    assert vessel.capacity_ml == pytest.approx(450)
    assert water_ml(vessel, 20) == pytest.approx(180)
    assert vessel.ml_per_mm == pytest.approx(9)


def test_a_reservoir_full_of_clay_pebbles_holds_less_than_a_free_one_of_the_same_size():
    """Common practice, no source; the share is 1 less bulk over grain density of such clay, 0.52 solid."""
    free, filled = vessel_by_area(9000, 50), vessel_by_area(9000, 50, 1.0)
    assert filled.capacity_ml == pytest.approx(0.48 * free.capacity_ml)


def test_pouring_to_the_mark_needs_no_ruler():
    vessel = vessel_of({"fill_ml": 450, "fill_mark_mm": 50})
    assert water_ml(vessel, np.array([0.0, 25.0, 50.0, 55.0])) == pytest.approx([0, 225, 450, 495])


def test_a_jug_is_believed_before_a_ruler():
    assert vessel_of({"fill_ml": 400, "area_mm2": 9000, "fill_mark_mm": 50}).capacity_ml == pytest.approx(400)


def test_a_height_alone_gives_the_usual_mark():
    assert vessel_of({"area_mm2": 9000, "height_mm": 60}).fill_mark_mm == pytest.approx(51)


def test_poured_in_steps_follows_a_reservoir_that_widens():
    vessel = vessel_by_steps([(10, 50), (20, 150), (40, 450)])
    assert water_ml(vessel, np.array([5.0, 15.0, 30.0, 50.0])) == pytest.approx([25, 100, 300, 600])
    assert vessel.fill_mark_mm == 40


def test_below_the_floor_there_is_no_water_and_unknown_stays_unknown():
    vessel = vessel_by_area(9000, 50)
    assert water_ml(vessel, -3.0) == 0
    assert np.isnan(water_ml(vessel, np.nan))


@given(ml=st.floats(0, 900))
def test_level_and_water_are_each_others_inverse(ml):
    vessel = vessel_by_steps([(10, 50), (20, 150), (40, 450)])
    assert water_ml(vessel, level_mm(vessel, ml)) == pytest.approx(ml, abs=1e-9)


@pytest.mark.parametrize(
    ("reservoir", "sentence"),
    [
        ({"area_mm2": 9000}, "the reservoir needs a fill mark or a height"),
        ({"height_mm": 60}, "the reservoir needs its area, or the mL that fill it to the mark"),
        ({"area_mm2": -1, "fill_mark_mm": 50}, "the reservoir's area must be more than nothing"),
        ({"fill_ml": 0, "fill_mark_mm": 50}, "the water poured to the mark must be more than nothing"),
        ({"area_mm2": 9000, "fill_mark_mm": 50, "medium_fraction": 1.2}, "between 0 and 1"),
        ({"steps": [(10, 50), (20, 40)]}, "must rise from empty in both columns"),
    ],
)
def test_a_description_that_gives_no_amount_is_refused_in_one_sentence(reservoir, sentence):
    with pytest.raises(ValueError, match=sentence):
        vessel_of(reservoir)


def test_a_mass_counts_from_the_latest_filling_to_the_mark():
    vessel = vessel_by_pouring(450, 50)
    # The plant put on 20 g between the two fillings: the second zero knows nothing of it.
    time_ms = np.array([0, 10, 20, 30], dtype=np.int64)
    mass_g = np.array([1000.0, 910.0, 1020.0, 975.0])
    level = level_from_mass_mm(vessel, time_ms, mass_g, np.array([0, 20]), np.array([1000.0, 1020.0]))
    assert level == pytest.approx([50, 40, 50, 45])
    assert np.isnan(level_from_mass_mm(vessel, time_ms, mass_g, np.array([], dtype=int), np.array([]))).all()


def test_a_float_switch_tells_when_the_level_passed_it_and_a_failed_reading_tells_nothing():
    time_ms = np.array([0, 10, 20, 30, 40, 50], dtype=np.int64)
    before, since = switch_crossings(time_ms, np.array([0, 1, 0, np.nan, 1, 1]))
    assert before.tolist() == [0]
    assert since.tolist() == [10]
