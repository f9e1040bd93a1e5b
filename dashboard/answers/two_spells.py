"""The two spells of a pot that are compared when somebody asks why it changed, as logbook and sensors tell them.

Owns the days of both spells: air, level, use, looks, refills, hours with nothing in the reservoir, and whether a sensor
was silent; and the pot's column under the set-ups of both, calibrated on what was noted before the change alone. What
follows from them is for `analysis.causes`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.calibration import LOOKING_SD_MM, USUAL_LOOKING_SD_MM, calibrate
from analysis.columns import Columns
from analysis.counterfactual import Drivers, Spell, shown_days
from analysis.held_series import FloatArray
from analysis.known_mean import known_mean
from analysis.levels import EMPTY_BELOW_MM
from analysis.pot_water import PotWater
from analysis.setups import column_parameters
from analysis.spell_use import mean_use
from analysis.thirst import thirst
from dashboard.answers.lines import STEP_MS, depth_notes, in_force
from dashboard.answers.situation import Situation
from dashboard.answers.standing import Description
from dashboard.answers.use_ahead import STEPS_A_DAY
from dashboard.answers.water import surroundings, water_of, what_is_told
from ingest.home import Home
from ingest.readings import DAY_MS

BEFORE_DAYS = 28
LEAST_BEFORE_DAYS = 5
DRAWS = 120
SEED = 20260303
_KNOWN_SHARE = 0.5
_SURE = 3.29  # widths of a standard deviation in a 90 % interval


@dataclass(frozen=True)
class Window:
    """Steps of the course: the spell before is [first, since), the one since [since, until); whole days each."""

    first: int
    since: int
    until: int


@dataclass(frozen=True)
class TwoSpells:
    """What `analysis.causes.explained` takes; set-ups and shelves say what was recorded."""

    before: Spell
    since: Spell
    columns_before: Columns
    columns_since: Columns
    setups: tuple[Description, Description]
    shelves: tuple[Description, Description]


class TooLittleHistory(ValueError):  # noqa: N818 - what happened reads better alone
    """There is nothing yet to compare a spell with."""


def window_of(situation: Situation, index: int, since_ms: int, until_ms: int) -> Window:
    """The days of both spells; raises TooLittleHistory where there are too few before."""
    end_ms, setups = situation.course.end_ms, situation.standing.pots[index].setups
    until = int(np.searchsorted(end_ms, until_ms, side="right"))
    days = max(1, round((until_ms - since_ms) / DAY_MS))
    since = until - days * STEPS_A_DAY
    changed_ms = [int(setup["from_ms"]) for setup in setups if setup["from_ms"] < since_ms - DAY_MS]
    longest = max(0, since) // STEPS_A_DAY
    told = (since_ms - changed_ms[-1]) // DAY_MS if changed_ms else longest
    # an earlier change of the set-up ends the spell before it, unless that leaves too few days
    before = min(BEFORE_DAYS, longest, told if told >= LEAST_BEFORE_DAYS else longest)
    label = situation.standing.pots[index].label
    if before < LEAST_BEFORE_DAYS:
        raise TooLittleHistory(
            f"There are {max(0, before)} days of history of {label} before that spell; "
            f"{LEAST_BEFORE_DAYS} are needed to compare with."
        )
    return Window(since - before * STEPS_A_DAY, since, until)


def water_until(home: Home, situation: Situation, index: int, window: Window) -> PotWater:
    """The pot's water as of the end of the spell, with its use from the start of the spell before."""
    course = situation.course
    end_ms = course.end_ms[: window.until]
    days = (window.until - window.first) // STEPS_A_DAY + 1
    return water_of(
        what_is_told(
            home,
            situation.standing.pots[index],
            situation.sensors,
            situation.waters[index].notes,
            end_ms,
            float(situation.expected_ml_per_day[window.until - 1, index]),
            surroundings(
                end_ms,
                course.temperature_c[: window.until, index],
                course.vpd_kpa[: window.until, index],
                situation.standing.columns,
                index,
            ),
            days,
        )
    ).told


def two_spells(home: Home, situation: Situation, index: int, window: Window) -> TwoSpells:
    """Everything that is known of the pot in both spells."""
    pot, shelves = situation.standing.pots[index], situation.standing.shelves
    since_ms = int(situation.course.end_ms[window.since - 1])
    until_ms = int(situation.course.end_ms[window.until - 1])
    water = water_until(home, situation, index, window)
    sensed = situation.waters[index].sensor_state != "none"
    before = _spell(situation, index, water, window.first, window.since, sensed=sensed)
    since = _spell(situation, index, water, window.since, window.until, sensed=sensed)
    # what was silent all along has not fallen silent
    fell_silent = tuple(quantity for quantity in since.silent if quantity not in before.silent)
    # whoever names the day of a change means the change, at whatever hour of it the spell's grid begins
    setups = in_force(pot.setups, since_ms - DAY_MS), in_force(pot.setups, until_ms)
    columns_before, columns_since = _columns(situation, index, setups, before, since_ms)
    return TwoSpells(
        before,
        replace(since, silent=fell_silent),
        columns_before,
        columns_since,
        setups,
        (shelves.get(setups[0]["shelf"], {}), shelves.get(setups[1]["shelf"], {})),
    )


def daily(series: FloatArray, first: int, last: int) -> FloatArray:
    """Daily means (days,) of a series on the course between two steps, NaN where no step was known."""
    return known_mean(series[first:last].reshape(-1, STEPS_A_DAY).T)


