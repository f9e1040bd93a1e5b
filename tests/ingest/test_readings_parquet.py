"""Readings as monthly Parquet: back again to the last bit, readable by other engines and by the analysis."""

import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pyarrow.dataset
import pyarrow.parquet
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.air import hourly_climate
from ingest.home import open_home
from ingest.logbook import Refused
from ingest.readings import DAY_MS, HOUR_MS, Reading, StoreError
from ingest.readings.influx import InfluxReadings
from ingest.readings.influx_server import InfluxServer
from ingest.readings.sqlite import SqliteReadings
from ingest.readings_parquet import export_months, import_months, read_months
from ingest.sensors import Placement, Sensor
from tests.influxd import running_influxd
from tests.ingest.conftest import march

ROOT = Path(__file__).parents[2]
WARMTH = Sensor(
    "east/air", "senml", "t", "air_temperature", "Cel",
    placed=(Placement(march(2), march(20), "east-window"), Placement(march(25), None, "stairwell")),
)  # fmt: skip
LEVEL = Sensor(
    "east/level", "number", "", "reservoir_level", "mm", calibration=((0.0, 0.0), (1000.0, 50.0)),
    placed=(Placement(march(1), None, "east-window/window left"),),
)  # fmt: skip
EVER = (0, 10**14)


@pytest.fixture
def store(tmp_path):
    with closing(SqliteReadings(tmp_path / "readings.db")) as opened:
        yield opened


