"""One invented collection: what its sensors and its grower reported, and the truth before and after changes.

Owns the making of a case for the science tests from the simulator: seventy days in which every pot is looked at six
times, then, from the same moment, one run for each change. What the model may see goes through simulated instruments
and a simulated eye; the truth is kept beside it for scoring. Must not know how anything is predicted or scored.

Development used worlds 101 to 108; the report and the held tests use worlds 1 to 40 and no constant was set on them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.air import hourly_climate
from analysis.columns import Columns
from analysis.setups import column_parameters
from simulated_feeds.events import DAY_MS, Event, Scenario
from simulated_feeds.grower import depth_at, seen_depths
from simulated_feeds.instruments import KINDS, observe
from simulated_feeds.pots import World
from simulated_feeds.truth import Truth, histories, simulate
from simulated_feeds.zoo import zoo

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

START_MS = 1_760_054_400_000
DAYS_BEFORE = 70
STEP_HOURS = 6
STEP_MS = STEP_HOURS * 3_600_000
NOTES_A_POT = 6
USE_ERROR = 0.05
"""Error of measured use over some weeks, sd as a share; the figures of the water use itself are tested elsewhere."""
DAYS_AFTER = 28
DAYS_EMPTY = 56


@dataclass(frozen=True)
class Seen:
    """What instruments reported over a spell, `(step of six hours, pot)`, and the truth at the ends of the steps."""

    start_ms: int
    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray
    true_depth_mm: FloatArray
    true_level_mm: FloatArray


@dataclass(frozen=True)
class Looks:
    """What the grower wrote down, `(note,)`."""

    pot: IntArray
    time_ms: IntArray
    low_mm: FloatArray
    high_mm: FloatArray
    how: tuple[str, ...]


@dataclass(frozen=True)
class After:
    """A change that no note has seen: the new set-ups as written, what was measured, and which pots it touched."""

    change: str
    columns: Columns
    seen: Seen
    use_ml_per_day: FloatArray
    touched: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Case:
    """One world."""

    columns: Columns
    seen: Seen
    looks: Looks
    use_ml_per_day: FloatArray
    after: tuple[After, ...]


def case(seed: int, pots: int = 24, changes: Sequence[str] | None = None) -> Case:
    """Make a world of random pots; changes by name, all when None, none when empty."""
    world = zoo(seed, pots, shelves=8)
    truth = simulate(world, seed=seed, start_ms=START_MS, days=DAYS_BEFORE, step_minutes=30)
    end_ms = START_MS + DAYS_BEFORE * DAY_MS
    return Case(
        columns=_described(world, START_MS),
        seen=_seen(truth, seed),
        looks=_looks(truth, seed),
        use_ml_per_day=_measured_use(truth, seed, end_ms - 28 * DAY_MS, end_ms),
        after=tuple(
            _after(world, truth, seed, end_ms, name, events)
            for name, events in _changes(world, end_ms).items()
            if changes is None or name in changes
        ),
    )


def _described(world: World, at_ms: int) -> Columns:
    shelves = {
        shelf.label: {"air": shelf.air, "heat": shelf.heat, "hours_per_day": shelf.hours_per_day}
        for shelf in world.shelves
    }
    setups = [[setup for setup in pot.setups if setup["from_ms"] <= at_ms][-1] for pot in world.pots]
    return column_parameters(
        setups,
        [shelves[setup["shelf"]] for setup in setups],
        [{"likes": pot.likes, "roots": pot.roots} for pot in world.pots],
    )


def _seen(truth: Truth, seed: int) -> Seen:
    steps = int((int(truth.time_ms[-1]) - truth.start.time_ms) // STEP_MS)
    air = [_air_of(truth, shelf, seed, steps) for shelf in truth.shelves]
    shelf = truth.shelf[0]
    at_ends = np.searchsorted(truth.time_ms, truth.start.time_ms + STEP_MS * np.arange(1, steps + 1))
    return Seen(
        start_ms=truth.start.time_ms,
        vpd_kpa=np.stack([vpd for vpd, _ in air], axis=1)[:, shelf],
        temperature_c=np.stack([warm for _, warm in air], axis=1)[:, shelf],
        level_mm=np.stack([_level_of(truth, pot, seed, steps) for pot in truth.pots], axis=1),
        true_depth_mm=truth.dry_depth_mm[at_ends],
        true_level_mm=truth.level_mm[at_ends],
    )


def _air_of(truth: Truth, shelf: str, seed: int, steps: int) -> tuple[FloatArray, FloatArray]:
    """Means over six hours of a shelf's deficit and warmth, as its own sensor tells them."""
    warm, humid = (observe(truth, shelf, KINDS[kind], seed=seed) for kind in ("air_temperature", "relative_humidity"))
    end_ms = truth.start.time_ms + steps * STEP_MS
    hours = hourly_climate(
        warm.time_ms, warm.value, humid.time_ms, humid.value, truth.start.time_ms, end_ms, hold_ms=3 * 3_600_000
    )
    return _known_mean(hours.vpd_kpa, steps), _known_mean(hours.temperature_c, steps)


