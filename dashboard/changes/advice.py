"""An advice of the guide that was followed, as a dated note: what it altered opens the next set-up of the pot.

What cannot be written as a set-up (keeping a reservoir fuller, moister air) is logged in words, so that before and
after can still be told apart. The inspection two weeks later follows from the kind of the note.
"""

from collections.abc import Mapping
from typing import Any

from analysis.options import AT_A_REPOT, Option, options_for
from analysis.quantities import marked
from dashboard.changes.undoing import note_undone
from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused, Unknown, named

MOVE_TO = "move to "
KIND_OF = {"top_layer": "cover", "vents": "holes", "wick": "wick", "shelf": "move"}


def take(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Log that the advice `change` (its words) was carried out on `pot` now."""
    pot, change = body.get("pot"), body.get("change")
    if not isinstance(pot, str) or not isinstance(change, str):
        raise Refused("Which pot is meant, and which change, is missing.")
    note = note_of(home, at_ms, pot, change) | {"why": "advice of the guide"}
    (number,) = home.logbook.add_notes([note])
    looks = (
        " Look at it again in two weeks; it will stand among the follow-ups."
        if note["kind"] in KIND_OF.values()
        else ""
    )
    return {"id": number, "says": f"Kept: {pot}, {marked(change)}.{looks}", **note_undone(number)}


def note_of(home: Home, at_ms: int, pot: str, change: str) -> dict[str, Any]:
    """The note that tells of a change in the guide's words, made to a pot at a moment.

    Raises:
        Refused: the change makes no sense for the pot as it stands then, or waits for a repot.
    """
    setup = home.logbook.setup_at(pot, at_ms)
    if setup is None:
        raise Unknown(Fault("pot", f"{named(pot)} has no set-up now that could be changed."))
    note = {"time_ms": at_ms, "pot": pot}
    if change.startswith(MOVE_TO):
        return {**note, "kind": "move", "detail": {"change": {"shelf": change.removeprefix(MOVE_TO)}}}
    option = _option(home, setup, change)
    if option is None or change == "leave":
        raise Refused(
            Fault("change", f"{named(change)} cannot be done to {named(pot)} as it stands now; ask the guide again.")
        )
    if change.endswith(AT_A_REPOT):
        raise Refused(Fault("change", "That waits for the next repot: log the repot when you do it."))
    if option.watered == "once":
        return {**note, "kind": "flush", "text": "from the top, to restart the wick"}
    if not option.setup_change:
        return {**note, "kind": "text", "text": f"From now on: {marked(change)}."}
    kind = next(word for key, word in KIND_OF.items() if key in option.setup_change)
    return {**note, "kind": kind, "detail": {"change": dict(option.setup_change)}}


def _option(home: Home, setup: Mapping[str, Any], change: str) -> Option | None:
    shelf = next((one.given() for one in home.logbook.shelves() if one.label == setup["shelf"]), {})
    return next((option for option in options_for(setup, shelf) if option.change == change), None)
