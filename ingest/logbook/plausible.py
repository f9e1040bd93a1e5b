"""What a file that comes in cannot mean: sizes that no pot has, and moments that are still to come.

Beside what is valid at all (`records.py`): what is stored stands, and a copy brings it back; only what is new is held
against this, with the same bounds as the screens' forms.
"""

from collections.abc import Iterator, Mapping, Sequence

from ingest.logbook.records import Note
from ingest.logbook.refusals import Fault
from ingest.moments import text_of

MOST = {"mm": 2_000, "cm": 100, "mm2": 10_000_000, "ml": 100_000, "g": 100_000}
UNITS = {"mm2": "mm²", "ml": "mL"}
AHEAD_MS = 3_600_000
"""How far ahead the clock of who wrote a note may go."""


def beyond(values: object, path: str = "") -> Iterator[tuple[str, float, str]]:
    """Where something is larger than it can be, the number, and a sentence."""
    inner: Iterator[tuple[str, object]] = iter(())
    if isinstance(values, Mapping):
        inner = ((f"{path}.{key}" if path else str(key), value) for key, value in values.items())
    elif isinstance(values, Sequence) and not isinstance(values, str):
        inner = ((f"{path}[{number}]", value) for number, value in enumerate(values, start=1))
    for where, value in inner:
        key = where.rpartition(".")[2]
        unit = key.rpartition("_")[2]
        if unit in MOST and "_per_" not in key and isinstance(value, int | float) and value > MOST[unit]:
            named = UNITS.get(unit, unit)
            yield where, value, f"{value:.15g} {named} is too much: {MOST[unit]} {named} is the most."
        yield from beyond(value, where)


def note_faults(row: int, note: Note, at_ms: int) -> Iterator[Fault]:
    """What a new note of a file cannot mean at a moment; an absence may lie ahead."""
    if note.kind != "absence" and note.time_ms > at_ms + AHEAD_MS:
        says = f"{text_of(note.time_ms)} is still to come: it is {text_of(at_ms)}."
        yield Fault(f"row {row}, column time", says)
    yield from (Fault(f"row {row}, column {where}", says) for where, _, says in beyond(note.given()))


def new_faults(place: str, said: object, stored: object) -> Iterator[Fault]:
    """What is too large in something said, where it does not stand so already."""
    there = {value for _, value, _ in beyond(stored)}
    yield from (Fault(f"{place}, {where}", says) for where, value, says in beyond(said) if value not in there)
