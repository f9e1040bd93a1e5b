"""Water use from a falling level: one regression for the whole stretch, with its interval for any span.

The unknowns are the use of every three hours, the level at the start, the size of every jump, what the medium takes
up and gives back as the level moves, and the drift of the sensor with temperature. Levels are what they add up to, so
everything is estimated together: a refill costs no more certainty than its own two ends do, days share the errors of
the levels between them (they are not independent and are never added as if they were), and a span of any length gets
its interval from the same covariance. Before any reading the use is taken to follow the dryness of the shelf's air,
less than in proportion, with a day-and-night shape that lasts some days and a mean that wanders: a slope through a day,
which the shape biases by 5 to 7 %, is never taken. The sensor itself is taken to wander over weeks; what the air
explains and what lasts tell that apart from drinking, as far as anything can.

What leaves the reservoir is not what leaves the pot. After a refill the medium drinks for hours, and it gives that
water back while the level falls; over a week with one refill more than the last the two differ by a tenth and
more. The medium's store is taken as a share of the water in the reservoir that follows it with delays of hours to
days, less what drier air takes out of it. The hours after each refill tell that share, so that use (top, holes, gap and
plant) can be told from drawing.

Knows levels, jumps, a vessel and, if given, the shelf's air and how much water the medium holds. It does not know why
a pot drinks.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import cho_factor, cho_solve, toeplitz
from scipy.signal import lfilter

from analysis.held_series import DAY_MS, HOUR_MS, MINUTE_MS, FloatArray, IntArray, held, mean_within, value_at
from analysis.levels import EMPTY_BELOW_MM, CleanLevels
from analysis.refills import Jumps
from analysis.reservoir import Vessel, water_ml

BLOCK_MS = 3 * HOUR_MS
CORE_DAYS = 21
MARGIN_DAYS = 5
"""A long history is taken in stretches of 21 days, each with five days on either side to lean on."""

# How use varies before any reading, as shares of its mean (sd): the day-and-night shape, which lasts about six days;
# weather over two days; and three-hour restlessness. Common practice gives no figures; these are wide enough for a
# plant that drinks only by night and for a week in which the heating is switched on.
SHAPE_SD, SHAPE_LASTS_H, SHAPE_WIDTH = 0.5, 144.0, 0.6
WEATHER_SD, WEATHER_LASTS_H = 0.2, 100.0
RESTLESS_SD, RESTLESS_LASTS_H = 0.2, 5.0
MEAN_SD = 1.0
RISES_WITH_VPD, RISES_WITH_VPD_SD = 0.7, 0.1
USE_LAGS_AIR_H = 6.0
"""Use goes with the VPD to this power: a dry layer and a plant throttle it, so it is less than proportional (assumed
after a look at invented pots; the sd lets the levels say otherwise), and after a few hours."""
LEAST_VPD_KPA = 0.05
RESTLESSNESS = (0.35, 0.5, 0.7, 1.0, 1.4)
"""The three are scaled together to what the pot's own levels make likeliest."""

STORE_DELAYS_H = (1.0, 5.0, 20.0, 70.0)
STORE_SHARE = (0.21, 0.13, 0.24, -0.03)
STORE_SHARE_SD = (0.12, 0.15, 0.15, 0.09)
"""What the medium takes up when the level stands a mm higher, by delay, as shares of what a mm of it holds when full:
about half of it in all. The wet zone of a column moves with the level, but not as far."""
DRYING_DELAY_H = 24.0
DRYING_PER_KPA, DRYING_PER_KPA_SD = -3.3, 1.2
"""What air that is 1 kPa drier takes out of the medium beyond the use, in mm of full medium: its dry layer deepens.
These are assumed, after a look at invented pots; nothing of the kind is published for such media. The hours after
refills soon outweigh the shares."""
STORES = len(STORE_DELAYS_H) + 1
USUAL_MEDIUM_ML_PER_MM = 1.7
"""What a mm of medium holds when full where nobody described it: 100 cm2 with a sixth of water."""

TEMPERATURE_DRIFT_SD_MM_PER_K = 0.15

