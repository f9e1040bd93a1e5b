"""From messages that cross a real broker to every number on the wall, each against the simulator's truth.

Five weeks of the invented glasshouse go through the embedded broker and the ingester into a fresh home; the wall of the
last moment is then compared with what really was. Success on simulated data is no evidence for real pots. The
figures printed (pytest -s) are the measured ones; the bounds are those of the first issue, or stated beside each test.
"""

import statistics
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.answers import check, health, wall
from ingest.broker import EmbeddedBroker, Listener, free_port
from ingest.home import Home, open_home
from ingest.moments import midnights
from ingest.subscriber import Counters, Subscriber
from simulated_feeds.glasshouse import TIME_ZONE, setup_toml
from simulated_feeds.grower import notes_csv
from simulated_feeds.publish import History, Link, Plan, demo_plan, history, run

pytestmark = pytest.mark.xdist_group("end to end")

NOW_MS = 1_790_003_000_000
DAYS = 35
DAY_MS = 86_400_000
PATIENCE_S = 120.0


@dataclass
class Lived:
    """Five weeks of the glasshouse: what was, what was kept, and what the wall says of the last moment."""

    plan: Plan
    past: History
    home: Home
    counters: Counters
    sent: int
    wall: dict[str, Any]

    def pots(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Each pot of the wall with its place in the truth."""
        place = {pot.label: index for index, pot in enumerate(self.plan.world.pots)}
        for shelf in self.wall["shelves"]:
            for pot in shelf["pots"]:
                yield place[pot["label"]], pot

    def has_level_sensor(self, label: str) -> bool:
        """Whether a level sensor (no scale, no float switch) serves the pot."""
        sensors = self.home.logbook.sensors()
        placed = [where for sensor in sensors if sensor.quantity == "reservoir_level" for where in sensor.placed[-1:]]
        return any(where.at.endswith(f"/{label}") for where in placed)

    def use_of_last_week_ml_per_day(self, index: int) -> float:
        """What the pot really lost in the grower's last seven full days."""
        at_ms = self.wall["at_ms"]
        edges = midnights(at_ms - 7 * DAY_MS, at_ms, ZoneInfo(TIME_ZONE))
        time_ms = self.past.truth.time_ms
        week = (time_ms > edges[0]) & (time_ms <= edges[-1])
        return float(self.past.truth.use_ml[week, index].sum() / 7)


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    folder, port = tmp_path_factory.mktemp("glasshouse"), free_port()
    (folder / "dryline.toml").write_text(f'[broker]\nport = {port}\n[grower]\ntimezone = "{TIME_ZONE}"\n')
    home = open_home(folder)
    plan = demo_plan(NOW_MS, DAYS)
    past = history(plan)
    home.logbook.import_setup(setup_toml(plan.start_ms, plan.live_ms, seed=plan.seed, scenario=plan.scenario))
    home.logbook.import_notes(notes_csv(past.notes))
    sent = 0

    def told(_what: str, _done: int, of: int) -> None:
        nonlocal sent
        sent = of

    with EmbeddedBroker(Listener(port=port)):
        subscriber = Subscriber(home.link(), home.readings, home.logbook.sensors, clock_ms=lambda: NOW_MS)
        stop = threading.Event()
        ingester = threading.Thread(target=subscriber.run, args=(stop,))
        ingester.start()
        try:
            until(lambda: subscriber.counters.connected)
            run(Link(port=port), plan, live=False, past=past, progress=told)
            until(lambda: subscriber.counters.acknowledged >= sent)
        finally:
            stop.set()
            ingester.join(PATIENCE_S)
    shown = wall.answer(home, plan.live_ms)
    yield Lived(plan, past, home, subscriber.counters, sent, shown)
    home.close()


def test_every_message_that_was_sent_is_acknowledged_and_understood(lived: Lived):
    assert lived.sent > 20_000
    assert lived.counters.acknowledged >= lived.sent
    assert (lived.counters.unread, lived.counters.store_errors) == (0, 0)
    assert lived.home.readings.size().readings == health.answer(lived.home, NOW_MS)["readings"] > lived.sent


def test_the_wall_shows_every_shelf_and_every_pot_once(lived: Lived):
    assert [shelf["label"] for shelf in lived.wall["shelves"]] == [shelf.label for shelf in lived.plan.world.shelves]
    assert sorted(pot["label"] for _, pot in lived.pots()) == sorted(pot.label for pot in lived.plan.world.pots)
    assert lived.wall["silent"] == []
    assert check.answer(lived.home, lived.plan.live_ms)["findings"] == []


def test_the_air_of_each_shelf_is_within_its_sensors_errors(lived: Lived):
    # The instruments' fixed errors have sd 0.2 degC and 1.5 % RH; those on change lag by up to 0.3 degC and 1 % RH.
    # Two and a half times the sd and the lag are allowed, and what these make of the deficit (1.5 % RH is 0.04 kPa).
    climate = lived.past.truth.climate
    day = lived.past.truth.time_ms > lived.plan.live_ms - DAY_MS
    for index, shelf in enumerate(lived.wall["shelves"]):
        really_kpa = float(climate.vpd_kpa[day, index].mean())
        print(f"{shelf['label']}: {shelf['vpd_day_kpa']:.3f} kPa a day, really {really_kpa:.3f}")
        assert shelf["temperature_c"] == pytest.approx(climate.temperature_c[-1, index], abs=0.8)
        assert shelf["relative_humidity_pct"] == pytest.approx(climate.relative_humidity_pct[-1, index], abs=4.75)
        assert shelf["vpd_kpa"] == pytest.approx(climate.vpd_kpa[-1, index], abs=0.2)
        assert shelf["vpd_day_kpa"] == pytest.approx(really_kpa, abs=0.15)


def test_measured_levels_are_within_two_millimetres(lived: Lived):
    truth = lived.past.truth.level_mm[-1]
    off = [
        abs(pot["level_mm"] - truth[index])
        for index, pot in lived.pots()
        if pot["sensor_state"] in ("fresh", "stale") and lived.has_level_sensor(pot["label"])
    ]
    print(f"{len(off)} measured levels, {max(off):.1f} mm off at most")
    assert len(off) >= 6
    assert max(off) <= 2.0


def test_the_week_s_use_of_measured_pots_is_within_the_bounds(lived: Lived):
    # The bound of the first issue for the coarse sensor: 5 % in the median pot, 12 % at the 90th percentile.
    share, covered = [], []
    for index, pot in lived.pots():
        if pot["use_is_measured"] and pot["sensor_state"] != "none":
            really, said = lived.use_of_last_week_ml_per_day(index), pot["water_use_ml_per_day"]
            share.append(abs(said["value"] / really - 1))
            covered.append(said["low"] <= really <= said["high"])
    print(f"use of {len(share)} sentinels off by {statistics.median(share):.1%}, at most {max(share):.1%}; "
          f"{sum(covered)} within their 90 % interval")  # fmt: skip
    assert len(share) >= 7
    assert statistics.median(share) <= 0.05
    assert np.quantile(share, 0.9) <= 0.12
    assert sum(covered) >= len(covered) - 2


def test_the_borrowed_use_of_unmeasured_pots_says_how_unsure_it_is(lived: Lived):
    covered = [
        pot["water_use_ml_per_day"]["low"]
        <= lived.use_of_last_week_ml_per_day(index)
        <= pot["water_use_ml_per_day"]["high"]
        for index, pot in lived.pots()
        if not pot["use_is_measured"]
    ]
    print(f"borrowed use: {sum(covered)} of {len(covered)} within the 90 % interval")
    assert sum(covered) >= 0.8 * len(covered)


def test_the_dry_layer_band_of_noted_pots_covers_the_truth_for_most(lived: Lived):
    # A band of p10 to p90 should cover 8 of 10; with 24 pots that share calibration, 6.5 of 10 is the least accepted.
    really = lived.past.truth.dry_depth_mm[-1]
    noted = [(really[index], pot) for index, pot in lived.pots() if pot["shows_mm"] and pot["dry_layer_mm"]]
    inside = [pot["dry_layer_mm"]["p10"] - 0.5 <= depth <= pot["dry_layer_mm"]["p90"] + 0.5 for depth, pot in noted]
    off = [abs(pot["dry_layer_mm"]["p50"] - depth) for depth, pot in noted]
    print(f"dry layer: {sum(inside)} of {len(inside)} bands cover, median error {statistics.median(off):.1f} mm")
    assert len(noted) >= 18
    assert sum(inside) >= 0.65 * len(inside)
    assert statistics.median(off) <= 4.0


def test_a_pot_called_too_dry_is_dry_and_one_called_well_is_not_far_beyond_the_rooting_depth(lived: Lived):
    really = lived.past.truth.dry_depth_mm[-1]
    for index, pot in lived.pots():
        if pot["state"] == "too_dry":
            assert really[index] > pot["rooting_depth_mm"] - 6.0, pot["label"]
        if pot["state"] == "well":
            assert really[index] < pot["rooting_depth_mm"] + 6.0, pot["label"]


def test_days_left_of_measured_pots_agree_with_their_water_and_their_use(lived: Lived):
    compared = 0
    for index, pot in lived.pots():
        if pot["use_is_measured"] and pot["sensor_state"] != "none" and pot["days_left"]:
            really = lived.past.truth.water_ml[-1, index] / lived.use_of_last_week_ml_per_day(index)
            days = pot["days_left"]
            print(f"{pot['label']}: {days['p10']:.0f} to {days['p90']:.0f} days, at last week's pace {really:.0f}")
            # use slackens as the level falls, and the column gives back: it lasts longer than at last week's pace
            assert 0.7 * really <= days["p50"] <= 2.2 * really
            assert days["p10"] <= days["p50"] <= days["p90"]
            compared += 1
    assert compared >= 6
