"""Units, calibration, placements, claims and silence of sensors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.sensors import (
    Placement,
    Sensor,
    calibrated,
    canonical_value,
    claims,
    in_canonical_units,
    learned_interval_s,
    served,
    silent,
    silent_after_s,
    why_unusable,
)


def sensor(quantity="reservoir_level", unit="mm", **more):
    return Sensor(more.pop("topic", "t"), more.pop("payload", "number"), more.pop("field", ""), quantity, unit, **more)


# Exact by definition: the SI Brochure (9th edition, 2019) and the international yard and pound (1959): 1 in = 25.4 mm,
# 1 lb = 453.59237 g, 1 oz = 1/16 lb, 1 knot = 1852 m/h; degF by its definition from degC.
# Tolerance: a double's rounding.
SI = [
    ("air_temperature", "°F", 32.0, 0.0),
    ("air_temperature", "°F", 212.0, 100.0),
    ("air_temperature", "K", 273.15, 0.0),
    ("air_temperature", "Cel", 21.5, 21.5),
    ("relative_humidity", "/", 0.5, 50.0),
    ("relative_humidity", "%", 50.0, 50.0),
    ("reservoir_level", "inch", 1.0, 25.4),
    ("reservoir_level", "m", 0.05, 50.0),
    ("pot_mass", "lb", 1.0, 453.59237),
    ("pot_mass", "oz", 16.0, 453.59237),
    ("pot_mass", "kg", 1.5, 1500.0),
    ("air_speed", "km/h", 3.6, 1.0),
    ("air_speed", "kn", 1.0, 1852.0 / 3600.0),
]


@pytest.mark.parametrize(("quantity", "unit", "raw", "expected"), SI)
def test_a_unit_converts_as_the_si_defines_it(quantity, unit, raw, expected):
    one = sensor(quantity, unit)
    assert why_unusable(one) is None
    assert in_canonical_units(one, np.array([raw]))[0] == pytest.approx(expected, rel=1e-12, abs=1e-10)
    assert canonical_value(one, raw) == pytest.approx(expected, rel=1e-12, abs=1e-10)


def test_a_calibration_is_applied_before_the_unit_and_goes_on_beyond_its_ends():
    one = sensor(unit="cm", calibration=((0.0, 0.0), (100.0, 2.0), (200.0, 6.0)))
    np.testing.assert_allclose(
        in_canonical_units(one, np.array([-50.0, 0, 50, 100, 150, 200, 250])), [-10, 0, 10, 20, 40, 60, 80]
    )
    assert canonical_value(one, 150.0) == pytest.approx(40.0)


def test_humidity_and_battery_that_overshoot_are_cut_back_and_levels_are_not():
    np.testing.assert_array_equal(
        in_canonical_units(sensor("relative_humidity", "%RH"), np.array([-1.0, 101.5])), [0, 100]
    )
    np.testing.assert_array_equal(in_canonical_units(sensor("battery", "%"), np.array([104.0])), [100])
    np.testing.assert_array_equal(in_canonical_units(sensor(), np.array([-3.0])), [-3])


@given(
    st.lists(st.tuples(st.integers(-1000, 1000), st.integers(0, 50)), min_size=2, max_size=6, unique_by=lambda p: p[0])
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_calibration_passes_through_its_points_and_keeps_the_order_of_a_monotone_one(points):
    rising = list(zip(sorted(x for x, _ in points), np.cumsum([y for _, y in points]).tolist(), strict=True))
    x = np.array([float(one[0]) for one in rising])
    np.testing.assert_allclose(calibrated(rising, x), [one[1] for one in rising], atol=1e-9)
    between = calibrated(rising, np.linspace(x[0] - 10, x[-1] + 10, 50))
    assert (np.diff(between) >= -1e-9).all()


@pytest.mark.parametrize(
    ("faulty", "part"),
    [
        (sensor(topic="a/#"), "is not one topic"),
        (sensor(topic=""), "is not one topic"),
        (sensor(payload="xml"), "the payload 'xml' is not known"),
        (sensor("soil", "mm"), "the quantity 'soil' is not known"),
        (sensor(payload="json", field="a"), "is not a JSON Pointer"),
        (sensor(unit="g"), "reservoir_level has no unit 'g': give one that converts to mm"),
        (sensor(unit=""), "reservoir_level has no unit ''"),
        (sensor(unit="import os"), "has no unit 'import os'"),
        (sensor("battery", "V"), "battery has no unit 'V': give one that converts to percent"),
        (sensor("online", "mm"), "converts to 0/1"),
        (sensor(calibration=((0.0, 1.0),)), "needs two points or more"),
        (sensor(calibration=((0.0, 1.0), (1.0, float("nan")))), "finite numbers"),
        (sensor(calibration=((0.0, 1.0), (1.0, 5.0), (2.0, 3.0))), "turns back"),
        (sensor(calibration=((0.0, 1.0), (1.0, 1.0))), "turns back"),
        (sensor(interval_s=0.0), "above zero"),
        (sensor(time_format="rfc"), "is not iso, unix_s, unix_ms or a strptime pattern"),
        (sensor(time_zone="Mars/Olympus"), "the time zone 'Mars/Olympus' is not known"),
    ],
)
def test_a_faulty_definition_is_refused_in_one_sentence(faulty, part):
    assert part in why_unusable(faulty)


def test_two_sensors_on_one_field_are_both_refused_and_named():
    one, two = sensor(field="/a", payload="json"), sensor("pot_mass", "g", field="/a", payload="json")
    other = sensor(field="/b", payload="json")
    settled = claims([one, two, other])
    assert settled.by_topic == {"t": (other,)}
    assert settled.refused["t"] == (
        "two sensors claim the field /a of t: remove one, or date the placements of one sensor",
    )


def test_an_online_topic_is_claimed_without_a_sensor_of_its_own():
    settled = claims([sensor(online_topic="t/online")])
    (online,) = settled.by_topic["t/online"]
    assert (online.quantity, online.source) == ("online", "t/online#")
    own = sensor("online", "", topic="t/online")
    assert claims([sensor(online_topic="t/online"), own]).by_topic["t/online"] == (own,)


MOVED = sensor(
    placed=(
        Placement(100, None, "east-window/left"),
        Placement(500, 800, "stairwell"),
        Placement(900, None, "stairwell/left"),
    )
)


def test_a_sensor_serves_a_place_only_while_it_stood_there():
    assert served([MOVED], "stairwell", "reservoir_level", 0, 1000) == [(MOVED, 500, 800)]
    assert served([MOVED], "stairwell", "reservoir_level", 600, 700) == [(MOVED, 600, 700)]
    assert served([MOVED], "stairwell", "reservoir_level", 800, 900) == []
    assert served([MOVED], "stairwell", "pot_mass", 0, 1000) == []


def test_a_pot_is_known_by_its_label_whatever_shelf_it_stands_on_and_a_placement_ends_where_the_next_begins():
    assert served([MOVED], "anywhere/left", "reservoir_level", 0, 1000) == [(MOVED, 100, 500), (MOVED, 900, 1000)]
    assert served([MOVED], "left", "reservoir_level", 0, 1000) == []


MINUTE = 60_000


def test_an_interval_is_learned_from_the_long_gaps_but_not_from_an_outage():
    regular = np.arange(0, 100 * 15 * MINUTE, 15 * MINUTE)
    assert learned_interval_s(regular) == 900.0
    with_outage = np.concatenate([regular, regular + 10**9])
    assert learned_interval_s(with_outage) == 900.0
    # Speaks every minute by day and by its heartbeat of an hour at night.
    on_change = np.cumsum(np.tile([MINUTE] * 60 + [60 * MINUTE] * 8, 5))
    assert learned_interval_s(on_change) == 3600.0
    assert learned_interval_s(regular[:8]) is None
    assert learned_interval_s(regular[:9]) == 900.0


def test_a_sensor_is_silent_after_three_intervals_or_when_it_is_offline():
    times = np.arange(0, 100 * 15 * MINUTE, 15 * MINUTE)
    last = int(times[-1])
    assert silent(None, times, last + 45 * MINUTE) is False
    assert silent(None, times, last + 45 * MINUTE + 1) is True
    assert silent(6 * 3600.0, times, last + 17 * 60 * MINUTE) is False
    assert silent(None, times, last, online=0.0) is True
    assert silent(None, times, last + 46 * MINUTE, online=1.0) is True
    assert silent(None, times[:3], last) is None
    assert silent(60.0, times[:0], last) is None
    assert silent_after_s(10.0, times) == 300.0  # less than five minutes is never called silence