STEPS_CANCEL = 0.85
"""Rounding errors of a stepping sensor last, but what is too high before a step is too low after it: in part they
cancel. Found on invented levels, not derived."""

SLOW_ERROR_MM = 0.04
"""What an hour's mean of a level sensor is worth at best, however many readings it has."""

WANDER_MM, WANDER_DAYS = 0.15, 21.0
WANDER_KNOT_MS = 2 * DAY_MS
"""Sd and memory of a level sensor's wandering that nothing shows (growth on a float, a strip that ages): an eighth of a
mm a week. Assumed."""

POURED_ERROR = 0.1
"""How well people note what they poured, as a share (sd); common practice, no source."""


@dataclass(frozen=True)
class UseEstimate:
    """Use of every block of a stretch, jointly. All in mL.

    edges_ms: (b+1,). mean: (b + s,) use of each block in mL, then the medium's store in mL per mL of (delayed) water in
    the reservoir, one for each of STORE_DELAYS_H, and in mL per (delayed) kPa of the air; covariance: (b + s, b + s) of
    these. delayed: (g, s) the delayed water and air themselves on grid_ms (g,). jump_ml, jump_sd_ml: (j,) for the jumps
    in `jump_index` (positions in the Jumps given). known: (b,) share of each block in which the level was known; empty,
    stuck: (b,) shares with an empty reservoir or a stuck sensor. drift_mm_per_k: of the sensor, and its sd.
    """

    edges_ms: IntArray
    mean: FloatArray
    covariance: FloatArray
    grid_ms: IntArray
    delayed: FloatArray
    jump_index: IntArray
    jump_ml: FloatArray
    jump_sd_ml: FloatArray
    known: FloatArray
    empty: FloatArray
    stuck: FloatArray
    drift_mm_per_k: float
    drift_sd_mm_per_k: float
    ml_per_mm: float


@dataclass(frozen=True)
class _Evidence:
    """Levels as the regression takes them: one an hour and side of a jump, mL with sd."""

    time_ms: IntArray
    level_mm: FloatArray
    sd_mm: FloatArray


