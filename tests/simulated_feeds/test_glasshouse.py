"""The glasshouse: its set-up file is one that the logbook takes, its messages are ones that the ingester reads."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from ingest.logbook.setup_toml import Home, home_from_toml
from ingest.payloads import decode
from ingest.sensors import canonical_value, claims, why_unusable
from simulated_feeds.events import DAY_MS, Event, Scenario, read_scenario
from simulated_feeds.glasshouse import FEEDS, TIMELESS, demo_scenario, glasshouse, setup_toml
from simulated_feeds.instruments import level_at
from simulated_feeds.messages import Message, messages_of
from simulated_feeds.pots import build_of
from simulated_feeds.truth import Truth, simulate

# the hour is put back on 25 October 2026: local times without a zone are told through it
START_MS = round(datetime(2026, 10, 23, tzinfo=UTC).timestamp() * 1000)
LIVE_MS = START_MS + 3 * DAY_MS
SEED = 20
GENERA = {
    "Cattleya",
    "Dendrobium",
    "Oncidium",
    "Paphiopedilum",
    "Bulbophyllum",
    "Zygopetalum",
    "Coelogyne",
    "Miltoniopsis",
}
LEVELS = {
    "rack top left level": "rack top left",
    "window strip": "window middle",
    "twin a level": "rack middle left",
    "cabinet front left level": "cabinet front left",
}


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate(glasshouse(START_MS), Scenario("quiet"), seed=SEED, start_ms=START_MS, days=4)


@pytest.fixture(scope="module")
def messages(truth: Truth) -> list[Message]:
    return messages_of(truth, Scenario("quiet"), SEED, timeless_from_ms=LIVE_MS)


@pytest.fixture(scope="module")
def home() -> Home:
    return home_from_toml(setup_toml(START_MS, START_MS + 120 * DAY_MS))


def test_four_shelves_and_24_pots_of_eight_genera_a_third_with_a_sensor(home: Home) -> None:
    assert [shelf.label for shelf in home.shelves] == ["heated-rack", "east-window", "glass-cabinet", "stairwell"]
    assert len(home.pots) == 24
    genera = {str(pot.plant).split()[0].strip(",") for pot, _ in home.pots}
    assert genera == GENERA
    watched = {placed.at for sensor in home.sensors for placed in sensor.placed if "/" in placed.at}
    assert 8 <= len(watched) <= 10
    assert {sensor.quantity for sensor in home.sensors} == {
        "air_temperature", "relative_humidity", "reservoir_level", "reservoir_low", "pot_mass", "battery",
    }  # fmt: skip


def test_no_sensor_is_unusable_or_claimed_twice(home: Home) -> None:
    assert [why_unusable(sensor) for sensor in home.sensors if why_unusable(sensor)] == []
    assert claims(home.sensors).refused == {}


def test_set_ups_are_dated_and_changes_that_were_noted_are_in_the_file(home: Home) -> None:
    dated = {pot.label: setups for pot, setups in home.pots}
    assert len(dated["rack middle right"]) == 2
    assert dated["rack middle right"][1].body["top_layer"]["kind"] == "pebbles"
    assert len(dated["rack middle left"]) == 1
    moved = next(sensor for sensor in home.sensors if sensor.label == "portable level")
    assert [placed.at for placed in moved.placed] == ["heated-rack/rack lower left", "east-window/window right"]


def test_a_set_up_file_does_not_know_the_future() -> None:
    early = home_from_toml(setup_toml(START_MS, START_MS + 30 * DAY_MS))
    assert all(len(setups) == 1 for _, setups in early.pots)


def test_every_message_is_read_and_says_what_the_sensor_saw(truth: Truth, messages: list[Message], home: Home) -> None:
    early = home_from_toml(setup_toml(START_MS, LIVE_MS))
    by_topic = claims(early.sensors).by_topic
    sensors = {sensor.source: sensor for sensor in early.sensors}
    readings = []
    for message in messages:
        read = decode(message.body, by_topic[message.topic], message.arrived_ms)
        assert read.reason is None, (message, read.reason)
        assert not read.failures
        readings += read.readings
    told = {reading.source for reading in readings}
    assert told == set(sensors)
    for label, pot in LEVELS.items():
        source = next(sensor.source for sensor in early.sensors if sensor.label == label)
        mine = [reading for reading in readings if reading.source == source]
        times = np.array([reading.time_ms for reading in mine], dtype=np.int64)
        level = np.array([canonical_value(sensors[source], reading.value) for reading in mine])
        assert np.abs(level - level_at(truth, truth.index(pot), times)).max() < 3.0
        assert len(mine) > 10


def test_nodes_without_times_speak_through_their_log_until_they_are_live(messages: list[Message]) -> None:
    bare = {feed.topic for feed in FEEDS if feed.form in TIMELESS}
    assert {message.topic for message in messages if message.timeless} == bare
    assert min(message.arrived_ms for message in messages if message.timeless) >= LIVE_MS
    logs = [message for message in messages if message.topic.endswith("/log")]
    assert {message.topic.removesuffix("/log") for message in logs} == bare
    assert [message.arrived_ms for message in messages] == sorted(message.arrived_ms for message in messages)


def test_a_failing_sensor_is_read_as_failing(truth: Truth, home: Home) -> None:
    fails = Event("f", "sensor_fails", START_MS, sensor="cabinet humidity")
    cold = Event("g", "sensor_fails", START_MS, sensor="rack warmth")
    spoken = messages_of(truth, Scenario("failing", (fails, cold)), SEED)
    by_topic = claims(home.sensors).by_topic
    for topic, code in (("glasshouse/cabinet/climate", "unavailable"), ("glasshouse/rack/air", "-127")):
        message = next(message for message in spoken if message.topic == topic)
        read = decode(message.body, by_topic[topic], message.arrived_ms)
        assert [failure.code for failure in read.failures] == [code]
        assert len(read.readings) == 1


def test_the_demo_names_pots_shelves_and_sensors_that_exist() -> None:
    world = glasshouse(START_MS)
    labels = {member.label for feed in FEEDS for member in feed.members}
    scenario = demo_scenario(START_MS)
    assert len(scenario.events) >= 15
    for event in scenario.events:
        assert event.pot is None or event.pot in {pot.label for pot in world.pots}
        assert event.shelf is None or event.shelf in {shelf.label for shelf in world.shelves}
        assert event.sensor is None or event.sensor in labels
        assert START_MS < event.at_ms < START_MS + 120 * DAY_MS


def test_twins_differ_by_a_hair_until_one_gets_pebbles() -> None:
    world = glasshouse(START_MS)
    left, right = world.pot("rack middle left"), world.pot("rack middle right")
    assert build_of(left.true_setups[0]) == build_of(right.true_setups[0])
    assert right.hidden.height_scale / left.hidden.height_scale == pytest.approx(1.03)


def test_a_scenario_file_says_what_is_wrong_with_it(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text('[[event]]\nname = "x"\nkind = "flush"\npot = "a"\n', encoding="utf-8")
    with pytest.raises(ValueError, match="event 'x' has no moment"):
        read_scenario(path, START_MS)
    path.write_text('[[event]]\nname = "x"\nkind = "flush"\nat = 2026-03-01T00:00:00Z\n' * 2, encoding="utf-8")
    with pytest.raises(ValueError, match="two events are called 'x'"):
        read_scenario(path, START_MS)
