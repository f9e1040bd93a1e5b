"""Where the dry line stands: a million steady states against scipy's root finder in a loop; 200 pots for a year."""

from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq

from analysis.columns import Columns
from analysis.dry_layer import balance, drivers, steady, transient
from analysis.setups import column_parameters
from tests.benchmarks.table import Growth, Row, at_least, processor_s, seconds
from tests.nursery import setup_of

STATES, POTS, HOURS, LOOPED = 1_000_000, 200, 8760, 20_000
PASSES_A_STEP = 60
"""About how many arrays of one step are read or written in a Newton turn; two turns a step are usual."""


def weather(rows: int, pots: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Air and level (invented), a row each."""
    rng = np.random.default_rng(1)
    return rng.uniform(0.2, 2.5, (rows, pots)), rng.uniform(15, 28, (rows, pots)), rng.uniform(5, 50, (rows, pots))


def in_a_loop(pots: Sequence[Columns], vpd: np.ndarray, warmth: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Brent's method on the same balance, one state at a time."""
    found = np.empty(vpd.size)
    for number in range(vpd.size):
        pot = pots[number % len(pots)]
        ask = drivers(pot, vpd[number : number + 1], warmth[number : number + 1], level[number : number + 1])

        def net(depth: float, pot: Columns = pot, ask: object = ask) -> float:
            return float(balance(pot, ask, np.array([depth])).net[0])  # type: ignore[arg-type]

        end = float(min(pot.column_mm[0], ask.surface_mm[0]) - 1e-3)
        found[number] = 0.0 if net(0.0) <= 0 else end if net(end) >= 0 else brentq(net, 0.0, end)
    return found


def copy_s(numbers: int) -> float:
    """Seconds to read and write so many numbers once."""
    source, target = np.ones(numbers), np.empty(numbers)
    return processor_s(lambda: [np.copyto(target, source) for _ in range(10_000)]) / 10_000


def rows(scale: float = 1.0) -> tuple[Sequence[Row], Sequence[Growth]]:
    """All rows; the loop is run on some states and told for as many as ours."""
    columns = column_parameters([setup_of(pot) for pot in range(POTS)])
    states = max(1, round(STATES * scale / POTS))
    air = weather(states, POTS)
    ours = processor_s(lambda: steady(columns, *air))
    singles = [columns.taken(np.array([pot])) for pot in range(POTS)]
    some = [series.reshape(-1)[:LOOPED] for series in air]
    looped: list[np.ndarray] = []
    loop = processor_s(lambda: looped.append(in_a_loop(singles, *some)), 1) * states * POTS / some[0].size
    apart = np.abs(looped[0] - steady(columns, *air).dry_depth_mm.reshape(-1)[:LOOPED])
    what = f"dry layer, {states * POTS:,} steady states"
    found = [
        at_least(
            f"{what} (same to {apart.max():.1g} mm)", ours,
            f"scipy's `brentq` on the same balance, in a loop (timed on {some[0].size:,})", loop, 500,
        )
    ]  # fmt: skip

    growth = []
    for pots in (50, 100, 200, 400):
        some_columns = column_parameters([setup_of(pot) for pot in range(pots)])
        hours = max(24, round(HOURS * scale))
        year = weather(hours, pots)
        growth.append(processor_s(lambda c=some_columns, y=year: transient(c, *y, step_hours=1.0), 1) / scale)
        if pots == POTS:
            limit = copy_s(pots) * PASSES_A_STEP * 2 * HOURS
            took = growth[-1]
            found.append(
                Row(
                    f"dry layer, {pots} pots for a year by the hour", seconds(took),
                    f"limit: as many copies of {pots} numbers as it has to read or write", seconds(limit),
                    f"{took / limit:.3g} times as long", "less than 2 s", took < 2.0,
                )
            )  # fmt: skip
    says = "Steps cost the same up to about a hundred pots, then grow with the pots; always with the hours."
    sizes = ["50 pots", "100 pots", "200 pots", "400 pots"]
    return found, [Growth("Transient dry layer, a year by the hour", sizes, [seconds(s) for s in growth], says)]