def estimate_use(
    levels: CleanLevels,
    jumps: Jumps,
    vessel: Vessel,
    start_ms: int,
    end_ms: int,
    usual_ml_per_day: float,
    temperature: tuple[IntArray, FloatArray] | None = None,
    marks: tuple[IntArray, FloatArray, FloatArray] | None = None,
    poured_ml: FloatArray | None = None,
    medium_stores: bool = True,
    vpd: tuple[IntArray, FloatArray] | None = None,
    medium_ml_per_mm: float | None = None,
) -> UseEstimate | None:
    """Use of every three hours of a stretch, with its covariance; None without three hours that have a level.

    levels, jumps: see `cleaned`, `find_jumps`, `with_notes`. start_ms, end_ms: the stretch; blocks start at start_ms.
    usual_ml_per_day: first guess of the use (its sd is taken as large as itself). temperature: times and degC of the
    shelf's air, so that the sensor's drift with temperature is not read as drinking. marks: moments, levels (mm) and
    sds (mm) known otherwise, as a refill note in a gap that says "to the mark". poured_ml: (j,) what notes say was
    poured at each jump, NaN where they do not; used for jumps in gaps, to a tenth. medium_stores: False for a load
    cell, which weighs the medium's water as well. vpd: times and kPa of the shelf's air, NaN where unknown.
    medium_ml_per_mm: what a mm of the column's height holds when full.
    """
    edges_ms = np.arange(start_ms, end_ms + BLOCK_MS, BLOCK_MS, dtype=np.int64)
    blocks = edges_ms.size - 1
    evidence = _hourly_evidence(levels, jumps, start_ms, int(edges_ms[-1]), usual_ml_per_day / vessel.ml_per_mm)
    if evidence.time_ms.size < 3:
        return None
    used = np.flatnonzero((jumps.time_ms > evidence.time_ms[0]) & (jumps.time_ms < edges_ms[-1]))
    if marks is not None:
        evidence = _with_marks(evidence, marks, start_ms, int(edges_ms[-1]))
    ml_per_mm = (water_ml(vessel, evidence.level_mm + 1.0) - water_ml(vessel, evidence.level_mm - 1.0)) / 2.0
    ml_per_mm = np.maximum(ml_per_mm, 0.1 * vessel.ml_per_mm)
    sd_ml = evidence.sd_mm * ml_per_mm
    observed = water_ml(vessel, evidence.level_mm)
    usual_block_ml = max(usual_ml_per_day, 0.02 * vessel.ml_per_mm) * BLOCK_MS / DAY_MS
    loose_precision = 1.0 / (20.0 * max(vessel.capacity_ml, 1.0)) ** 2
    jump_ms = jumps.time_ms[used]
    warmth = _warmth(evidence.time_ms, temperature) * ml_per_mm
    grid_ms, water = _wateron_grid(levels, jumps, vessel, start_ms, int(edges_ms[-1]))
    inside = grid_ms >= start_ms
    vpd_kpa = _vpd_on_grid(grid_ms, vpd)
    drying_air = _lagged(vpd_kpa, DRYING_DELAY_H)
    delayed = np.column_stack((_delayed(water), drying_air))[inside]
    store, store_sd = _store_prior(vessel, medium_ml_per_mm or USUAL_MEDIUM_ML_PER_MM, medium_stores)
    profile = _profile(vpd_kpa[inside], grid_ms[inside], edges_ms)
    knots_ms = np.arange(start_ms, int(edges_ms[-1]) + WANDER_KNOT_MS, WANDER_KNOT_MS, dtype=np.int64)
    off_knot = np.abs(evidence.time_ms[:, None] - knots_ms[None, :]) / WANDER_KNOT_MS
    wander = np.clip(1.0 - off_knot, 0.0, None) * ml_per_mm[:, None]
    told = np.full(used.size, np.nan) if poured_ml is None else np.where(jumps.in_gap[used], poured_ml[used], np.nan)

    def problem_with(delayed: FloatArray) -> _Problem:
        columns = _columns(evidence.time_ms, edges_ms, jump_ms, grid_ms[inside], delayed)
        design = np.column_stack((columns, wander, warmth))
        return _Problem(
            design, observed, blocks, usual_block_ml * profile, store, store_sd, told, loose_precision, knots_ms.size
        )

    own = blocks + STORES
    # First with the errors that the sensor promises, then with those that its residuals show; and with the water that
    # the first fit gives instead of the readings, whose noise would stand on both sides of the equation.
    problem = problem_with(delayed)
    first = _solved(_evened(problem, sd_ml), 1.0)
    sd_ml = sd_ml * _error_factor(evidence.time_ms, (observed - problem.design @ first.mean) / sd_ml)
    if levels.sensor.on_change:
        sd_ml = sd_ml * STEPS_CANCEL
    fitted = _columns(grid_ms[inside], edges_ms, jump_ms, grid_ms[inside], delayed) @ first.mean[: own + 1 + used.size]
    water[inside] = np.clip(fitted, 0.0, 2.0 * vessel.capacity_ml)
    delayed = np.column_stack((_delayed(water), drying_air))[inside]
    evened = _evened(problem_with(delayed), sd_ml)
    best = max((_solved(evened, restlessness) for restlessness in RESTLESSNESS), key=lambda fit: fit.log_evidence)
    mean = best.mean
    covariance = cho_solve((best.factor, True), np.eye(mean.size), check_finite=False)
    jump_slots = np.arange(own + 1, own + 1 + used.size)
    known, empty, was_stuck = _block_shares(levels, edges_ms)
    return UseEstimate(
        edges_ms=edges_ms,
        mean=mean[:own],
        covariance=covariance[:own, :own],
        grid_ms=grid_ms[inside],
        delayed=delayed,
        jump_index=used,
        jump_ml=mean[jump_slots],
        jump_sd_ml=np.sqrt(covariance[jump_slots, jump_slots]),
        known=known,
        empty=empty,
        stuck=was_stuck,
        drift_mm_per_k=float(mean[-1]),
        drift_sd_mm_per_k=float(np.sqrt(covariance[-1, -1])),
        ml_per_mm=vessel.ml_per_mm,
    )


