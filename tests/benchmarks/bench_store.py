"""The readings store against DuckDB, Parquet and a real InfluxDB on the same readings, in one run.

Run it by hand or, at full size, by `make bench`; it prints a table and fails nothing. `--series 400 --points 50000` is
the full 20 million, the default a tenth of it. Each figure is the median of several runs.

The readings are invented: a value every five minutes with up to a second of jitter, two decimals, a slow walk with
noise. Every insert waits for the disk. "Hourly means" are computed from raw readings by each store in its own best way;
what dryline itself does is to keep them as facts, the last line.
"""

import argparse
import os
import platform
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from ingest.readings import DAY_MS, HOUR_MS, HOURLY_COLUMNS, FloatArray, IntArray, Reading
from ingest.readings.influx_server import InfluxServer
from ingest.readings.sqlite import SqliteReadings
from tests.benchmarks.table import Growth, Row, clock_s
from tests.influxd import running_influxd

T0 = 1_735_689_600_000  # 2025-01-01T00:00Z
STEP_MS = 300_000
BATCH = 200
SERIES_AT_ONCE = 20


class Peer(Protocol):
    """One way of keeping readings."""

    name: str

    def insert(self, batch: list[Reading]) -> None:
        """Keep a batch, on disk when this returns."""

    def one_series(self, source: str, end_ms: int) -> int:
        """All of one series before a moment as numpy arrays; its length."""

    def latest(self) -> int:
        """The newest reading of each series; how many."""

    def hourly_means(self, since_ms: int) -> int:
        """Hourly means of all series since a moment; how many."""

    def bytes_on_disk(self) -> int:
        """What it takes on disk."""


def source(number: int) -> str:
    """The name of a series."""
    return f"house/shelf{number // 20}/node{number % 20}#temp"


def columns(series: int, points: int) -> Iterator[tuple[str, IntArray, FloatArray]]:
    """The readings, a series at a time."""
    for number in range(series):
        rng = np.random.default_rng([20250101, number])
        times = T0 + np.arange(points, dtype=np.int64) * STEP_MS + rng.integers(0, 1000, points)
        walk = np.cumsum(rng.normal(0, 0.02, points))
        yield source(number), times, np.round(20 + walk + rng.normal(0, 0.03, points), 2)


