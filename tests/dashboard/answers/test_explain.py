"""What `dryline explain` says of a simulated home in which something known happened to every pot on the same day.

The truth is the simulator's, with and without the events: an event that is asked for truly moved the line by 5 mm or
use by 15 %. Success on simulated pots is no evidence for real ones.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.answers import explain
from dashboard.answers.situation import situation_at
from ingest.home import Home, open_home
from ingest.readings import DAY_MS, Reading
from simulated_feeds.events import Event
from tests.dashboard.answers.simulated_home import EVENT_DAY, START_MS, Lived, lived_home

AT_MS = START_MS + EVENT_DAY * DAY_MS
LATER_MS = AT_MS + 60 * DAY_MS
OPENED = {"vents": {"count": 24, "diameter_mm": 9.0, "wall_mm": 1.5, "height_mm": 90.0}}
STUCK, FLUSHED, FORGOTTEN, QUIET = "pot 3", "pot 4", "pot 1", "pot 9"
HAPPENED = {
    "pot 7": ("vent_holes", Event("holes opened", "setup", AT_MS, pot="pot 7", values=OPENED)),
    "pot 2": ("wick", Event("wick fails", "wick_fails", AT_MS, pot="pot 2", values={"keeps": 0.03, "over_days": 4})),
    "pot 5": ("plant", Event("roots lost", "roots_lost", AT_MS, pot="pot 5", values={"factor": 0.1, "over_days": 4})),
    "pot 6": ("plant", Event("grown", "plant_drinks", AT_MS, pot="pot 6", values={"factor": 3.0, "over_days": 4})),
    FORGOTTEN: ("low_reservoir", Event("forgotten", "empty", AT_MS - 12 * DAY_MS, LATER_MS, pot=FORGOTTEN)),
}
OTHERS = {
    STUCK: Event("strip sticks", "sensor_sticks", AT_MS + 2 * DAY_MS, LATER_MS, pot=STUCK, sensor="strip"),
    FLUSHED: Event("flushed", "flush", AT_MS, pot=FLUSHED, values={"amount_ml": 500}),
}


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    events = {pot: [event] for pot, (_, event) in HAPPENED.items()} | {pot: [event] for pot, event in OTHERS.items()}
    made = lived_home(tmp_path_factory.mktemp("simulated"), 5, events, 9)
    yield made
    made.home.close()


def since_the_event(lived: Lived, pot: str) -> dict[str, Any]:
    return explain.answer(lived.home, pot, lived.now_ms, lived.event_ms)


@pytest.mark.parametrize("pot", HAPPENED)
def test_what_happened_is_named(lived: Lived, pot: str) -> None:
    factor, event = HAPPENED[pot]
    did_mm, did_use = lived.effect_mm(pot), lived.effect_use(pot)
    assert abs(did_mm) >= 5.0 or abs(did_use) >= 0.15, f"{event.name} did too little to be asked for"
    told = since_the_event(lived, pot)
    assert told["verdict"] == factor, told
    if did_mm >= 10.0:
        assert told["direction"] == "drier"
    elif did_mm > 0.0:
        assert told["direction"] != "wetter"
    assert told["change_mm"] == pytest.approx(sum(one["mm"] for one in told["shares"]) + told["unexplained_mm"])
    assert told["says"].endswith(".")


def test_a_failing_wick_is_found_without_naming_a_day(lived: Lived) -> None:
    told = explain.answer(lived.home, "pot 2", lived.now_ms)
    assert told["verdict"] == "wick"
    assert abs(told["since_ms"] - lived.event_ms) <= 5 * DAY_MS
    assert any("failing wick" in sentence for sentence in told["evidence"])


def test_lost_roots_are_told_as_a_plant_that_drinks_less(lived: Lived) -> None:
    told = since_the_event(lived, "pot 5")
    assert told["direction"] != "drier"
    assert "drinks less" in told["says"]


def test_a_sticking_strip_is_a_gap_and_no_cause(lived: Lived) -> None:
    told = since_the_event(lived, STUCK)
    assert told["verdict"] == "sensor_gap"
    assert any("silent or stuck" in sentence for sentence in told["evidence"])


@pytest.mark.parametrize("pot", [FLUSHED, QUIET])
def test_a_flush_and_a_quiet_pot_are_no_alarm(lived: Lived, pot: str) -> None:
    assert since_the_event(lived, pot)["verdict"] == "none"


def test_the_answer_of_a_past_moment_is_the_one_that_was_given_then(lived: Lived, tmp_path: Path) -> None:
    """Whatever comes in afterwards: other readings, looks, refills and another set-up. To the digit."""
    then_ms = lived.event_ms + 15 * DAY_MS
    told = explain.answer(lived.home, "pot 2", then_ms, lived.event_ms)
    assert told["until_ms"] <= then_ms
    assert explain.answer(lived.home, "pot 2", then_ms, lived.event_ms, then_ms) == told
    situation = situation_at(lived.home, then_ms)
    assert situation is not None
    assert int(situation.notes["time_ms"].max()) <= then_ms
    assert int(situation.course.end_ms[-1]) <= then_ms
    shutil.copytree(lived.home.folder, tmp_path / "later")
    later = open_home(tmp_path / "later")
    try:
        live_on_otherwise(later, "pot 2", then_ms)
        assert explain.answer(later, "pot 2", then_ms, lived.event_ms) == told
        now_ms = then_ms + 6 * DAY_MS
        assert explain.answer(later, "pot 2", now_ms, lived.event_ms) != explain.answer(
            lived.home, "pot 2", now_ms, lived.event_ms
        ), "what came in afterwards was never heard"
    finally:
        later.close()


def live_on_otherwise(home: Home, pot: str, then_ms: int) -> None:
    """All that was heard and noted after a moment becomes another: wet air, full reservoirs, a line at the surface."""
    value = {"air_temperature": 17.0, "relative_humidity": 92.0, "reservoir_level": 55.0}
    every_ms = DAY_MS // 48
    home.readings.append(
        [
            Reading(sensor.source, time_ms, value[sensor.quantity])
            for sensor in home.logbook.sensors()
            for old_ms in home.readings.read([sensor.source], then_ms + 1, then_ms + 7 * DAY_MS)[sensor.source][0]
            for time_ms in (int(old_ms), int(old_ms) + every_ms // 2)
        ]
    )
    said = {key: value for key, value in home.logbook.setups(pot)[-1].items() if key not in ("from_ms", "to_ms")}
    with home.logbook.writing():
        for day in range(1, 6):
            look = {"pot": pot, "how": "fingertip", "dry_layer_low_mm": 0.0, "dry_layer_high_mm": 3.0}
            home.logbook.add_note({**look, "time_ms": then_ms + day * DAY_MS, "kind": "inspection"})
            poured = {"pot": pot, "kind": "refill", "amount_ml": 200.0}
            home.logbook.add_note({**poured, "time_ms": then_ms + day * DAY_MS + 1})
        home.logbook.describe_setup(pot, {**said, **OPENED}, then_ms + 2 * DAY_MS)
