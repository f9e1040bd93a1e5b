"""A set-up that is corrected, or changed as of an earlier day, corrects what is reckoned from it."""

from pathlib import Path
from typing import Any

import pytest

from dashboard.answers import pots as question
from ingest.home import Home
from tests.dashboard.answers.small_home import march
from tests.dashboard.answers.window_home import NOW_MS, SETUP, build


def told(home: Home, label: str) -> dict[str, Any]:
    return next(pot for pot in question.answer(home, NOW_MS)["pots"] if pot["pot"] == label)


def test_history_is_reckoned_anew_after_a_backdated_change_and_back_when_it_is_withdrawn(tmp_path: Path):
    home = build(tmp_path)
    before = told(home, "measured")
    twice = SETUP | {"reservoir": SETUP["reservoir"] | {"area_mm2": 18_000}}
    home.logbook.describe_setup("measured", twice, march(1))
    mended = told(home, "measured")
    ratio = mended["water_use_ml_per_day"]["value"] / before["water_use_ml_per_day"]["value"]
    assert ratio == pytest.approx(2.0, rel=0.1)  # the same millimetres on twice the floor
    home.logbook.describe_setup("measured", SETUP, march(1))
    assert told(home, "measured")["water_use_ml_per_day"] == before["water_use_ml_per_day"]

    dry = before["dry_layer_mm"]["p50"]
    covered = {"top_layer": {"kind": "pebbles", "thickness_mm": 30}, "vents": "none"}
    home.logbook.change_setup("measured", covered, march(8))
    assert told(home, "measured")["dry_layer_mm"]["p50"] < dry
    home.logbook.withdraw_setup("measured", march(8))
    assert told(home, "measured")["dry_layer_mm"] == before["dry_layer_mm"]
    home.close()
