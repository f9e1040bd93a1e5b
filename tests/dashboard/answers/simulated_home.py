"""A home whose pots, sensors and grower are simulated with a known truth: one event a pot, on the same day.

Readings go straight into the store, as the ingester would have put them there; set-ups that a grower wrote down are
dated in the logbook, what nobody saw (a wick, a sticking sensor) is not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ingest.home import Home, open_home
from ingest.readings import DAY_MS, HOUR_MS, Reading
from ingest.sensors import Placement, Sensor
from simulated_feeds.events import Event, Scenario
from simulated_feeds.grower import inspections
from simulated_feeds.instruments import KINDS, observe
from simulated_feeds.pots import World
from simulated_feeds.truth import Truth, histories, simulate
from simulated_feeds.zoo import zoo

START_MS = 1_767_225_600_000 + 6 * HOUR_MS
EVENT_DAY, DAYS = 50, 72
EVERY_S = 1800.0
UNITS = {"air_temperature": "Cel", "relative_humidity": "%RH", "reservoir_level": "mm"}
LOOKS = (22, 29, 36, 43, 48, 60, 66)
"""Days on which every pot is looked at: five looks before the events, two since."""


@dataclass(frozen=True)
class Lived:
    """A home that has lived through a scenario, and the two truths: with the events and without."""

    home: Home
    world: World
    truth: Truth
    without: Truth
    event_ms: int
    now_ms: int

    def effect_mm(self, pot: str) -> float:
        """What the events truly did to a pot's line in the last ten days."""
        return _late(self.truth.dry_depth_mm, self, pot) - _late(self.without.dry_depth_mm, self, pot)

    def effect_use(self, pot: str) -> float:
        """The same for its use, as a share."""
        return _late(self.truth.use_ml, self, pot) / _late(self.without.use_ml, self, pot) - 1.0


def _late(series: np.ndarray, lived: Lived, pot: str) -> float:
    late = lived.truth.time_ms > lived.now_ms - 10 * DAY_MS
    return float(series[late, lived.truth.index(pot)].mean())


def lived_home(folder: Path, seed: int, events: Mapping[str, Sequence[Event]], pots: int) -> Lived:
    """The home at the end; events by pot label."""
    world = zoo(seed, pots, shelves=3, from_ms=START_MS)
    scenario = Scenario("events", tuple(event for some in events.values() for event in some))
    truth, without = (
        simulate(world, one, seed=seed, start_ms=START_MS, days=DAYS, step_minutes=60, cells=30)
        for one in (scenario, Scenario("quiet"))
    )
    home = open_home(folder)
    _write_down(home, histories(world, scenario))
    for shelf in world.shelves:
        for kind in ("air_temperature", "relative_humidity"):
            _hear(home, truth, shelf.label, kind, seed, ())
    for pot in world.pots:
        at = f"{pot.setups[0]['shelf']}/{pot.label}"
        _hear(home, truth, pot.label, "fine", seed, events.get(pot.label, ()), at)
    _look(home, truth, world, seed)
    return Lived(home, world, truth, without, START_MS + EVENT_DAY * DAY_MS, int(truth.time_ms[-1]) + 60_000)


def _write_down(home: Home, world: World) -> None:
    with home.logbook.writing():
        for shelf in world.shelves:
            heat = {"hours_per_day": shelf.hours_per_day} if shelf.heat not in ("none", "heat_mat") else {}
            home.logbook.put_shelf({"label": shelf.label, "air": shelf.air, "heat": shelf.heat, **heat})
        for pot in world.pots:
            home.logbook.put_pot({"label": pot.label, "plant": pot.plant, "likes": pot.likes, "roots": pot.roots})
            for setup in pot.setups:
                said = {key: value for key, value in setup.items() if key != "from_ms"}
                home.logbook.describe_setup(pot.label, said, int(setup["from_ms"]))


def _hear(
    home: Home, truth: Truth, of: str, kind: str, seed: int, events: Sequence[Event], at: str | None = None
) -> None:
    instrument = replace(KINDS[kind], interval_s=EVERY_S)
    topic = f"sim/{of}/{kind}".replace(" ", "-")
    sensor = Sensor(
        topic, "number", "", instrument.quantity, UNITS[instrument.quantity], interval_s=EVERY_S,
        placed=(Placement(START_MS, None, at or of),),
    )  # fmt: skip
    home.logbook.put_sensor(sensor)
    series = observe(truth, of, instrument, seed=seed)
    value = series.value.copy()
    for event in events:
        if event.kind == "sensor_sticks":
            stuck = series.time_ms >= event.at_ms
            value[stuck] = value[~stuck][-1]
    known = np.isfinite(value)
    rows = zip(series.time_ms[known].tolist(), value[known].tolist(), strict=True)
    home.readings.append([Reading(sensor.source, time_ms, number) for time_ms, number in rows])


def _look(home: Home, truth: Truth, world: World, seed: int) -> None:
    pot = np.repeat(np.arange(len(world.pots), dtype=np.int64), len(LOOKS))
    time_ms = START_MS + np.tile(np.array(LOOKS, np.int64), len(world.pots)) * DAY_MS + 12 * HOUR_MS
    seen = inspections(truth, world, pot, time_ms, seed)
    with home.logbook.writing():
        for row in seen.to_dict("records"):
            note: dict[str, Any] = {
                key: row[key] for key in ("pot", "how", "dry_layer_low_mm", "dry_layer_high_mm") if row[key] == row[key]
            }
            home.logbook.add_note({**note, "time_ms": int(row["time_ms"]), "kind": "inspection"})
        for pot_at, flush_ms in zip(truth.flushes.pot, truth.flushes.time_ms, strict=True):
            label = truth.pots[int(pot_at)]
            home.logbook.add_note({"time_ms": int(flush_ms), "pot": label, "kind": "flush", "amount_ml": 500.0})
