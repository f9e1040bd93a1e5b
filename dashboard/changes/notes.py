"""Notes from the screens: added, corrected, taken back and put back."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingest.home import Home
from ingest.logbook.plausible import AHEAD_MS
from ingest.logbook.refusals import Fault, Refused, named
from ingest.moments import ms_of_text

WORDS = {
    "flush": "flush from the top",
    "cover": "new cover",
    "holes": "change of holes",
    "wick": "change of wick",
    "column_test": "column test",
    "died": "end",
    "gone": "farewell",
    "divided": "division",
    "text": "note",
}


def add(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Log the notes in `notes`, all or none; sent twice, they are kept once.

    One without a moment is of this moment; `time` is local time as text. With `pots` each note is logged for every one
    of them, with `shelf` for every pot that stands there.
    """
    notes = body.get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, dict) for note in notes):
        raise Refused("The notes are missing.")
    timed = [_timed(home, at_ms, {"time_ms": at_ms, **note}, note.get("kind")) for note in notes]
    with home.logbook.writing():
        every = [whole for note in timed for whole in _for_each(home, note, body)]
        ids = home.logbook.add_notes_once(every)
    return {
        "ids": ids,
        "says": _says(every),
        "undo": ["notes_withdrawn", {"notes": [{"id": number, "version": 1} for number in ids]}],
    }


def correct(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Correct the note `id` that was read as `version`; `changes` holds the keys that change."""
    changes = body.get("changes")
    if not isinstance(changes, dict):
        raise Refused("What is to be corrected is missing.")
    number, version = _which(body)
    with home.logbook.writing():
        before = home.logbook.note(number)
        after = home.logbook.correct_note(number, version, _timed(home, at_ms, changes, before.kind))
    old = {key: getattr(before, key) for key in changes if key != "time"} | {"time_ms": before.time_ms}
    back = {"id": number, "version": after.version or 0, "changes": old}
    return {**after.given(), "says": "Corrected; the earlier words stay readable.", "undo": ["note_corrected", back]}


def withdraw(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Take the note `id` back, which was read as `version`."""
    after = home.logbook.withdraw_note(*_which(body)).given()
    return {
        **after,
        "says": "Taken back; it counts no more.",
        "undo": ["note_put_back", {"id": after["id"], "version": after["version"]}],
    }


def withdraw_many(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Take back the `notes`, each with its `id` and `version`, all or none."""
    notes = body.get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, dict) for note in notes):
        raise Refused("Which notes are meant is missing.")
    with home.logbook.writing():
        for note in notes:
            home.logbook.withdraw_note(*_which(note))
    return {}


def put_back(home: Home, _at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Undo a withdrawal."""
    after = home.logbook.put_back_note(*_which(body)).given()
    return {
        **after,
        "says": "Put back; it counts again.",
        "undo": ["note_withdrawn", {"id": after["id"], "version": after["version"]}],
    }


def _timed(home: Home, at_ms: int, note: Mapping[str, Any], kind: object) -> dict[str, Any]:
    """A note whose local times, given as text, stand as moments: `time` as `time_ms`, and the end of an absence."""
    whole = {key: value for key, value in note.items() if key != "time"}
    if "time" in note:
        whole["time_ms"] = _moment(home, note["time"], "time")
        if kind != "absence":
            refuse_if_to_come(home, at_ms, whole["time_ms"])
    detail = note.get("detail")
    if isinstance(detail, Mapping) and isinstance(detail.get("until_ms"), str):
        whole["detail"] = {**detail, "until_ms": _moment(home, detail["until_ms"], "detail.until_ms")}
    return whole


def refuse_if_to_come(home: Home, at_ms: int, time_ms: int) -> None:
    """Raise unless a moment has come, give or take what a clock may be ahead."""
    if time_ms > at_ms + AHEAD_MS:
        zone = home.settings.grower.timezone
        now = f"{datetime.fromtimestamp(at_ms / 1000, ZoneInfo(zone)):%Y-%m-%d %H:%M} ({zone})"
        raise Refused(Fault("time", f"That is still to come: it is {now}."))


def _moment(home: Home, text: object, where: str) -> int:
    try:
        return ms_of_text(str(text), ZoneInfo(home.settings.grower.timezone))
    except ValueError as error:
        raise Refused(Fault(where, str(error))) from error


def _for_each(home: Home, note: dict[str, Any], body: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The note for every pot it is meant for."""
    pots, shelf = body.get("pots"), body.get("shelf")
    if shelf is not None:
        standing = home.logbook.pots_on(str(shelf), note["time_ms"]) if type(note["time_ms"]) is int else []
        if not standing:
            raise Refused(Fault("shelf", f"No pot stood on {named(shelf)} then."))
        return [{**note, "pot": pot} for pot in standing]
    if pots is None:
        return [note]
    if not isinstance(pots, list) or not pots:
        raise Refused(Fault("pots", "Say for which pots."))
    return [{**note, "pot": pot} for pot in dict.fromkeys(map(str, pots))]


def _says(notes: list[dict[str, Any]]) -> str:
    kinds = {str(note.get("kind")) for note in notes}
    kind = kinds.pop() if len(kinds) == 1 else "text"
    whom = {note.get("pot") for note in notes}
    of = f" of {len(whom)} pots" if len(whom) > 1 else "".join(f" of {pot}" for pot in whom if pot)
    return f"Kept: {WORDS.get(kind, kind)}{of}."


def _which(body: Mapping[str, Any]) -> tuple[int, int]:
    number, version = body.get("id"), body.get("version")
    if type(number) is not int or type(version) is not int:
        raise Refused("Which note is meant, and as it was read when, is missing.")
    return number, version
