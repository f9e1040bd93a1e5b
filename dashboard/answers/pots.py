"""How does every pot stand: level, days of water left, water use, dry layer; one state and one sentence each."""

from functools import lru_cache
from typing import Any

import numpy as np

from analysis.book_water import LEVEL_STOOD
from analysis.quantities import quantity, span
from dashboard.answers.drinking import drinks_less_says
from dashboard.answers.exposures import rooting_of
from dashboard.answers.roots import eased_mm
from dashboard.answers.salt import salts_of
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.use_ahead import Ahead, use_ahead, week_of_spot_checks
from dashboard.answers.water import StandingWater
from ingest.home import Home
from ingest.readings import DAY_MS

MOIST_MM = 1.5
"""Shallower than this, the surface is moist."""
FILL_WITHIN_DAYS = 2.0
KNOWN_AIR_SHARE = 0.5
SURE = 0.6
"""A state is named when its chance is at least this."""
DRINKS_LESS = 0.55
"""Use below this share of what set-up and air would make, with its whole interval, is worth a look."""
GUESSED_WELL = "Probably moist within reach of new tips: a guess, until somebody looks."
AIRY_LEAST_MM = 30.0
"""With less drained medium than this above the water, an airy pot that never dries at the top is too wet."""


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """The contract of `pots --json`: `{at_ms, pots: [...]}`."""
    situation = situation_at(home, at_ms)
    return {"at_ms": at_ms, "pots": [] if situation is None else pots_of(situation)}


@lru_cache(maxsize=2)
def pots_of(situation: Situation) -> list[dict[str, Any]]:
    """Every pot of a situation, in the logbook's order; remembered with it, so take it and leave it as it is."""
    ahead = use_ahead(situation)
    return [_pot(situation, ahead, index) for index in range(len(situation.standing.pots))]


def _pot(situation: Situation, ahead: Ahead, index: int) -> dict[str, Any]:
    pot, water = situation.standing.pots[index], situation.waters[index]
    depth = situation.expects_mm()[:, index]
    has_air = air_is_known(situation, index)
    week = water.told.week
    measured_use = bool(np.isfinite(week.value))
    level = water.told.level_mm if np.isfinite(water.told.level_mm) else water.level_mm[-1]
    state, says = _state(situation, ahead, index)
    return {
        "pot": pot.label,
        "shelf": pot.shelf,
        "rests_on": _rests_on(situation, index),
        "level_mm": float(level) if water.level_known or water.measured else None,
        "ml_left": float(np.median(ahead.ml_left[:, index])) if water.level_known and pot.vessel else None,
        "days_left": quantiles(ahead.days_left[:, index]) if water.level_known and has_air and pot.vessel else None,
        "water_use_ml_per_day": (
            {"value": week.value, "low": week.low, "high": week.high}
            if measured_use
            else interval(ahead.use_ml_per_day[:, index, :7].mean(axis=1))
            if has_air
            else None
        ),
        "use_is_measured": measured_use,
        "ml_per_day_at_1_kpa": interval(ahead.thirsts.ml_per_day_at_1_kpa[:, index]),
        "dry_layer_mm": quantiles(depth) if has_air else None,
        "shows_mm": bool(situation.posterior.shows_mm[index]),
        "rooting_depth_mm": rooting_of(situation).of(index).value_mm,
        "tips_say": salts_of(situation)[index]["tips_say"],
        "state": state,
        "says": says,
    }


def air_is_known(situation: Situation, index: int) -> bool:
    """Whether the air round a pot was known for most of the last week: without it a line is not told."""
    week = situation.course.end_ms > situation.course.end_ms[-1] - 7 * DAY_MS
    return bool(np.isfinite(situation.course.vpd_kpa[week, index]).mean() >= KNOWN_AIR_SHARE)


def quantiles(draws: np.ndarray[Any, Any]) -> dict[str, float] | None:
    """p10, p50, p90 of draws; None where they are not numbers."""
    if not np.isfinite(draws).any():
        return None
    low, middle, high = np.quantile(draws, [0.1, 0.5, 0.9], method="inverted_cdf")
    return {"p10": float(low), "p50": float(middle), "p90": float(high)}


