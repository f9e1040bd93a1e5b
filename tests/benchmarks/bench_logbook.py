"""The logbook at 2,000 pots and 100,000 notes: what a grower, a page and a refresh wait for, and how it grows.

Run it by hand; it prints a table and fails nothing. Each figure is the median of several runs, at a
quarter, half and all of the size. The limit beside some rows is the same work by bare sqlite3 and csv, without a check,
in the same run. The collection is invented. With PostgreSQL installed its column stands beside, on a private cluster.
"""

import argparse
import csv
import io
import os
import platform
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from ingest.logbook import Logbook
from ingest.logbook.records import NOTE_COLUMNS
from ingest.moments import text_of
from tests.postgres_cluster import postgres_programs, running_cluster

T0 = 1_735_689_600_000  # 2025-01-01T00:00Z
YEAR_MS = 365 * 86_400_000


def setup_file(pots: int) -> str:
    """A set-up file of many pots on twenty shelves."""
    shelves = "".join(f'[[shelf]]\nlabel = "bench {n}"\nair = "gentle"\n' for n in range(20))
    body = (
        "pot = {size_cm = 12}\nreservoir = {fill_ml = 450, fill_mark_mm = 50}\nsurface_height_mm = 140\n"
        'layers = [{thickness_mm = 110, mix = {expanded_clay = 0.5, pumice = 0.5}}]\nvents = "few"\nwick = "one"\n'
    )
    return shelves + "".join(
        f'[[pot]]\nlabel = "pot {n}"\nplant = "Oncidium"\n[[pot.setup]]\nfrom = 2025-01-01T00:00:00Z\n'
        f'shelf = "bench {n % 20}"\n{body}'
        for n in range(pots)
    )


def notes_file(notes: int, pots: int) -> str:
    """A notes file: refills and inspections over a year, a cover change now and then."""
    rng = np.random.default_rng(1)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([*NOTE_COLUMNS, "detail"])
    for n, at in enumerate(np.sort(rng.integers(T0, T0 + YEAR_MS, notes)).tolist()):
        kind = "cover" if n % 200 == 0 else ("inspection" if n % 3 == 0 else "refill")
        depth = round(float(rng.uniform(0, 25)), 1)
        row: list[Any] = [text_of(at), f"pot {rng.integers(pots)}", kind]
        row += [depth, depth + 5, "fingertip", 3, 0, 1, 0, 1] if kind == "inspection" else [""] * 8
        row += ["", "", 400 if kind == "refill" else "", "", "looks well" if n % 5 == 0 else ""]
        row.append('{"change": {"top_layer": {"kind": "pebbles"}}}' if kind == "cover" else "")
        writer.writerow(row)
    return out.getvalue()


def median_ms(work: Callable[[], object], runs: int) -> float:
    """The median time of some runs."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1000


def bare_insert(text: str, folder: Path) -> None:
    """The same rows into a bare table, unchecked."""
    rows = list(csv.reader(io.StringIO(text)))[1:]
    path = folder / "bare.db"
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"CREATE TABLE note ({', '.join((*NOTE_COLUMNS, 'detail'))})")
        db.executemany(f"INSERT INTO note VALUES ({', '.join('?' * 17)})", rows)
        db.commit()


def bare_read(folder: Path) -> None:
    """All rows of the bare table as Python objects."""
    with closing(sqlite3.connect(folder / "bare.db")) as db:
        db.execute("SELECT * FROM note ORDER BY time").fetchall()


def measured(logbook: Logbook, folder: Path, pots: int, notes: int) -> dict[str, float]:
    """Every row of the table, ms."""
    setup_text, notes_text = setup_file(pots), notes_file(notes, pots)
    found = {
        "import set-up file": median_ms(lambda: logbook.import_setup(setup_text), 1),
        "import notes file": median_ms(lambda: logbook.import_notes(notes_text), 1),
        "  limit: bare insert": median_ms(lambda: bare_insert(notes_text, folder), 3),
        "all notes as a table": median_ms(logbook.notes_frame, 3),
        "  limit: bare select": median_ms(lambda: bare_read(folder), 3),
    }
    end = T0 + YEAR_MS
    some = logbook.notes("pot 7")[0]
    note = {"time_ms": end, "pot": "pot 7", "kind": "inspection", "dry_layer_low_mm": 10, "dry_layer_high_mm": 20}

    def correct() -> None:
        standing = logbook.note(some.id or 0)
        logbook.correct_note(standing.id or 0, standing.version or 0, {"text": str(standing.version)})

    found |= {
        "one pot's notes as a table": median_ms(lambda: logbook.notes_frame("pot 7"), 15),
        "log a note": median_ms(lambda: logbook.add_note(note), 15),
        "correct a note": median_ms(correct, 15),
        "change a set-up": median_ms(lambda: logbook.change_setup("pot 7", {"wick": "several"}, end), 15),
        "fill a whole shelf": median_ms(lambda: logbook.fill_shelf("bench 7", end), 5),
        "one pot's set-ups": median_ms(lambda: logbook.setups("pot 7"), 15),
        "all set-ups of all pots": median_ms(logbook.all_setups, 3),
        "set-ups in force now": median_ms(lambda: logbook.setups_at(end), 3),
        "follow-ups": median_ms(lambda: logbook.follow_ups(end), 3),
        "revision (has anything changed?)": median_ms(logbook.revision, 50),
        "export notes file": median_ms(logbook.export_notes, 1),
        "export set-up file": median_ms(logbook.export_setup, 1),
    }
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pots", type=int, default=2000)
    parser.add_argument("--notes", type=int, default=100_000)
    parser.add_argument("--postgresql", action="store_true", help="measure a private PostgreSQL cluster too")
    asked = parser.parse_args()
    columns: dict[str, dict[str, float]] = {}
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for share in (4, 2, 1):
            pots, notes = asked.pots // share, asked.notes // share
            with closing(Logbook(f"sqlite:///{folder / f'{share}.db'}")) as logbook:
                columns[f"{pots} pots, {notes} notes"] = measured(logbook, folder, pots, notes)
        programs = postgres_programs()
        if asked.postgresql and programs is not None:
            url = stack.enter_context(running_cluster(programs)).format(name="postgres")
            with closing(Logbook(url)) as logbook:
                columns["PostgreSQL, all"] = measured(logbook, folder, asked.pots, asked.notes)
    print(f"Logbook, ms (median). {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
    print(f"| {'':34} | {' | '.join(columns)} |")
    print(f"|{'-' * 36}|{'|'.join('-' * (len(name) + 1) + ':' for name in columns)}|")
    for row in next(iter(columns.values())):
        cells = " | ".join(f"{column[row]:>{len(name)},.1f}" for name, column in columns.items())
        print(f"| {row:34} | {cells} |")


if __name__ == "__main__":
    main()
