"""Notes as CSV: text to checked notes with every fault named by row and column, and a table back to text.

The columns are those of `NOTE_COLUMNS`, in any order, missing ones empty. What has no column of its own (the strength
of a feed, the change that a repot made) stands in one more column, `detail`, as JSON; it is written only when a
note has any.
"""

import json
import math
from datetime import tzinfo
from typing import Any

import pandas as pd

from ingest.logbook.records import COUNT_COLUMNS, NOTE_COLUMNS, NUMBER_COLUMNS, Note, checked_note
from ingest.logbook.refusals import Fault, Refused, named
from ingest.logbook.spreadsheets import columns_of, decoded, number, plain_number, rows, written
from ingest.moments import ms_of_text, texts_of

_COLUMNS = (*NOTE_COLUMNS, "detail")


def notes_from_csv(body: bytes | str, zone: tzinfo | None = None) -> dict[int, Note]:
    """Row number -> note of a CSV file, or `Refused` with all its faults.

    Times without an offset are read in `zone`.
    """
    table = rows(decoded(body))
    header = next(table, [])
    if not header:
        raise Refused(f"The file is empty; its first row names the columns: {', '.join(NOTE_COLUMNS)}.")
    columns = columns_of(header, _COLUMNS, ("time", "kind"))
    notes: dict[int, Note] = {}
    faults: list[Fault] = []
    for row_number, cells in enumerate(table, start=2):
        if not cells:
            continue
        if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
            faults.append(Fault(f"row {row_number}", f"it has {len(cells)} cells for {len(columns)} columns."))
            continue
        values, wrong = _values(row_number, dict(zip(columns, cells, strict=False)), zone)
        faults += wrong
        try:
            notes[row_number] = checked_note(values)
        except Refused as refused:
            named = {fault.where for fault in wrong}
            found = (_in_row(row_number, fault) for fault in refused.faults)
            faults += [fault for fault in found if fault.where not in named]
    if faults:
        raise Refused(*faults)
    return notes


def _values(row_number: int, cells: dict[str, str], zone: tzinfo | None) -> tuple[dict[str, Any], list[Fault]]:
    """The cells of a row as the values of a note; a value that cannot be read is a fault, and a stand-in."""
    values: dict[str, Any] = {}
    faults: list[Fault] = []
    for column, cell in cells.items():
        if not cell.strip():
            continue
        try:
            if column == "time":
                values["time_ms"] = ms_of_text(cell, zone)
            elif column in NUMBER_COLUMNS:
                values[column] = number(cell)
            elif column in COUNT_COLUMNS:
                values[column] = _count(cell)
            elif column == "detail":
                values[column] = _json(cell)
            else:
                values[column] = cell
        except ValueError as error:
            faults.append(Fault(f"row {row_number}, column {column}", str(error)))
            if column == "time":
                values["time_ms"] = 0  # so that the other columns of the row are looked at too
    return values, faults


def _count(cell: str) -> int:
    value = number(cell)
    if value != math.floor(value):
        raise ValueError(f"{named(cell.strip())} is not a whole number.")
    return int(value)


def _json(cell: str) -> dict[str, Any]:
    try:
        value = json.loads(cell)
    except (json.JSONDecodeError, RecursionError) as error:
        raise ValueError(f"it is not JSON: {error}.") from error
    if not isinstance(value, dict):
        raise ValueError('it is not a JSON object like {"strength": 0.5}.')
    return value


def _in_row(row_number: int, fault: Fault) -> Fault:
    column = "time" if fault.where == "time_ms" else fault.where
    return Fault(f"row {row_number}, column {column}" if column else f"row {row_number}", fault.says)


def csv_from_notes(frame: pd.DataFrame) -> str:
    """A table of notes (`Logbook.notes_frame`) as CSV text."""
    columns = list(NOTE_COLUMNS)
    if frame["detail"].notna().any():
        columns.append("detail")
    cells: dict[str, list[Any]] = {"time": texts_of(frame["time_ms"].to_numpy()).tolist()}
    for column in columns[1:]:
        values = frame[column].tolist()
        if column in NUMBER_COLUMNS or column in COUNT_COLUMNS:
            cells[column] = [plain_number(value) for value in values]
        elif column == "detail":
            cells[column] = [value and json.dumps(value, ensure_ascii=False) for value in values]
        else:
            cells[column] = values
    return written(columns, zip(*(cells[column] for column in columns), strict=True))