def interval(draws: np.ndarray[Any, Any]) -> dict[str, float] | None:
    """The middle of draws with the 90 % about it."""
    if not np.isfinite(draws).all():
        return None
    low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95])
    return {"value": float(middle), "low": float(low), "high": float(high)}


def _rests_on(situation: Situation, index: int) -> str:
    """What the pot's figures rest on: its own sensor or notes, pots like it, or priors alone."""
    return "measured" if situation.waters[index].measured else situation.posterior.rests_on[index]


def _state(situation: Situation, ahead: Ahead, index: int) -> tuple[str, str]:
    """The one thing that matters most about a pot, in a word and a sentence."""
    pot, water = situation.standing.pots[index], situation.waters[index]
    if not air_is_known(situation, index):
        return "unknown", _unknown_air_says(situation, pot.shelf)
    depth = situation.expects_mm()[:, index]
    days = ahead.days_left[:, index]
    if water.level_known and np.quantile(days, 0.1) < FILL_WITHIN_DAYS:
        how = "fill as the round says, lower than its mark" if index in eased_mm(situation) else "fill to the mark"
        return "fill", f"{_runs_out_says(float(np.median(days)), water.measured)}: {how}."
    thirst = situation.thirst
    if np.isfinite(thirst.high[index]) and thirst.high[index] < DRINKS_LESS and water.measured:
        share = round(100 * float(thirst.multiplier[index]))
        return "drinks_less", f"Drinks {share} % of what it should: look at wick and roots."
    early = drinks_less_says(situation, index)
    if early:
        return "drinks_less", early
    rooting_mm = rooting_of(situation).of(index).value_mm
    too_dry = float(np.mean(depth > rooting_mm))
    guessed = situation.posterior.rests_on[index] == "guessed"
    if too_dry >= SURE and guessed:
        return "too_dry", "Probably drier than new tips reach: a guess, until somebody looks."
    if too_dry >= SURE:
        middle = float(np.median(depth))
        tips = f"new tips reach only {quantity(rooting_mm, 'mm')} deep."
        return "too_dry", f"Dry to about {quantity(middle, 'mm')}; {tips}"
    drained = float(situation.standing.columns.surface_height_mm[index] - water.level_mm[-1])
    moist = float(np.mean(depth < MOIST_MM))
    if pot.about.get("likes") == "airy" and moist >= SURE and drained < AIRY_LEAST_MM:
        return "too_wet", "Moist to the top with little drained medium above the water: keep the level lower."
    if not water.level_known and not water.measured:
        return "look", _look_says(water)
    if water.told.week.reason == LEVEL_STOOD:
        return "look", f"{LEVEL_STOOD[0].upper()}{LEVEL_STOOD[1:]}: look at the level, the wick and the roots."
    return "well", GUESSED_WELL if guessed else _well_says(depth)


def _unknown_air_says(situation: Situation, shelf: str) -> str:
    """Why a shelf's air tells no line: it was not measured, or only a person looked at it now and then."""
    checks = week_of_spot_checks(situation, shelf)
    if checks:
        return f"This week's air on {shelf} rests on {checks}, less than half of it is measured: look yourself."
    return f"The air on {shelf} was measured for less than half of this week: look yourself."


def _look_says(water: StandingWater) -> str:
    """Why a level is not told, and what would tell it."""
    if water.told.rests_on == "measured":
        return "Its sensor tells no level now: look, and note the next filling to the mark."
    if not water.notes.pours.any():
        return "No refill is noted: look at the level and note it."
    return "By its notes it ran empty days ago, or a refill was not noted: look at the level and note it."


def _runs_out_says(days: float, measured: bool) -> str:
    if days < 0.5:
        return f"{'The' if measured else 'By its notes the'} reservoir is about empty"
    left = f"ater for about {days:.0f} day{'s' if round(days) != 1 else ''}"
    return f"W{left}" if measured else f"By its notes w{left}"


def _well_says(depth: np.ndarray[Any, Any]) -> str:
    low, high = np.quantile(depth, [0.1, 0.9])
    if high < MOIST_MM:
        return "Moist to the top."
    if low < MOIST_MM:
        return f"Dry line within {quantity(high, 'mm')} of the top."
    return f"Dry line {span(low, high, 'mm')} down."
