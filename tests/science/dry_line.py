"""How well the dry line is told before notes, after six notes, and after changes that no note has seen.

Owns the predictions that issue "where the dry line stands" asks to be held, with their baselines, from a `Case`. The
analysis is used as the answers use it: describe, measure thirst, calibrate, draw, let the line move; but that here the
plant's part of use is measured once more after a first calibration.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analysis.calibration import DepthNotes, Draws, Posterior, calibrate
from analysis.columns import Columns
from analysis.dry_layer import transient
from analysis.thirst import thirst
from tests.science.scores import Predicted, Score, banded, plain, pooled, score, table
from tests.science.worlds import STEP_HOURS, STEP_MS, After, Case, Seen

FloatArray = npt.NDArray[np.float64]

DRAWS = 160
HISTORY = 120  # steps of six hours before a note
STEPS_A_DAY = 24 // STEP_HOURS
ALWAYS_MM = 20.0
DAYS_LOOKED_AT = (14, 21, 27)
DAYS_EMPTY_LOOKED_AT = (1, 2, 4, 6, 8, 12)
EMPTY_BELOW_MM = 0.6
MATTERS_MM = 5.0
"""A change that moves the true line by this much is one that a grower would want to be told of."""

Parts = dict[str, list[Predicted]]


def predictions(case: Case) -> dict[str, Predicted]:
    """All predictions of one world by name: "before", "six notes", each change, and baselines as "name: baseline"."""
    rng = np.random.default_rng(7)
    found: Parts = {}
    columns = _with_thirst(case.columns, case.columns, case.use_ml_per_day, _lately(case.seen))
    last = case.seen.true_depth_mm[-1]

    prior = calibrate(columns).draws(rng, DRAWS)
    found["before"] = [banded(prior.depth_mm(_lately_moved(prior, case.seen)[-1]), last)]

    posterior, columns = _learned(case, columns)
    draws = posterior.draws(rng, DRAWS)
    now = _lately_moved(draws, case.seen)[-1]
    found["six notes"] = [banded(draws.depth_mm(now), last)]
    baselines = _baselines(case)
    for name, value in baselines.items():
        found[f"six notes: {name}"] = [plain(value, found["six notes"][0])]

    for after in case.after:
        _after_change(found, after, posterior, columns, draws, now, last, baselines)
    return {name: pooled(parts) for name, parts in found.items() if parts}


def _lately(seen: Seen) -> Seen:
    """The last 28 days."""
    k = slice(-28 * STEPS_A_DAY, None)
    return replace(seen, vpd_kpa=seen.vpd_kpa[k], temperature_c=seen.temperature_c[k], level_mm=seen.level_mm[k])


def _with_thirst(columns: Columns, known: Columns, use_ml_per_day: FloatArray, seen: Seen) -> Columns:
    """The columns with the plant's part of measured use in them; `known` says what top and holes lose."""
    found = thirst(
        replace(
            known,
            uptake_ml_per_day_at_1_kpa=columns.uptake_ml_per_day_at_1_kpa,
            uptake_log_sd=columns.uptake_log_sd,
        ),
        use_ml_per_day,
        0.05 * use_ml_per_day,
        np.nanmean(seen.vpd_kpa, axis=0),
        np.nanmean(seen.temperature_c, axis=0),
        np.nanmean(seen.level_mm, axis=0),
    )
    return columns.changed(
        uptake_ml_per_day_at_1_kpa=found.uptake_ml_per_day_at_1_kpa, uptake_log_sd=found.uptake_log_sd
    )


def _lately_moved(draws: Draws, seen: Seen) -> FloatArray:
    k = slice(-HISTORY, None)
    return transient(
        draws.columns, seen.vpd_kpa[k], seen.temperature_c[k], seen.level_mm[k], step_hours=float(STEP_HOURS)
    )


def _learned(case: Case, columns: Columns) -> tuple[Posterior, Columns]:
    """Calibrated twice: once notes have set the top's loss, use tells better what the plant takes."""
    first = calibrate(columns, _notes(case, columns))
    better = _with_thirst(case.columns, first.centre(), case.use_ml_per_day, _lately(case.seen))
    return calibrate(better, _notes(case, better)), better


