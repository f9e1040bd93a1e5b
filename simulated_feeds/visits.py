"""When the grower comes, and whom the can reaches.

Owns the visits of the invented grower: weekdays, absences, a longer rhythm, forgotten pots. What a visit does to a
reservoir is `truth`'s; what is seen and written down at one is `grower`'s.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.noise import Floats, one_uniform
from simulated_feeds.pots import World

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Rounds:
    """The grower's visits: what each pot gets, (visit, pot) in mL. 0 = nothing, inf = to the mark,
    nan = by habit: to the mark when the level is below the share of it at which this grower refills."""

    time_ms: Ints
    fill_ml: Floats


def usual_rounds(world: World, scenario: Scenario, seed: int, start_ms: int, days: float) -> Rounds:
    """The visits of a grower who comes on the scenario's weekdays towards evening, absences and rhythm respected."""
    first = int(start_ms // DAY_MS)
    times = []
    for day in range(first, first + int(np.ceil(days)) + 1):
        weekday = (day + 3) % 7  # the epoch began on a Thursday
        if weekday in scenario.weekdays:
            times.append(day * DAY_MS + round((17.0 + 2.5 * one_uniform(seed, "visit", day)) * 3_600_000))
    kept: list[int] = []
    for time_ms in times:
        away = any(event.kind == "absence" and _is_during(event.at_ms, event.until_ms, time_ms)
                   for event in scenario.events)  # fmt: skip
        number = (time_ms // DAY_MS) * len(scenario.weekdays) // 7
        rare = any(
            event.kind == "rhythm"
            and _is_during(event.at_ms, event.until_ms, time_ms)
            and number % int(event.number("every", 2)) != 0
            for event in scenario.events
        )
        if start_ms <= time_ms < start_ms + days * DAY_MS and not away and not rare:
            kept.append(time_ms)
    fill = np.full((len(kept), len(world.pots)), np.nan)
    for column, pot in enumerate(world.pots):
        for row, time_ms in enumerate(kept):
            if any(event.kind == "empty" and event.pot == pot.label
                   and _is_during(event.at_ms, event.until_ms, time_ms) for event in scenario.events):  # fmt: skip
                fill[row, column] = 0.0
    return Rounds(np.array(kept, dtype=np.int64), fill)


def _is_during(at_ms: int, until_ms: int | None, time_ms: int) -> bool:
    return at_ms <= time_ms and (until_ms is None or time_ms < until_ms)
