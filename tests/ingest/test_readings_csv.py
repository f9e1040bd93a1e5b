"""Readings as CSV: in as sources of their own, out as what the sensors meant, exactly."""

import io
from contextlib import closing

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.logbook import Refused
from ingest.moments import text_of, zone_named
from ingest.readings import Reading
from ingest.readings.sqlite import SqliteReadings
from ingest.readings_csv import export_readings, import_readings
from ingest.sensors import Placement, Sensor, in_canonical_units, served
from tests.ingest.conftest import furnish, march

HEADER = "time,place,quantity,value,unit\n"
END_MS = march(31)


@pytest.fixture
def logbook(fresh):
    made = fresh()
    furnish(made)
    return made


@pytest.fixture
def readings(tmp_path):
    with closing(SqliteReadings(tmp_path / "readings.db")) as store:
        yield store


def exported(readings, logbook) -> str:
    out = io.StringIO()
    export_readings(out, readings, logbook.sensors(), 0, END_MS)
    return out.getvalue()


def test_imported_readings_are_a_source_of_their_own_placed_where_they_were(logbook, readings):
    body = HEADER + (
        "2026-03-05T10:00:00Z,east-window,air_temperature,21.5,Cel\n"
        "2026-03-05T12:00:00+01:00,east-window,air_temperature,22.5,Cel\n"
        "2026-03-05T10:00:00.250Z,east-window/window left,reservoir_level,4.1,cm\n"
    )
    assert import_readings(body, "old log (1).csv", logbook, readings).added == 3
    found = {sensor.source: sensor for sensor in logbook.sensors()}
    assert sorted(found) == [
        "import/old-log-1-.csv#east-window/air_temperature",
        "import/old-log-1-.csv#east-window/window left/reservoir_level",
    ]
    ((sensor, from_ms, to_ms),) = served(found.values(), "stairwell/window left", "reservoir_level", 0, END_MS)
    assert (from_ms, to_ms) == (march(5, 10) + 250, march(5, 10) + 251)
    times, raw = readings.read([sensor.source], 0, END_MS)[sensor.source]
    assert times.tolist() == [march(5, 10) + 250]
    assert in_canonical_units(sensor, raw).tolist() == pytest.approx([41.0])


values = st.floats(-30, 60) | st.integers(-30, 60).map(float)
rows = st.lists(
    st.tuples(st.integers(march(1), march(28)), st.sampled_from(["east-window", "stairwell/window left"]), values),
    min_size=1,
    max_size=20,
)


@given(rows)
@settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_readings_come_back_from_csv_exactly(fresh, tmp_path_factory, given_rows):
    folder = tmp_path_factory.mktemp("round")
    books = [fresh(f"{folder.name}-{name}.db") for name in ("one", "other")]
    stores = [SqliteReadings(folder / name) for name in ("one.db", "other.db")]
    for book in books:
        furnish(book)
    body = HEADER + "".join(f"{text_of(t)},{place},air_temperature,{v!r},Cel\n" for t, place, v in given_rows)
    import_readings(body, "first", books[0], stores[0])
    out = exported(stores[0], books[0])
    # Every row is there, values to the last bit, two values of one moment included.
    assert sorted(out.splitlines()[1:]) == sorted(body.splitlines()[1:])
    import_readings(out, "second", books[1], stores[1])
    assert sorted(exported(stores[1], books[1]).splitlines()) == sorted(out.splitlines())
    assert import_readings(out, "second", books[1], stores[1]).read == len(given_rows)
    assert sorted(exported(stores[1], books[1]).splitlines()) == sorted(out.splitlines())
    for opened in (*books, *stores):
        opened.close()


def test_an_export_applies_calibration_and_placement_and_leaves_out_homeless_readings(logbook, readings):
    sensor = Sensor(
        "glasshouse/level",
        "number",
        "",
        "reservoir_level",
        "mm",
        calibration=((100, 0.0), (300, 50.0)),
        placed=(Placement(march(2), march(4), "east-window/window left"),),
    )
    logbook.put_sensor(sensor)
    readings.append([Reading(sensor.source, march(day), 200.0) for day in (1, 2, 3, 4)])
    assert exported(readings, logbook).splitlines() == [
        HEADER.strip(),
        "2026-03-02T00:00:00Z,east-window/window left,reservoir_level,25.0,mm",
        "2026-03-03T00:00:00Z,east-window/window left,reservoir_level,25.0,mm",
    ]


def test_a_second_file_of_the_same_name_lengthens_the_placement(logbook, readings):
    for hour in (10, 8, 12):
        import_readings(HEADER + f"2026-03-05T{hour:02d}:00:00Z,stairwell,battery,90,%\n", "box", logbook, readings)
    ((sensor),) = logbook.sensors()
    assert sensor.placed == (Placement(march(5, 8), march(5, 12) + 1, "stairwell"),)
    assert len(readings.read([sensor.source], 0, END_MS)[sensor.source][0]) == 3
    with pytest.raises(Refused, match="import it under another name"):
        import_readings(HEADER + "2026-03-05T13:00:00Z,stairwell,battery,0.9,/\n", "box", logbook, readings)


