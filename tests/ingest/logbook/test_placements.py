"""Sensors and their dated placements on both databases."""

import pytest

from ingest.logbook import Overlap, Refused, Unknown
from ingest.sensors import Placement, Sensor
from tests.ingest.conftest import march

AIR = Sensor(
    topic="glasshouse/east/air",
    payload="senml",
    field="temp",
    quantity="air_temperature",
    unit="Cel",
    interval_s=600,
    placed=(Placement(march(1), None, "east-window"),),
)


def placed(book, source=AIR.source):
    return [(p.from_ms, p.to_ms, p.at) for p in book.sensor(source).placed]


def test_a_sensor_comes_back_as_it_was_entered(book):
    book.put_sensor(AIR)
    assert book.sensors() == [AIR]


def test_a_move_closes_one_placement_and_opens_the_next(book):
    book.put_sensor(AIR)
    book.place_sensor(AIR.source, "stairwell", march(10))
    book.place_sensor(AIR.source, "east-window/window left", march(5))
    assert placed(book) == [
        (march(1), march(5), "east-window"),
        (march(5), march(10), "east-window/window left"),
        (march(10), None, "stairwell"),
    ]


def test_a_placement_of_the_same_moment_is_a_correction(book):
    book.put_sensor(AIR)
    book.place_sensor(AIR.source, "stairwell", march(1))
    assert placed(book) == [(march(1), None, "stairwell")]


def test_a_correction_keeps_the_end_that_was_there(book):
    book.put_sensor(AIR)
    book.place_sensor(AIR.source, "stairwell", march(10))
    book.place_sensor(AIR.source, "east-window/window left", march(1))
    assert placed(book) == [(march(1), march(10), "east-window/window left"), (march(10), None, "stairwell")]


def test_a_sensor_at_two_places_at_once_is_refused(book):
    twice = (Placement(march(1), march(5), "east-window"), Placement(march(4), None, "stairwell"))
    with pytest.raises(Overlap, match=r"at “east-window” and at “stairwell” at once from 2026-03-04"):
        book.put_sensor(Sensor(**{**vars_of(AIR), "placed": twice}))
    assert book.sensors() == []


def test_a_sensor_that_was_put_away_stood_nowhere(book):
    book.put_sensor(AIR)
    book.unplace_sensor(AIR.source, march(5))
    book.place_sensor(AIR.source, "stairwell", march(9))
    assert placed(book) == [(march(1), march(5), "east-window"), (march(9), None, "stairwell")]
    with pytest.raises(Refused, match="stood nowhere at 2026-03-07"):
        book.unplace_sensor(AIR.source, march(7))


def test_a_withdrawn_placement_lets_the_one_before_it_last_on(book):
    book.put_sensor(AIR)
    book.place_sensor(AIR.source, "stairwell", march(10))
    book.withdraw_placement(AIR.source, march(10))
    assert placed(book) == [(march(1), None, "east-window")]


def test_a_swapped_sensor_keeps_its_history_and_its_readings(book):
    book.put_sensor(AIR)
    new = Sensor("glasshouse/east/air-2", "senml", "temp", "air_temperature", "Cel")
    book.swap_sensor(AIR.source, new, march(10))
    assert placed(book) == [(march(1), march(10), "east-window")]
    assert placed(book, new.source) == [(march(10), None, "east-window")]
    with pytest.raises(Refused, match="give the new one a topic of its own"):
        book.swap_sensor(new.source, new, march(12))


def test_a_mended_calibration_leaves_placements_alone(book):
    book.put_sensor(AIR)
    book.calibrate_sensor(AIR.source, [(0, 0.5), (100, 100.5)])
    assert book.sensor(AIR.source).calibration == ((0, 0.5), (100, 100.5))
    assert placed(book) == [(march(1), None, "east-window")]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {"quantity": "temperature"},
            "quantity: “temperature” is not one of its words; did you mean “air_temperature”?",
        ),
        ({"topic": "a/#"}, "is not a topic"),
        ({"unit": "mm"}, "air_temperature has no unit 'mm'"),
        ({"payload": "number"}, "a bare number has no field"),
        ({"calibration": ((0, 1),)}, "a calibration needs two points or more."),
        ({"calibration": ((0, 1), (1, 3), (2, 2))}, "this one turns back."),
        ({"calibration": ((5, 1), (1, 3))}, "must rise from point to point."),
        ({"time_zone": "Glasshouse/East"}, "there is no time zone 'Glasshouse/East'"),
        ({"interval_s": 0}, "interval_s: 0 is not a number above 0"),
    ],
)
def test_a_sensor_that_makes_no_sense_is_refused(fresh, changes, sentence):
    logbook = fresh()
    with pytest.raises(Refused) as refused:
        logbook.put_sensor(Sensor(**{**vars_of(AIR), "placed": (), **changes}))
    assert sentence in str(refused.value)
    assert logbook.sensors() == []


def test_an_unknown_place_is_named_with_the_nearest(fresh):
    logbook = fresh()
    logbook.put_shelf({"label": "east-window"})
    with pytest.raises(Unknown, match="no shelf “east-windw”; did you mean “east-window”"):
        logbook.put_sensor(Sensor(**{**vars_of(AIR), "placed": (Placement(0, None, "east-windw"),)}))
    assert logbook.sensors() == []


def vars_of(sensor):
    return {name: getattr(sensor, name) for name in Sensor.__dataclass_fields__}
