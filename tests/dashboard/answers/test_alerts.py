"""What a grower must know now: each kind of alert from a home that shows it, and none from one that does not."""

from pathlib import Path

import numpy as np
import pytest

from dashboard.answers import alerts, wall
from dashboard.answers.drying import depth_in_two_days_mm
from dashboard.answers.situation import situation_at
from ingest.failure_codes import HELD_AT_100
from ingest.home import Home, open_home
from ingest.readings import SensorFailure
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers import window_home
from tests.dashboard.answers.small_home import HUMIDITY, WARMTH, every, home_with, march, told

NOON = march(4, 12)


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return window_home.build(tmp_path_factory.mktemp("window"))


def quiet_home(folder: Path, warmth_c: float = 21.0, *more: Sensor) -> Home:
    home = home_with(folder, [WARMTH, HUMIDITY, *more])
    home.readings.append(told(WARMTH, *every(10, march(3), NOON, warmth_c)))
    home.readings.append(told(HUMIDITY, *every(10, march(3), NOON, 60.0)))
    return home


def kinds(home: Home, at_ms: int = NOON) -> dict[str, alerts.Alert]:
    return {one["kind"]: one for one in alerts.answer(home, at_ms)["alerts"]}


def test_a_home_that_is_well_tells_nothing(tmp_path: Path):
    answer = alerts.answer(quiet_home(tmp_path), NOON)
    assert (answer["alerts"], answer["says"]) == ([], "Nothing needs you.")


@pytest.mark.parametrize(
    ("warmth_c", "kind", "says"),
    [
        (4.0, "too_cold", "4\u00a0°C, below 10\u00a0°C: look at heat and windows."),
        (39.0, "too_hot", "39\u00a0°C, above 35\u00a0°C: shade or ventilate, as your plants bear it."),
    ],
)
def test_a_shelf_too_cold_or_too_hot_is_named_with_the_bound(tmp_path: Path, warmth_c, kind, says):
    told_of = kinds(quiet_home(tmp_path, warmth_c))
    assert told_of.keys() == {kind}
    assert (told_of[kind]["shelf"], told_of[kind]["says"]) == ("east-window", says)


