"""Notes from the screens: added, corrected, taken back and put back."""

from collections.abc import Mapping
from typing import Any

from ingest.home import Home
from ingest.logbook.refusals import Refused


def add(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Log the notes in `notes`, all or none; one without a time is of this moment."""
    notes = body.get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, dict) for note in notes):
        raise Refused("The notes are missing.")
    return {"ids": home.logbook.add_notes([{"time_ms": at_ms, **note} for note in notes])}


def correct(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Correct the note `id` that was read as `version`; `changes` holds the keys that change."""
    changes = body.get("changes")
    if not isinstance(changes, dict):
        raise Refused("What is to be corrected is missing.")
    return home.logbook.correct_note(*_which(body), changes).given()


def withdraw(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Take the note `id` back, which was read as `version`."""
    return home.logbook.withdraw_note(*_which(body)).given()


def put_back(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Undo a withdrawal."""
    return home.logbook.put_back_note(*_which(body)).given()


def _which(body: Mapping[str, Any]) -> tuple[int, int]:
    number, version = body.get("id"), body.get("version")
    if type(number) is not int or type(version) is not int:
        raise Refused("Which note is meant, and as it was read when, is missing.")
    return number, version
