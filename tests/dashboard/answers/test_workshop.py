"""What the workshop tells of a sensor that is quiet."""

from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.answers import workshop
from tests.dashboard.answers.small_home import WARMTH, every, home_with, march, told


@pytest.mark.parametrize(("quiet_h", "says"), [(1, "quiet for an hour"), (7, "quiet for 7 hours")])
def test_a_sensor_within_its_habit_says_how_long_it_has_been_quiet(tmp_path: Path, quiet_h: int, says: str) -> None:
    slow = replace(WARMTH, interval_s=12 * 3600)
    home = home_with(tmp_path, [slow])
    home.readings.append(told(slow, *every(600, march(3), march(4), 20.0)))
    last_ms = home.readings.latest()[slow.source][0]
    sensor = workshop.answer(home, last_ms + quiet_h * 3_600_000 + 60_000)["sensors"][0]
    home.close()
    assert (sensor["state"], sensor["says"]) == ("stale", f"{says}, within its habit")
