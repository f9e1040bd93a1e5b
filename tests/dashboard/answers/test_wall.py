"""The wall from refresh to refresh: what stays, what moves, since when a need stands, and what is due."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.alert_memory import looked, nothing_yet
from dashboard.alerts import Alerting
from dashboard.answers import alerts, check, wall
from ingest.broker import free_port
from ingest.home import Home
from ingest.readings import Reading
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march
from tests.dashboard.answers.window_home import AIRS, NOW_MS, build

MINUTE_MS = 60_000


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    folder: Path = tmp_path_factory.mktemp("wall")
    (folder / "dryline.toml").write_text(f"[broker]\nport = {free_port()}\n")
    opened = build(folder)
    yield opened
    opened.close()


@pytest.fixture
def home(window: Home) -> Home:
    """The home before anybody was told of anything."""
    (window.folder / "alerts.json").unlink(missing_ok=True)
    return window


def of_pots(shown: dict[str, Any]) -> dict[tuple[str, str], int]:
    """Since when each need of a pot that alerts know stands."""
    return {(need["pot"], need["kind"]): need["since_ms"] for need in shown["needs"] if need["kind"] in alerts.OF_POTS}


def test_a_need_stands_since_it_was_first_seen_however_often_the_wall_is_asked(home: Home):
    memory = looked(nothing_yet(), alerts.answer(home, NOW_MS)["alerts"], [], NOW_MS - HOUR_MS)
    (home.folder / "alerts.json").write_text(json.dumps(memory))
    for minutes in (1, 7, 30):
        since = of_pots(wall.answer(home, NOW_MS + minutes * MINUTE_MS))
        assert set(since.values()) == {NOW_MS - HOUR_MS}


def test_what_nobody_has_told_yet_stands_since_the_situation_that_shows_it(home: Home):
    first = wall.answer(home, NOW_MS)
    later = wall.answer(home, NOW_MS + 5 * MINUTE_MS)
    assert set(of_pots(first).values()) == {NOW_MS}
    assert first["needs"] == later["needs"]


def test_a_torn_memory_of_alerts_costs_no_wall(home: Home):
    (home.folder / "alerts.json").write_text('{"standing": [1, 2')
    assert set(of_pots(wall.answer(home, NOW_MS)).values()) == {NOW_MS}
    (home.folder / "alerts.json").write_text('{"standing": {"a": {}}}')
    assert alerts.standing_since(home) == {}


def test_the_memory_that_the_wall_reads_is_the_one_that_the_teller_keeps(home: Home):
    Alerting(home).turn(NOW_MS)
    found = alerts.answer(home, NOW_MS)["alerts"]
    kept = looked(nothing_yet(), found, [], NOW_MS)["standing"]
    assert alerts.standing_since(home) == {name: one["since_ms"] for name, one in kept.items()}


def test_new_air_is_on_the_wall_at_the_next_refresh_and_the_pots_are_as_they_were(home: Home):
    before = wall.answer(home, NOW_MS)
    warmth = next(sensor for sensor in AIRS if sensor.topic == "t/t-east-window")
    home.readings.append([Reading(warmth.source, NOW_MS + MINUTE_MS, 27.5)])
    after = wall.answer(home, NOW_MS + 2 * MINUTE_MS)
    assert after["shelves"][0]["temperature_c"] == 27.5
    assert before["shelves"][0]["temperature_c"] != 27.5
    assert after["shelves"][0]["pots"] == before["shelves"][0]["pots"]


def test_a_follow_up_that_falls_due_is_a_need_without_a_new_situation_and_goes_when_it_is_done(home: Home):
    # The pot asks to be looked at besides: that is another need.
    repotted = march(12, 9)
    home.logbook.add_note({"time_ms": repotted, "pot": "never noted", "kind": "repot", "why": "roots"})
    open_now = home.logbook.follow_ups(NOW_MS)
    first = min(one.due_ms for one in open_now)
    day_before = wall.answer(home, first - DAY_MS)
    assert not [one for one in day_before["needs"] if one["kind"] == "follow_up"]
    (due,) = (one for one in wall.answer(home, first + MINUTE_MS)["needs"] if one["kind"] == "follow_up")
    assert (due["pot"], due["since_ms"]) == ("never noted", first)
    one = next(one for one in open_now if one.due_ms == first)
    home.logbook.finish_follow_up(one.note_id, one.step, first + 2 * MINUTE_MS)
    after = wall.answer(home, first + 3 * MINUTE_MS)
    assert not [need for need in after["needs"] if need["kind"] == "follow_up" and need["since_ms"] == first]


def test_the_wall_says_that_nobody_listens_that_a_store_is_gone_and_that_the_clock_is_wrong(home: Home):
    assert wall.answer(home, NOW_MS)["house"] == []
    status = home.folder / "ingester.json"
    status.write_text("{}")
    os.utime(status, (NOW_MS / 1000 - 600,) * 2)
    assert [one["kind"] for one in wall.answer(home, NOW_MS)["house"]] == ["ingester_stopped"]
    status.unlink()
    (home.folder / "logbook.db").rename(home.folder / "elsewhere.db")
    assert [one["kind"] for one in wall.answer(home, NOW_MS)["house"]] == ["store_gone"]
    (home.folder / "elsewhere.db").rename(home.folder / "logbook.db")
    assert wall.answer(home, NOW_MS)["house"] == []
    assert [one["kind"] for one in check.house_findings(home, 0)] == ["clock_wrong"]
