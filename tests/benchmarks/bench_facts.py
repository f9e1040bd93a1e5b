"""Every hourly fact built anew from a year of readings, against naive pandas and one pass of DuckDB; and one hour more.

A place has a thermometer and a hygrometer that report every five minutes (invented): 300 places for a year are 63
million readings. Facts are hourly means of temperature, humidity and deficit (weighted by time, of momentary pairs),
its maximum and the share of the hour that was known.
"""

import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from dashboard.answers.refresh import refresh
from ingest.home import Home, open_home
from ingest.readings import DAY_MS, HOUR_MS, Reading
from ingest.readings_parquet import export_months
from tests import nursery
from tests.benchmarks.table import Growth, Row, at_least, clock_s, processor_s, seconds, within

PLACES, DAYS, MINUTES = 300, 365, 5.0
FEW = 10


def home_of(folder: Path, places: int, days: int) -> Home:
    """Shelves with air sensors and their readings."""
    home = open_home(folder)
    start_ms = nursery.END_MS - days * DAY_MS
    with home.logbook.writing():
        for place in range(places):
            home.logbook.put_shelf({"label": f"shelf {place}", "air": "gentle"})
        for sensor in nursery.air_sensors(places, start_ms):
            home.logbook.put_sensor(sensor)
    for number, sensor in enumerate(nursery.air_sensors(places, start_ms)):
        series = nursery.series_of(sensor, number, start_ms, nursery.END_MS, MINUTES)
        nursery.keep_sealed(home.readings, sensor.source, *series)
    return home


def hours_more(home: Home, hours: int) -> list[float]:
    """Processor seconds of a refresh after each further hour of readings."""
    took = []
    for hour in range(hours):
        start_ms = nursery.END_MS + hour * HOUR_MS
        batch: list[Reading] = []
        for number, sensor in enumerate(home.logbook.sensors()):
            times, values = nursery.series_of(sensor, number, start_ms, start_ms + HOUR_MS, MINUTES)
            rows = zip(times.tolist(), values.tolist(), strict=True)
            batch += [Reading(sensor.source, time_ms, value) for time_ms, value in rows]
        home.readings.append(batch)
        took.append(processor_s(lambda end_ms=start_ms + HOUR_MS: refresh(home, end_ms), 1))
    return took


def naive_pandas(home: Home, places: int) -> None:
    """What one would write first: a place at a time, pairs by `merge_asof`, `resample` by the hour."""
    from analysis.air import vapour_pressure_deficit_kpa

    for place in range(places):
        frames = []
        for kind in ("t", "rh"):
            times, values = home.readings.read([f"air/{place}/{kind}#"], 0, 2**50)[f"air/{place}/{kind}#"]
            frames.append(pd.DataFrame({"time": pd.to_datetime(times, unit="ms", utc=True), kind: values}))
        pairs = pd.merge_asof(*frames, on="time", tolerance=pd.Timedelta("15min")).set_index("time")
        pairs["vpd"] = vapour_pressure_deficit_kpa(pairs["t"].to_numpy(), pairs["rh"].to_numpy())
        hourly = pairs.resample("1h").agg({"t": "mean", "rh": "mean", "vpd": ["mean", "max"]})
        hourly["coverage"] = pairs["vpd"].resample("1h").count() / (60 / MINUTES)


def naive_rows(home: Home, places: int) -> None:
    """The same without any array: pandas' `groupby` with a function a group, as tutorials show it."""
    for place in range(places):
        frames = []
        for kind in ("t", "rh"):
            times, values = home.readings.read([f"air/{place}/{kind}#"], 0, 2**50)[f"air/{place}/{kind}#"]
            frames.append(pd.DataFrame({"time": pd.to_datetime(times, unit="ms", utc=True), kind: values}))
        pairs = pd.merge_asof(*frames, on="time", tolerance=pd.Timedelta("15min"))
        pairs["vpd"] = [
            0.6108 * np.exp(17.27 * t / (t + 237.3)) * (1 - rh / 100)
            for t, rh in zip(pairs["t"], pairs["rh"], strict=True)
        ]
        pairs.groupby(pairs["time"].dt.floor("h")).apply(
            lambda hour: pd.Series({"t": hour["t"].mean(), "vpd": hour["vpd"].mean(), "max": hour["vpd"].max()})
        )


def duckdb_s(home: Home, folder: Path, places: int) -> tuple[float, float]:
    """One pass over the same readings in DuckDB, one thread: pairs by ASOF join with their deficit; and bare means."""
    import duckdb

    with closing(duckdb.connect(str(folder / "all.duckdb"), config={"threads": 1})) as db:
        for kind in ("t", "rh"):
            db.execute(f"CREATE TABLE {kind} (place INTEGER, time_ms BIGINT, value DOUBLE)")
            for place in range(places):
                source = f"air/{place}/{kind}#"
                times, values = home.readings.read([source], 0, nursery.END_MS)[source]
                frame = pd.DataFrame({"place": np.int32(place), "time_ms": times, "value": values})
                db.register("frame", frame)
                db.execute(f"INSERT INTO {kind} SELECT * FROM frame")
        db.execute("CHECKPOINT")
        deficit = "0.6108 * exp(17.27 * t.value / (t.value + 237.3)) * (1 - rh.value / 100)"
        pairs = f"""SELECT t.place, t.time_ms // {HOUR_MS} AS h, avg(t.value) AS a, avg(rh.value) AS b,
                    avg({deficit}) AS v, max({deficit}) AS m
                    FROM t ASOF JOIN rh ON t.place = rh.place AND t.time_ms >= rh.time_ms GROUP BY 1, 2"""
        bare = [
            f"SELECT place, time_ms // {HOUR_MS} AS h, avg(value) AS v, max(value) AS m FROM {kind} GROUP BY 1, 2"
            for kind in ("t", "rh")
        ]
        return (
            processor_s(lambda: db.execute(pairs).fetchnumpy(), 3),
            processor_s(lambda: [db.execute(query).fetchnumpy() for query in bare], 3),
        )