@dataclass(frozen=True)
class _Problem:
    """What the regression is given: observed (n,) = design (n, p) x unknowns.

    The unknowns in order: use of the blocks, stores, level at the start, jumps, wandering at its knots, drift a kelvin.
    usual_ml: (b,) use of each block as the air lets expect it.
    """

    design: FloatArray
    observed: FloatArray
    blocks: int
    usual_ml: FloatArray
    store: FloatArray
    store_sd: FloatArray
    told_ml: FloatArray
    loose_precision: float
    knots: int


@dataclass(frozen=True)
class _Evened:
    """A problem with its errors (n,) weighed in: what the levels alone say of the unknowns, and what was believed."""

    blocks: int
    usual_ml: FloatArray
    prior: FloatArray
    prior_precision: FloatArray
    normal: FloatArray
    pull: FloatArray
    surprise: float


@dataclass(frozen=True)
class _Fit:
    mean: FloatArray
    factor: FloatArray
    log_evidence: float


def _evened(problem: _Problem, sd_ml: FloatArray) -> _Evened:
    """Weigh the observations by their errors; all of the prior but the use of the blocks, which varies by fit."""
    unknowns = problem.design.shape[1]
    blocks = problem.blocks
    prior = np.zeros(unknowns)
    prior[:blocks] = problem.usual_ml
    precision = np.zeros(unknowns)
    store = np.arange(blocks, blocks + STORES)
    prior[store] = problem.store
    precision[store] = 1.0 / problem.store_sd**2
    # The level at the start and the jumps may be anything a reservoir can hold, and more.
    wander = slice(unknowns - 1 - problem.knots, unknowns - 1)
    loose = np.arange(store[-1] + 1, wander.start)
    precision[loose] = problem.loose_precision
    told = loose[1:][np.isfinite(problem.told_ml)]
    prior[told] = problem.told_ml[np.isfinite(problem.told_ml)]
    precision[told] = 1.0 / (POURED_ERROR * np.maximum(prior[told], 1.0)) ** 2
    precision[-1] = 1.0 / TEMPERATURE_DRIFT_SD_MM_PER_K**2
    scaled = problem.design / sd_ml[:, None]
    surprise = (problem.observed - problem.design @ prior) / sd_ml
    normal = scaled.T @ scaled
    normal[wander, wander] += _wander_precision(problem.knots)
    return _Evened(
        blocks=blocks,
        usual_ml=problem.usual_ml,
        prior=prior,
        prior_precision=precision,
        normal=normal,
        pull=scaled.T @ surprise,
        surprise=float(surprise @ surprise),
    )


def _solved(evened: _Evened, restlessness: float) -> _Fit:
    """Posterior of the unknowns for a use that varies `restlessness` times the usual."""
    shares, log_det = _prior_precision(evened.blocks, restlessness)
    # As shares of what the air lets expect, but for a doubt about how far use follows the air, which all blocks share.
    profile = evened.usual_ml / evened.usual_ml.mean()
    doubt = RISES_WITH_VPD_SD / RISES_WITH_VPD * np.log(profile)
    leaning = shares @ doubt
    grown = 1.0 + float(doubt @ leaning)
    shares = (shares - np.outer(leaning, leaning) / grown) / np.outer(evened.usual_ml, evened.usual_ml)
    log_det = log_det - np.log(grown)
    precision = evened.normal.copy()
    precision[: evened.blocks, : evened.blocks] += shares
    precision[np.diag_indices_from(precision)] += evened.prior_precision
    factor, _ = cho_factor(precision, lower=True, overwrite_a=True, check_finite=False)
    moved = cho_solve((factor, True), evened.pull, check_finite=False)
    misfit = evened.surprise - float(evened.pull @ moved)
    log_evidence = -0.5 * (misfit + 2.0 * float(np.sum(np.log(np.diag(factor)))) - log_det)
    return _Fit(evened.prior + moved, factor, log_evidence)


