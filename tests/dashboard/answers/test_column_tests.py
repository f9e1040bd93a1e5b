"""Column tests and looks at the level, from the logbook into the depths and levels of every pot."""

from pathlib import Path

import numpy as np
import pytest

from dashboard.answers.situation import Situation, situation_at
from ingest.home import Home
from tests.dashboard.answers.small_home import DAY_MS
from tests.dashboard.answers.window_home import FULL_MS, NOW_MS, build


@pytest.fixture
def home(tmp_path: Path):
    opened = build(tmp_path)
    yield opened
    opened.close()


def place(found: Situation, label: str) -> int:
    return [pot.label for pot in found.standing.pots].index(label)


def situation(home: Home) -> Situation:
    found = situation_at(home, NOW_MS)
    assert found is not None
    return found


def note_a_tube(home: Home, mix: object, low_mm: float | None, high_mm: float | None, **more: object) -> None:
    heights = {"damp_height_low_mm": low_mm, "damp_height_high_mm": high_mm}
    detail = {"mix": mix, **{key: value for key, value in heights.items() if value is not None}, **more}
    home.logbook.add_note({"time_ms": NOW_MS - DAY_MS, "kind": "column_test", "detail": detail})


def test_a_column_test_moves_the_depth_of_every_pot_that_holds_the_mix_and_of_no_other(home: Home) -> None:
    untested = situation(home)
    note_a_tube(
        home, {"expanded_clay": 0.5, "lava_rock": 0.5}, 40.0, 46.0, shelf="east-window", water_mm=20.0, days=4.0
    )
    lower = situation(home)
    same, other = place(lower, "measured"), place(lower, "unknown mix")
    for name in ("measured", "never noted"):
        index = place(lower, name)
        assert np.median(lower.expects_mm()[:, index]) > np.median(untested.expects_mm()[:, index]) + 3.0
    before, after = (np.log(found.draws.columns.layer_l1_mm[0]) for found in (untested, lower))
    assert after[:, same].mean() < before[:, same].mean() - 0.1
    assert after[:, same].std() < before[:, same].std()
    assert after[:, other].mean() == pytest.approx(before[:, other].mean(), abs=0.05)
    assert any("1 column test" in sentence for sentence in lower.posterior.informed)
    assert lower.posterior.notes.tolist() == [0] * len(lower.standing.pots)


def test_a_high_damp_column_raises_the_line(home: Home) -> None:
    untested = situation(home)
    note_a_tube(home, {"expanded_clay": 0.5, "lava_rock": 0.5}, 170.0, None)  # beside no known shelf, one end told
    index = place(untested, "measured")
    assert np.median(situation(home).expects_mm()[:, index]) < np.median(untested.expects_mm()[:, index])


def test_a_column_test_that_tells_no_height_changes_nothing(home: Home) -> None:
    untested = situation(home)
    note_a_tube(home, {"pumice": 1.0}, None, None)
    assert np.array_equal(situation(home).expects_mm(), untested.expects_mm())


def test_a_look_at_the_gauge_sets_the_level_of_a_pot_without_a_sensor(home: Home) -> None:
    home.logbook.add_note(
        {"time_ms": NOW_MS - DAY_MS // 4, "pot": "noted full", "kind": "inspection", "level_mm": 31.0}
    )
    found = situation(home)
    water = found.waters[place(found, "noted full")]
    assert water.told.level_mm == pytest.approx(31.0, abs=3.0)
    assert water.level_mm[-1] == pytest.approx(31.0, abs=3.0)


@pytest.mark.parametrize(("word", "share"), [("low", 0.2), ("half", 0.5), ("full", 0.85)])
def test_what_was_found_before_filling_measures_the_use_between(home: Home, word: str, share: float) -> None:
    began_ms = FULL_MS - 8 * DAY_MS
    home.logbook.add_note({"time_ms": began_ms, "pot": "never noted", "kind": "refill"})
    home.logbook.add_note({"time_ms": FULL_MS, "pot": "never noted", "kind": "refill", "detail": {"found": word}})
    found = situation(home)
    week = found.waters[place(found, "never noted")].told.week
    used = (1 - share) * 50 * 9 / 8
    assert week.value == pytest.approx(used, rel=0.01)
    assert week.low <= used <= week.high


def test_found_empty_tells_the_level_then_and_no_use(home: Home) -> None:
    began_ms = FULL_MS - 8 * DAY_MS
    home.logbook.add_note({"time_ms": began_ms, "pot": "never noted", "kind": "refill"})
    home.logbook.add_note({"time_ms": FULL_MS, "pot": "never noted", "kind": "refill", "detail": {"found": "empty"}})
    found = situation(home)
    assert np.isnan(found.waters[place(found, "never noted")].told.week.value)
    assert found.waters[place(found, "never noted")].level_known
