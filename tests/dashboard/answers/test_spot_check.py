"""A shelf of which one spot check is all that is known: every answer tells the same story of its air."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.answers import guide, pots, wall
from dashboard.answers import round as rounds
from dashboard.answers.refresh import refresh
from dashboard.changes.air import note
from ingest.home import Home
from ingest.readings_csv import keep_spot_check
from tests.dashboard.answers.small_home import HOUR_MS, HUMIDITY, WARMTH, every, home_with, march, told
from tests.dashboard.answers.window_home import NOW_MS, build

POT = "shelf without sensor"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    folder: Path = tmp_path_factory.mktemp("checked")
    made = build(folder)
    note(made, NOW_MS, {"shelf": "cellar", "temperature_c": 20, "relative_humidity_pct": 60,
                        "time_ms": NOW_MS - 3 * HOUR_MS})  # fmt: skip
    yield made
    made.close()


def test_the_wall_says_that_it_is_a_spot_check_and_how_old(home: Home) -> None:
    shelves = {shelf["label"]: shelf for shelf in wall.answer(home, NOW_MS)["shelves"]}
    cellar = shelves["cellar"]
    assert (cellar["spot_check"], cellar["air_age_s"], cellar["vpd_day_kpa"]) == (True, 3 * 3600, None)
    assert (cellar["temperature_c"], cellar["relative_humidity_pct"]) == (20, 60)
    assert shelves["east-window"]["spot_check"] is None


def test_the_pot_has_no_depth_and_says_that_its_air_rests_on_one_spot_check(home: Home) -> None:
    (pot,) = [one for one in pots.answer(home, NOW_MS)["pots"] if one["pot"] == POT]
    assert (pot["state"], pot["dry_layer_mm"], pot["days_left"]) == ("unknown", None, None)
    assert (
        pot["says"]
        == "This week's air on cellar rests on one spot check, less than half of it is measured: look yourself."
    )


def test_guide_and_round_answer_and_say_that_the_air_is_guessed_from_it(home: Home) -> None:
    told = [one for shelf in guide.answer(home, NOW_MS)["shelves"] for one in shelf["pots"] if one["pot"] == POT]
    assert told[0]["options"]
    assert "its air is guessed from one spot check." in str(told[0])
    planned = rounds.answer(home, NOW_MS)
    assert POT not in {one["pot"] for one in planned["unplanned"]}
    assert "The air on cellar is guessed from one spot check." in planned["says"]
    assert "east-window is guessed" not in planned["says"]


def test_daily_spot_checks_beside_a_sensor_do_not_bridge_its_silence(tmp_path: Path) -> None:
    small = home_with(tmp_path)
    for day in range(1, 13):
        keep_spot_check("east-window", march(day, 6), 21, 55, small.logbook, small.readings)
    for sensor, value in ((WARMTH, 20.0), (HUMIDITY, 60.0)):
        small.readings.append(told(sensor, *every(10, march(10), march(10, 12), value)))
    refresh(small, march(13))
    known = small.readings.read_hourly("east-window", march(10), march(11)).dropna(subset="vpd_kpa")["hour_ms"]
    assert known.tolist() == [march(10, hour) for hour in range(13)]
    small.close()