GRID_MS = 15 * MINUTE_MS


def _columns(
    moment_ms: IntArray, edges_ms: IntArray, jump_ms: IntArray, grid_ms: IntArray, delayed: FloatArray
) -> FloatArray:
    """What each unknown adds to the water in the reservoir at moments (m,): use so far, store, start and jumps."""
    passed = np.clip((moment_ms[:, None] - edges_ms[None, :-1]) / BLOCK_MS, 0.0, 1.0)
    stored = on_grid(moment_ms, grid_ms, delayed) - delayed[0]
    after = (moment_ms[:, None] > jump_ms[None, :]).astype(np.float64)
    return np.column_stack((-passed, -stored, np.ones(moment_ms.size), after))


def _wateron_grid(
    levels: CleanLevels, jumps: Jumps, vessel: Vessel, start_ms: int, end_ms: int
) -> tuple[IntArray, FloatArray]:
    """Water in the reservoir (mL) on a grid (g,) that begins long enough before the stretch for the longest delay.

    Between readings the level is a straight line, but for a jump, which is a step at its moment.
    """
    lead = int(3 * max(STORE_DELAYS_H) * HOUR_MS)
    grid_ms = np.arange(start_ms - lead, end_ms + GRID_MS, GRID_MS, dtype=np.int64)
    before = np.searchsorted(levels.time_ms, jumps.time_ms, side="left") - 1
    inside = (before >= 0) & (before < levels.time_ms.size - 1)
    before, moment = before[inside], jumps.time_ms[inside]
    knots_ms = np.concatenate((levels.time_ms, moment - 1, moment))
    knots_mm = np.concatenate((levels.level_mm, levels.level_mm[before], levels.level_mm[before + 1]))
    order = np.argsort(knots_ms, kind="stable")
    return grid_ms, np.asarray(water_ml(vessel, np.interp(grid_ms, knots_ms[order], knots_mm[order])))


def _delayed(water: FloatArray) -> FloatArray:
    """Water (g,) on the grid as the medium feels it after each of STORE_DELAYS_H: (g, s)."""
    return np.column_stack([_lagged(water, delay_h) for delay_h in STORE_DELAYS_H])


def _lagged(series: FloatArray, delay_h: float, step_ms: int = GRID_MS) -> FloatArray:
    """A series (g,) as what follows it with a delay has it; before its first value it is taken to have stood there."""
    keep = float(np.exp(-step_ms / (delay_h * HOUR_MS)))
    lagged, _ = lfilter([1.0 - keep], [1.0, -keep], series, zi=[keep * series[0]])
    return np.asarray(lagged)


def _vpd_on_grid(grid_ms: IntArray, vpd: tuple[IntArray, FloatArray] | None) -> FloatArray:
    """VPD on the grid (g,), linear between what is known; the same everywhere where nothing is."""
    if vpd is None or not np.any(np.isfinite(vpd[1])):
        return np.ones(grid_ms.size)
    known = np.isfinite(vpd[1])
    return np.maximum(np.interp(grid_ms, vpd[0][known], vpd[1][known]), LEAST_VPD_KPA)


