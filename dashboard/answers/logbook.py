"""What the Logbook screen shows: the shelves with their pots, what is due, and what was noted before.

Quick on purpose: it asks the logbook alone, so that a note can be taken while readings or the analysis are away.
"""

from typing import Any

from ingest.home import Home
from ingest.logbook.records import Note
from ingest.readings import DAY_MS

RECENT_DAYS = 14
LOOKED_DAYS = 90


def answer(
    home: Home, at_ms: int, pot: str | None = None, note: int | None = None, days: int | None = RECENT_DAYS
) -> dict[str, Any]:
    """The logbook as one page shows it.

    `pot`: the notes of that pot alone, all of them. `note`: that note alone, with its earlier versions. Else the notes
    of the last `days` (None: all).

    Raises:
        Unknown: there is no such pot or note.
    """
    logbook = home.logbook
    with logbook.reading():
        pots = logbook.pots()
        setups = logbook.setups_at(at_ms)
        looked = _last_looks(logbook.notes(since_ms=at_ms - LOOKED_DAYS * DAY_MS, kinds=("inspection",)), at_ms)
        shelves = [shelf.label for shelf in logbook.shelves()]
        standing = {one.label: str(setups[one.label]["shelf"]) if one.label in setups else None for one in pots}
        if note is not None:
            notes = [logbook.note(note)]
        elif pot is not None:
            notes = logbook.notes(pot=pot, withdrawn=True)
        else:
            since_ms = None if days is None else at_ms - days * DAY_MS
            notes = logbook.notes(since_ms=since_ms, withdrawn=True)
        told = [_told(home, one) for one in reversed(notes)]
        this = logbook.pot(pot) if pot is not None else None
        due = logbook.follow_ups(at_ms)
        batches = sorted(logbook.batches())
    return {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "units": home.settings.grower.units,
        "shelves": [
            {
                "label": shelf,
                "pots": [
                    {"label": one.label, "plant": one.plant, "looked_ms": looked.get(one.label)}
                    for one in pots
                    if standing[one.label] == shelf
                ],
            }
            for shelf in [*shelves, None]
            if shelf is not None or any(place is None for place in standing.values())
        ],
        "pot": this
        and {"label": this.label, "plant": this.plant, "shelf": standing.get(this.label), "gone_ms": this.gone_ms},
        "due": [
            {
                "note_id": one.note_id,
                "step": one.step,
                "pot": one.pot,
                "kind": one.kind,
                "due_ms": one.due_ms,
                "state": one.state,
                "says": one.says,
            }
            for one in due
        ],
        "batches": batches,
        "days": None if pot is not None or note is not None else days,
        "notes": told,
    }


def _last_looks(inspections: list[Note], at_ms: int) -> dict[str, int]:
    return {note.pot: note.time_ms for note in inspections if note.pot is not None and note.time_ms <= at_ms}


def _told(home: Home, note: Note) -> dict[str, Any]:
    """A note as it stands, with the words that stood there before when it was corrected."""
    given = note.given()
    if (note.version or 1) > 1 and note.id is not None:
        given["earlier"] = [one.given() for one in home.logbook.note_history(note.id)[:-1]]
    return given
