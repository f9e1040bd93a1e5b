"""Everything the questions share, gathered once a moment: the collection, its air, its water and its dry lines.

Owns the order of gathering and the memory of the last one: several questions at one moment (a wall and its
alerts) share it. A new note, a new set-up or a new hour makes a new situation.
"""

import math
import threading
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.calibration import Draws, Posterior, calibrate
from analysis.columns import Columns
from analysis.known_mean import known_mean
from analysis.reservoir import Vessel
from analysis.thirst import Thirst, thirst
from dashboard.answers import lines as dry_lines
from dashboard.answers.column_tests import Tube, tubes_of
from dashboard.answers.computing import mapped_on_cluster
from dashboard.answers.lines import Course, columns_along, course_of, expected_use_ml_per_day, grid_until
from dashboard.answers.refresh import refresh
from dashboard.answers.standing import Standing, standing_at
from dashboard.answers.water import StandingWater, usual_vessel, waters_of
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, FloatArray
from ingest.sensors import Sensor

FEWER_DRAWS = 24
LONGEST_HISTORY_DAYS = 730
"""How old a depth note may be to count in the calibration: plants, salts and media do not stay the same."""


# eq=False: a situation is itself, so that what is derived from it can be remembered with it.
@dataclass(frozen=True, eq=False)
class Situation:
    """One moment of one home.

    columns: of all pots in each spell of the course. expected_ml_per_day: (step, pot), what set-up and air make a pot
    lose. line_mm: (step, draw, pot) over the last weeks of the course.
    """

    at_ms: int
    standing: Standing
    sensors: tuple[Sensor, ...]
    notes: pd.DataFrame
    course: Course
    columns: tuple[Columns, ...]
    expected_ml_per_day: FloatArray
    waters: tuple[StandingWater, ...]
    thirst: Thirst
    tubes: tuple[Tube, ...]
    posterior: Posterior
    draws: Draws
    line_mm: FloatArray

    @property
    def vessels(self) -> tuple[Vessel, ...]:
        """Each pot's reservoir; where nobody measured it, the usual one of its size."""
        return tuple(pot.vessel or usual_vessel(pot.setup) for pot in self.standing.pots)

    @cached_property
    def whole_line_mm(self) -> FloatArray:
        """p10, p50, p90 of every pot's line along the whole course, (3, step, pot), from fewer draws."""
        draws = self.posterior.draws(np.random.default_rng(dry_lines.SEED), FEWER_DRAWS)
        window = slice(0, self.course.end_ms.size)
        path = dry_lines.lines(self.standing, self.course, self.columns, self.waters, draws, window)
        return np.asarray(np.quantile(path, [0.1, 0.5, 0.9], axis=1))

    def expects_mm(self) -> FloatArray:
        """The dry layer now as draws, (draw, pot)."""
        now: FloatArray = self.line_mm[-1]
        return now


class UnknownPot(ValueError):  # noqa: N818 - what happened reads better alone
    """No pot of that label stands in the collection."""


def index_of(situation: Situation | None, pot: str) -> int:
    """The place of a pot in a situation; raises UnknownPot."""
    labels = [] if situation is None else [one.label for one in situation.standing.pots]
    if pot not in labels:
        raise UnknownPot(f"There is no pot called {pot}; see `dryline pots` for those that stand now.")
    return labels.index(pot)


_memory: dict[str, tuple[tuple[object, ...], Situation]] = {}
_turn = threading.Lock()


def situation_at(home: Home, at_ms: int, *, anew: bool = False) -> Situation | None:
    """The situation of a home at a moment; None while no pot stands there.

    Within the same hour, while the logbook is the same and no long history has come in, the answer is remembered,
    unless it is wanted anew.
    """
    key = (home.logbook.revision(), at_ms // HOUR_MS, _size_class(home))
    with _turn:
        known = _memory.get(str(home.folder))
        if known is not None and known[0] == key and not anew:
            return known[1]
        found = _gathered(home, at_ms)
        if found is not None:
            _memory[str(home.folder)] = (key, found)
        return found


def _size_class(home: Home) -> int:
    """Another number each time the readings have grown by a twentieth: a back-fill or an import is no trickle."""
    return int(math.log(max(home.readings.size().readings, 1)) / math.log(1.05))


def recent_situation(home: Home, at_ms: int) -> Situation | None:
    """The last situation that was gathered, at once, however old; gathers only where there is none yet.

    For a screen that must not wait: whoever keeps it current (`dashboard.serve`) gathers the next one meanwhile.
    """
    known = _memory.get(str(home.folder))
    return known[1] if known is not None and known[1].at_ms <= at_ms else situation_at(home, at_ms)


def _gathered(home: Home, at_ms: int) -> Situation | None:
    refresh(home, at_ms)
    standing = standing_at(home, at_ms)
    if standing is None:
        return None
    sensors = tuple(home.logbook.sensors())
    notes = home.logbook.notes_frame(until_ms=at_ms + 1)
    oldest_ms = max(_first_ms(standing, notes), at_ms - LONGEST_HISTORY_DAYS * DAY_MS)
    end_ms = grid_until(at_ms, min(oldest_ms, at_ms - dry_lines.LINE_DAYS * DAY_MS))
    course = course_of(home, standing, sensors, end_ms)
    columns = columns_along(standing, course)
    expected = expected_use_ml_per_day(standing, course, columns)
    waters = waters_of(home, standing, sensors, notes, end_ms, expected, course.temperature_c, course.vpd_kpa)
    drinking = _thirst(standing, course, waters)
    own = standing.columns.changed(
        uptake_ml_per_day_at_1_kpa=drinking.uptake_ml_per_day_at_1_kpa, uptake_log_sd=drinking.uptake_log_sd
    )
    tubes = tubes_of(home, notes, standing.shelves, sensors, dry_lines.NOTE_STEPS, dry_lines.STEP_HOURS)
    posterior = calibrate(own, dry_lines.depth_notes(standing, course, waters, notes, tubes), mapped=mapped_on_cluster)
    draws = posterior.draws(np.random.default_rng(dry_lines.SEED), dry_lines.DRAWS)
    line_mm = dry_lines.lines(standing, course, columns, waters, draws, dry_lines.line_steps(end_ms))
    return Situation(
        at_ms=at_ms,
        standing=standing,
        sensors=sensors,
        notes=notes,
        course=course,
        columns=tuple(columns),
        expected_ml_per_day=expected,
        waters=tuple(waters),
        thirst=drinking,
        tubes=tubes,
        posterior=posterior,
        draws=draws,
        line_mm=line_mm,
    )


def _first_ms(standing: Standing, notes: pd.DataFrame) -> int:
    """When the collection's history begins: its first set-up or depth note."""
    looks = notes.loc[notes["kind"] == "inspection", "time_ms"]
    setups = min(int(setup["from_ms"]) for pot in standing.pots for setup in pot.setups)
    return min(setups, int(looks.min())) if len(looks) else setups


def _thirst(standing: Standing, course: Course, waters: list[StandingWater]) -> Thirst:
    """How much each measured pot drinks against its set-up and air, over its last seven days."""
    week = course.end_ms > course.end_ms[-1] - 7 * DAY_MS
    use = np.array([water.told.week.value for water in waters])
    sd = np.array([(water.told.week.high - water.told.week.low) / 3.29 for water in waters])
    level = np.stack([water.level_mm for water in waters], axis=1)
    means = [known_mean(series[week]) for series in (course.vpd_kpa, course.temperature_c, level)]
    return thirst(standing.columns, use, sd, *means)
