"""A trial begun on one of two pots that are alike: the change as a dated note that names the other pot."""

from collections.abc import Mapping
from typing import Any

from analysis.quantities import marked
from dashboard.changes.advice import note_of
from dashboard.changes.undoing import note_undone
from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused, Unknown, named


def begin(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Log the one `change` (in the guide's words) on `pot`; `other` stays as it is and is compared with it."""
    pot, other, change = body.get("pot"), body.get("other"), body.get("change")
    if not (isinstance(pot, str) and isinstance(other, str) and isinstance(change, str)):
        raise Refused("Which two pots are meant, and what is changed on one of them, is missing.")
    if pot == other or home.logbook.setup_at(other, at_ms) is None:
        raise Unknown(Fault("other", f"{named(other)} cannot be the other pot of this trial."))
    note = note_of(home, at_ms, pot, change)
    note["text"] = f"Trial beside {other}: {marked(change)} on {pot} only."
    (number,) = home.logbook.add_notes([note])
    return {
        "id": number,
        "says": f"Begun: {change} on {pot}; {other} stays as it is. Look at both in two weeks.",
        **note_undone(number),
    }
