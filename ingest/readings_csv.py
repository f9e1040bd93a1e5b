"""Readings as CSV, `time,place,quantity,value,unit`: in as sources of their own, out as what the sensors meant.

An import becomes one sensor for each place and quantity (`import/<name>#<place>/<quantity>`), placed there for as long
as its readings last; sensors that report by themselves are never touched. All or nothing, every fault by row and
column. Columns are handled whole; single rows are looked at only where they are wrong. A spot check, noted on a
screen, is kept as a row of a file called `spot-checks` would be.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import count
from typing import Any, Protocol, TextIO

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.logbook.logbook import Imported, Logbook
from ingest.logbook.refusals import Fault, Refused, listed, named, nearest
from ingest.logbook.spreadsheets import armed, columns_of, decoded, delimiter_of, disarmed, number
from ingest.moments import EARLIEST_MS, LATEST_MS, ms_of_text, texts_of
from ingest.readings import Reading
from ingest.sensors import QUANTITIES, Placement, Sensor, calibrated, uncut_canonical, why_unusable

COLUMNS = ("time", "place", "quantity", "value", "unit")
IMPORTED = "import/"
SPOT_CHECKS = "spot-checks"
MOST_FAULTS = 1000
_CHUNK_MS = 30 * 86_400_000
_PLAIN = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_ZONED = r"(?:Z|[+-]\d{2}(?::?\d{2})?)"

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


class Readings(Protocol):
    """What of a readings store is needed here."""

    def append(self, readings: Sequence[Reading]) -> None: ...
    def read(self, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, tuple[IntArray, FloatArray]]: ...


@dataclass(frozen=True)
class _Column:
    """Readings of one new source."""

    sensor: Sensor
    time_ms: IntArray
    value: FloatArray


def import_readings(
    body: bytes | str,
    name: str,
    logbook: Logbook,
    readings: Readings,
    *,
    zone: tzinfo | None = None,
    keep: bool = True,
) -> Imported:
    """Take in a CSV file under a name (its file name will do). The same file under the same name changes nothing.

    Times without an offset are read in `zone`. `keep=False` only tries it.
    """
    topic = f"{IMPORTED}{re.sub(r'[^A-Za-z0-9_.-]+', '-', name).strip('-') or 'file'}"
    table = _table(decoded(body))
    faults: list[Fault] = []
    time_ms = _times(table["time"], zone, faults)
    value = _values(table["value"], faults)
    _check_words(table, logbook, faults)
    if not faults:
        columns = list(_columns(table, topic, time_ms, value, faults))
    if faults:
        more = [f"… and {len(faults) - MOST_FAULTS} more faults."] if len(faults) > MOST_FAULTS else []
        raise Refused(*faults[:MOST_FAULTS], *more)
    _keep(columns, logbook, readings, keep=keep)
    return Imported(len(table), len(table))


def keep_spot_check(
    shelf: str, time_ms: int, temperature_c: float, relative_humidity_pct: float, logbook: Logbook, readings: Readings
) -> None:
    """Keep what a hygrometer showed on a shelf; noted again for the same moment, the later one counts."""
    topic = _topic_of_checks(shelf, logbook.sensors())
    times = np.array([time_ms], dtype=np.int64)
    shown = (("air_temperature", "Cel", temperature_c), ("relative_humidity", "%RH", relative_humidity_pct))
    columns = [
        _Column(_sensor(topic, shelf, quantity, unit, times), times, np.array([value]))
        for quantity, unit, value in shown
    ]
    _keep(columns, logbook, readings)


def _topic_of_checks(shelf: str, sensors: Sequence[Sensor]) -> str:
    """The source of a shelf's spot checks; another one where a shelf that was called so before has its own under it."""
    taken = {
        sensor.topic
        for sensor in sensors
        if sensor.field.startswith(f"{shelf}/") and any(placed.at != shelf for placed in sensor.placed)
    }
    topics = (IMPORTED + SPOT_CHECKS + (f"/{number}" if number > 1 else "") for number in count(1))
    return next(topic for topic in topics if topic not in taken)


def is_spot_check(sensor: Sensor) -> bool:
    """Whether a sensor stands for what was noted on a screen."""
    return sensor.topic.startswith(IMPORTED + SPOT_CHECKS)


def is_imported(sensor: Sensor) -> bool:
    """Whether a sensor stands for readings that a person brought in, as a file or as a spot check."""
    return sensor.topic.startswith(IMPORTED)


def _keep(columns: Sequence[_Column], logbook: Logbook, readings: Readings, *, keep: bool = True) -> None:
    # The logbook's transaction stays open until the readings are safe: a sensor without readings, or the other
    # way round, would need somebody to tidy up.
    with logbook.writing(keep=keep):
        there = {sensor.source: sensor for sensor in logbook.sensors()}
        for column in columns:
            _place(logbook, there.get(column.sensor.source), column)
        if keep and columns:
            readings.append(
                [
                    Reading(column.sensor.source, time, found)
                    for column in columns
                    for time, found in zip(column.time_ms.tolist(), column.value.tolist(), strict=True)
                ]
            )