def _spell(situation: Situation, index: int, water: PotWater, first: int, last: int, *, sensed: bool) -> Spell:
    course = situation.course
    from_ms, until_ms = int(course.end_ms[first]) - STEP_MS, int(course.end_ms[last - 1])
    vpd, temperature = course.vpd_kpa[:, index], course.temperature_c[:, index]
    level = situation.waters[index].level_mm
    shown = shown_days((last - first) // STEPS_A_DAY)
    use = mean_use(water, until_ms - (shown.stop - shown.start) * DAY_MS, until_ms)
    if not np.isfinite(use.value):  # notes tell use from refill to refill, which rarely fits into the later days
        use = mean_use(water, from_ms, until_ms)
    noted_mm, noted_sd_mm, noted_ms = _looks(situation, index, from_ms, until_ms)
    silent = []
    if np.isfinite(vpd[first:last]).mean() < _KNOWN_SHARE:
        silent.append("air")
    known_mm = water.hourly_level_mm[(water.hour_ms >= from_ms) & (water.hour_ms < until_ms)]
    if sensed and (known_mm.size == 0 or np.isfinite(known_mm).mean() < _KNOWN_SHARE):
        silent.append("level")
    return Spell(
        Drivers(daily(vpd, first, last), daily(temperature, first, last), daily(level, first, last)),
        use_ml_per_day=use.value,
        use_sd=(use.high - use.low) / _SURE,
        noted_mm=noted_mm,
        noted_sd_mm=noted_sd_mm,
        noted_day=((noted_ms - from_ms) // DAY_MS).astype(np.int64),
        silent=tuple(silent),
        refill_days=_refill_days(situation, index, from_ms, until_ms),
        empty_hours=_empty_hours(known_mm, level[first:last]),
    )


def _looks(situation: Situation, index: int, from_ms: int, until_ms: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Noted depths of a spell: their middles, sds and moments."""
    notes, label = situation.notes, situation.standing.pots[index].label
    looks = notes[(notes["pot"] == label) & (notes["kind"] == "inspection")]
    looks = looks[(looks["time_ms"] >= from_ms) & (looks["time_ms"] < until_ms)]
    looks = looks[looks["dry_layer_low_mm"].notna() & looks["dry_layer_high_mm"].notna()]
    low, high = (looks[f"dry_layer_{end}_mm"].to_numpy(np.float64) for end in ("low", "high"))
    looking = np.array([LOOKING_SD_MM.get(str(how), USUAL_LOOKING_SD_MM) for how in looks["how"]])
    sd = np.maximum((high - low) / 4.0, looking) if low.size else np.zeros(0)
    return (low + high) / 2, sd, looks["time_ms"].to_numpy(np.float64)


def _refill_days(situation: Situation, index: int, from_ms: int, until_ms: int) -> float:
    notes = situation.waters[index].notes
    poured = notes.time_ms[notes.pours & (notes.time_ms >= from_ms) & (notes.time_ms < until_ms)]
    return float(np.median(np.diff(poured)) / DAY_MS) if poured.size > 1 else float("nan")


def _empty_hours(known_mm: FloatArray, reckoned_mm: FloatArray) -> float:
    """Hours without water, by the sensor, else by what notes make of the level."""
    if np.isfinite(known_mm).any():
        return float((known_mm < EMPTY_BELOW_MM).sum())
    return float((reckoned_mm < EMPTY_BELOW_MM).sum() * 24 / STEPS_A_DAY)


def _columns(
    situation: Situation, index: int, setups: tuple[Description, Description], before: Spell, since_ms: int
) -> tuple[Columns, Columns]:
    """The pot's draws (draw, 1) under both set-ups, calibrated on the notes before the change."""
    standing = situation.standing
    pots = list(standing.pots)
    both = [[setup if place == index else pot.setup for place, pot in enumerate(pots)] for setup in setups]
    written: list[Mapping[str, Any]] = [*both[0], *both[1]]
    every = column_parameters(
        written, [standing.shelves.get(one["shelf"]) for one in written], [pot.about for pot in pots] * 2
    )
    count = len(pots)
    halves = every.taken(np.arange(count)), every.taken(np.arange(count, 2 * count))
    drinking = thirst(
        halves[0].taken([index]),
        before.use_ml_per_day,
        before.use_sd,
        *(
            known_mean(series[:, None])
            for series in (before.drivers.vpd_kpa, before.drivers.temperature_c, before.drivers.level_mm)
        ),
    )
    uptake, log_sd = situation.thirst.uptake_ml_per_day_at_1_kpa.copy(), situation.thirst.uptake_log_sd.copy()
    uptake[index], log_sd[index] = drinking.uptake_ml_per_day_at_1_kpa[0], drinking.uptake_log_sd[0]
    halves = (
        halves[0].changed(uptake_ml_per_day_at_1_kpa=uptake, uptake_log_sd=log_sd),
        halves[1].changed(uptake_ml_per_day_at_1_kpa=uptake, uptake_log_sd=log_sd),
    )
    pots[index] = replace(pots[index], setup=setups[0])
    then = replace(standing, pots=tuple(pots))
    known = situation.notes[situation.notes["time_ms"] <= since_ms]
    tubes = [tube for tube in situation.tubes if tube.time_ms <= since_ms]
    posterior = calibrate(halves[0], depth_notes(then, situation.course, situation.waters, known, tubes))
    draws = posterior.draws(np.random.default_rng(SEED), DRAWS)
    return draws.under(halves[0]).taken([index]), draws.under(halves[1]).taken([index])
