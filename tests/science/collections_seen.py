"""An invented collection that has been looked after for ninety days: its truth, and what analysis may know of it.

Owns the making of a calibrated collection for the tests of decisions (causes, guide, rounds). Air is known by its daily
means, levels to half a millimetre, measured use to 4 %, depths through the simulated eye: sensors themselves are tested
elsewhere. A third of the pots have a level sensor where `sentinels` asks for it. Must not know what is decided.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.calibration import DepthNotes, Draws, calibrate
from analysis.columns import Columns
from analysis.setups import column_parameters
from analysis.thirst import thirst
from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.grower import inspections
from simulated_feeds.pots import World
from simulated_feeds.truth import Truth, histories, simulate

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

START_MS = 1_760_054_400_000
STEP_MINUTES, CELLS = 60, 30
NOTES_A_POT = 6
HISTORY_DAYS = 30
USE_ERROR, LEVEL_ERROR_MM = 0.04, 0.5
LATELY_DAYS = 28


@dataclass(frozen=True)
class Daily:
    """Daily figures (day, pot): air, level as measured, and the truth of depth and use."""

    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray
    depth_mm: FloatArray
    use_ml: FloatArray


@dataclass(frozen=True)
class Collection:
    """A world, its truth, and what is believed of its pots at the end of day `today` after their notes."""

    world: World
    truth: Truth
    daily: Daily
    today: int
    setups: list[Mapping[str, object]]
    shelves: list[Mapping[str, object]]
    pots: list[Mapping[str, object]]
    columns: Columns
    draws: Draws
    notes: pd.DataFrame  # of inspections, with `pot_index` and `day`


def run(world: World, seed: int, days: float, scenario: Scenario | None = None) -> Truth:
    """The truth of a world from the common start."""
    return simulate(
        world,
        scenario or Scenario("quiet"),
        seed=seed,
        start_ms=START_MS,
        days=days,
        step_minutes=STEP_MINUTES,
        cells=CELLS,
    )


def daily_of(truth: Truth, seed: int, pots: slice = slice(None)) -> Daily:
    """Daily figures of some pots of a truth."""

    def mean(series: FloatArray) -> FloatArray:
        return np.asarray(series[:, pots].reshape(-1, 24 * 60 // STEP_MINUTES, series[:, pots].shape[1]).mean(1))

    warm = np.take_along_axis(truth.climate.temperature_c, truth.shelf, axis=1)
    level = mean(truth.level_mm)
    offset = LEVEL_ERROR_MM * np.random.default_rng([seed, 1]).standard_normal(level.shape[1])
    return Daily(
        mean(truth.pot_vpd_kpa()),
        mean(warm),
        np.maximum(level + offset, 0.0),
        mean(truth.dry_depth_mm),
        mean(truth.use_ml) * (24 * 60 // STEP_MINUTES),
    )


def measured_use(daily: Daily, seed: int, days: slice) -> FloatArray:
    """Mean use of some days as a good sensor would give it, mL a day (pot,)."""
    error = np.random.default_rng([seed, 2, days.start]).standard_normal(daily.use_ml.shape[1])
    return np.asarray(daily.use_ml[days].mean(0) * (1 + USE_ERROR * error))


def shelf_of(world: World) -> dict[str, Mapping[str, object]]:
    """The shelves as their grower described them."""
    return {s.label: {"air": s.air, "heat": s.heat, "hours_per_day": s.hours_per_day} for s in world.shelves}


def collection(
    world: World,
    truth: Truth,
    seed: int,
    today: int,
    *,
    scenario: Scenario | None = None,
    sentinels: bool = False,
    notes_a_pot: int = NOTES_A_POT,
    draws: int = 100,
) -> Collection:
    """What is believed at the end of `today` (a day of the truth) about the pots of a world, from notes before it.

    truth may hold more pots after the world's own (variants); scenario: what the truth was run with, whose set-ups of
    before today are the ones believed.
    """
    count = len(world.pots)
    daily = daily_of(truth, seed, slice(0, count))
    at_ms = START_MS + today * DAY_MS
    known = histories(world, scenario) if scenario else world
    setups = [[s for s in pot.setups if s["from_ms"] < at_ms or s is pot.setups[0]][-1] for pot in known.pots]
    by_label = shelf_of(world)
    shelves = [by_label[str(setup["shelf"])] for setup in setups]
    pots: list[Mapping[str, object]] = [{"likes": pot.likes, "roots": pot.roots} for pot in world.pots]
    columns = _with_thirst(column_parameters(setups, shelves, pots), daily, seed, today, sentinels)
    notes = _notes(world, truth, seed, today, notes_a_pot)
    believed = calibrate(columns, as_depth_notes(columns, notes, daily) if len(notes) else None)
    return Collection(
        world, truth, daily, today, list(setups), shelves, pots, columns,
        believed.draws(np.random.default_rng([seed, 3]), draws), notes,
    )  # fmt: skip


def _with_thirst(columns: Columns, daily: Daily, seed: int, today: int, sentinels: bool) -> Columns:
    lately = slice(today - LATELY_DAYS, today)
    use = measured_use(daily, seed, lately)
    measured = np.arange(len(use)) % 3 == 0 if sentinels else np.ones(len(use), bool)
    found = thirst(
        columns,
        np.where(measured, use, np.nan),
        USE_ERROR * use,
        *(series[lately].mean(0) for series in (daily.vpd_kpa, daily.temperature_c, daily.level_mm)),
    )
    return columns.changed(
        uptake_ml_per_day_at_1_kpa=np.where(
            measured, found.uptake_ml_per_day_at_1_kpa, columns.uptake_ml_per_day_at_1_kpa
        ),
        uptake_log_sd=np.where(measured, found.uptake_log_sd, columns.uptake_log_sd),
    )


def _notes(world: World, truth: Truth, seed: int, today: int, each: int) -> pd.DataFrame:
    if each == 0:
        return pd.DataFrame()
    rng = np.random.default_rng([seed, 4])
    count = len(world.pots)
    days = np.sort(np.stack([rng.choice(np.arange(HISTORY_DAYS, today), each, False) for _ in range(count)]), axis=1)
    pot = np.repeat(np.arange(count, dtype=np.int64), each)
    # truths may hold variants of the pots after the pots themselves: the eye looks at the first `count`
    frame = inspections(truth, world, pot, START_MS + days.ravel() * DAY_MS + DAY_MS // 2, seed)
    return frame.assign(pot=[world.pots[i].label for i in pot], pot_index=pot, day=days.ravel())


def as_depth_notes(columns: Columns, notes: pd.DataFrame, daily: Daily) -> DepthNotes:
    """Noted depths with the days that led up to them."""
    pot, day = notes["pot_index"].to_numpy(np.int64), notes["day"].to_numpy(np.int64)

    def history(series: FloatArray) -> FloatArray:
        return np.stack([series[d - HISTORY_DAYS + 1 : d + 1, p] for d, p in zip(day, pot, strict=True)], axis=1)

    return DepthNotes(
        columns=columns.taken(pot),
        pot=pot,
        low_mm=notes["dry_layer_low_mm"].to_numpy(float),
        high_mm=notes["dry_layer_high_mm"].to_numpy(float),
        how=tuple(notes["how"]),
        vpd_kpa=history(daily.vpd_kpa),
        temperature_c=history(daily.temperature_c),
        level_mm=history(daily.level_mm),
        step_hours=24.0,
    )
