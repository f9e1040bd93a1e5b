"""What each pot will use in the days ahead, and how long its water lasts: draws that carry every doubt.

Thirst of the pot (measured, or borrowed from the middle of those that are), the air its shelf can expect, and
the water that stands in it now. What it multiplies is the loss that set-up and air would make. How long water lasts
is told by the course of a reservoir that nobody fills: use slackens as the level falls, and the column gives back.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analysis.dry_layer import steady
from analysis.expected_air import expected_vpd_kpa
from analysis.held_series import FloatArray
from analysis.known_mean import known_mean
from analysis.levels import EMPTY_BELOW_MM
from analysis.reservoir import water_ml
from analysis.water_ahead import unfilled, use_at_level_ml_per_day
from dashboard.answers.lines import STEP_HOURS, level_draws
from dashboard.answers.shelf_air import spot_checks
from dashboard.answers.situation import Situation
from ingest.readings import DAY_MS

DAYS_AHEAD = 56
"""As far ahead as a full reservoir may last; beyond it the pace of the last week stands."""
BORROWED_LOG_SD = 0.45
"""How far the thirst of a pot may be from the usual one, as a log-sd, at least (assumed)."""
LEAST_THIRST = 0.05
"""Below it a pot's use cannot be told from none (assumed)."""
USUAL_C = 20.0
AIR_RECORD_DAYS = 90
"""How far back the air that is expected leans on what was measured."""
SEED = 20260302
STEPS_A_DAY = 24 // STEP_HOURS


@dataclass(frozen=True)
class Thirsts:
    """Multipliers on the modelled loss: draws (draw, pot), and what each pot's rests on (measured or borrowed)."""

    multiplier: FloatArray
    measured: tuple[bool, ...]
    ml_per_day_at_1_kpa: FloatArray


@dataclass(frozen=True)
class Ahead:
    """use_ml_per_day: (draw, pot, day), at the usual level; ml_left: (draw, pot). days_left, full_days: (draw, pot),
    until the reservoir is dry as it stands and from the mark; infinite where a pot uses nothing."""

    use_ml_per_day: FloatArray
    ml_left: FloatArray
    days_left: FloatArray
    full_days: FloatArray
    thirsts: Thirsts


@lru_cache(maxsize=2)
def use_ahead(situation: Situation) -> Ahead:
    """The next eight weeks of every pot; NaN where its shelf has no air."""
    rng = np.random.default_rng(SEED)
    count = situation.draws.stray.shape[0]
    thirsts = _thirsts(situation, rng, count)
    usual_vpd, temperature, level = usual_air_and_level(situation)
    columns = situation.standing.columns
    use = use_at_level_ml_per_day(columns, thirsts.multiplier, _expected_air(situation, rng, count), temperature, level)
    levels = level_draws(situation.waters, count)[-1]
    left = np.stack(
        [
            np.maximum(water_ml(vessel, levels[:, index]) - water_ml(vessel, EMPTY_BELOW_MM), 0.0)
            for index, vessel in enumerate(situation.vessels)
        ],
        axis=1,
    )
    marks = np.array([vessel.fill_mark_mm for vessel in situation.vessels])
    known = np.isfinite(use).all(axis=2)

    def lasts(from_mm: FloatArray) -> FloatArray:
        days = unfilled(columns, np.nan_to_num(use, nan=1.0), usual_vpd, temperature, level, from_mm).days_left
        return np.asarray(np.where(known, days, np.nan))

    return Ahead(use, left, lasts(levels), lasts(np.broadcast_to(marks, levels.shape)), thirsts)


def _thirsts(situation: Situation, rng: np.random.Generator, count: int) -> Thirsts:
    """Log-normal draws: a measured pot about its own, another about the middle of the measured ones."""
    found = situation.thirst
    measured = np.isfinite(found.multiplier)
    least, own, most = (
        np.log(np.maximum(np.where(measured, one, 1.0), LEAST_THIRST))
        for one in (found.low, found.multiplier, found.high)
    )
    own_sd = (most - least) / 3.29
    usual = float(np.median(own[measured])) if measured.any() else 0.0
    spread = max(float(np.std(own[measured])) if measured.sum() > 2 else 0.0, BORROWED_LOG_SD)
    centre, sd = np.where(measured, own, usual), np.where(measured, own_sd, spread)
    multiplier = np.exp(centre + sd * rng.standard_normal((count, measured.size)))
    _, temperature, level = usual_air_and_level(situation)
    at_one = steady(situation.standing.columns, 1.0, temperature, level).loss_ml_per_day
    return Thirsts(multiplier, tuple(bool(one) for one in measured), multiplier * at_one)


def usual_air_and_level(situation: Situation) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean deficit (NaN where no air is known), temperature and level of each pot over its last week, (pot,)."""
    steps = 7 * STEPS_A_DAY
    temperature = situation.course.temperature_c[-steps:]
    mean_c = np.nan_to_num(known_mean(temperature), nan=USUAL_C)
    level = np.stack([water.level_mm[-steps:].mean() for water in situation.waters])
    return known_mean(situation.course.vpd_kpa[-steps:]), mean_c, level


def week_of_spot_checks(situation: Situation, shelf: str) -> str:
    """`one spot check` or `spot checks` where they alone tell a shelf's week, which is a guess then; or nothing."""
    end_ms = situation.at_ms + 1
    return spot_checks(shelf, situation.standing.shelves, situation.sensors, end_ms - 7 * DAY_MS, end_ms)


def _expected_air(situation: Situation, rng: np.random.Generator, count: int) -> FloatArray:
    """Daily mean deficit of the days ahead, (day, draw, pot); pots of one shelf share it."""
    vpd = situation.course.vpd_kpa
    days = min(vpd.shape[0] // STEPS_A_DAY, AIR_RECORD_DAYS)
    daily = vpd[vpd.shape[0] - days * STEPS_A_DAY :].reshape(days, STEPS_A_DAY, -1)
    known = np.isfinite(daily)
    mean = np.where(
        known.sum(axis=1) > 0, np.where(known, daily, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1), np.nan
    )
    ahead = np.full((DAYS_AHEAD, count, vpd.shape[1]), np.nan)
    of_shelf: dict[str, FloatArray] = {}
    for index, pot in enumerate(situation.standing.pots):
        if pot.shelf not in of_shelf and np.isfinite(mean[:, index]).any():
            of_shelf[pot.shelf] = expected_vpd_kpa(mean[:, index], DAYS_AHEAD, count, rng).T
        if pot.shelf in of_shelf:
            ahead[:, :, index] = of_shelf[pot.shelf]
    return ahead
