"""Where the dry line of every pot will stand in two days if nobody fills and the air stays as it was.

The lines of the last weeks go on for two days: the air of the last two days again (by day and by night alike; where it
was not known, the week's mean), and a level that falls by what the pot is expected to use. Early enough to fill a
reservoir before a new tip meets dry medium.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from dashboard.answers import lines as dry_lines
from dashboard.answers.lines import STEP_HOURS, STEP_MS, Course
from dashboard.answers.situation import Situation
from dashboard.answers.use_ahead import use_ahead, usual_air_and_level
from dashboard.answers.water import StandingWater
from ingest.readings import FloatArray

STEPS_AHEAD = 2 * 24 // STEP_HOURS


@lru_cache(maxsize=2)
def depth_in_two_days_mm(situation: Situation) -> FloatArray:
    """Draws of the dry depth two days on, (draw, pot); where the air is unknown, the depth of now."""
    vpd, temperature, _ = usual_air_and_level(situation)
    course = situation.course
    ahead_ms = course.end_ms[-1] + STEP_MS * np.arange(1, STEPS_AHEAD + 1)
    longer = Course(
        end_ms=np.concatenate([course.end_ms, ahead_ms]),
        vpd_kpa=_again(course.vpd_kpa, vpd),
        temperature_c=_again(course.temperature_c, temperature),
        spell=np.concatenate([course.spell, np.full(STEPS_AHEAD, course.spell[-1])]),
        spells=course.spells,
    )
    fall = _fall_mm_per_day(situation)
    waters = [_unfilled(water, fall[index]) for index, water in enumerate(situation.waters)]
    window = dry_lines.line_steps(longer.end_ms)
    path = dry_lines.lines(situation.standing, longer, situation.columns, waters, situation.draws, window)
    return np.where(np.isfinite(vpd), path[-1], situation.expects_mm())


def _again(past: FloatArray, usual: FloatArray) -> FloatArray:
    """A series (step, pot) with its last two days once more, gaps in them filled with what is usual (pot,)."""
    last = np.resize(past[-STEPS_AHEAD:], (STEPS_AHEAD, past.shape[1]))
    return np.concatenate([past, np.where(np.isfinite(last), last, usual)])


def _fall_mm_per_day(situation: Situation) -> FloatArray:
    """How fast each reservoir falls, (pot,): the expected use over what a millimetre holds, the column's share too."""
    columns = situation.standing.columns
    ml_per_mm = columns.water_ml_per_mm + 1e-3 * columns.storage * columns.area_mm2
    use = use_ahead(situation).use_ml_per_day[:, :, :2].mean(axis=(0, 2))
    fall: FloatArray = np.nan_to_num(use / np.maximum(ml_per_mm, 1e-6), nan=0.0, posinf=0.0)
    return fall


def _unfilled(water: StandingWater, fall_mm_per_day: float) -> StandingWater:
    """The water of a pot with two more days on its grid."""
    fallen = fall_mm_per_day * STEP_HOURS / 24.0 * np.arange(1, STEPS_AHEAD + 1)
    level = np.maximum(water.level_mm[-1] - fallen, 0.0)
    sd = np.full(STEPS_AHEAD, water.level_sd_mm[-1])
    return replace(
        water,
        level_mm=np.concatenate([water.level_mm, level]),
        level_sd_mm=np.concatenate([water.level_sd_mm, sd]),
    )