def fill(store: SqliteReadings) -> None:
    """From February to April, part of it sealed; values on a grid and off it; a source that no sensor claims."""
    hours = range(march(1) - 10 * DAY_MS, march(31) + 5 * DAY_MS, HOUR_MS)
    store.append([Reading(WARMTH.source, ms, 20 + ms // HOUR_MS % 24 / 10) for ms in hours])
    store.append([Reading(LEVEL.source, ms + 7, ms / 3e9) for ms in hours])
    store.append([Reading("nobody#", march(3), -0.0), Reading("nobody#", march(3) + 1, 5e-324)])
    store.seal(march(20))


def everything(store: SqliteReadings) -> dict[str, tuple[bytes, bytes]]:
    return {
        source: (times.tobytes(), values.tobytes())
        for source, (times, values) in store.read(store.sources(), -(2**60), 2**60).items()
    }


def test_months_come_back_to_the_last_bit(store, tmp_path):
    fill(store)
    count = export_months(tmp_path / "out", store, [WARMTH, LEVEL], None, march(31) + 30 * DAY_MS)
    months = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert months == ["month=2026-02", "month=2026-03", "month=2026-04"]
    with closing(SqliteReadings(tmp_path / "again.db")) as again:
        for _ in range(2):
            done, sources = import_months(tmp_path / "out", again)
            assert done.read == count == store.size().readings == again.size().readings
            assert everything(again) == everything(store)
    assert sources == {WARMTH.source, LEVEL.source, "nobody#"}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(
        st.tuples(st.sampled_from(["a#", "b#t", "ü/č#/0"]), st.integers(0, 4_000_000_000_000)),
        st.floats(allow_nan=False, allow_infinity=False),
        min_size=1,
        max_size=30,
    )
)
def test_any_reading_comes_back_to_the_last_bit(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("any")
    with closing(SqliteReadings(folder / "one.db")) as one, closing(SqliteReadings(folder / "two.db")) as two:
        one.append([Reading(source, ms, value) for (source, ms), value in rows.items()])
        export_months(folder / "out", one, [], None, 2**45)
        import_months(folder / "out", two)
        assert everything(two) == everything(one)
        for source, (times, values) in read_months(folder / "out", ["a#", "none#"], 0, 2**45).items():
            mine = sorted((ms, struct.pack("d", value)) for (name, ms), value in rows.items() if name == source)
            assert [(ms, struct.pack("d", value)) for ms, value in zip(times.tolist(), values, strict=True)] == mine


def test_any_engine_reads_time_place_quantity_unit_and_the_calibrated_value(store, tmp_path):
    fill(store)
    export_months(tmp_path / "out", store, [WARMTH, LEVEL], None, march(31))
    table = pyarrow.dataset.dataset(tmp_path / "out", partitioning="hive").to_table()
    assert set(table["month"].to_pylist()) == {"2026-02", "2026-03"}
    rows = table.to_pandas().astype({"source": str, "place": object, "quantity": object, "unit": object})
    level = rows[rows["source"] == LEVEL.source]
    assert level["value"].to_numpy() == pytest.approx(level["raw"].to_numpy() / 20.0)
    assert set(level["unit"]) == {"mm"}
    warm = rows[rows["source"] == WARMTH.source].set_index("time")["place"]
    assert (warm["2026-03-02":"2026-03-19"] == "east-window").all()  # type: ignore[misc]
    assert warm["2026-03-20":"2026-03-24"].isna().all()  # type: ignore[misc]
    assert (warm["2026-03-25":] == "stairwell").all()  # type: ignore[misc]
    assert rows[rows["source"] == "nobody#"][["place", "quantity", "unit"]].isna().to_numpy().all()


def test_the_analysis_finds_in_parquet_what_it_finds_in_the_store(store, tmp_path):
    fill(store)
    export_months(tmp_path / "out", store, [WARMTH], None, march(31))
    span = march(28) - 30 * DAY_MS, march(10)
    facts = []
    for series in (store.read([WARMTH.source], *span), read_months(tmp_path / "out", [WARMTH.source], *span)):
        times, values = series[WARMTH.source]
        facts.append(hourly_climate(times, values, times, values + 30, *span, 2 * HOUR_MS))
    assert facts[0].vpd_kpa.size == (span[1] - span[0]) // HOUR_MS
    assert facts[0].vpd_kpa.tobytes() == facts[1].vpd_kpa.tobytes()


def test_a_month_written_again_replaces_it_and_a_failure_leaves_the_old_one(store, tmp_path, monkeypatch):
    out = tmp_path / "out"
    store.append([Reading("a#", march(3), 1.0)])
    export_months(out, store, [], None, march(10))
    store.append([Reading("a#", march(4), 2.0)])
    monkeypatch.setattr(pyarrow.parquet.ParquetWriter, "write_table", _torn)
    with pytest.raises(OSError, match="the disk went away"):
        export_months(out, store, [], None, march(10))
    assert read_months(out, ["a#"], *EVER)["a#"][1].tolist() == [1.0]
    monkeypatch.undo()
    export_months(out, store, [], march(5), march(10))
    assert read_months(out, ["a#"], *EVER)["a#"][1].tolist() == [1.0, 2.0]
    assert [path.name for path in out.rglob("*") if path.is_file()] == ["readings.parquet"]


def _torn(*_: object, **__: object) -> None:
    raise OSError("the disk went away")


def test_what_is_no_export_is_refused_before_anything_is_written(store, tmp_path):
    with pytest.raises(Refused, match="it is not an export of readings"):
        import_months(tmp_path, store)
    fill(store)
    export_months(tmp_path / "out", store, [], None, march(31))
    other = tmp_path / "out" / "month=2026-03" / "readings.parquet"
    with closing(SqliteReadings(tmp_path / "again.db")) as again:
        for body, says in ((b"PAR1 and no more", "cannot be read as Parquet"), (None, "has no column raw")):
            if body is None:
                pyarrow.parquet.write_table(pyarrow.table({"time": [1], "source": ["a"], "value": [1.0]}), other)
            else:
                other.write_bytes(body)
            with pytest.raises(Refused, match=says):
                import_months(tmp_path / "out", again)
        assert again.size().readings == 0
    other.write_bytes(b"")
    with pytest.raises(StoreError, match="cannot be read as Parquet"):
        read_months(tmp_path / "out", ["a#"], *EVER)


def dryline(*words: str) -> str:
    command = [sys.executable, "-m", "dryline", *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=True).stdout


def test_the_commands_carry_a_home_to_another(tmp_path):
    old, new, out, setup = (str(tmp_path / name) for name in ("old", "new", "out", "setup.toml"))
    home = open_home(Path(old))
    home.logbook.put_shelf({"label": "east-window"})
    placed = (Placement(march(1), None, "east-window"),)
    home.logbook.put_sensor(Sensor("east/air", "senml", "t", "air_temperature", "Cel", placed=placed))
    home.readings.append([Reading("east/air#t", march(2) + n, n / 7) for n in range(100)])
    before = everything(home.readings)
    home.close()
    assert dryline("export", "readings", "--home", old, "--parquet", out) == f"100 readings written to {out}.\n"
    said = dryline("import", "readings", out, "--home", new)
    assert said == ("100 readings read, 100 added.\n1 of 1 sources have no sensor here yet: import the set-up too.\n")
    dryline("export", "setup", setup, "--home", old)
    dryline("import", "setup", setup, "--home", new)
    assert dryline("import", "readings", out, "--home", new, "--dry-run") == "100 readings read, 100 would be added.\n"
    home = open_home(Path(new))
    assert everything(home.readings) == before
    assert np.isfinite(home.readings.latest()["east/air#t"][1])
    home.close()
    wrong = [sys.executable, "-m", "dryline", "export", "readings", "--home", old]
    done = subprocess.run(wrong, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stderr) == (2, "dryline: Name a FILE for CSV, or --parquet FOLDER.\n")


@pytest.mark.xdist_group("influxd")
def test_what_was_pruned_to_the_server_is_exported_too(tmp_path):
    with running_influxd(tmp_path / "server") as influxd:
        server = InfluxServer(influxd.url, "dryline", influxd.secret, timeout_s=60)
        with closing(InfluxReadings(tmp_path / "readings.db", server)) as store:
            store.append([Reading("a#", march(1) + day * DAY_MS, day / 7) for day in range(-40, 30)])
            while store.forward().waiting:
                pass
            before = everything(store)
            assert store.prune(keep_raw_days=3, now_ms=march(30)) > 60
            assert export_months(tmp_path / "out", store, [], None, march(31)) == 70
        with closing(SqliteReadings(tmp_path / "again.db")) as again:
            import_months(tmp_path / "out", again)
            assert everything(again) == before
