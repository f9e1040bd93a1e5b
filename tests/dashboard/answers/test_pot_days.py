"""Days are the grower's own: from local midnight to local midnight, also when the clocks change; and they are kept."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.answers import pots, story
from dashboard.answers.pot_days import keep_days
from dashboard.answers.situation import Situation, situation_at
from ingest.home import Home
from ingest.readings import DAILY_COLUMNS
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, march
from tests.dashboard.answers.window_home import FALL_MM_PER_DAY, ML_PER_MM, add_readings, build

VIENNA = ZoneInfo("Europe/Vienna")
#: The clocks of the European Union went forward on 29 March 2026 at 01:00 UTC (Directive 2000/84/EC).
AT_MS = march(31, 9.5)
EVER = (0, 2**50)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    folder: Path = tmp_path_factory.mktemp("days")
    (folder / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Vienna"\n')
    opened = build(folder, until_ms=AT_MS)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def situation(home: Home) -> Situation:
    found = situation_at(home, AT_MS)
    assert found is not None
    return found


def local_hours(day_ms: np.ndarray) -> set[int]:
    return {datetime.fromtimestamp(ms / 1000, VIENNA).hour for ms in day_ms.tolist()}


def test_the_days_of_use_begin_at_local_midnight_before_and_after_the_clocks_change(situation: Situation):
    days = situation.waters[0].told.days.day_ms
    assert local_hours(days) == {0}
    lengths = np.diff(days) / HOUR_MS
    assert (lengths == 23).sum() == 1
    assert set(lengths.tolist()) == {23.0, 24.0}
    assert days[-1] == march(29, 22)  # 30 March in Vienna, the last full day


def test_the_week_of_an_answer_ends_at_the_last_local_midnight(home: Home, situation: Situation):
    week = situation.waters[0].told.weeks
    assert (week.from_ms[-1], week.until_ms[-1]) == (march(23, 23), march(30, 22))
    told = pots.answer(home, AT_MS)["pots"][0]["water_use_ml_per_day"]
    assert told["value"] == pytest.approx(FALL_MM_PER_DAY * ML_PER_MM, rel=0.08)


def test_the_story_has_a_point_for_each_local_day(home: Home, situation: Situation):
    use = story.answer(home, "measured", march(26), AT_MS, AT_MS)["use"]
    assert local_hours(np.array(use["time_ms"]) - DAY_MS // 2) == {0}
    assert len(use["time_ms"]) == 5  # the 26th to the 30th


def test_the_facts_of_each_day_are_those_of_the_answer(home: Home, situation: Situation):
    assert keep_days(home, situation) == 8 * 25
    facts = home.readings.read_daily("measured", *EVER)
    assert list(facts.columns) == ["day_ms", *DAILY_COLUMNS]
    assert local_hours(facts["day_ms"].to_numpy()) == {0}
    told = situation.waters[0].told.days
    last = facts.iloc[-1]
    assert last["day_ms"] == told.day_ms[-1]
    assert last["water_use_ml_per_day"] == pytest.approx(told.use_ml[-1])
    assert last["water_use_low_ml_per_day"] < last["water_use_ml_per_day"] < last["water_use_high_ml_per_day"]
    # Filled on the 21st; noon of the 30th is nine and a half days later, less two hours of summer time.
    assert last["level_mm"] == pytest.approx(50 - FALL_MM_PER_DAY * (9.5 - 2 / 24), abs=1.0)
    assert last["dry_depth_p10_mm"] <= last["dry_depth_p50_mm"] <= last["dry_depth_p90_mm"]
    filled = facts[facts["refilled_ml"] > 0]
    assert local_hours(filled["day_ms"].to_numpy()) == {0}
    assert filled["refilled_ml"].to_numpy() == pytest.approx(10 * FALL_MM_PER_DAY * ML_PER_MM, rel=0.1)


def test_a_pot_without_a_sensor_has_days_of_air_and_dry_line_and_no_use(home: Home, situation: Situation):
    keep_days(home, situation)
    facts = home.readings.read_daily("noted full", *EVER)
    assert facts["water_use_ml_per_day"].isna().all()
    assert facts["refilled_ml"].isna().all()
    assert facts["vpd_kpa"].notna().all()
    assert facts["expected_use_ml_per_day"].notna().all()


def test_days_whose_raw_readings_are_gone_are_still_in_the_story(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Vienna"\n[readings]\nkeep_raw_days = 30\n')
    home = build(tmp_path, until_ms=AT_MS)
    try:
        keep_days(home, situation_at(home, AT_MS))
        later_ms = AT_MS + 10 * DAY_MS
        add_readings(home, AT_MS, later_ms)
        assert home.readings.prune(30, later_ms) > 0
        assert situation_at(home, later_ms) is not None
        use = story.answer(home, "measured", march(7), march(20), later_ms)["use"]
    finally:
        home.close()
    assert local_hours(np.array(use["time_ms"]) - DAY_MS // 2) == {0}
    assert len(use["time_ms"]) == len(set(use["time_ms"])) == 14
    assert use["time_ms"][0] < later_ms - 33 * DAY_MS  # raw readings begin on the 11th
    assert np.array(use["value"]) == pytest.approx(FALL_MM_PER_DAY * ML_PER_MM, rel=0.25)


def test_older_days_are_told_by_their_facts_and_anew_where_readings_have_none(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text('[grower]\ntimezone = "Europe/Vienna"\n')
    home = build(tmp_path, until_ms=AT_MS)
    try:
        keep_days(home, situation_at(home, AT_MS))
        later_ms = AT_MS + 10 * DAY_MS
        add_readings(home, AT_MS, later_ms)
        facts = home.readings.read_daily("measured", *EVER).assign(pot="measured")
        marked_ms = march(8, 23)  # 9 March in Vienna, long before the last weeks
        facts.loc[facts["day_ms"] == marked_ms, "water_use_ml_per_day"] = 999.0
        home.readings.write_facts(daily=facts)
        assert situation_at(home, later_ms) is not None
        by_facts, anew = (
            story.answer(home, "measured", since_ms, AT_MS, later_ms)["use"] for since_ms in (march(8), march(2))
        )
    finally:
        home.close()
    assert by_facts["value"][by_facts["time_ms"].index(marked_ms + DAY_MS // 2)] == 999.0
    assert anew["value"][anew["time_ms"].index(marked_ms + DAY_MS // 2)] < 999.0
    told = [(use["time_ms"][-1], len(use["time_ms"])) for use in (by_facts, anew)]
    assert told == [(march(30, 22) + DAY_MS // 2, 24), (march(30, 22) + DAY_MS // 2, 30)]
