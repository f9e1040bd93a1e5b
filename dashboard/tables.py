"""Answers as plain text tables, for the command line: the same facts as the screens, in monospace."""

from collections.abc import Mapping, Sequence
from typing import Any

Answer = Mapping[str, Any]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns padded to their widest cell; the last one is free to run on."""
    lines = [head, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    return "\n".join(
        "  ".join(cell if column == len(head) - 1 else cell.ljust(widths[column]) for column, cell in enumerate(line))
        for line in lines
    )


def number(value: float | None, digits: int = 0) -> str:
    """A number, or a dash where there is none."""
    return "-" if value is None else f"{value:.{digits}f}"


def span(value: Mapping[str, float | None] | None, middle: str, low: str, high: str, digits: int = 0) -> str:
    """A figure with its interval: `12 (9 to 15)`."""
    if value is None or value.get(middle) is None:
        return "-"
    return f"{number(value[middle], digits)} ({number(value[low], digits)} to {number(value[high], digits)})"


def pots_table(answer: Answer) -> str:
    """`dryline pots`: a line a pot."""
    rows = [
        [
            pot["pot"],
            pot["shelf"] or "-",
            number(pot["level_mm"]),
            span(pot["water_use_ml_per_day"], "value", "low", "high"),
            span(pot["days_left"], "p50", "p10", "p90"),
            span(pot["dry_layer_mm"], "p50", "p10", "p90"),
            pot["rests_on"],
            pot["says"],
        ]
        for pot in answer["pots"]
    ]
    if not rows:
        return "No pot is in the logbook yet: `dryline import setup FILE`, or add the first one on the Workshop screen."
    return table(
        ["pot", "shelf", "level mm", "use mL/day", "days left", "dry layer mm", "rests on", "says"],
        rows,
    )


def check_list(answer: Answer) -> str:
    """`dryline check`: what needs attention, worst first, or that nothing does."""
    lines = [f"{finding['kind'].replace('_', ' ')}: {finding['says']}" for finding in answer["findings"]]
    lines.append(answer["says"])
    return "\n".join(lines)
