"""What the grower says of a follow-up: done, put off, or open after all."""

from collections.abc import Mapping
from typing import Any

from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused, named
from ingest.readings import DAY_MS

LONGEST_DAYS = 366


def done(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Tick the follow-up `step` of the note `note_id` off."""
    note_id, step = _which(body)
    home.logbook.finish_follow_up(note_id, step, at_ms)
    return {"says": "Done.", "undo": ["follow_up_open", {"note_id": note_id, "step": step}]}


def snoozed(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Put it off by `days`."""
    note_id, step = _which(body)
    days = body.get("days")
    if type(days) is not int or not 1 <= days <= LONGEST_DAYS:
        raise Refused(Fault("days", f"{named(days)} is not a whole number of days from 1 to {LONGEST_DAYS}."))
    home.logbook.snooze_follow_up(note_id, step, at_ms + days * DAY_MS)
    says = f"Put off by {days} day{'' if days == 1 else 's'}."
    return {"says": says, "undo": ["follow_up_open", {"note_id": note_id, "step": step}]}


def kept_open(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Take back what was said of it: it is open again."""
    home.logbook.keep_follow_up(*_which(body))
    return {"says": "Open again."}


def _which(body: Mapping[str, Any]) -> tuple[int, str]:
    note_id, step = body.get("note_id"), body.get("step")
    if type(note_id) is not int or not isinstance(step, str) or not step:
        raise Refused("Which follow-up is meant is missing.")
    return note_id, step
