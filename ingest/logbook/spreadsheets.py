"""CSV as spreadsheets really write and read it.

Owns the habits: byte-order marks, semicolons and tabs, decimal commas, and cells that a spreadsheet would run as a
formula. Knows no note and no reading. Export and import are each other's inverse, character for character.
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence

from ingest.logbook.refusals import Fault, Refused, named, nearest

# A cell that begins so is run as a formula by spreadsheets (OWASP, "CSV Injection"); an apostrophe disarms it. Where
# semicolons part cells, a spreadsheet reads our commas as text and may begin a cell in the middle of one of ours.
_BEGINS = r"(?:^|(?<=[;\t\n]))"
_RUNS = r"(?='*[=+\-@\t\r\n])"
_DISARM, _ARM = re.compile(_BEGINS + _RUNS), re.compile(_BEGINS + "'" + _RUNS)
_POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)


def decoded(body: bytes | str) -> str:
    """The text of a file: UTF-8 with or without its mark, or UTF-16 with it."""
    if isinstance(body, str):
        return body.removeprefix("\ufeff")
    encoding = "utf-16" if body[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return body.decode(encoding)
    except UnicodeDecodeError as error:
        raise Refused(
            f"The file is not UTF-8 text (byte {error.start + 1} cannot be read); save it as 'CSV UTF-8'."
        ) from error


def delimiter_of(text: str) -> str:
    """Comma, semicolon or tab: the one that its first line holds most of."""
    first = text.lstrip("\r\n").split("\n", 1)[0]
    return max(",;\t", key=first.count)


def rows(text: str) -> Iterator[list[str]]:
    """The rows of a CSV text, cells with their disarming apostrophe taken off; empty rows are left out as []."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter_of(text), strict=True)
    try:
        for row in reader:
            yield [armed(cell) for cell in row] if any(cell.strip() for cell in row) else []
    except csv.Error as error:
        raise Refused(f"Row {reader.line_num} cannot be read as CSV: {error}.") from error


def columns_of(header: Sequence[str], valid: Sequence[str], required: Sequence[str]) -> list[str]:
    """The names of the columns, checked: none unknown, none twice, none of the required missing."""
    names = [cell.strip() for cell in header]
    while names and not names[-1]:
        names.pop()
    faults = [
        Fault("row 1", f"there is no column {named(name)}; {nearest(name, valid)}")
        for name in names
        if name not in valid
    ]
    faults += [Fault("row 1", f"the column {named(name)} stands twice.") for name in valid if names.count(name) > 1]
    faults += [Fault("row 1", f"the column {named(name)} is missing.") for name in required if name not in names]
    if faults:
        raise Refused(*faults)
    return names


def number(cell: str) -> float:
    """A number with a decimal point, or with a decimal comma where that is beyond doubt."""
    text = cell.strip()
    if _POINT.fullmatch(text):
        return float(text)
    if _GROUPED.fullmatch(text):
        raise ValueError(
            f"{named(text)} could be {text.replace(',', '.')} or {text.replace(',', '')}; write it with a point."
        )
    if _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    raise ValueError(f"{named(text)} is not a number.")


def disarmed(text: str) -> str:
    """Text as a cell that no spreadsheet runs; `armed` gives it back, whatever it was."""
    return _DISARM.sub("'", text)


def armed(cell: str) -> str:
    """The text of a cell that `disarmed` may have marked."""
    return _ARM.sub("", cell) if "'" in cell else cell


def plain_number(value: float | None) -> float | int | None:
    """A number for a cell: without a needless `.0`, and empty where there is none."""
    if value is None or value != value:
        return None
    return int(value) if value == int(value) and abs(value) < 1e15 else float(value)


def written(header: Sequence[str], table: Iterable[Sequence[object]]) -> str:
    """CSV text; words are disarmed and quoted, so that no spreadsheet takes a part of one for a cell of its own."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(header)
    writer = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    for row in table:
        writer.writerow([disarmed(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue()