def _known_mean(hourly: FloatArray, steps: int) -> FloatArray:
    rows = hourly[: steps * STEP_HOURS].reshape(steps, STEP_HOURS)
    known = np.isfinite(rows)
    count = known.sum(axis=1)
    return np.where(count > 0, np.where(known, rows, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _level_of(truth: Truth, pot: str, seed: int, steps: int) -> FloatArray:
    """Means over six hours of a pot's level; the last known one where the sensor was silent."""
    reported = observe(truth, pot, KINDS["fine"], seed=seed)
    known = np.isfinite(reported.value)
    step = np.clip((reported.time_ms[known] - truth.start.time_ms) // STEP_MS, 0, steps - 1)
    count = np.bincount(step, minlength=steps)
    total = np.bincount(step, reported.value[known], minlength=steps)
    last = np.maximum.accumulate(np.where(count > 0, np.arange(steps), 0))
    return np.maximum((total / np.maximum(count, 1))[last], 0.0)


def _looks(truth: Truth, seed: int) -> Looks:
    pots = len(truth.pots)
    days = np.sort(np.random.default_rng(seed).uniform(20.0, DAYS_BEFORE - 1.0, (pots, NOTES_A_POT)), axis=1)
    time_ms = (START_MS + (days * DAY_MS).astype(np.int64)).ravel()
    pot = np.repeat(np.arange(pots, dtype=np.int64), NOTES_A_POT)
    seen = seen_depths(depth_at(truth, pot, time_ms), pot, time_ms, seed)
    return Looks(
        pot,
        time_ms,
        seen["dry_layer_low_mm"].to_numpy(dtype=np.float64),
        seen["dry_layer_high_mm"].to_numpy(dtype=np.float64),
        tuple(seen["how"]),
    )


def _measured_use(truth: Truth, seed: int, from_ms: int, until_ms: int) -> FloatArray:
    first, last = np.searchsorted(truth.time_ms, [from_ms, until_ms], side="right")
    a_day = truth.use_ml[first:last].sum(axis=0) / ((until_ms - from_ms) / DAY_MS)
    error = np.random.default_rng([seed, from_ms % 2**31]).standard_normal(len(truth.pots))
    return np.asarray(a_day * (1.0 + USE_ERROR * error))


def _changes(world: World, at_ms: int) -> dict[str, list[Event]]:
    def setup(name: str, pot: str, **values: object) -> Event:
        return Event(f"{name} {pot}", "setup", at_ms, pot=pot, values=values)

    def cover(pot: str, thickness_mm: float) -> Event:
        kind = "pebbles" if thickness_mm else "none"
        return setup("cover", pot, top_layer={"kind": kind, "thickness_mm": thickness_mm, "replaces_medium": False})

    tops = {pot.label: pot.true_setups[-1]["top_layer"] for pot in world.pots}
    surface = {pot.label: float(pot.true_setups[-1]["surface_height_mm"]) for pot in world.pots}
    return {
        "drier air": [
            Event(
                f"dry {one.label}", "heating", at_ms, shelf=one.label, values={"warmer_c": 1.0, "vapour_factor": 0.75}
            )
            for one in world.shelves
        ],
        "holes opened": [
            setup("holes", pot, vents={"count": 24, "diameter_mm": 9, "wall_mm": 1.5, "height_mm": round(top - 30.0)})
            for pot, top in surface.items()
        ],
        "cover added": [cover(pot, 20.0) for pot, top in tops.items() if top["kind"] == "none"],
        "cover taken off": [
            cover(pot, 0.0) for pot, top in tops.items() if top["kind"] == "pebbles" and not top["replaces_medium"]
        ],
        "plant drinks thrice": [
            Event(f"drinks {pot.label}", "plant_drinks", at_ms, pot=pot.label, values={"factor": 3.0, "over_days": 1.0})
            for pot in world.pots
        ],
        "reservoir empty": [
            Event(f"empty {pot.label}", "empty", at_ms, until_ms=at_ms + 90 * DAY_MS, pot=pot.label)
            for pot in world.pots
        ],
    }


def _after(world: World, before: Truth, seed: int, at_ms: int, name: str, events: list[Event]) -> After:
    scenario = Scenario(name, tuple(events))
    days = DAYS_EMPTY if name == "reservoir empty" else DAYS_AFTER
    truth = simulate(world, scenario, seed=seed, start_ms=at_ms, days=days, step_minutes=30, state=before.end)
    named = {event.pot for event in events}
    return After(
        change=name,
        columns=_described(histories(world, scenario), at_ms),
        seen=_seen(truth, seed),
        use_ml_per_day=_measured_use(truth, seed, at_ms + 3 * DAY_MS, at_ms + 17 * DAY_MS),
        touched=np.array([name == "drier air" or pot.label in named for pot in world.pots]),
    )
