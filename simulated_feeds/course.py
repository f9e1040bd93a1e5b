"""The course of the invented home through days on end, in pieces that fit a small memory.

Owns carrying the truth on: a state some days back (the base), and the truth from there to a little ahead of now, so
that sensors and grower see enough of the past. It must not know messages or clocks.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.pots import World
from simulated_feeds.truth import State, Truth, one_after_another, simulate

STEP_MS = 1_800_000
LOOK_BACK_DAYS = 11
AHEAD_MS = 6 * 3_600_000


@dataclass(frozen=True)
class Course:
    """Where the invented home stands: `truth` runs from `base` to some hours ahead of what was asked for."""

    world: World
    scenario: Scenario
    seed: int
    base: State
    truth: Truth

    @property
    def known_until_ms(self) -> int:
        """The last moment of the truth."""
        return self.truth.end.time_ms


def begun(
    world: World,
    scenario: Scenario,
    seed: int,
    start_ms: int,
    until_ms: int,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Truth, Course]:
    """The whole history from `start_ms` to `until_ms`, and the course that carries it on."""
    base_ms = max(_day(until_ms - LOOK_BACK_DAYS * DAY_MS, start_ms), start_ms)
    late = _days(base_ms, until_ms)
    if base_ms == start_ms:
        whole = simulate(world, scenario, seed=seed, start_ms=start_ms, days=late, progress=progress)
        return whole, Course(world, scenario, seed, whole.start, whole)
    early = simulate(world, scenario, seed=seed, start_ms=start_ms, days=_days(start_ms, base_ms), progress=progress)
    recent = simulate(world, scenario, seed=seed, start_ms=base_ms, days=late, state=early.end)
    return one_after_another(early, recent), Course(world, scenario, seed, early.end, recent)


def resumed(world: World, scenario: Scenario, seed: int, base: State, until_ms: int) -> Course:
    """The course from a saved base."""
    truth = simulate(world, scenario, seed=seed, start_ms=base.time_ms, days=_days(base.time_ms, until_ms), state=base)
    return Course(world, scenario, seed, base, truth)


def carried_on(course: Course, until_ms: int) -> Course:
    """The course with its truth known at least until then; the base follows at a distance of some days."""
    if until_ms <= course.known_until_ms:
        return course
    base = course.base
    base_ms = _day(until_ms - LOOK_BACK_DAYS * DAY_MS, base.time_ms)
    if base_ms > base.time_ms:
        base = simulate(
            course.world,
            course.scenario,
            seed=course.seed,
            start_ms=base.time_ms,
            days=_days(base.time_ms, base_ms),
            state=base,
        ).end
    return replace(resumed(course.world, course.scenario, course.seed, base, until_ms + AHEAD_MS), base=base)


def _day(time_ms: int, from_ms: int) -> int:
    """The last whole day after `from_ms` that is not later than `time_ms`."""
    return from_ms + (time_ms - from_ms) // DAY_MS * DAY_MS


def _days(from_ms: int, to_ms: int) -> float:
    """Days from one moment to another, in whole steps."""
    return max(-(-(to_ms - from_ms) // STEP_MS), 2) * STEP_MS / DAY_MS