def fresh_batch(series: int, points: int, run: int) -> list[Reading]:
    """A batch that no store has seen yet, spread over the series."""
    moment = T0 + (points + 1 + run) * STEP_MS
    return [Reading(source(n % series), moment + n // series, 20.5) for n in range(BATCH)]


class Rows:
    """SQLite, all readings as rows: the store before its days are sealed."""

    name = "rows"

    def __init__(self, store: SqliteReadings) -> None:
        self._store = store

    def insert(self, batch: list[Reading]) -> None:
        """One append."""
        self._store.append(batch)

    def one_series(self, source: str, end_ms: int) -> int:
        """One read."""
        return self._store.read([source], T0, end_ms)[source][0].size

    def latest(self) -> int:
        """The table of latest readings."""
        return len(self._store.latest())

    def hourly_means(self, since_ms: int) -> int:
        """Read into numpy and reduced there, some series at a time, on every processor as DuckDB does."""
        sources = self._store.sources()
        some = [sources[begin : begin + SERIES_AT_ONCE] for begin in range(0, len(sources), SERIES_AT_ONCE)]
        with ThreadPoolExecutor(os.cpu_count()) as threads:
            return sum(threads.map(lambda few: sum(means.size for means in self._means(few, since_ms)), some))

    def _means(self, sources: Sequence[str], since_ms: int) -> Iterator[FloatArray]:
        for times, values in self._store.read(sources, since_ms, 2**50).values():
            if times.size:
                hours = np.arange(times[0] // HOUR_MS, times[-1] // HOUR_MS + 2) * HOUR_MS
                begins = np.searchsorted(times, hours)
                counts = np.diff(begins)
                some = counts > 0
                yield np.add.reduceat(values, begins[:-1][some]) / counts[some]

    def bytes_on_disk(self) -> int:
        """File and log."""
        return self._store.size().bytes


class Sealed(Rows):
    """The same store with its days sealed: as it is in daily use."""

    name = "sealed"


class DuckDb:
    """A DuckDB file, one table sorted by series and time."""

    name = "DuckDB"

    def __init__(self, path: Path, series: int, points: int) -> None:
        import duckdb

        self._path = path
        self._db = duckdb.connect(str(path))
        self._db.execute("CREATE TABLE reading (series INTEGER, time_ms BIGINT, value DOUBLE)")
        for number, (_, times, values) in enumerate(columns(series, points)):
            frame = pd.DataFrame({"series": np.int32(number), "time_ms": times, "value": values})
            self._db.register("frame", frame)
            self._db.execute("INSERT INTO reading SELECT * FROM frame")
        self._db.execute("CHECKPOINT")
        self._numbers = {source(number): number for number in range(series)}

    def insert(self, batch: list[Reading]) -> None:
        """One transaction."""
        frame = pd.DataFrame([(self._numbers[one.source], one.time_ms, one.value) for one in batch])
        self._db.register("frame", frame)
        self._db.execute("INSERT INTO reading SELECT * FROM frame")

    def one_series(self, source: str, end_ms: int) -> int:
        """A filter, sorted, into numpy."""
        query = "SELECT time_ms, value FROM reading WHERE series = ? AND time_ms < ? ORDER BY time_ms"
        return len(self._db.execute(query, [self._numbers[source], end_ms]).fetchnumpy()["time_ms"])

    def latest(self) -> int:
        """arg_max by series."""
        return len(
            self._db.execute("SELECT series, max(time_ms), arg_max(value, time_ms) FROM reading GROUP BY 1").fetchall()
        )

    def hourly_means(self, since_ms: int) -> int:
        """Grouped in the engine, into numpy."""
        query = (
            f"SELECT series, time_ms // {HOUR_MS} AS h, avg(value) AS v FROM reading WHERE time_ms >= ? GROUP BY 1, 2"
        )
        return len(self._db.execute(query, [since_ms]).fetchnumpy()["v"])

    def bytes_on_disk(self) -> int:
        """The file."""
        return self._path.stat().st_size

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()


class ParquetMonths:
    """A Parquet file a month, sorted by series and time, zstd."""

    name = "Parquet"

    def __init__(self, folder: Path, series: int, points: int) -> None:
        import pyarrow as pa
        import pyarrow.dataset as ds
        import pyarrow.parquet as pq

        folder.mkdir()
        self._folder, self._pa, self._pq, self._ds = folder, pa, pq, ds
        self._numbers = {source(number): number for number in range(series)}
        everything = [(number, times, values) for number, (_, times, values) in enumerate(columns(series, points))]
        month_ms = 30 * DAY_MS
        for month in range(points * STEP_MS // month_ms + 1):
            parts = []
            for number, times, values in everything:
                inside = slice(*np.searchsorted(times, (T0 + month * month_ms, T0 + (month + 1) * month_ms)))
                parts.append((np.full(times[inside].size, number, np.int32), times[inside], values[inside]))
            self._write(f"{month:03}", *(np.concatenate(column) for column in zip(*parts, strict=True)))

    def _write(self, name: str, series: IntArray, times: IntArray, values: FloatArray) -> None:
        table = self._pa.table({"series": series, "time_ms": times, "value": values})
        encodings = {"series": "DELTA_BINARY_PACKED", "time_ms": "DELTA_BINARY_PACKED", "value": "BYTE_STREAM_SPLIT"}
        with (self._folder / f"{name}.parquet").open("wb") as file:
            self._pq.write_table(table, file, compression="zstd", use_dictionary=False, column_encoding=encodings)
            file.flush()
            os.fsync(file.fileno())

    def insert(self, batch: list[Reading]) -> None:
        """A small file of its own: a Parquet file cannot be added to."""
        numbers = np.array([self._numbers[one.source] for one in batch], np.int32)
        times, values = np.array([one.time_ms for one in batch]), np.array([one.value for one in batch])
        self._write(f"more{time.monotonic_ns()}", numbers, times, values)

    def _dataset(self):
        return self._ds.dataset(self._folder, format="parquet")

    def one_series(self, source: str, end_ms: int) -> int:
        """A filter over all months, into numpy."""
        wanted = (self._ds.field("series") == self._numbers[source]) & (self._ds.field("time_ms") < end_ms)
        table = self._dataset().to_table(["time_ms", "value"], filter=wanted)
        return min(table["time_ms"].to_numpy().size, table["value"].to_numpy().size)

    def latest(self) -> int:
        """The newest files hold them; the last month is read and reduced."""
        table = self._dataset().to_table(filter=self._ds.field("time_ms") >= self._newest_ms() - DAY_MS)
        return table.group_by("series").aggregate([("time_ms", "max")]).num_rows

    def _newest_ms(self) -> int:
        newest = 0
        for file in self._folder.iterdir():
            facts = self._pq.ParquetFile(file).metadata
            newest = max(newest, *(facts.row_group(n).column(1).statistics.max for n in range(facts.num_row_groups)), 0)
        return newest

    def hourly_means(self, since_ms: int) -> int:
        """Read, then grouped by pyarrow."""
        table = self._dataset().to_table(filter=self._ds.field("time_ms") >= since_ms)
        hours = self._pa.array(table["time_ms"].to_numpy() // HOUR_MS)
        return table.append_column("hour", hours).group_by(["series", "hour"]).aggregate([("value", "mean")]).num_rows

    def bytes_on_disk(self) -> int:
        """All files."""
        return sum(file.stat().st_size for file in self._folder.iterdir())


class Influx:
    """A real InfluxDB 1.6.7, through the same adapter that dryline uses."""

    name = "InfluxDB"

    def __init__(self, server: InfluxServer, folder: Path, series: int, points: int) -> None:
        self._server, self._folder = server, folder
        for name, times, values in columns(series, points):
            rows = [(name, time_ms, value) for time_ms, value in zip(times.tolist(), values.tolist(), strict=True)]
            for begin in range(0, points, 10_000):
                server.write(rows[begin : begin + 10_000])

    def insert(self, batch: list[Reading]) -> None:
        """One write; its log is flushed before it answers."""
        self._server.write([tuple(one) for one in batch])

    def one_series(self, source: str, end_ms: int) -> int:
        """One query, CSV, into numpy."""
        return self._server.read([source], T0, end_ms)[source][0].size

    def latest(self) -> int:
        """LAST by series."""
        return len(self._server._series("SELECT LAST(value) FROM reading GROUP BY source"))

    def hourly_means(self, since_ms: int) -> int:
        """Grouped by the server."""
        span = f"time >= {since_ms}ms AND time < {2 * T0}ms"
        query = f"SELECT MEAN(value) FROM reading WHERE {span} GROUP BY source, time(1h) fill(none)"
        return sum(times.size for times, _ in self._server._series(query).values())

    def bytes_on_disk(self) -> int:
        """Data and log."""
        return sum(
            file.stat().st_size
            for kind in ("data", "wal")
            for file in (self._folder / kind).rglob("*")
            if file.is_file()
        )


def measure(peers: Sequence[tuple[Peer, int]], series: int, points: int, runs: int) -> dict[str, dict[str, float]]:
    """Medians of every question to every peer (with what it takes on disk), asked in turns.

    The first turn warms caches and does not count; batches go in last, so that all have read the same readings.
    """
    since_ms = T0 + points * STEP_MS - 30 * DAY_MS
    end_ms = T0 + points * STEP_MS
    for peer, _ in peers:
        if (peer.one_series(source(1), end_ms), peer.latest()) != (points, series):
            raise SystemExit(f"{peer.name} does not hold what was put in.")
    found = {peer.name: {"bytes a reading": disk_bytes / (series * points)} for peer, disk_bytes in peers}
    questions: list[tuple[str, int, Callable[[Peer, int], object]]] = [
        (f"one series, {points:,} points, ms", runs, lambda peer, run: peer.one_series(source(run % series), end_ms)),
        (f"latest of {series}, ms", runs, lambda peer, _: peer.latest()),
        (f"hourly means, 30 days x {series}, ms", min(runs, 5), lambda peer, _: peer.hourly_means(since_ms)),
        (f"durable insert of {BATCH}, ms", 3 * runs, lambda peer, run: peer.insert(fresh_batch(series, points, run))),
    ]
    for question, times, ask in questions:
        took: dict[str, list[float]] = {peer.name: [] for peer, _ in peers}
        for run in range(times + 1):
            for peer, _ in peers:
                begin = time.perf_counter()
                ask(peer, run)
                took[peer.name].append(1000 * (time.perf_counter() - begin))
        for name, all_of_them in took.items():
            found[name][question] = statistics.median(all_of_them[1:])
    return found


def load(store: SqliteReadings, series: int, points: int) -> None:
    """Put all readings in, a few thousand a batch."""
    for number, (name, times, values) in enumerate(columns(series, points)):
        rows = [Reading(name, time_ms, value) for time_ms, value in zip(times.tolist(), values.tolist(), strict=True)]
        for begin in range(0, points, 10_000):
            store.append(rows[begin : begin + 10_000])
        said(f"{number + 1} of {series} series in SQLite")


def said(words: str) -> None:
    """Progress for whoever waits, on a line of its own."""
    if sys.stderr.isatty():
        print(f"\r{words:70}", end="", file=sys.stderr, flush=True)


def kept_hourly(folder: Path, series: int, runs: int) -> float:
    """Read 30 days of the kept hourly facts of as many places as there are series."""
    hours = T0 + np.arange(30 * 24, dtype=np.int64) * HOUR_MS
    with closing(SqliteReadings(folder / "facts.sqlite")) as store:
        for number in range(series):
            noise = np.random.default_rng(number).uniform(0.2, 1.5, (len(HOURLY_COLUMNS), hours.size))
            facts = {"place": f"shelf {number}", "hour_ms": hours, **dict(zip(HOURLY_COLUMNS, noise, strict=True))}
            store.write_facts([pd.DataFrame(facts)])
        return 1000 * clock_s(lambda: [store.read_hourly(f"shelf {n}", T0, 2**50) for n in range(series)], min(runs, 5))


def main() -> None:
    """Measure all and print one table."""
    wanted = argparse.ArgumentParser(description=__doc__)
    wanted.add_argument("--series", type=int, default=100)
    wanted.add_argument("--points", type=int, default=20_000)
    wanted.add_argument("--runs", type=int, default=7)
    wanted.add_argument("--without", nargs="*", default=[], choices=["DuckDB", "Parquet", "InfluxDB"])
    asked = wanted.parse_args()
    series, points, runs = asked.series, asked.points, asked.runs
    results, hourly_ms = measured(series, points, runs, asked.without)
    show(results, series, points, runs, hourly_ms)


def measured(
    series: int, points: int, runs: int, without: Sequence[str] = ()
) -> tuple[dict[str, dict[str, float]], float]:
    """Every figure of every peer, and what reading the kept hourly facts takes, ms."""
    results: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as name, ExitStack() as opened:
        folder = Path(name)
        path = folder / "readings.sqlite"
        # Closed and opened again before each measurement: what waited in the log is then in the file.
        with closing(SqliteReadings(path)) as store:
            load(store, series, points)
            # As a refresh leaves it, which writes facts and clears the marks of touched hours.
            store.write_facts(touched_until=store.touched().until)
        with closing(SqliteReadings(path)) as store:
            results |= measure([(Rows(store), store.size().bytes)], series, points, runs)
            store.seal(T0 + points * STEP_MS, lambda done, of: said(f"{done:,} of {of:,} days sealed"))
        store = opened.enter_context(closing(SqliteReadings(path)))
        peers: list[tuple[Peer, int]] = [(Sealed(store), store.size().bytes)]
        if "DuckDB" not in without:
            said("DuckDB")
            duck = opened.enter_context(closing(DuckDb(folder / "readings.duckdb", series, points)))
            peers.append((duck, duck.bytes_on_disk()))
        if "Parquet" not in without:
            said("Parquet")
            months = ParquetMonths(folder / "parquet", series, points)
            peers.append((months, months.bytes_on_disk()))
        if "InfluxDB" not in without:
            said("InfluxDB")
            influxd = opened.enter_context(running_influxd(folder / "influx"))
            server = opened.enter_context(closing(InfluxServer(influxd.url, "bench", influxd.secret, timeout_s=600)))
            influx = Influx(server, folder / "influx", series, points)
            # Restarted, so that what it keeps in memory is written and packed as on any other day.
            influxd.stop()
            influxd.start()
            peers.append((influx, influx.bytes_on_disk()))
        said("measuring")
        results |= measure(peers, series, points, runs)
        hourly_ms = kept_hourly(folder, series, runs)
    said("")
    return results, hourly_ms


def rows(scale: float = 1.0) -> tuple[list[Row], list[Growth]]:
    """20 million readings (400 series, 50,000 each): each question against InfluxDB and against the best of the others.

    Hourly means are what dryline keeps as facts; computed from the raw readings they stand beside.
    """
    series, points = max(20, round(400 * scale)), 50_000
    results, hourly_ms = measured(series, points, 7)
    questions = list(results["sealed"])
    found: list[Row] = []
    for question in questions:
        ours = results["sealed"][question]
        if question.startswith("hourly means"):
            found += _judged(results, question, f"{question.removesuffix(', ms')} (kept as facts)", hourly_ms)
            found += _judged(results, question, f"{question.removesuffix(', ms')} (from raw readings)", ours)
        else:
            found += _judged(results, question, question.removesuffix(", ms"), ours)
    size = results["sealed"]["bytes a reading"]
    found.append(Row("bytes a reading on disk", f"{size:.2f}", "", "", "", "at most 5", size <= 5.0))
    held = f"store, {series * points / 1e6:.3g} million readings: "
    return [replace(row, what=held + row.what) for row in found], []


def _judged(results: dict[str, dict[str, float]], question: str, what: str, ours: float) -> list[Row]:
    """Against InfluxDB, and against whichever other engine is best at this."""
    unit = " ms" if question.endswith("ms") else ""
    best = min(("DuckDB", "Parquet"), key=lambda name: results[name][question])
    rows = []
    for peer, aim, times in (("InfluxDB", "ahead", 1.0), (best, "within 3 times", 3.0)):
        theirs = results[peer][question]
        ratio = f"{theirs / ours:.3g} times as good" if ours <= theirs else f"{ours / theirs:.3g} times as much"
        rows.append(Row(what, f"{ours:.3g}{unit}", peer, f"{theirs:.3g}{unit}", ratio, aim, ours <= times * theirs))
    return rows


def show(results: dict[str, dict[str, float]], series: int, points: int, runs: int, hourly_ms: float) -> None:
    """The table: figures, and in brackets how many times the sealed store's."""
    print(
        f"\n{series * points:,} readings ({series} series x {points:,}), medians of {runs} runs, {platform.machine()},"
    )
    print(f"{os.cpu_count()} cores, Python {platform.python_version()}; in brackets: times the sealed store's figure")
    print(f"{'':40}" + "".join(f"{name:>18}" for name in results))
    for question in next(iter(results.values())):
        cells = [
            f"{figures[question]:.2f} ({figures[question] / results['sealed'][question]:.1f})"
            for figures in results.values()
        ]
        print(f"{question:40}" + "".join(f"{cell:>18}" for cell in cells))
    print(f"{f'kept hourly facts, 30 days x {series}, ms':40}{'':18}{hourly_ms:18.2f}")


if __name__ == "__main__":
    main()