def _notes(case: Case, columns: Columns) -> DepthNotes:
    looks, seen = case.looks, case.seen
    step = ((looks.time_ms - seen.start_ms) // STEP_MS).astype(np.int64)
    rows = step[None, :] - HISTORY + np.arange(HISTORY)[:, None]

    def before(series: FloatArray) -> FloatArray:
        return np.where(rows >= 0, series[np.maximum(rows, 0), looks.pot[None, :]], np.nan)

    return DepthNotes(
        columns=columns.taken(looks.pot),
        pot=looks.pot,
        low_mm=looks.low_mm,
        high_mm=looks.high_mm,
        how=looks.how,
        vpd_kpa=before(seen.vpd_kpa),
        temperature_c=before(seen.temperature_c),
        level_mm=before(seen.level_mm),
        step_hours=float(STEP_HOURS),
    )


def _baselines(case: Case) -> dict[str, FloatArray]:
    pots = case.columns.pots
    middle = 0.5 * (case.looks.low_mm + case.looks.high_mm)
    mean, last = np.full(pots, ALWAYS_MM), np.full(pots, ALWAYS_MM)
    for pot in range(pots):
        own = middle[(case.looks.pot == pot) & np.isfinite(middle)]
        if len(own):
            mean[pot], last[pot] = own.mean(), own[-1]
    return {"mean of the notes": mean, "last note": last, "always 20 mm": np.full(pots, ALWAYS_MM)}


def _after_change(
    found: Parts,
    after: After,
    posterior: Posterior,
    columns: Columns,
    draws: Draws,
    now: FloatArray,
    last: FloatArray,
    baselines: dict[str, FloatArray],
) -> None:
    new = after.columns.changed(
        uptake_ml_per_day_at_1_kpa=columns.uptake_ml_per_day_at_1_kpa, uptake_log_sd=columns.uptake_log_sd
    )
    if after.change == "plant drinks thrice":
        # the newer use is measured; how it divides is as unsure as ever
        spell = slice(3 * STEPS_A_DAY, 17 * STEPS_A_DAY)
        seen = replace(
            after.seen,
            vpd_kpa=after.seen.vpd_kpa[spell],
            temperature_c=after.seen.temperature_c[spell],
            level_mm=after.seen.level_mm[spell],
        )
        grown = after.columns.changed(uptake_log_sd=1.0)
        new = _with_thirst(grown, posterior.centre(), after.use_ml_per_day, seen)
    path = transient(
        draws.under(new),
        after.seen.vpd_kpa,
        after.seen.temperature_c,
        after.seen.level_mm,
        initial_mm=now,
        step_hours=float(STEP_HOURS),
    )
    for rows, pots in _looked_at(after):
        one = banded(
            draws.depth_mm(path[rows[0]] if len(set(rows)) == 1 else _picked(path, rows, after.columns.pots))[:, pots],
            after.seen.true_depth_mm[rows, np.arange(after.columns.pots)][pots],
            (after.seen.true_depth_mm[rows, np.arange(after.columns.pots)] - last)[pots],
        )
        found.setdefault(after.change, []).append(one)
        for name, value in baselines.items():
            found.setdefault(f"{after.change}: {name}", []).append(plain(value[pots], one))


def _picked(path: FloatArray, rows: npt.NDArray[np.int64], pots: int) -> FloatArray:
    """`(draw, pot)` with each pot at its own row."""
    return np.stack([path[rows[pot], :, pot] for pot in range(pots)], axis=1)


def _looked_at(after: After) -> Iterable[tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]]:
    """Rows of steps `(pot,)` at which a change is looked at, and for which pots."""
    steps, pots = after.seen.true_depth_mm.shape
    if after.change != "reservoir empty":
        for day in DAYS_LOOKED_AT:
            yield np.full(pots, day * STEPS_A_DAY - 1), after.touched
        return
    empty = after.seen.true_level_mm < EMPTY_BELOW_MM
    first = np.argmax(empty, axis=0)
    for day in DAYS_EMPTY_LOOKED_AT:
        rows = first + day * STEPS_A_DAY
        yield np.minimum(rows, steps - 1), empty.any(axis=0) & (rows < steps)


CHANGES = ("drier air", "holes opened", "cover added", "cover taken off", "plant drinks thrice")


def summary(worlds: Iterable[dict[str, Predicted]]) -> dict[str, Score]:
    """Scores over worlds, with all changes but the empty reservoir pooled, and those among them that mattered."""
    every = list(worlds)
    names = list(dict.fromkeys(name for world in every for name in world))
    pools = {name: pooled(world[name] for world in every if name in world) for name in names}
    for ending in ("", ": mean of the notes", ": last note", ": always 20 mm"):
        parts = [pools[change + ending] for change in CHANGES if change + ending in pools]
        if parts:
            pools["unseen change" + ending] = pooled(parts)
            whole = pools["unseen change" + ending]
            pools["unseen change that matters" + ending] = whole.where(np.abs(whole.moved_mm) >= MATTERS_MM)
    return {name: score(pool) for name, pool in pools.items()}


def report(scores: dict[str, Score], worlds: int) -> str:
    """The table of the dry line."""
    order = ["before", "six notes", "unseen change", "unseen change that matters", *CHANGES, "reservoir empty"]
    rows = []
    for name in order:
        rows += [(key, value) for key, value in scores.items() if key == name]
        rows += [(f"   {key.split(': ')[1]}", value) for key, value in scores.items() if key.startswith(f"{name}: ")]
    return table(
        f"The dry line against the simulated truth, mm, {worlds} worlds of random pots.\n"
        "Between pots of one mix the simulated capillary height spreads by a log-sd of 0.33; the prior has 0.32\n"
        "about a centre of its own log-sd of 0.2. Bias is that of the mean; errors are those of the middle;\n"
        "bands are of 90 %.",
        rows,
    )