def test_the_bounds_are_the_grower_s(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[alerts]\ntoo_cold_c = 3\n", encoding="utf-8")
    assert not kinds(quiet_home(tmp_path, 4.0))


def test_silent_failing_weak_and_soaked_sensors_are_told_apart(tmp_path: Path):
    placed = (Placement(march(1), None, "stairwell"),)
    broken = Sensor("t/broken", "number", "", "air_temperature", "Cel", placed=placed, interval_s=600.0)
    soaked = Sensor("t/soaked", "number", "", "relative_humidity", "%RH", placed=placed, interval_s=600.0)
    weak = Sensor("t/weak", "number", "", "battery", "/", placed=placed, interval_s=86_400.0, label="clip")
    silent = Sensor("t/silent", "number", "", "relative_humidity", "%RH", placed=placed, interval_s=600.0)
    home = quiet_home(tmp_path, 21.0, broken, soaked, weak, silent)
    home.readings.append(
        [
            *told(weak, (march(4, 6), 0.09)),
            *told(silent, *every(10, march(3), march(4), 50.0)),
            *told(soaked, *every(10, march(3), NOON, 100.0)),
            *told(broken, *every(10, march(3), march(4, 11), 20.0)),
        ],
        [SensorFailure(broken.source, march(4, 11), "-127"), SensorFailure(soaked.source, NOON - 1, HELD_AT_100)],
    )
    told_of = kinds(home)
    assert told_of.keys() == {"sensor_failed", "humidity_held", "battery_low", "sensor_silent"}
    assert told_of["battery_low"]["says"] == "clip: battery at 9 %."
    assert told_of["humidity_held"]["says"].startswith("t/soaked# has shown 100 % for a day")
    assert [one["label"] for one in told_of.values()] == ["t/broken#", "t/soaked#", "t/silent#", "clip"]


def test_a_sensor_never_heard_whose_node_says_offline_breaks_nothing(tmp_path: Path):
    placed = (Placement(march(4, 6), None, "stairwell"),)
    new = Sensor("t/new", "number", "", "air_temperature", "Cel", placed=placed, online_topic="t/new/online")
    home = quiet_home(tmp_path, 21.0, new)
    online = Sensor("t/new/online", "number", "", "online", "")
    home.readings.append(told(online, (march(4, 7), 0.0)))
    assert not kinds(home)


def test_a_follow_up_is_told_on_the_day_it_is_due(tmp_path: Path):
    home = quiet_home(tmp_path)
    with home.logbook.writing():
        home.logbook.put_pot({"label": "window left"})
        home.logbook.add_note(
            {
                "time_ms": march(1),
                "pot": "window left",
                "kind": "treatment",
                "detail": {"against": "scale", "repeat_after_days": 3},
            }
        )
    told_of = kinds(home)
    assert told_of.keys() == {"follow_up"}
    assert told_of["follow_up"]["pot"] == "window left"
    assert "as its label allows" in told_of["follow_up"]["says"]
    assert not kinds(home, march(3, 12))


def test_a_house_in_trouble_tells_it(tmp_path: Path):
    home = quiet_home(tmp_path)
    (tmp_path / "ingester.json").write_text('{"trouble": "the broker is away"}', encoding="utf-8")
    assert kinds(home)["ingester_trouble"]["says"] == "the broker is away"


def test_a_database_that_cannot_be_read_is_an_alert_too(tmp_path: Path):
    quiet_home(tmp_path).close()
    (tmp_path / "readings.db").write_bytes(b"no database at all, " * 400)
    for beside in tmp_path.glob("readings.db-*"):
        beside.unlink()
    broken = open_home(tmp_path)
    try:
        assert "cannot be used as a readings store" in kinds(broken)["store_damaged"]["says"]
    finally:
        broken.close()


def test_pots_that_are_too_dry_or_nearly_empty_or_drink_less_are_alerts_as_on_the_wall(window: Home):
    at_ms = window_home.NOW_MS
    on_wall = {
        (need["pot"], need["kind"]) for need in wall.answer(window, at_ms)["needs"] if need["kind"] in alerts.OF_POTS
    }
    told_of = {(one["pot"], one["kind"]) for one in alerts.answer(window, at_ms)["alerts"] if one["pot"]}
    assert told_of == on_wall != set()


def test_the_dry_line_expected_in_two_days_is_where_it_then_stands(window: Home):
    before, later = (situation_at(window, window_home.march(day, 10.5)) for day in (17, 19))
    assert before is not None
    assert later is not None
    measured = [pot.label for pot in before.standing.pots].index("measured")
    expected = np.median(depth_in_two_days_mm(before)[:, measured])
    assert expected == pytest.approx(np.median(later.expects_mm()[:, measured]), abs=1.0)
    assert expected > np.median(before.expects_mm()[:, measured])


def test_a_pot_expected_to_dry_out_within_two_days_is_told_before_it_is_dry(window: Home):
    situation = situation_at(window, window_home.march(17, 10.5))
    assert situation is not None
    measured = [pot.label for pot in situation.standing.pots].index("measured")
    depths = (situation.expects_mm()[:, measured], depth_in_two_days_mm(situation)[:, measured])
    now, then = (np.quantile(depth, 1 - alerts.SURE) for depth in depths)
    soon = {one["pot"]: one for one in alerts.dries_soon(situation, (now + then) / 2)}
    assert soon["measured"]["says"].startswith("Expected to be dry to about")
    assert "within two days if nobody fills" in soon["measured"]["says"]
    assert "measured" not in {one["pot"] for one in alerts.dries_soon(situation, now - 1.0)}
    assert "measured" not in {one["pot"] for one in alerts.dries_soon(situation, then + 1.0)}


def test_names_are_readable_stay_the_same_and_fit_a_topic():
    names = {
        alerts.name_of("fill", label, f"pot {label}") for label in ("window left", "Window Left", "a/#+", "", "ü" * 99)
    }
    assert len(names) == 5
    assert "fill-window-left-" in " ".join(names)
    assert all(set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") for name in names)
    assert alerts.name_of("fill", "x", "pot x") == alerts.name_of("fill", "x", "pot x")
