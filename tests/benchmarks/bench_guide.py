"""The guide and the situation that every answer shares: how they grow with the pots of an invented collection."""

import tempfile
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from dashboard.answers import guide, situation
from tests import nursery
from tests.benchmarks.table import Growth, Row, processor_s, seconds

POTS = (50, 100, 200, 400)
NOTES_A_POT, DAYS = 10, 120


def costs(pots: int) -> tuple[float, float]:
    """Processor seconds of the situation and of the guide."""
    notes = NOTES_A_POT * pots
    with (
        tempfile.TemporaryDirectory() as name,
        closing(nursery.build(Path(name), pots=pots, days=DAYS, notes=notes, level_minutes=15.0)) as home,
    ):
        situation._memory.clear()
        first = processor_s(lambda: situation.situation_at(home, nursery.END_MS + 5), 1)
        return first, processor_s(lambda: guide.answer(home, nursery.END_MS + 5), 1)


def rows(scale: float = 1.0) -> tuple[Sequence[Row], Sequence[Growth]]:
    """Linear: what a pot costs among the most pots is no more than what it costs among half of them."""
    sizes = [max(10, round(pots * scale)) for pots in POTS]
    found = [costs(pots) for pots in sizes]
    words = [f"{pots} pots, {NOTES_A_POT * pots} notes" for pots in sizes]
    a_pot = [cost / pots for (_, cost), pots in zip(found, sizes, strict=True)]
    ratio = a_pot[-1] / a_pot[0]
    guide_row = Row(
        f"guide for {words[2]}", seconds(found[2][1]), f"itself at {sizes[0]} to {sizes[-1]} pots",
        f"{1e3 * a_pot[0]:.3g} to {1e3 * a_pot[-1]:.3g} ms a pot", f"{ratio:.2f} times a pot",
        "linear: at most 1.3 times a pot", ratio <= 1.3,
    )  # fmt: skip
    return [guide_row], [
        Growth("Guide, situation given", words, [seconds(cost) for _, cost in found], "Linear in pots and notes."),
        Growth(
            "The situation of an hour (facts, water, calibration, lines)", words, [seconds(cost) for cost, _ in found],
            "What the dashboard does once an hour, beside its screens.",
        ),
    ]  # fmt: skip
