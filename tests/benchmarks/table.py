"""The one table of all benchmarks: its rows, how they are measured and how they are written down.

Figures of one row come from one run, in turns, as medians; only their ratio means anything on another machine. Rows
of pure computation count processor seconds of this process and its workers, which do not depend on who else uses the
machine; rows in which a disk or another process takes part count seconds of the clock. Nothing here fails anything.
"""

import os
import platform
import resource
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One comparison. `ours` and `theirs`: what was measured, with unit; `ratio`: how it is judged, in words of `aim`.

    met: None where there is no aim.
    """

    what: str
    ours: str
    peer: str
    theirs: str
    ratio: str
    aim: str
    met: bool | None


@dataclass(frozen=True)
class Growth:
    """Cost against size: `sizes` and `costs` side by side, in words; `says` what it means."""

    what: str
    sizes: Sequence[str]
    costs: Sequence[str]
    says: str


def processor_s(work: Callable[[], object], runs: int = 3) -> float:
    """Median processor seconds of this process and of those that it starts for the work and awaits.

    The first run, which warms caches, is left out if there are several.
    """
    return _median(work, runs, _processor_s)


def _processor_s() -> float:
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def clock_s(work: Callable[[], object], runs: int = 3) -> float:
    """Median seconds of the clock, the first run left out if there are several."""
    return _median(work, runs, time.perf_counter)


def _median(work: Callable[[], object], runs: int, clock: Callable[[], float]) -> float:
    took = []
    for _ in range(runs + (runs > 1)):
        begin = clock()
        work()
        took.append(clock() - begin)
    return statistics.median(took[-runs:])


def seconds(value: float) -> str:
    """A duration with three figures and its unit."""
    for factor, unit in ((1, "s"), (1e3, "ms"), (1e6, "us")):
        if value * factor >= 1:
            return f"{value * factor:.3g} {unit}" if value * factor < 1000 else f"{value * factor:,.0f} {unit}"
    return f"{value * 1e9:.3g} ns"


def at_least(what: str, ours_s: float, peer: str, theirs_s: float, times: float, aim: str = "") -> Row:
    """A row in which ours should be so many times as quick as the peer."""
    ratio = theirs_s / ours_s
    aim = aim or f"at least {times:g} times as quick"
    return Row(what, seconds(ours_s), peer, seconds(theirs_s), f"{ratio:.3g} times as quick", aim, ratio >= times)


def within(what: str, ours_s: float, peer: str, theirs_s: float, times: float) -> Row:
    """A row in which ours should take at most so many times what the limit takes."""
    ratio = ours_s / theirs_s
    aim = f"within {times:g} times"
    return Row(what, seconds(ours_s), peer, seconds(theirs_s), f"{ratio:.3g} times as long", aim, ratio <= times)


def machine() -> str:
    """What this ran on."""
    model = next(
        (line.partition(":")[2].strip() for line in _lines("/proc/cpuinfo") if line.startswith("model name")),
        platform.machine(),
    )
    memory = next((line.split()[1] for line in _lines("/proc/meminfo") if line.startswith("MemTotal")), "0")
    return f"{model}, {os.cpu_count()} cores, {int(memory) / 2**20:.0f} GB, Python {platform.python_version()}"


def _lines(path: str) -> list[str]:
    try:
        with open(path, encoding="utf-8") as file:
            return file.readlines()
    except OSError:
        return []


def as_markdown(rows: Sequence[Row], growths: Sequence[Growth]) -> str:
    """The table and the growth tables."""
    lines = ["| what | dryline | against | it took | ratio | aim | met |", "|---|---|---|---|---|---|---|"]
    for row in rows:
        met = {True: "yes", False: "**no**", None: ""}[row.met]
        lines.append(f"| {row.what} | {row.ours} | {row.peer} | {row.theirs} | {row.ratio} | {row.aim} | {met} |")
    for growth in growths:
        lines += ["", f"**{growth.what}.** {growth.says}", ""]
        lines += [f"| | {' | '.join(growth.sizes)} |", "|---|" + "---|" * len(growth.sizes)]
        lines += [f"| it took | {' | '.join(growth.costs)} |"]
    return "\n".join(lines) + "\n"
