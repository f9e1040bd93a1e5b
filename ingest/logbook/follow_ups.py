"""What a note brings after it: an inspection after a repot or a change, the repeat of a treatment.

Pure: notes in, follow-ups out. The times after a repot, a move and a change are common practice, no source. A later
inspection does away with the ones that it answers; what a person snoozed or ticked off comes in as `Said`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from ingest.logbook.records import Note

State = Literal["waiting", "due", "snoozed"]
DAY_MS = 86_400_000
LAPSED_AFTER_MS = 60 * DAY_MS  # nobody inspects two months late for a repot; the next inspection is as good

# Kind of note -> its follow-ups: name, months and days after it, and how much too early still counts (days).
_AFTER: dict[str, tuple[tuple[str, int, int, int], ...]] = {
    "repot": (("one_month", 1, 0, 7), ("two_months", 2, 0, 14)),
    "move": (("two_weeks", 0, 14, 4),),
    "cover": (("two_weeks", 0, 14, 4),),
    "holes": (("two_weeks", 0, 14, 4),),
    "wick": (("two_weeks", 0, 14, 4),),
}
_WORDS = {"repot": "the repot", "move": "the move", "cover": "the cover", "holes": "the holes", "wick": "the wick"}
BRINGING: tuple[str, ...] = (*_AFTER, "inspection")
BRINGING_FOR_MS = 62 * DAY_MS + LAPSED_AFTER_MS + DAY_MS  # older ones than that bring nothing any more


@dataclass(frozen=True)
class Said:
    """What a person said of a follow-up."""

    done_ms: int | None
    snoozed_until_ms: int | None


@dataclass(frozen=True)
class FollowUp:
    """Something that is due because of a note. `due_ms` counts a snooze; `pot` is None for a whole batch."""

    note_id: int
    step: str
    pot: str | None
    kind: Literal["inspection", "treatment"]
    due_ms: int
    state: State
    says: str


def open_follow_ups(
    notes: Sequence[Note], said: Mapping[tuple[int, str], Said], at_ms: int, gone: frozenset[str] = frozenset()
) -> list[FollowUp]:
    """The follow-ups that are open at a moment, the first due first. Notes after `at_ms` are not known yet."""
    known = [note for note in notes if note.time_ms <= at_ms and note.pot not in gone]
    looked: dict[str | None, list[int]] = {}
    for note in known:
        if note.kind == "inspection":
            looked.setdefault(note.pot, []).append(note.time_ms)
    treatments = [note for note in known if note.kind == "treatment"]
    found = [
        follow_up
        for note in known
        for follow_up in (*_inspections(note, looked), *_repeats(note, treatments))
        if at_ms - follow_up.due_ms <= LAPSED_AFTER_MS
    ]
    heard = (_heard(follow_up, said.get((follow_up.note_id, follow_up.step)), at_ms) for follow_up in found)
    return sorted((f for f in heard if f is not None), key=lambda f: (f.due_ms, f.note_id))


def _inspections(note: Note, looked: Mapping[str | None, Sequence[int]]) -> list[FollowUp]:
    found = []
    for step, months, days, early_days in _AFTER.get(note.kind, ()):
        due_ms = _later(note.time_ms, months, days)
        # What was done on the day itself is the note, not its follow-up.
        earliest_ms = max(due_ms - early_days * DAY_MS, note.time_ms + DAY_MS)
        if any(time_ms >= earliest_ms for time_ms in looked.get(note.pot, ())):
            continue
        says = f"Inspect {note.pot}: {step.replace('_', ' ')} after {_WORDS[note.kind]}."
        found.append(FollowUp(note.id or 0, step, note.pot, "inspection", due_ms, "waiting", says))
    return found


def _repeats(note: Note, treatments: Sequence[Note]) -> list[FollowUp]:
    days = note.detail.get("repeat_after_days")
    if note.kind != "treatment" or days is None:
        return []
    due_ms = note.time_ms + days * DAY_MS
    whom, what = _treated(note), note.detail.get("against")
    if any(
        _treated(other) == whom and other.detail.get("against") == what and other.time_ms > note.time_ms + DAY_MS // 2
        for other in treatments
    ):
        return []
    against = f" against {what}" if what else ""
    subject = note.pot or (f"batch {note.detail['batch']}" if note.detail.get("batch") else "the collection")
    says = f"Repeat the treatment of {subject}{against}, as its label allows."
    return [FollowUp(note.id or 0, "repeat", note.pot, "treatment", due_ms, "waiting", says)]


def _treated(note: Note) -> tuple[str | None, str | None]:
    return note.pot, note.detail.get("batch")


def _heard(follow_up: FollowUp, said: Said | None, at_ms: int) -> FollowUp | None:
    if said is not None and said.done_ms is not None and said.done_ms <= at_ms:
        return None
    if said is not None and said.snoozed_until_ms is not None and said.snoozed_until_ms > follow_up.due_ms:
        state: State = "snoozed" if said.snoozed_until_ms > at_ms else "due"
        return replace(follow_up, due_ms=said.snoozed_until_ms, state=state)
    return replace(follow_up, state="due" if follow_up.due_ms <= at_ms else "waiting")


def _later(time_ms: int, months: int, days: int) -> int:
    """Calendar months later: from the 31st of January to the last of February."""
    moment = pd.Timestamp(time_ms, unit="ms") + pd.DateOffset(months=months, days=days)
    return int(moment.value // 1_000_000)  # pandas gives nanoseconds, whatever the unit
