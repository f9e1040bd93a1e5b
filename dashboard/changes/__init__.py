"""What the screens may change: one file a kind of change, plain functions `(home, at_ms, body) -> dict`.

`body` is what a screen sent, unchecked; what comes back is what the screen shows or needs to undo it. A change that
cannot be taken raises one of the refusals of `ingest`, and then nothing was written. Knows no Flask and no page.
"""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from dashboard.changes import absence, advice, air, alert_test, follow_ups, notes, trials, workshop
from ingest.home import Home

Change = Callable[[int, Mapping[str, Any]], dict[str, Any]]
CHANGES: dict[str, Callable[[Home, int, Mapping[str, Any]], dict[str, Any]]] = {
    "absence_asked": absence.plan,
    "absence_noted": absence.note,
    "advice_taken": advice.take,
    "alert_test": alert_test.send,
    "follow_up_done": follow_ups.done,
    "follow_up_open": follow_ups.kept_open,
    "follow_up_snoozed": follow_ups.snoozed,
    "notes": notes.add,
    "notes_withdrawn": notes.withdraw_many,
    "note_corrected": notes.correct,
    "note_withdrawn": notes.withdraw,
    "note_put_back": notes.put_back,
    "spot_check": air.note,
    "trial_begun": trials.begin,
    **workshop.CHANGES,
}


def changes_of(home: Home) -> dict[str, Change]:
    """Every change by its name in the address, bound to one home."""
    return {name: partial(change, home) for name, change in CHANGES.items()}
