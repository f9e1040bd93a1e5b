"""Readings as Parquet, a folder a month (`month=2026-03/readings.parquet`): for any engine, and back again exactly.

A row is one reading: `time` (UTC, ms), `source`, `value` with its `unit`, what it is (`quantity`) and where it was
taken (`place`). `value` is calibrated; `raw` holds what the sensor sent where that is another number. Rows lie by
source, then by time. A month's file appears whole or not at all, and writing a month again replaces it.
"""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ingest.logbook.logbook import Imported
from ingest.logbook.refusals import Refused
from ingest.readings import FloatArray, IntArray, Reading, Series, StoreError
from ingest.readings.sealing import merged
from ingest.readings.sqlite import EARLIEST_MS, SqliteReadings
from ingest.sensors import Sensor, calibrated

if TYPE_CHECKING:
    import pyarrow as pa

FILE = "readings.parquet"
ROWS_A_GROUP = 200_000
ROWS_A_BATCH = 50_000
NEEDED = ("time", "source", "value", "raw")
WORDS = ("source", "quantity", "place", "unit")


def export_months(
    folder: Path, readings: SqliteReadings, sensors: Sequence[Sensor], start_ms: int | None, end_ms: int
) -> int:
    """Write every month that has a part in [start, end), whole months up to the end; how many readings."""
    arrow = _arrow()
    known = {sensor.source: sensor for sensor in sensors}
    sources = readings.sources()
    count = 0
    next_ms = readings.first_ms(EARLIEST_MS if start_ms is None else _month_starts_ms(month_of(start_ms)))
    while next_ms is not None and next_ms < end_ms:
        month = month_of(next_ms)
        count += _write_month(arrow, folder, month, readings, sources, known, end_ms)
        next_ms = readings.first_ms(_month_starts_ms(month + 1))
    return count


