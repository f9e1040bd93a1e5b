"""Where the dry line of every pot stands and stood: notes, air and water brought to the model, and its draws back.

Owns the six-hour grid on which all of it meets, the set-ups in force along it, the calibration on every depth note
(kept until the logbook changes), and the lines of the last weeks with their spread.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.calibration import DepthNotes, Draws
from analysis.columns import Columns, joined
from analysis.dry_layer import steady, transient
from analysis.setups import column_parameters
from dashboard.answers.column_tests import Tube
from dashboard.answers.shelf_air import air_history
from dashboard.answers.standing import Description, Standing, columns_of
from dashboard.answers.water import StandingWater
from ingest.home import Home
from ingest.readings import HOUR_MS, FloatArray, IntArray
from ingest.sensors import Sensor

Kind = TypeVar("Kind", bound=np.generic)

STEP_HOURS = 6
STEP_MS = STEP_HOURS * HOUR_MS
#: What led up to a note: with the slowest media the line forgets where it was in about two weeks.
NOTE_STEPS = 21 * 24 // STEP_HOURS
#: How far back the lines of an answer begin; the first week of them is forgotten again.
LINE_DAYS = 35
DRAWS = 64
SEED = 20260301
FIRST_TUBE = -1_000_000
"""Numbers of columns that are tubes begin here and go down; looks at media that are gone begin at -1."""
MEAN_LEVEL_SHARE = 0.6
"""Where a reservoir between fills stands on average, as a share of the mark (assumed), before any level is known."""


@dataclass(frozen=True)
class Course:
    """What every pot went through on a grid of six-hour steps that end with the last whole hour of the answer.

    end_ms: (step,). vpd_kpa, temperature_c: (step, pot), of the shelf on which the pot then stood. spell: (step,)
    index into `spells`, each the set-ups of all pots in force then.
    """

    end_ms: IntArray
    vpd_kpa: FloatArray
    temperature_c: FloatArray
    spell: IntArray
    spells: tuple[tuple[Description, ...], ...]


def grid_until(at_ms: int, start_ms: int) -> IntArray:
    """Ends of six-hour steps, the last one at the last whole hour, the first not before `start_ms`."""
    end_ms = at_ms // HOUR_MS * HOUR_MS
    steps = max(1, (end_ms - start_ms) // STEP_MS)
    return end_ms - np.arange(steps - 1, -1, -1, dtype=np.int64) * STEP_MS


def course_of(home: Home, standing: Standing, sensors: Sequence[Sensor], end_ms: IntArray) -> Course:
    """Air and set-ups of every standing pot along the grid."""
    spell_of, spells = _spells(standing, end_ms)
    shelves = sorted({str(setup["shelf"]) for spell in spells for setup in spell})
    air = [_shelf_steps(home, shelf, standing.shelves, sensors, end_ms) for shelf in shelves]
    vpd = np.stack([one[0] for one in air], axis=1) if air else np.empty((end_ms.size, 0))
    temperature = np.stack([one[1] for one in air], axis=1) if air else np.empty((end_ms.size, 0))
    shelf_of = np.array([[shelves.index(setup["shelf"]) for setup in spell] for spell in spells], dtype=np.int64)
    chosen = shelf_of.reshape(len(spells), len(standing.pots))[spell_of]
    return Course(
        end_ms,
        np.take_along_axis(vpd, chosen, axis=1),
        np.take_along_axis(temperature, chosen, axis=1),
        spell_of,
        spells,
    )


def _spells(standing: Standing, end_ms: IntArray) -> tuple[IntArray, tuple[tuple[Description, ...], ...]]:
    """Stretches between changes of any pot's set-up; before its first set-up a pot is taken as first described."""
    changes = np.unique([setup["from_ms"] for pot in standing.pots for setup in pot.setups] or [0])
    raw = np.searchsorted(changes, end_ms, side="right")
    used, spell_of = np.unique(raw, return_inverse=True)
    moments = [int(changes[max(number - 1, 0)]) for number in used]
    return spell_of.astype(np.int64), tuple(
        tuple(in_force(pot.setups, moment) for pot in standing.pots) for moment in moments
    )


def in_force(setups: Sequence[Description], moment_ms: int) -> Description:
    """The set-up in force at a moment, or the first one before that."""
    return next((setup for setup in reversed(setups) if setup["from_ms"] <= moment_ms), setups[0])


