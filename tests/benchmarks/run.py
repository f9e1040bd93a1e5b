"""All benchmarks, one table: printed, and at full size written to docs/benchmarks.md.

`SCALE=0.05 make bench` is a quick run that writes nothing (`KEEP=1` writes it all the same); `ONLY=bench_air make
bench` measures one part anew and leaves the others as they were. It fails nothing: a missed aim stands as missed.
"""

import importlib
import json
import os
import sys
import time
import traceback
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.table import Growth, Row, as_markdown, machine

DOCS = Path(__file__).parents[2] / "docs"
PAGE, FIGURES = DOCS / "benchmarks.md", DOCS / "benchmarks.json"
#: Each has `rows(scale) -> (rows, growth tables)`; one that is not there is left out.
BENCHMARKS = ("bench_ingest", "bench_store", "bench_air", "bench_dry_layer", "bench_facts", "bench_guide", "screens")

HEAD = """# Benchmarks

`make bench` measures this table and writes this page (`SCALE=0.05 make bench` for a quick look that writes nothing,
`ONLY=bench_air make bench` for one part). Each row compares with its peer in the same run, as medians; only ratios mean
anything on another machine. Rows of pure computation count processor seconds, rows in which a disk or another process
takes part the clock's. A slow peer is timed on a part of the work and told for all of it, and its row says so. All data
are invented. An aim that is missed says so.

"""


def main() -> None:
    """Run what was asked for and print it; each part is kept as soon as it is measured at full size (or `KEEP=1`)."""
    scale = float(os.environ.get("SCALE") or 1.0)
    only = [name for name in os.environ.get("ONLY", "").split(",") if name]
    fresh: dict[str, Any] = {}
    for name in BENCHMARKS:
        if (not only or name in only) and Path(__file__).with_name(f"{name}.py").exists():
            print(f"{name} …", file=sys.stderr, flush=True)
            fresh[name] = measured(name, scale)
            if scale == 1.0 or os.environ.get("KEEP"):
                keep(name, fresh[name])
    print(page_of(fresh))


def keep(name: str, part: dict[str, Any]) -> None:
    """Put one part among those that were measured before, and write the page."""
    kept = json.loads(FIGURES.read_text(encoding="utf-8")) if FIGURES.exists() else {}
    kept[name] = part
    parts = {known: kept[known] for known in BENCHMARKS if known in kept}
    FIGURES.write_text(json.dumps(parts, indent=1) + "\n", encoding="utf-8")
    PAGE.write_text(HEAD + page_of(parts), encoding="utf-8")


def measured(name: str, scale: float) -> dict[str, Any]:
    """One part: its rows and growth tables as plain data, when and on what they were measured."""
    began, load = time.monotonic(), os.getloadavg()[0]
    try:
        rows, growths = importlib.import_module(f"tests.benchmarks.{name}").rows(scale)
    except Exception:
        traceback.print_exc()
        rows, growths = [Row(name, "broken", "", "", "", "", None)], []
    return {
        "rows": [asdict(row) for row in rows],
        "growths": [asdict(growth) for growth in growths],
        "day": datetime.now(UTC).date().isoformat(),
        "scale": scale,
        "minutes": round((time.monotonic() - began) / 60, 1),
        "machine": machine(),
        "load": round(load, 1),
    }


def page_of(parts: dict[str, Any]) -> str:
    """The parts as one table, and what they were measured on."""
    rows = [Row(**row) for part in parts.values() for row in part["rows"]]
    growths = [Growth(**growth) for part in parts.values() for growth in part["growths"]]
    when = "; ".join(
        f"`{name}` {part['day']}, scale {part['scale']:g}, {part['minutes']} min, {part.get('load', 'not known')}"
        for name, part in parts.items()
    )
    machines = " / ".join(sorted({part["machine"] for part in parts.values()}))
    load = "day, scale, how long it took, and how many other programs wanted a processor when it began"
    return f"{as_markdown(rows, growths)}\nMeasured on {machines} ({load}): {when}.\n"


if __name__ == "__main__":
    main()