def read_months(folder: Path, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
    """Raw times and values of each source in [start, end), sorted, as `ReadingsStore.read` gives them.

    Raises:
        StoreError: a file there is no such export.
    """
    arrow = _arrow()
    found: dict[str, Series] = {source: (np.empty(0, np.int64), np.empty(0)) for source in sources}
    wanted = arrow.compute.field("source").isin(list(sources))
    for file in _files(folder, start_ms, end_ms):
        table = _table(arrow, file, wanted)
        for source, times, values in _series(table):
            inside = slice(*np.searchsorted(times, (start_ms, end_ms)))
            found[source] = merged(found[source], (times[inside], values[inside]))
    return found


def import_months(folder: Path, readings: SqliteReadings, *, keep: bool = True) -> tuple[Imported, set[str]]:
    """Take every reading of an export back under its own source; how many, and of which sources.

    The same folder again changes nothing. A file that is no such export is refused before anything is written.
    """
    arrow = _arrow()
    files = list(_files(folder))
    if not files:
        raise Refused(f"There is no month=…/{FILE} in {folder}: it is not an export of readings.")
    for file in files:
        _refuse_what_is_no_export(arrow, file)
    count, sources = 0, set[str]()
    for file in files:
        for source, times, values in _series(_table(arrow, file)):
            sources.add(source)
            count += times.size
            for begin in range(0, times.size if keep else 0, ROWS_A_BATCH):
                some = slice(begin, begin + ROWS_A_BATCH)
                rows = zip(times[some].tolist(), values[some].tolist(), strict=True)
                readings.append([Reading(source, *row) for row in rows])
    return Imported(count, count), sources


def month_of(time_ms: int) -> int:
    """Months since January 1970, UTC."""
    return int(np.datetime64(time_ms, "ms").astype("datetime64[M]").astype(np.int64))


def _month_starts_ms(month: int) -> int:
    return int(np.datetime64(int(month), "M").astype("datetime64[ms]").astype(np.int64))


def _arrow() -> Any:
    try:
        import pyarrow as arrow
        import pyarrow.compute
        import pyarrow.parquet
    except ImportError:
        raise StoreError("Parquet needs pyarrow: pip install dryline[nursery].") from None
    return arrow


def _write_month(
    arrow: Any,
    folder: Path,
    month: int,
    readings: SqliteReadings,
    sources: Sequence[str],
    known: dict[str, Sensor],
    end_ms: int,
) -> int:
    target = folder / f"month={np.datetime64(int(month), 'M')}" / FILE
    half = target.with_suffix(".half")
    target.parent.mkdir(parents=True, exist_ok=True)
    count, waiting, held = 0, [], 0
    span = _month_starts_ms(month), min(_month_starts_ms(month + 1), end_ms)
    try:
        with arrow.parquet.ParquetWriter(half, _schema(arrow), **_packing()) as writer:
            for source in sources:
                times, raw = readings.read([source], *span)[source]
                for part in _rows(arrow, source, known.get(source), times, raw):
                    waiting.append(part)
                    held += part.num_rows
                count += times.size
                if held >= ROWS_A_GROUP:
                    writer.write_table(arrow.concat_tables(waiting), row_group_size=ROWS_A_GROUP)
                    waiting, held = [], 0
            if waiting:
                writer.write_table(arrow.concat_tables(waiting), row_group_size=ROWS_A_GROUP)
        _flush(half)
        half.replace(target)
        _flush(target.parent)
    finally:
        half.unlink(missing_ok=True)
    return count


def _rows(arrow: Any, source: str, sensor: Sensor | None, times: IntArray, raw: FloatArray) -> "Iterator[pa.Table]":
    """A source's readings, cut at its placements; those of a time in which it stood nowhere have no place."""
    edges = [] if sensor is None else [p.from_ms for p in sensor.placed] + [p.to_ms for p in sensor.placed if p.to_ms]
    cuts = np.unique(np.searchsorted(times, sorted(edges)))
    for part_times, part_raw in zip(np.split(times, cuts), np.split(raw, cuts), strict=True):
        if not part_times.size:
            continue
        place = None if sensor is None else _place_at(sensor, int(part_times[0]))
        value = part_raw
        if sensor is not None and sensor.calibration:
            value = calibrated(sensor.calibration, part_raw)
        other = value.view(np.int64) != part_raw.view(np.int64)
        words = (source, *((None, place, None) if sensor is None else (sensor.quantity, place, sensor.unit)))
        yield arrow.table(
            [
                arrow.array(part_times, arrow.timestamp("ms", "UTC")),
                *(_repeated(arrow, word, part_times.size) for word in words),
                arrow.array(value),
                arrow.array(part_raw, mask=~other),
            ],
            schema=_schema(arrow),
        )


def _place_at(sensor: Sensor, time_ms: int) -> str | None:
    for placed in sensor.placed:
        if placed.from_ms <= time_ms and (placed.to_ms is None or time_ms < placed.to_ms):
            return placed.at
    return None


def _repeated(arrow: Any, word: str | None, times: int) -> Any:
    kind = arrow.dictionary(arrow.int32(), arrow.string())
    if word is None:
        return arrow.nulls(times, kind)
    return arrow.DictionaryArray.from_arrays(arrow.array(np.zeros(times, np.int32)), arrow.array([word]))


def _schema(arrow: Any) -> Any:
    word = arrow.dictionary(arrow.int32(), arrow.string())
    return arrow.schema(
        [
            ("time", arrow.timestamp("ms", "UTC")),
            *((name, word) for name in WORDS),
            ("value", arrow.float64()),
            ("raw", arrow.float64()),
        ]
    )


def _packing() -> dict[str, Any]:
    return {
        "compression": "zstd",
        "use_dictionary": list(WORDS),
        "column_encoding": {
            "time": "DELTA_BINARY_PACKED",
            "value": "BYTE_STREAM_SPLIT",
            "raw": "BYTE_STREAM_SPLIT",
        },
    }


def _files(folder: Path, start_ms: int | None = None, end_ms: int | None = None) -> Iterator[Path]:
    """The months' files in order, those with a part in [start, end)."""
    for file in sorted(folder.glob(f"month=*/{FILE}")):
        month = int(np.datetime64(file.parent.name.removeprefix("month="), "M").astype(np.int64))
        begins, ends = _month_starts_ms(month), _month_starts_ms(month + 1)
        if (end_ms is None or begins < end_ms) and (start_ms is None or start_ms < ends):
            yield file


def _table(arrow: Any, file: Path, wanted: Any = None) -> Any:
    """The columns that make a reading, of the rows that are wanted."""
    try:
        return arrow.parquet.read_table(file, columns=list(NEEDED), partitioning=None, filters=wanted)
    except (arrow.ArrowException, OSError) as error:
        raise StoreError(f"{file} cannot be read as Parquet: {str(error).splitlines()[0]}.") from None


def _refuse_what_is_no_export(arrow: Any, file: Path) -> None:
    try:
        missing = set(NEEDED) - set(arrow.parquet.read_schema(file).names)
    except (arrow.ArrowException, OSError) as error:
        raise Refused(f"{file} cannot be read as Parquet: {str(error).splitlines()[0]}.") from None
    if missing:
        raise Refused(f"{file} has no column {min(missing)}: it is not an export of readings.")


def _series(table: Any) -> Iterator[tuple[str, IntArray, FloatArray]]:
    """Each source of a table with its raw readings, ascending."""
    if not table.num_rows:
        return
    codes_of = table["source"].combine_chunks()
    words, codes = codes_of.dictionary.to_pylist(), codes_of.indices.to_numpy()
    times = table["time"].cast("int64").to_numpy()
    value, raw = table["value"].to_numpy(), table["raw"]
    values = np.where(raw.is_null().to_numpy(), value, raw.fill_null(0.0).to_numpy())
    order = np.lexsort((times, codes))
    begins = np.flatnonzero(np.diff(codes[order], prepend=-1))
    for rows in np.split(order, begins[1:]):
        yield words[codes[rows[0]]], times[rows], values[rows]


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