def export_readings(file: TextIO, readings: Readings, sensors: Sequence[Sensor], start_ms: int, end_ms: int) -> int:
    """Write every reading of a placed sensor in [start_ms, end_ms), calibrated, in the sensor's unit; how many.

    Readings of a time in which their sensor stood nowhere are left out: nobody knows what they mean.
    """
    file.write(",".join(COLUMNS) + "\n")
    count = 0
    for sensor in sensors:
        for placement in sensor.placed:
            words = _csv_cells(placement.at, sensor.quantity)
            unit = _csv_cells(sensor.unit)
            first = max(start_ms, placement.from_ms)
            last = end_ms if placement.to_ms is None else min(end_ms, placement.to_ms)
            for time_ms, raw in _chunks(readings, sensor.source, first, last):
                value = calibrated(sensor.calibration, raw) if sensor.calibration else raw
                rows = zip(texts_of(time_ms).tolist(), map(repr, value.tolist()), strict=True)
                file.writelines(f"{time},{words},{found},{unit}\n" for time, found in rows)
                count += len(time_ms)
    return count


def _chunks(readings: Readings, source: str, start_ms: int, end_ms: int) -> Iterator[tuple[IntArray, FloatArray]]:
    """A series month by month, so that a long one is never held whole."""
    for first in range(start_ms, end_ms, _CHUNK_MS):
        yield readings.read([source], first, min(first + _CHUNK_MS, end_ms))[source]


def _csv_cells(*words: str) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([disarmed(word) for word in words])
    return "" if out.getvalue() == '""' else out.getvalue()


# --- reading columns ------------------------------------------------------------------------------------------------


def _table(text: str) -> pd.DataFrame:
    try:
        table = pd.read_csv(
            io.StringIO(text),
            sep=delimiter_of(text),
            dtype=object,
            header=None,
            keep_default_na=False,
            na_filter=False,
            skip_blank_lines=False,
        )
    except pd.errors.EmptyDataError as error:
        raise Refused(f"The file is empty; its first row names the columns: {', '.join(COLUMNS)}.") from error
    except (pd.errors.ParserError, ValueError) as error:
        wide = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", str(error))
        if wide:
            raise Refused(Fault(f"row {wide[2]}", f"it has {wide[3]} cells for {wide[1]} columns.")) from error
        raise Refused(f"The file cannot be read as CSV: {str(error).strip()}.") from error
    header = [str(cell) for cell in table.iloc[0]]
    columns = columns_of(header, COLUMNS, COLUMNS)
    table = table.iloc[1:]
    table.index = pd.RangeIndex(2, len(table) + 2, name="row")
    extra = (table.iloc[:, len(columns) :] != "").any(axis=1)
    if extra.any():
        raise Refused(*(Fault(f"row {row}", "it has more cells than there are columns.") for row in table.index[extra]))
    table = table.iloc[:, : len(columns)].set_axis(columns, axis=1)
    table = table[(table != "").any(axis=1)]
    for column in ("place", "quantity", "unit"):
        # Few different words in many rows: each is cleaned once.
        cleaned = {word: armed(str(word)).strip() for word in table[column].unique()}
        table[column] = table[column].map(cleaned)
    return table


def _times(column: pd.Series, zone: tzinfo | None, faults: list[Fault]) -> IntArray:
    text = column.str.strip()
    zoned = text.str.contains(_ZONED + r"\Z", regex=True) & text.str.contains(":")
    times = pd.to_datetime(text.where(zoned), format="ISO8601", utc=True, errors="coerce")
    if zone is not None:
        local = pd.to_datetime(text.where(~zoned), format="ISO8601", errors="coerce")
        local = local.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
        times = times.fillna(local.dt.tz_convert("UTC"))
    found = times.dt.tz_localize(None).astype("datetime64[ms]")
    ms: IntArray = found.to_numpy().astype(np.int64)
    wrong = found.isna().to_numpy() | (ms < EARLIEST_MS) | (ms >= LATEST_MS)
    _say(faults, text[wrong], "time", lambda cell: ms_of_text(cell, zone))
    return ms


def _values(column: pd.Series, faults: list[Fault]) -> FloatArray:
    text = column.str.strip()
    plain = text.str.fullmatch(_PLAIN).to_numpy(dtype=bool)
    value = np.full(len(text), np.nan)
    # Python's own reading of a number: the nearest double, so that what was written comes back exactly.
    value[plain] = text.to_numpy(dtype=object)[plain].astype(np.float64)
    rows, cells = text.index.to_numpy(), text.tolist()
    for position in np.flatnonzero(~plain).tolist():
        try:
            value[position] = number(cells[position])
        except ValueError as error:
            faults.append(Fault(f"row {rows[position]}, column value", str(error)))
    infinite = np.isinf(value)
    _say(faults, text[infinite], "value", lambda cell: None, "is too large for a number.")
    return value


