"""What the dashboard does for a home unasked: it keeps the situation current, packs days and makes backups."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard import care
from dashboard.answers.situation import recent_situation
from dashboard.care import LATE_AT_MOST_EVERY_MS, Keeping, cared_for, late_hours
from ingest.broker import free_port
from ingest.home import Home
from ingest.readings import Reading
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march
from tests.dashboard.answers.window_home import AIRS, LEVEL, NOW_MS, build

PATIENCE_S = 60.0


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    backups = tmp_path / "copies"
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "dryline.toml").write_text(f'[broker]\nport = {free_port()}\n[backup]\nfolder = "{backups}"\n')
    opened = build(tmp_path / "home")
    yield opened
    opened.close()


@pytest.fixture(autouse=True)
def looks_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(care, "LOOK_EVERY_S", 0.1)


def late_air(at_ms: int) -> list[Reading]:
    """A day of warm, dry air that comes in much later than it was."""
    start_ms = at_ms - 3 * DAY_MS
    rows = []
    for sensor in AIRS[:2]:
        value = 31.0 if sensor.quantity == "air_temperature" else 20.0
        rows += [Reading(sensor.source, start_ms + hour * HOUR_MS, value) for hour in range(24)]
    return rows


def day_vpd_kpa(home: Home) -> float:
    situation = recent_situation(home, NOW_MS + HOUR_MS)
    assert situation is not None
    course = situation.course
    inside = (course.end_ms > NOW_MS - 3 * DAY_MS + 6 * HOUR_MS) & (course.end_ms < NOW_MS - 2 * DAY_MS)
    return float(course.vpd_kpa[inside, 0].mean())


def test_a_back_fill_is_in_the_situation_as_soon_as_it_stops_within_the_same_hour(home: Home):
    keeping = Keeping(home)
    keeping.turn(NOW_MS)
    before = day_vpd_kpa(home)
    home.readings.append(late_air(NOW_MS))
    assert late_hours(home, NOW_MS + 10_000) >= 48
    keeping.turn(NOW_MS + 10_000 + LATE_AT_MOST_EVERY_MS)  # some came in since the last look: more may follow
    assert day_vpd_kpa(home) == before
    keeping.turn(NOW_MS + 20_000 + LATE_AT_MOST_EVERY_MS)
    assert day_vpd_kpa(home) > before + 1.0
    assert late_hours(home, NOW_MS + 20_000) == 0


def test_what_comes_in_as_it_is_measured_makes_no_new_situation_before_the_hour(home: Home):
    keeping = Keeping(home)
    keeping.turn(NOW_MS)
    first = recent_situation(home, NOW_MS)
    for minute in range(1, 6):
        home.readings.append([Reading(LEVEL.source, NOW_MS + minute * 60_000, 30.0)])
        keeping.turn(NOW_MS + minute * 60_000 + 1)
    assert recent_situation(home, NOW_MS + HOUR_MS) is first
    keeping.turn(NOW_MS + HOUR_MS)
    assert recent_situation(home, NOW_MS + HOUR_MS) is not first


def test_a_new_note_is_in_the_situation_at_the_next_look(home: Home):
    keeping = Keeping(home)
    keeping.turn(NOW_MS)
    home.logbook.add_note({"time_ms": NOW_MS - HOUR_MS, "pot": "never noted", "kind": "refill"})
    keeping.turn(NOW_MS + 10_000)
    situation = recent_situation(home, NOW_MS + 10_000)
    assert situation is not None
    assert (situation.notes["pot"] == "never noted").sum() == 1


def test_a_node_that_sends_old_hours_for_ever_is_caught_up_with_now_and_then_only(home: Home):
    keeping = Keeping(home)
    keeping.turn(NOW_MS)
    seen = set()
    for look in range(12):
        home.readings.append([Reading(LEVEL.source, march(9, 3) + look, 30.0)])
        keeping.turn(NOW_MS + 10_000 * look)
        seen.add(id(recent_situation(home, NOW_MS + HOUR_MS)))
    assert len(seen) <= 2


def test_while_a_home_is_cared_for_it_has_a_situation_sealed_days_daily_facts_and_a_backup(home: Home, tmp_path: Path):
    copies, done = tmp_path / "copies", threading.Event()
    copies.mkdir()

    def now_ms() -> int:
        if home.readings.size().sealed_readings and any(copies.iterdir()):
            done.set()
        return NOW_MS

    with cared_for(home, now_ms):
        assert done.wait(PATIENCE_S)
    assert recent_situation(home, NOW_MS) is not None
    assert len(home.readings.read_daily("measured", 0, 2**50)) >= 20


def test_a_chore_that_fails_is_logged_and_the_others_go_on(home: Home, caplog: pytest.LogCaptureFixture):
    done = threading.Event()

    def now_ms() -> int:
        # The folder for backups is not there.
        if home.readings.size().sealed_readings and any("care of the home failed" in line for line in caplog.messages):
            done.set()
        return NOW_MS

    with caplog.at_level("ERROR"), cared_for(home, now_ms):
        assert done.wait(PATIENCE_S)