def parquet_s(home: Home, folder: Path) -> tuple[float, float, float]:
    """Seconds to export all readings as monthly Parquet, bytes a reading, and seconds in which DuckDB reads them."""
    import duckdb

    count = home.readings.size().readings
    exported = []
    sensors = home.logbook.sensors()
    took = clock_s(
        lambda: exported.append(export_months(folder, home.readings, sensors, None, nursery.END_MS + DAY_MS)), 1
    )
    files = f"read_parquet('{folder}/*/*.parquet', hive_partitioning = true)"
    query = f"""SELECT place, date_trunc('hour', time) AS hour, avg(value), count(*) FROM {files}
                WHERE quantity = 'air_temperature' GROUP BY ALL"""
    with closing(duckdb.connect()) as db:
        (rows,) = db.execute(f"SELECT count(*) FROM {files}").fetchall()[0]
        if (exported[-1], rows) != (count, count):
            raise SystemExit(f"DuckDB finds {rows} readings in Parquet, the store has {count}.")
        query_s = clock_s(lambda: db.execute(query).fetchnumpy(), 3)
    size = sum(file.stat().st_size for file in folder.rglob("*.parquet"))
    return took, size / count, query_s


def rebuild(folder: str) -> None:
    """Build all facts of a home anew in this process, and say how long it took and the most memory it had."""
    with closing(open_home(Path(folder))) as home:
        took = processor_s(lambda: refresh(home, nursery.END_MS), 1)
    print(took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)


def rows(scale: float = 1.0) -> tuple[Sequence[Row], Sequence[Growth]]:
    """All rows; naive pandas works on a few places and is told for all."""
    places = max(FEW, round(PLACES * scale))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with closing(home_of(folder / "home", places, DAYS)) as home:
            count = home.readings.size().readings
        command = [sys.executable, "-m", "tests.benchmarks.bench_facts", str(folder / "home")]
        said = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=True).stdout
        ours, memory_kb = (float(word) for word in said.split())
        with closing(open_home(folder / "home")) as home:
            more = float(np.median(hours_more(home, 24)))
            pandas_s = processor_s(lambda: naive_pandas(home, FEW), 1) * places / FEW
            rows_s = processor_s(lambda: naive_rows(home, 2), 1) * places / 2
            export_s, bytes_each, query_s = parquet_s(home, folder / "parquet")
            duck_s, bare_s = duckdb_s(home, folder, places)
    memory = memory_kb * 1024 / 1e9
    what = f"all hourly facts anew, {places} places x 1 year, {count / 1e6:.3g} million readings"
    share = 100 * more / ours
    found = [
        at_least(what, ours, "naive pandas, a place at a time, a function an hour (timed on 2 places)", rows_s, 10),
        Row(what, seconds(ours),
            f"careful pandas on dryline's store: `resample`, plain means, nothing held or kept (timed on {FEW})",
            seconds(pandas_s), f"{pandas_s / ours:.2f} times as quick", "", None),
        within(what, ours, "limit: one pass in DuckDB, pairs by ASOF join, means and maximum by hour", duck_s, 5),
        within(what, ours, "DuckDB without pairs or deficit: bare means and maxima by hour", bare_s, 5),
        Row(what, f"{memory:.2g} GB at most", "", "", "", "less than 1 GB", memory < 1.0),
        Row(f"export of {count / 1e6:.3g} million readings as monthly Parquet", seconds(export_s),
            "DuckDB finds every one; hourly means of all temperatures take it", seconds(query_s),
            f"{bytes_each:.2g} bytes a reading", "", None),
        Row("refresh after one hour more", seconds(more), "all of it anew", seconds(ours),
            f"{share:.2g} % of it", "less than 1 %", share < 1.0),
    ]  # fmt: skip
    growth = [grown(max(2, round(20 * scale)), years) for years in (1, 2, 4)]
    says = f"An hour more for {max(2, round(20 * scale))} places costs the same however long the history is."
    sizes = ["1 year", "2 years", "4 years"]
    return found, [Growth("Refresh after one hour more", sizes, [seconds(cost) for cost in growth], says)]


def grown(places: int, years: int) -> float:
    """Processor seconds of an hour's refresh after so many years."""
    with tempfile.TemporaryDirectory() as name, closing(home_of(Path(name), places, DAYS * years)) as home:
        refresh(home, nursery.END_MS)
        return float(np.median(hours_more(home, 6)))


if __name__ == "__main__":
    rebuild(sys.argv[1])