def _say(
    faults: list[Fault], wrong: pd.Series, column: str, read: Callable[[str], Any], otherwise: str = "cannot be read."
) -> None:
    """A fault for each cell, in the words of the function that reads one alone."""
    for row, cell in wrong.items():
        try:
            read(cell)
            faults.append(Fault(f"row {row}, column {column}", f"{named(cell)} {otherwise}"))
        except ValueError as error:
            faults.append(Fault(f"row {row}, column {column}", str(error)))


def _check_words(table: pd.DataFrame, logbook: Logbook, faults: list[Fault]) -> None:
    """Places and quantities that nobody knows; one fault each, naming its rows."""
    shelves = [shelf.label for shelf in logbook.shelves()]
    pots = [pot.label for pot in logbook.pots(gone=True)]
    for place, rows in table.groupby("place", sort=False).groups.items():
        shelf, slash, pot = str(place).partition("/")
        if shelf not in shelves:
            faults.append(
                Fault(f"{_rows(rows)}, column place", f"there is no shelf {named(shelf)}; {nearest(shelf, shelves)}")
            )
        if slash and pot not in pots:
            faults.append(Fault(f"{_rows(rows)}, column place", f"there is no pot {named(pot)}; {nearest(pot, pots)}"))
    for quantity, rows in table.groupby("quantity", sort=False).groups.items():
        if quantity not in QUANTITIES:
            says = f"there is no quantity {named(quantity)}; {nearest(quantity, QUANTITIES)}"
            faults.append(Fault(f"{_rows(rows)}, column quantity", says))


def _rows(rows: Any) -> str:
    numbers = [str(row) for row in rows]
    return f"row {numbers[0]}" if len(numbers) == 1 else f"rows {listed(numbers).replace(' or ', ' and ')}"


def _columns(
    table: pd.DataFrame, topic: str, time_ms: IntArray, value: FloatArray, faults: list[Fault]
) -> Iterator[_Column]:
    """One column for each place and quantity; two values of one moment go to two sources, so that none is lost."""
    frame = table[["place", "quantity", "unit"]].assign(time_ms=time_ms, value=value)
    frame["twin"] = frame.groupby(["place", "quantity", "time_ms"], sort=False).cumcount()
    for (place, quantity, twin), part in frame.groupby(["place", "quantity", "twin"], sort=False):
        units = part["unit"].unique()
        if len(units) > 1:
            row = part.index[part["unit"] == units[1]][0]
            first, second = named(units[0]), named(units[1])
            says = f"{quantity} of {named(place)} is in {first} above and in {second} here; use one unit."
            faults.append(Fault(f"row {row}, column unit", says))
            continue
        times = part["time_ms"].to_numpy(dtype=np.int64)
        source = topic if twin == 0 else f"{topic}/{int(str(twin)) + 1}"
        sensor = _sensor(source, str(place), str(quantity), str(units[0]), times)
        why = why_unusable(sensor)
        if why is not None:
            faults.append(Fault(f"row {part.index[0]}, column unit", f"{why.rstrip('.')}."))
            continue
        found = part["value"].to_numpy(dtype=np.float64)
        _refuse_implausible(sensor, found, part.index, faults)
        yield _Column(sensor, times, found)


def _sensor(topic: str, place: str, quantity: str, unit: str, time_ms: IntArray) -> Sensor:
    """The sensor that readings of one quantity at one place stand for, placed as long as they last."""
    placed = (Placement(int(time_ms.min()), int(time_ms.max()) + 1, place),)
    return Sensor(
        topic=topic, payload="senml", field=f"{place}/{quantity}", quantity=quantity, unit=unit, placed=placed
    )


def _refuse_implausible(sensor: Sensor, value: FloatArray, rows: pd.Index, faults: list[Fault]) -> None:
    known = QUANTITIES[sensor.quantity]
    canonical = uncut_canonical(sensor, value)
    numbers = rows.to_numpy()
    for position in np.flatnonzero(~((canonical >= known.low) & (canonical <= known.high))).tolist():
        says = f"{value[position]:g} {sensor.unit} is not a {sensor.quantity.replace('_', ' ')} that a sensor can see."
        faults.append(Fault(f"row {numbers[position]}, column value", says))


def _place(logbook: Logbook, there: Sensor | None, column: _Column) -> None:
    """Enter the sensor of an import, lasting over what an earlier file under the same name brought too."""
    placed = column.sensor.placed[0]
    if there is None:
        logbook.put_sensor(column.sensor)
        return
    if there.unit != column.sensor.unit:
        raise Refused(
            f"An earlier import of this name gave {named(column.sensor.field)} in {named(there.unit)}, this one in "
            f"{named(column.sensor.unit)}; import it under another name."
        )
    ends = [p.to_ms for p in there.placed if p.to_ms is not None]
    from_ms = min([placed.from_ms, *(p.from_ms for p in there.placed)])
    to_ms = max([placed.to_ms or 0, *ends])
    for old in there.placed:
        logbook.withdraw_placement(there.source, old.from_ms)
    logbook.place_sensor(there.source, placed.at, from_ms, to_ms)
