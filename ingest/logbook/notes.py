"""Notes: what people saw and did. Corrected or withdrawn, never deleted; every version stays readable.

A note that tells of a change (repot, cover, holes, wick, move) opens the set-up that it made; one that tells of an
end (died, gone) closes the last. When such a note is corrected or withdrawn, its set-up follows.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest.logbook import tables as t
from ingest.logbook.records import CHANGING, ENDING, NOTE_COLUMNS, Note, checked_note
from ingest.logbook.refusals import Changed, Fault, Refused, Unknown, named, nearest
from ingest.logbook.setups import Setups
from ingest.moments import text_of

_KEPT = (*NOTE_COLUMNS[3:], "detail")  # the columns of the table that a person fills, beside time, pot and kind

MOST_NOTES = 2**31  # what the smallest of the databases numbers its rows with


class Notes(Setups):
    """What people saw and did."""

    # --- reading

    def notes(
        self,
        pot: str | None = None,
        since_ms: int | None = None,
        until_ms: int | None = None,
        kinds: Sequence[str] | None = None,
        *,
        withdrawn: bool = False,
    ) -> list[Note]:
        """Notes in the order of time, `[since_ms, until_ms)`; withdrawn ones only when asked for."""
        with self.reading() as connection:
            query = self._query(pot, since_ms, until_ms, kinds, withdrawn=withdrawn)
            return [_note(row) for row in connection.execute(query)]

    def notes_frame(
        self,
        pot: str | None = None,
        since_ms: int | None = None,
        until_ms: int | None = None,
        kinds: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Notes as a table: the columns of the notes CSV, with `id`, `time_ms` and `detail` (a dict, or None).

        Missing numbers are NaN, missing words None. Withdrawn notes are left out.
        """
        with self.reading() as connection:
            rows = connection.execute(self._query(pot, since_ms, until_ms, kinds, withdrawn=False)).all()
        names = ("id", "time_ms", "pot", "kind", *_KEPT)
        values = list(zip(*rows, strict=True)) if rows else [()] * (len(names) + 2)
        columns: dict[str, Any] = dict(zip(names, values, strict=False))
        frame = pd.DataFrame({"id": np.array(columns["id"], dtype=np.int64)})
        frame["time_ms"] = np.array(columns["time_ms"], dtype=np.int64)
        frame["time"] = pd.to_datetime(frame["time_ms"], unit="ms", utc=True)
        for name in ("pot", "kind", *_KEPT):
            words = name in ("pot", "kind", "how", "why", "text", "detail")
            # A plain array of objects: numpy would try to make sense of dicts of equal shape.
            column = np.empty(len(rows), dtype=object) if words else np.array(columns[name], dtype=np.float64)
            if words:
                column[:] = columns[name]
            frame[name] = pd.Series(column, dtype=object if words else np.float64)
        return frame

    def note(self, note_id: int) -> Note:
        """One note as it stands."""
        with self.reading() as connection:
            return _note(self._note_row(connection, note_id))

    def note_history(self, note_id: int) -> list[Note]:
        """Every version of a note, the first one first, the standing one last."""
        with self.reading() as connection:
            standing = self.note(note_id)
            query = sa.select(t.history.c.body).where(t.history.c.subject == "note", t.history.c.subject_id == note_id)
            earlier = [Note.model_validate(row.body) for row in connection.execute(query.order_by(t.history.c.id))]
        return [*earlier, standing]

    # --- writing

    def add_note(self, note: Note | Mapping[str, Any]) -> int:
        """Log a note; its number comes back."""
        return self.add_notes([note])[0]

    def add_notes(self, notes: Iterable[Note | Mapping[str, Any]]) -> list[int]:
        """Log many notes, all or none."""
        return self._log([checked_note(note) for note in notes])

    def add_note_for(self, pots: Sequence[str], note: Mapping[str, Any]) -> list[int]:
        """One note for many pots: each has its own copy, to be corrected by itself."""
        return self.add_notes([{**note, "pot": pot} for pot in pots])

    def fill_shelf(self, shelf: str, time_ms: int, **about: Any) -> list[int]:
        """'Filled the whole shelf': a refill to the mark, amount unknown, for every pot that stood there then."""
        with self.writing():
            pots = self.pots_on(shelf, time_ms)
            if not pots:
                raise Refused(f"No pot stood on {named(shelf)} at {text_of(time_ms)}.")
            return self.add_note_for(pots, {"time_ms": time_ms, "kind": "refill", **about})

    def correct_note(self, note_id: int, version: int, changes: Mapping[str, Any]) -> Note:
        """Correct a note that was read as `version`; `Changed` when somebody corrected it in between.

        `changes` holds the keys that change; None takes one out.
        """
        with self.writing() as connection:
            row = self._note_at_version(connection, note_id, version)
            old = _note(row)
            forbidden = set(changes) & {"id", "version", "withdrawn"}
            if forbidden:
                raise Refused(f"{named(min(forbidden))} is the logbook's own and cannot be corrected.")
            kept = {key: value for key, value in {**_person_given(old), **changes}.items() if value is not None}
            new = checked_note(kept)
            if _person_given(new) == _person_given(old):
                return old
            self._undo(old)
            self._keep("note", note_id, old.given())
            pot_id = None if new.pot is None else self._id_of(t.pot, new.pot, "pot")
            values = _row_of(new, pot_id) | {"version": version + 1, "written_ms": self._clock()}
            connection.execute(sa.update(t.note).where(t.note.c.id == note_id).values(values))
            if not old.withdrawn:
                self._take_effect(note_id, new)
            return self.note(note_id)

    def withdraw_note(self, note_id: int, version: int) -> Note:
        """Take a note back. It stays readable, counts no more, and can be put back."""
        return self._set_withdrawn(note_id, version, withdrawn=True)

    def put_back_note(self, note_id: int, version: int) -> Note:
        """Undo a withdrawal."""
        return self._set_withdrawn(note_id, version, withdrawn=False)

    # --- what a note does

    def _log(self, notes: Sequence[Note], places: Sequence[str] = ()) -> list[int]:
        """Write notes, all or none; `places` are what a fault of each is called by (`row 7`)."""
        if not notes:
            return []
        places = places or [""] * len(notes)
        with self.writing() as connection:
            pots = self._ids(t.pot)
            _refuse_unknown_pots(notes, places, pots)
            newest = connection.execute(sa.select(sa.func.max(t.note.c.id))).scalar() or 0
            ids = list(range(newest + 1, newest + 1 + len(notes)))
            written = {"version": 1, "withdrawn": False, "written_ms": self._clock()}
            rows = [
                {"id": note_id, **_row_of(note, None if note.pot is None else pots[note.pot]), **written}
                for note_id, note in zip(ids, notes, strict=True)
            ]
            connection.execute(sa.insert(t.note), rows)
            faults: list[Fault] = []
            # In the order of time, since each change builds on the set-up before it.
            for note_id, note, place in sorted(
                zip(ids, notes, places, strict=True), key=lambda logged: logged[1].time_ms
            ):
                try:
                    self._take_effect(note_id, note)
                except Refused as refused:
                    faults += [Fault(fault.where or place, fault.says) for fault in refused.faults]
            if faults:
                raise Refused(*faults)
            return ids

    def _take_effect(self, note_id: int, note: Note) -> None:
        if note.kind in CHANGING and note.detail.get("change") and note.pot is not None:
            self.change_setup(note.pot, note.detail["change"], note.time_ms, note_id=note_id)
        if note.kind in ENDING and note.pot is not None:
            self._end(note.pot, note.time_ms)

    def _undo(self, note: Note) -> None:
        """Take back what a note did, before it is changed or withdrawn."""
        if note.withdrawn or note.pot is None:
            return
        with self.writing() as connection:
            row = connection.execute(sa.select(t.setup).where(t.setup.c.note_id == note.id)).one_or_none()
            if row is not None and row.change is None:
                # Described in full by somebody: it stands by itself.
                connection.execute(sa.update(t.setup).where(t.setup.c.id == row.id).values(note_id=None))
            elif row is not None:
                self._remove(row)
                self._apply_changes(note.pot, row.pot_id)
            if note.kind in ENDING:
                self._unend(note.pot, note.time_ms)

    def _end(self, pot: str, at_ms: int) -> None:
        with self.writing() as connection:
            pot_id = self._id_of(t.pot, pot, "pot")
            rows = self._setup_rows(pot_id)
            if any(row.from_ms > at_ms for row in rows):
                raise Refused(f"{named(pot)} has a set-up after {text_of(at_ms)}, so it was still there.")
            gone = connection.execute(sa.select(t.pot.c.gone_ms).where(t.pot.c.id == pot_id)).scalar()
            if gone is not None:
                raise Refused(
                    f"{named(pot)} is already noted as gone since {text_of(gone)}; correct that note instead."
                )
            if rows and rows[-1].to_ms is None and rows[-1].from_ms < at_ms:
                connection.execute(sa.update(t.setup).where(t.setup.c.id == rows[-1].id).values(to_ms=at_ms))
            connection.execute(sa.update(t.pot).where(t.pot.c.id == pot_id).values(gone_ms=at_ms))

    def _unend(self, pot: str, at_ms: int) -> None:
        with self.writing() as connection:
            pot_id = self._id_of(t.pot, pot, "pot")
            rows = self._setup_rows(pot_id)
            if rows and rows[-1].to_ms == at_ms:
                connection.execute(sa.update(t.setup).where(t.setup.c.id == rows[-1].id).values(to_ms=None))
            connection.execute(sa.update(t.pot).where(t.pot.c.id == pot_id).values(gone_ms=None))

    def _set_withdrawn(self, note_id: int, version: int, *, withdrawn: bool) -> Note:
        with self.writing() as connection:
            old = _note(self._note_at_version(connection, note_id, version))
            if old.withdrawn == withdrawn:
                return old
            self._undo(old)
            self._keep("note", note_id, old.given())
            values = {"withdrawn": withdrawn, "version": version + 1, "written_ms": self._clock()}
            connection.execute(sa.update(t.note).where(t.note.c.id == note_id).values(values))
            new = self.note(note_id)
            if not withdrawn:
                self._take_effect(note_id, new)
            return new

    # --- rows

    def _query(
        self,
        pot: str | None,
        since_ms: int | None,
        until_ms: int | None,
        kinds: Sequence[str] | None,
        *,
        withdrawn: bool,
    ) -> sa.Select[Any]:
        query = sa.select(
            t.note.c.id,
            t.note.c.time_ms,
            t.pot.c.label.label("pot"),
            t.note.c.kind,
            *(t.note.c[name] for name in _KEPT),
            t.note.c.version,
            t.note.c.withdrawn,
        ).outerjoin(t.pot, t.note.c.pot_id == t.pot.c.id)
        if pot is not None:
            query = query.where(t.note.c.pot_id == self._id_of(t.pot, pot, "pot"))
        if since_ms is not None:
            query = query.where(t.note.c.time_ms >= since_ms)
        if until_ms is not None:
            query = query.where(t.note.c.time_ms < until_ms)
        if kinds is not None:
            query = query.where(t.note.c.kind.in_(list(kinds)))
        if not withdrawn:
            query = query.where(sa.not_(t.note.c.withdrawn))
        return query.order_by(t.note.c.time_ms, t.note.c.id)

    def _note_row(self, connection: sa.Connection, note_id: int) -> sa.Row[Any]:
        query = self._query(None, None, None, None, withdrawn=True).where(t.note.c.id == note_id)
        # A number that no database can hold is asked of none.
        row = connection.execute(query).one_or_none() if 0 < note_id < MOST_NOTES else None
        if row is None:
            raise Unknown(f"There is no note {note_id}.")
        return row

    def _note_at_version(self, connection: sa.Connection, note_id: int, version: int) -> sa.Row[Any]:
        row = self._note_row(connection, note_id)
        if row.version != version:
            raise Changed(
                "Somebody else has changed this note since you opened it; nothing of either is lost. "
                "Look at it as it stands now, then change it again."
            )
        return row


def _refuse_unknown_pots(notes: Sequence[Note], places: Sequence[str], pots: Mapping[str, int]) -> None:
    faults = [
        Fault(f"{place}, column pot" if place else "", f"There is no pot {named(note.pot)}; {nearest(note.pot, pots)}")
        for note, place in zip(notes, places, strict=True)
        if note.pot is not None and note.pot not in pots
    ]
    if faults:
        raise Unknown(*faults)


def _person_given(note: Note) -> dict[str, Any]:
    """What the person said, without what the logbook adds."""
    own = ("id", "version", "withdrawn")
    return {key: value for key, value in note.model_dump().items() if key not in own and value not in (None, {})}


def _row_of(note: Note, pot_id: int | None) -> dict[str, Any]:
    values = {name: getattr(note, name) for name in _KEPT}
    for name in ("why", "text", "detail"):
        values[name] = values[name] or None
    return {"pot_id": pot_id, "time_ms": note.time_ms, "kind": note.kind, **values}


def _note(row: sa.Row[Any]) -> Note:
    values = {key: value for key, value in row._mapping.items() if value is not None}
    # What was checked on its way in need not be checked on its way out; a page may read tens of thousands.
    return Note.model_construct(**values)