@pytest.mark.parametrize(
    "body",
    [
        "\ufefftime;place;quantity;value;unit\r\n2026-03-05 10:00;stairwell;air_temperature;21,5;Cel\r\n;;;;\r\n",
        "unit\tvalue\tquantity\tplace\ttime\t\nCel\t21.5\tair_temperature\tstairwell\t2026-03-05T10:00\t\n\n",
        'time,place,quantity,value,unit\n"2026-03-05T10:00:00+01:00","stairwell","air_temperature","21,5","Cel"\n',
    ],
)
def test_the_habits_of_spreadsheets_are_tolerated(logbook, readings, body):
    import_readings(body.encode(), "sheet", logbook, readings, zone=zone_named("Europe/Madrid"))
    times, found = readings.read(["import/sheet#stairwell/air_temperature"], 0, END_MS)[
        "import/sheet#stairwell/air_temperature"
    ]
    assert (times.tolist(), found.tolist()) == ([march(5, 9)], [21.5])


@pytest.mark.parametrize(
    ("body", "sentences"),
    [
        ("", ["The file is empty; its first row names the columns: time, place, quantity, value, unit."]),
        (
            "time,place,quantity,valu\n",
            [
                "row 1: there is no column “valu”; did you mean “value”?",
                "row 1: the column “value” is missing.",
                "row 1: the column “unit” is missing.",
            ],
        ),
        (
            HEADER + "2026-03-05 10:00,east-windw,air_temperature,21,Cel\n\n"
            "2026-13-05T10:00:00Z,stairwell/window lft,air_temp,2x,Cel\n",
            [
                "row 2, column time: 2026-03-05T10:00:00 says no time zone",
                "row 4, column time: '2026-13-05T10:00:00Z' is not a time like",
                "row 4, column value: “2x” is not a number.",
                "row 2, column place: there is no shelf “east-windw”; did you mean “east-window”?",
                "row 4, column place: there is no pot “window lft”; did you mean “window left”?",
                "row 4, column quantity: there is no quantity “air_temp”; did you mean “air_temperature”?",
            ],
        ),
        (
            HEADER + "2026-03-05T10:00Z,stairwell,relative_humidity,250,%RH\n",
            ["250 %RH is not a relative humidity that"],
        ),
        (HEADER + "2026-03-05T10:00Z,stairwell,air_temperature,20,mm\n", ["has no unit 'mm'"]),
        (HEADER + "2026-03-05T10:00Z,stairwell,air_temperature,1e999,Cel\n", ["“1e999” is too large for a number."]),
        (HEADER + "2026-03-05T10:00Z,stairwell,air_temperature,NaN,Cel\n", ["“NaN” is not a number."]),
        (HEADER + "2026-03-05T10:00Z,stairwell,air_temperature,,Cel\n", ["column value: “” is not a number."]),
        (HEADER + "1969-03-05T10:00Z,stairwell,air_temperature,2,Cel\n", ["is not between 1970 and 2200."]),
        (HEADER + "2026-03-05T10:00Z,stairwell,battery,9,%,1\n", ["row 2: it has 6 cells for 5 columns."]),
        (
            HEADER
            + "2026-03-05T10:00Z,stairwell,air_temperature,2,Cel\n2026-03-05T11:00Z,stairwell,air_temperature,2,K\n",
            ["row 3, column unit: air_temperature of “stairwell” is in “Cel” above and in “K” here; use one unit."],
        ),
    ],
)
def test_every_fault_of_a_file_is_named_by_row_and_column(logbook, readings, body, sentences):
    with pytest.raises(Refused) as refused:
        import_readings(body, "bad", logbook, readings)
    for sentence in sentences:
        assert sentence in str(refused.value)
    assert len(refused.value.faults) == len(sentences)
    assert (logbook.sensors(), readings.sources()) == ([], [])


def test_an_import_can_be_tried(logbook, readings):
    body = HEADER + "2026-03-05T10:00Z,stairwell,air_temperature,20,Cel\n"
    assert import_readings(body, "try", logbook, readings, keep=False).read == 1
    assert (logbook.sensors(), readings.sources()) == ([], [])


def test_a_label_that_a_spreadsheet_would_run_is_disarmed_and_comes_back(logbook, readings):
    logbook.put_shelf({"label": "=1+1"})
    sensor = Sensor("a", "number", "", "battery", "%", placed=(Placement(march(1), None, "=1+1"),))
    logbook.put_sensor(sensor)
    readings.append([Reading("a#", march(2), np.pi)])
    out = exported(readings, logbook)
    assert out.splitlines()[1] == "2026-03-02T00:00:00Z,'=1+1,battery,3.141592653589793,%"
    import_readings(out, "b", logbook, readings)
    assert logbook.sensors()[1].placed[0].at == "=1+1"
