"""What a hygrometer showed, noted on a screen: kept as an imported row is, once, and refused beside its field."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from analysis.quantities import quantity
from dashboard.answers.places import measured_at
from dashboard.answers.shelf_air import air_source
from dashboard.pages.workshop import show
from dashboard.serve import asks_of
from ingest.home import Home, open_home
from ingest.moments import text_of
from ingest.readings_csv import import_readings
from tests.dashboard.test_workshop import text_of as text_on
from tests.dashboard.workshop_home import HOUR_MS, NOW_MS, bare_sender, client_of, furnished, sender

SHOWN = {"shelf": "stairwell", "temperature_c": 21.5, "relative_humidity_pct": 58}


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = furnished(tmp_path)
    yield made
    made.close()


def kept(home: Home) -> dict[str, list[tuple[int, float]]]:
    """The readings of each source."""
    sources = home.readings.sources()
    found = home.readings.read(sources, 0, NOW_MS + 10 * HOUR_MS)
    return {
        source: list(zip(times.tolist(), values.tolist(), strict=True)) for source, (times, values) in found.items()
    }


def test_a_spot_check_is_kept_as_the_row_of_an_imported_file_is(home: Home, tmp_path: Path) -> None:
    status, said = sender(client_of(home))("spot_check", SHOWN)
    assert status == 200
    assert said["done"]["says"].startswith(f"Kept for stairwell: {quantity(21.5, '°C', 'g')} and 58 %.")
    assert "cannot be taken back" in said["done"]["says"]
    assert "undo" not in said["done"]
    (tmp_path / "other").mkdir()
    other = furnished(tmp_path / "other")
    at = text_of(NOW_MS)
    rows = f"{at},stairwell,air_temperature,21.5,Cel\n{at},stairwell,relative_humidity,58,%RH\n"
    import_readings(f"time,place,quantity,value,unit\n{rows}", "spot-checks", other.logbook, other.readings)
    assert kept(home) == kept(other)
    assert home.logbook.sensors() == other.logbook.sensors()
    other.close()


def test_the_second_tap_writes_nothing_and_the_same_minute_noted_again_mends_it(home: Home) -> None:
    send = bare_sender(home)
    for _ in range(2):
        assert send("spot_check", {**SHOWN, "time_ms": NOW_MS + 12_345})[0] == 200
    assert {len(rows) for rows in kept(home).values()} == {1}
    assert send("spot_check", {**SHOWN, "temperature_c": 19, "time_ms": NOW_MS + 50_000})[0] == 200
    assert kept(home)["import/spot-checks#stairwell/air_temperature"] == [(NOW_MS, 19.0)]


def test_the_time_is_the_growers(home: Home) -> None:
    assert bare_sender(home)("spot_check", {**SHOWN, "time": "2026-03-19T08:15"})[0] == 200
    ((time_ms, _),) = kept(home)["import/spot-checks#stairwell/relative_humidity"]
    assert text_of(time_ms) == "2026-03-19T08:15:00Z"


@pytest.mark.parametrize(
    ("wrong", "where", "says"),
    [
        ({"temperature_c": "warm"}, "temperature_c", "Write the temperature as a number."),
        ({"temperature_c": None}, "temperature_c", "Write the temperature as a number."),
        ({"temperature_c": 70}, "temperature_c", "Dry air is told from 0 to 45 °C: 70 °C cannot be used."),
        ({"temperature_c": -1}, "temperature_c", "Dry air is told from 0 to 45 °C: \u22121 °C cannot be used."),
        ({"relative_humidity_pct": "58 %"}, "relative_humidity_pct", "Write the humidity as a number."),
        ({"relative_humidity_pct": 101}, "relative_humidity_pct", "Humidity lies from 0 to 100 %: 101 % is none."),
        ({"relative_humidity_pct": -1}, "relative_humidity_pct", "Humidity lies from 0 to 100 %: -1 % is none."),
        ({"time_ms": NOW_MS + HOUR_MS + 1}, "time", "That is still to come: it is 2026-03-20 12:00 (Europe/Lisbon)."),
        ({"time": "yesterday"}, "time", "'yesterday' is not a time like 2026-03-01T09:00:00Z."),
        ({"time_ms": -1}, "time", "That is before 1970."),
        ({"shelf": "starwell"}, "shelf", "There is no shelf “starwell”; did you mean “stairwell”?"),
        ({"shelf": ""}, "shelf", "Choose the shelf."),
    ],
)
def test_nonsense_is_refused_beside_its_field_and_nothing_is_written(
    home: Home, wrong: dict[str, Any], where: str, says: str
) -> None:
    status, said = bare_sender(home)("spot_check", SHOWN | wrong)
    assert status == 422
    assert said["faults"] == [{"where": where, "says": says}]
    assert home.readings.sources() == []
    assert home.logbook.sensors() == []


def test_a_refusal_speaks_the_growers_units(tmp_path: Path) -> None:
    (tmp_path / "dryline.toml").write_text('[grower]\nunits = "us"\n', encoding="utf-8")
    home = open_home(tmp_path)
    home.logbook.put_shelf({"label": "stairwell"})
    _, said = bare_sender(home)("spot_check", {**SHOWN, "temperature_c": 50})
    assert said["faults"][0]["says"] == "Dry air is told from 32 to 113 °F: 122 °F cannot be used."
    home.close()


def test_a_shelf_that_borrows_its_air_takes_no_spot_check_that_would_end_the_borrowing(home: Home) -> None:
    send = bare_sender(home)
    assert send("spot_check", {**SHOWN, "shelf": "east-window"})[0] == 200
    home.logbook.put_shelf({"label": "stairwell", "air_from": "east-window"})
    status, said = send("spot_check", SHOWN)
    assert status == 422
    assert said["faults"][0]["where"] == "shelf"
    assert "borrows the air of east-window" in said["faults"][0]["says"]


def test_a_shelf_that_is_told_to_borrow_after_a_spot_check_borrows(home: Home) -> None:
    send = bare_sender(home)
    assert send("spot_check", SHOWN)[0] == 200
    assert send("spot_check", {**SHOWN, "shelf": "east-window"})[0] == 200
    home.logbook.put_shelf({"label": "stairwell", "air_from": "east-window"})
    shelves = {shelf.label: shelf.given() for shelf in home.logbook.shelves()}
    assert air_source("stairwell", shelves, home.logbook.sensors()) == "east-window"


def test_a_new_shelf_of_an_old_name_does_not_take_the_spot_checks_of_the_renamed_one(home: Home) -> None:
    send = bare_sender(home)
    assert send("spot_check", SHOWN)[0] == 200
    home.logbook.rename_shelf("stairwell", "landing")
    home.logbook.put_shelf({"label": "stairwell"})
    for temperature_c in (30, 31):
        assert send("spot_check", {**SHOWN, "temperature_c": temperature_c})[0] == 200
    sensors = home.logbook.sensors()
    for shelf, value in (("landing", 21.5), ("stairwell", 31.0)):
        assert measured_at(home.readings, sensors, shelf, "air_temperature", 0, NOW_MS + 1).value.tolist() == [value]


@pytest.mark.parametrize(
    ("path", "href"), [("/start", "/note/air"), ("/workshop/shelf/stairwell", "/note/air/stairwell")]
)
def test_begin_and_the_shelf_lead_to_the_form(home: Home, path: str, href: str) -> None:
    page = show(asks_of(home), path)
    assert "Note the air of a shelf" in text_on(page)
    assert f"href='{href}'" in str(page)