def _profile(vpd_kpa: FloatArray, grid_ms: IntArray, edges_ms: IntArray) -> FloatArray:
    """Use of each block (b,) over its mean, as the air lets expect it."""
    block = np.minimum((grid_ms - edges_ms[0]) // BLOCK_MS, edges_ms.size - 2)
    of_block = np.bincount(block, vpd_kpa) / np.bincount(block)
    felt = _lagged(of_block, USE_LAGS_AIR_H, BLOCK_MS)
    return np.asarray(np.clip((felt / felt.mean()) ** RISES_WITH_VPD, 0.2, 5.0))


def _store_prior(vessel: Vessel, medium_ml_per_mm: float, medium_stores: bool) -> tuple[FloatArray, FloatArray]:
    """What the medium's stores are before any level, and their sds, in the units of `UseEstimate.mean`."""
    if not medium_stores:
        return np.zeros(STORES), np.full(STORES, 1e-6)
    unit = medium_ml_per_mm / np.array([vessel.ml_per_mm] * len(STORE_DELAYS_H) + [1.0])
    return np.array((*STORE_SHARE, DRYING_PER_KPA)) * unit, np.array((*STORE_SHARE_SD, DRYING_PER_KPA_SD)) * unit


@lru_cache(maxsize=32)
def _wander_precision(knots: int) -> FloatArray:
    """Inverse covariance of the sensor's wandering, mm, at its knots."""
    lag_days = np.arange(knots) * (WANDER_KNOT_MS / DAY_MS)
    return np.linalg.inv(toeplitz(WANDER_MM**2 * np.exp(-lag_days / WANDER_DAYS)))


def on_grid(moment_ms: IntArray, grid_ms: IntArray, columns: FloatArray) -> FloatArray:
    """Columns (g, s) read off at moments (m,), linearly: (m, s)."""
    place = np.clip((moment_ms - grid_ms[0]) / GRID_MS, 0, grid_ms.size - 1.000001)
    left = place.astype(np.int64)
    part = (place - left)[:, None]
    return np.asarray(columns[left] * (1 - part) + columns[left + 1] * part)


def _error_factor(time_ms: IntArray, scaled: FloatArray) -> float:
    """How much larger the errors of the levels are than promised, as their effect on a long mean.

    scaled: (n,) residuals over their promised sd. Their variance counts, and how long they last: rounding errors stay
    until the next step, temperature until the evening. Neighbours' correlations are summed while they are positive.
    """
    if scaled.size < 48:
        return 1.0
    centred = np.clip(scaled - np.median(scaled), -5.0, 5.0)
    variance = float(np.mean(centred**2))
    lasting = 1.0
    for lag in range(1, 25):
        near = time_ms[lag:] - time_ms[:-lag] <= (lag + 1) * HOUR_MS
        if np.count_nonzero(near) < 24:
            break
        correlation = float(np.mean(centred[lag:][near] * centred[:-lag][near])) / max(variance, 1e-9)
        if correlation <= 0.03:
            break
        lasting += 2.0 * correlation
    return float(np.clip(np.sqrt(variance * lasting), 0.2, 3.0))


@lru_cache(maxsize=32)
def _prior_precision(blocks: int, restlessness: float) -> tuple[FloatArray, float]:
    """Inverse covariance of the use of successive blocks, as shares of their mean use, and its log determinant."""
    lag_h = np.arange(blocks) * (BLOCK_MS / HOUR_MS)
    shape = np.exp(-2.0 * np.sin(np.pi * lag_h / 24.0) ** 2 / SHAPE_WIDTH**2 - lag_h / SHAPE_LASTS_H)
    covariance = SHAPE_SD**2 * shape
    covariance += WEATHER_SD**2 * np.exp(-lag_h / WEATHER_LASTS_H)
    covariance += RESTLESS_SD**2 * np.exp(-lag_h / RESTLESS_LASTS_H)
    full = toeplitz(covariance * restlessness**2 + MEAN_SD**2)
    full[np.diag_indices(blocks)] += 1e-6
    factor = cho_factor(full, lower=True)
    return np.asarray(cho_solve(factor, np.eye(blocks))), -2.0 * float(np.sum(np.log(np.diag(factor[0]))))


def _hourly_evidence(
    levels: CleanLevels, jumps: Jumps, start_ms: int, end_ms: int, fall_mm_per_day: float
) -> _Evidence:
    """Levels by the hour, cut at jumps, with what each is worth.

    A sensor by the clock: the mean of the hour's readings. A sensor that steps by its grid on change: the held level at
    every hour, since "no report" says that it has not moved; its rounding error lasts until the next step, so an hour
    is worth only its share of a step. A sensor with a deadband: its reports alone, because what it holds lags.
    """
    sensor = levels.sensor
    inside = (levels.time_ms >= start_ms) & (levels.time_ms < end_ms)
    for jump in range(jumps.time_ms.size):
        inside &= (levels.time_ms <= jumps.after_ms[jump]) | (levels.time_ms >= jumps.before_ms[jump])
    time_ms, level = levels.time_ms[inside], levels.level_mm[inside]
    sd = np.full(time_ms.size, np.hypot(sensor.reading_sd_mm, SLOW_ERROR_MM))
    if sensor.on_change and sensor.deadband_mm == 0.0:
        grid_ms = np.arange(start_ms, end_ms, HOUR_MS, dtype=np.int64)
        series = levels.as_held()
        held_level = value_at(series, grid_ms)
        side = np.searchsorted(jumps.time_ms, grid_ms)
        reading = np.maximum(np.searchsorted(levels.time_ms, grid_ms, side="right") - 1, 0)
        same_side = side == np.searchsorted(jumps.time_ms, levels.time_ms[reading])
        usable = np.isfinite(held_level) & same_side
        hours_a_step = np.clip(sensor.step_mm / max(fall_mm_per_day, 0.05) * 24.0, 1.0, 48.0)
        time_ms, level = grid_ms[usable], held_level[usable]
        rounding = sensor.step_mm / np.sqrt(12.0) * np.sqrt(hours_a_step)
        sd = np.full(time_ms.size, np.hypot(rounding, np.hypot(sensor.noise_mm, SLOW_ERROR_MM)))
        return _Evidence(time_ms, level, sd)
    side = np.searchsorted(jumps.time_ms, time_ms)
    bin_of = (time_ms // HOUR_MS) * (jumps.time_ms.size + 1) + side
    _, first, count = np.unique(bin_of, return_index=True, return_counts=True)
    if not first.size:
        return _Evidence(time_ms, level, sd)
    mean_time = time_ms[first] + np.add.reduceat(time_ms - np.repeat(time_ms[first], count), first) // count
    mean_level = np.add.reduceat(level, first) / count
    hour_sd = np.hypot(sensor.reading_sd_mm / np.sqrt(count), SLOW_ERROR_MM)
    return _Evidence(mean_time, mean_level, hour_sd)


def _with_marks(
    evidence: _Evidence, marks: tuple[IntArray, FloatArray, FloatArray], start_ms: int, end_ms: int
) -> _Evidence:
    mark_ms, mark_mm, mark_sd = marks
    inside = (mark_ms >= start_ms) & (mark_ms < end_ms)
    time_ms = np.concatenate((evidence.time_ms, mark_ms[inside]))
    order = np.argsort(time_ms, kind="stable")
    return _Evidence(
        time_ms[order],
        np.concatenate((evidence.level_mm, mark_mm[inside]))[order],
        np.concatenate((evidence.sd_mm, mark_sd[inside]))[order],
    )


def _warmth(time_ms: IntArray, temperature: tuple[IntArray, FloatArray] | None) -> FloatArray:
    """Kelvins above the stretch's mean at each moment; nothing where the temperature is not known."""
    if temperature is None or not temperature[0].size:
        return np.zeros(time_ms.size)
    at_levels = value_at(held(temperature[0], temperature[1], 3 * HOUR_MS), time_ms)
    known = np.isfinite(at_levels)
    if not np.any(known):
        return np.zeros(time_ms.size)
    return np.where(known, at_levels - at_levels[known].mean(), 0.0)


def _block_shares(levels: CleanLevels, edges_ms: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shares of each block in which the level was known, the reservoir empty, the sensor stuck."""
    series = levels.as_held()
    _, known = mean_within(series, edges_ms[:-1], edges_ms[1:])
    is_empty = held(series.from_ms, (series.value < EMPTY_BELOW_MM).astype(np.float64), levels.hold_ms)
    empty, _ = mean_within(is_empty, edges_ms[:-1], edges_ms[1:])
    was_stuck = np.zeros(edges_ms.size - 1)
    for from_ms, until_ms in zip(levels.stuck_from_ms, levels.stuck_until_ms, strict=True):
        was_stuck += (
            np.clip(np.minimum(edges_ms[1:], until_ms) - np.maximum(edges_ms[:-1], from_ms), 0, None) / BLOCK_MS
        )
    return known, np.nan_to_num(empty) * known, np.minimum(was_stuck, 1.0)
