"""Notes that are few, contradict each other, or cannot be: a wider band or no change, never a wrong number."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from dashboard.answers import pots
from dashboard.answers.situation import Situation, situation_at
from ingest.home import Home
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march
from tests.dashboard.answers.window_home import NOW_MS, build

POT = "measured"


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    opened = build(tmp_path)
    yield opened
    opened.close()


def look(home: Home, time_ms: int, low_mm: float, high_mm: float) -> None:
    home.logbook.add_note(
        {"time_ms": time_ms, "pot": POT, "kind": "inspection", "how": "fingertip",
         "dry_layer_low_mm": low_mm, "dry_layer_high_mm": high_mm}
    )  # fmt: skip


def situation(home: Home) -> Situation:
    found = situation_at(home, NOW_MS)
    assert found is not None
    return found


def depths_mm(home: Home) -> np.ndarray:
    found = situation(home)
    return found.expects_mm()[:, [pot.label for pot in found.standing.pots].index(POT)]


def width_mm(depths: np.ndarray) -> float:
    low, high = np.quantile(depths, [0.05, 0.95])
    return float(high - low)


def test_one_note_narrows_the_band_and_is_enough_to_show_millimetres(home: Home) -> None:
    before = depths_mm(home)
    assert not situation(home).posterior.shows_mm.any()
    look(home, NOW_MS - DAY_MS, 10.0, 16.0)
    after = depths_mm(home)
    assert width_mm(after) < 0.7 * width_mm(before)
    assert width_mm(after) > 4.0
    assert np.quantile(after, 0.05) < 13.0 < np.quantile(after, 0.95)
    assert situation(home).posterior.shows_mm.sum() == 1


def test_notes_that_contradict_each_other_leave_a_wider_band_than_notes_that_agree(home: Home, tmp_path: Path) -> None:
    agreeing = build(tmp_path / "agreeing")
    for day in range(1, 5):
        look(home, NOW_MS - day * DAY_MS, *((2.0, 6.0) if day % 2 else (36.0, 44.0)))
        look(agreeing, NOW_MS - day * DAY_MS, 18.0, 26.0)
    assert width_mm(depths_mm(home)) > 1.3 * width_mm(depths_mm(agreeing))
    agreeing.close()


@pytest.mark.parametrize(
    ("time_ms", "low_mm"),
    [
        pytest.param(NOW_MS - DAY_MS, 400.0, id="deeper than the pot"),
        pytest.param(march(1) - 400 * DAY_MS, 12.0, id="before the set-up, when no air was known"),
        pytest.param(NOW_MS + HOUR_MS, 12.0, id="in the future"),
    ],
)
def test_a_note_that_cannot_be_changes_no_depth(home: Home, time_ms: int, low_mm: float) -> None:
    before = depths_mm(home)
    look(home, time_ms, low_mm, low_mm + 8.0)
    assert depths_mm(home) == pytest.approx(before, abs=1e-9)


def test_a_level_above_the_surface_leaves_nothing_dry_and_every_answer_a_number(home: Home) -> None:
    """The surface of the medium stands 140 mm above the reservoir's floor."""
    home.logbook.add_note({"time_ms": NOW_MS - HOUR_MS, "pot": "noted full", "kind": "inspection", "level_mm": 180.0})
    told = {pot["pot"]: pot for pot in pots.answer(home, NOW_MS)["pots"]}["noted full"]
    assert told["says"].endswith(".")
    band = told["dry_layer_mm"]
    assert 0.0 <= band["p10"] <= band["p50"] <= band["p90"] < 140.0
    assert told["level_mm"] == pytest.approx(180.0, abs=5.0)
