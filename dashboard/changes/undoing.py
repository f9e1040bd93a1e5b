"""How a screen takes back what a change has just logged: by withdrawing its note, as it was first written."""

from typing import Any


def note_undone(number: int) -> dict[str, Any]:
    """The part of an answer that lets the screen offer "Undo" for a note of that number."""
    return {"undo": ["note_withdrawn", {"id": number, "version": 1}]}