def _shelf_steps(
    home: Home, shelf: str, shelves: Mapping[str, Description], sensors: Sequence[Sensor], end_ms: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Means of deficit and temperature of a shelf in each step, NaN where no hour of it was known."""
    air = air_history(home, shelf, shelves, sensors, int(end_ms[0]) - STEP_MS, int(end_ms[-1]))
    by_step = []
    for hourly in (air.vpd_kpa, air.temperature_c):
        blocks = hourly.reshape(end_ms.size, STEP_HOURS)
        count = np.isfinite(blocks).sum(axis=1)
        total = np.nansum(blocks, axis=1)
        by_step.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return by_step[0], by_step[1]


def columns_along(standing: Standing, course: Course) -> list[Columns]:
    """The columns of all pots in each spell of the course."""
    return [columns_of(list(spell), standing.pots, standing.shelves) for spell in course.spells]


def expected_use_ml_per_day(standing: Standing, course: Course, columns: Sequence[Columns]) -> FloatArray:
    """What each pot's set-up and air make it lose at a middling level, (step, pot); where air is unknown, its mean."""
    use = np.full(course.vpd_kpa.shape, np.nan)
    marks = np.array([pot.vessel.fill_mark_mm if pot.vessel else 50.0 for pot in standing.pots])
    for number, here in enumerate(columns):
        steps = course.spell == number
        air = course.vpd_kpa[steps], course.temperature_c[steps]
        use[steps] = steady(here, *air, MEAN_LEVEL_SHARE * marks).loss_ml_per_day
    known = np.isfinite(use)
    mean = np.where(known, use, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(known, use, np.where(known.any(axis=0), mean, np.nan))


def depth_notes(
    standing: Standing,
    course: Course,
    waters: Sequence[StandingWater],
    notes: pd.DataFrame,
    tubes: Sequence[Tube] = (),
) -> DepthNotes | None:
    """Every inspection of a depth with the three weeks before it, and every column test; None where there is none."""
    looks = _looks(standing, course, waters, notes)
    tests = _tests(standing, tubes)
    if looks is None or tests is None:
        return tests if looks is None else looks
    return DepthNotes(
        columns=joined(looks.columns, tests.columns),
        before=None if looks.before is None else joined(looks.before, tests.columns),
        pot=np.concatenate((looks.pot, tests.pot)),
        low_mm=np.concatenate((looks.low_mm, tests.low_mm)),
        high_mm=np.concatenate((looks.high_mm, tests.high_mm)),
        how=looks.how + tests.how,
        vpd_kpa=np.concatenate((looks.vpd_kpa, tests.vpd_kpa), axis=1),
        temperature_c=np.concatenate((looks.temperature_c, tests.temperature_c), axis=1),
        level_mm=np.concatenate((looks.level_mm, tests.level_mm), axis=1),
        level_sd_mm=_side_by_side(looks.level_sd_mm, tests.level_sd_mm),
        wetted=_side_by_side(looks.wetted, tests.wetted),
        step_hours=looks.step_hours,
    )


def _side_by_side(some: npt.NDArray[Kind] | None, more: npt.NDArray[Kind] | None) -> npt.NDArray[Kind] | None:
    return None if some is None or more is None else np.concatenate((some, more), axis=-1)


def _tests(standing: Standing, tubes: Sequence[Tube]) -> DepthNotes | None:
    """Column tests: each a column of its own that is no pot."""
    if not tubes:
        return None
    count = len(tubes)
    columns = column_parameters(
        [tube.setup for tube in tubes], [standing.shelves.get(tube.setup["shelf"]) for tube in tubes]
    )
    return DepthNotes(
        columns=columns.changed(uptake_ml_per_day_at_1_kpa=0.0),
        pot=FIRST_TUBE - np.arange(count, dtype=np.int64),
        low_mm=np.array([tube.low_mm for tube in tubes]),
        high_mm=np.array([tube.high_mm for tube in tubes]),
        how=("column_test",) * count,
        vpd_kpa=np.stack([tube.vpd_kpa for tube in tubes], axis=1),
        temperature_c=np.stack([tube.temperature_c for tube in tubes], axis=1),
        level_mm=np.tile([tube.water_mm for tube in tubes], (NOTE_STEPS, 1)),
        level_sd_mm=np.full(count, 1.0),
        wetted=np.zeros((NOTE_STEPS, count), np.bool_),
        step_hours=float(STEP_HOURS),
    )


def _looks(
    standing: Standing, course: Course, waters: Sequence[StandingWater], notes: pd.DataFrame
) -> DepthNotes | None:
    """The inspections of a depth; None where there is none."""
    place = {pot.label: index for index, pot in enumerate(standing.pots)}
    looks = notes[(notes["kind"] == "inspection") & notes["pot"].isin(list(place)) & notes["how"].notna()]
    time_ms = looks["time_ms"].to_numpy(np.int64)
    looks = looks[(time_ms <= course.end_ms[-1]) & (time_ms > course.end_ms[0])]
    if looks.empty:
        return None
    time_ms = looks["time_ms"].to_numpy(np.int64)
    pot = np.array([place[label] for label in looks["pot"]], dtype=np.int64)
    step = np.searchsorted(course.end_ms, time_ms)
    window = step - np.arange(NOTE_STEPS - 1, -1, -1, dtype=np.int64)[:, None]
    inside = window >= 0
    row = np.maximum(window, 0)
    level = np.stack([water.level_mm for water in waters], axis=1)
    level_sd = np.stack([water.level_sd_mm for water in waters], axis=1)
    setups = [in_force(standing.pots[p].setups, int(t)) for p, t in zip(pot, time_ms, strict=True)]
    before = [
        in_force(standing.pots[p].setups, int(t) - NOTE_STEPS * STEP_MS) for p, t in zip(pot, time_ms, strict=True)
    ]
    pots = tuple(standing.pots[p] for p in pot)
    today = [standing.pots[p].setup for p in pot]
    same_medium = np.array([then.get("layers") == now.get("layers") for then, now in zip(setups, today, strict=True)])
    stranger = -1 - np.arange(pot.size)
    return DepthNotes(
        columns=columns_of(setups, pots, standing.shelves),
        before=columns_of(before, pots, standing.shelves),
        pot=np.where(same_medium, pot, stranger),
        low_mm=looks["dry_layer_low_mm"].to_numpy(np.float64),
        high_mm=looks["dry_layer_high_mm"].to_numpy(np.float64),
        how=tuple(looks["how"]),
        vpd_kpa=np.where(inside, course.vpd_kpa[row, pot], np.nan),
        temperature_c=np.where(inside, course.temperature_c[row, pot], np.nan),
        level_mm=np.where(inside, level[row, pot], np.nan),
        level_sd_mm=np.nan_to_num(level_sd[step, pot], nan=5.0),
        wetted=inside & wetted(standing, waters, course.end_ms)[row, pot],
        step_hours=float(STEP_HOURS),
    )


def wetted(
    standing: Standing, waters: Sequence[StandingWater], end_ms: IntArray
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """The steps in which a pot was flushed from the top, (step, pot)."""
    flushed = np.zeros((end_ms.size, len(standing.pots)), dtype=np.bool_)
    for index, water in enumerate(waters):
        step = np.searchsorted(end_ms, water.notes.time_ms[water.notes.is_flush])
        flushed[step[step < end_ms.size], index] = True
    return flushed


def line_steps(end_ms: IntArray) -> slice:
    """The last weeks of a grid, on which lines are drawn."""
    return slice(max(0, end_ms.size - LINE_DAYS * 24 // STEP_HOURS), end_ms.size)


def lines(
    standing: Standing,
    course: Course,
    columns: Sequence[Columns],
    waters: Sequence[StandingWater],
    draws: Draws,
    window: slice,
) -> FloatArray:
    """The depth of every pot's dry line on a window of the course, (step, draw, pot), discrepancy included."""
    level = level_draws(waters, draws.stray.shape[0])[window]
    flushed = wetted(standing, waters, course.end_ms)[window]
    path: list[FloatArray] = []
    for number, steps in _runs(course.spell[window]):
        here = draws.under(columns[number])
        moved = transient(
            here,
            course.vpd_kpa[window][steps, None],
            course.temperature_c[window][steps, None],
            level[steps],
            initial_mm=path[-1][-1] if path else None,
            step_hours=float(STEP_HOURS),
            wetted=flushed[steps, None],
        )
        path.append(moved)
    return draws.depth_mm(np.concatenate(path))


def level_draws(waters: Sequence[StandingWater], count: int) -> FloatArray:
    """Levels as they may have been, (step, draw, pot): off in one direction for long, as a reckoning is."""
    level = np.stack([water.level_mm for water in waters], axis=1)
    sd = np.stack([water.level_sd_mm for water in waters], axis=1)
    off = np.random.default_rng(SEED + 1).standard_normal((count, len(waters)))
    return np.asarray(np.maximum(level[:, None, :] + sd[:, None, :] * off, 0.0))


def _runs(spell: IntArray) -> Iterator[tuple[int, slice]]:
    """The spells of a window in order, each with its steps."""
    edges = np.flatnonzero(np.diff(spell)) + 1
    starts = np.concatenate(([0], edges))
    for start, end in zip(starts, np.concatenate((edges, [spell.size])), strict=True):
        yield int(spell[start]), slice(int(start), int(end))
