"""Dated set-ups of pots: a change closes one and opens the next, two never overlap, and a backdated change
splits history.

A set-up is either described in full or is a *change* of the one before it. When something earlier changes, the
changes after it are applied again, so a cover put on in March and entered in May is also on the April set-up.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from ingest.logbook import tables as t
from ingest.logbook.collection import Collection
from ingest.logbook.records import Pot, SetUp, SetUpChange, checked, merged
from ingest.logbook.refusals import Overlap, Refused, Unknown, named
from ingest.logbook.spans import Span, extended_by_removal, opening
from ingest.moments import text_of

_LAST_MS = 2**62
_ONE_VISIT_MS = 100  # set-ups closer than this are changes that share a moment


class Setups(Collection):
    """How every pot was built, and where it stood, when. A set-up is a plain dict with `from_ms` and `to_ms`."""

    def setups(self, pot: str) -> list[dict[str, Any]]:
        """The set-ups of a pot in the order of time."""
        with self.reading():
            return [_plain(row) for row in self._setup_rows(self._id_of(t.pot, pot, "pot"))]

    def all_setups(self) -> dict[str, list[dict[str, Any]]]:
        """Pot label -> its set-ups, gone pots included, in one query."""
        found: dict[str, list[dict[str, Any]]] = {pot.label: [] for pot in self.pots(gone=True)}
        query = sa.select(t.pot.c.label, t.setup).join(t.pot).order_by(t.setup.c.from_ms)
        with self.reading() as connection:
            for row in connection.execute(query):
                found[row.label].append(_plain(row))
        return found

    def setup_at(self, pot: str, time_ms: int) -> dict[str, Any] | None:
        """The set-up in force at a moment; None when there was none."""
        return next((s for s in self.setups(pot) if s["from_ms"] <= time_ms < (s["to_ms"] or _LAST_MS)), None)

    def setups_at(self, time_ms: int) -> dict[str, dict[str, Any]]:
        """Pot label -> the set-up in force at a moment, for the pots that had one."""
        query = (
            sa.select(t.pot.c.label, t.setup)
            .join(t.pot)
            .where(t.setup.c.from_ms <= time_ms, sa.or_(t.setup.c.to_ms.is_(None), t.setup.c.to_ms > time_ms))
            .order_by(t.pot.c.id)
        )
        with self.reading() as connection:
            return {row.label: _plain(row) for row in connection.execute(query)}

    def pots_on(self, shelf: str, time_ms: int) -> list[str]:
        """The pots that stood on a shelf at a moment."""
        with self.reading():
            self._id_of(t.shelf, shelf, "shelf")
            return [label for label, setup in self.setups_at(time_ms).items() if setup["shelf"] == shelf]

    def describe_setup(self, pot: str, setup: Mapping[str, Any], from_ms: int, to_ms: int | None = None) -> None:
        """A set-up in full from a moment on. One that begins at the same moment is described anew."""
        body = _checked_body(pot, setup)
        with self.writing():
            pot_id = self._id_of(t.pot, pot, "pot")
            self._id_of(t.shelf, body["shelf"], "shelf")
            same = next((row for row in self._setup_rows(pot_id) if row.from_ms == from_ms), None)
            if same is None:
                self._open(pot, pot_id, from_ms, to_ms, {"body": body, "change": None, "note_id": None})
            else:
                self._describe_anew(pot, same, body, to_ms)
            self._apply_changes(pot, pot_id)

    def change_setup(self, pot: str, change: Mapping[str, Any], from_ms: int, *, note_id: int | None = None) -> None:
        """A change of what was there before, from a moment on; only the keys that change are given.

        Two changes of one visit may share their moment: the second takes effect a millisecond later.
        """
        given = checked(SetUpChange, change, f"pot {named(pot)}, change").given()
        if not given:
            raise Refused(f"The change of {named(pot)} names nothing that changes.")
        with self.writing():
            pot_id = self._id_of(t.pot, pot, "pot")
            if given.get("shelf") is not None:
                self._id_of(t.shelf, given["shelf"], "shelf")
            rows = self._setup_rows(pot_id)
            if note_id is not None and self._joined(rows, given, from_ms, note_id):
                return
            starts = {row.from_ms for row in rows}
            while from_ms in starts:
                from_ms += 1
            self._open(pot, pot_id, from_ms, None, {"body": {}, "change": given, "note_id": note_id})
            self._apply_changes(pot, pot_id)

    def withdraw_setup(self, pot: str, from_ms: int) -> None:
        """Take away the set-up that begins at a moment; the one before it lasts on. It stays in the history."""
        with self.writing():
            pot_id = self._id_of(t.pot, pot, "pot")
            row = next((row for row in self._setup_rows(pot_id) if row.from_ms == from_ms), None)
            if row is None:
                raise Unknown(f"{named(pot)} has no set-up that begins at {text_of(from_ms)}.")
            self._refuse_a_notes_own(pot, row)
            self._remove(row)
            self._apply_changes(pot, pot_id)

    def setup_history(self, pot: str) -> list[dict[str, Any]]:
        """Every set-up of a pot that was described anew, split or taken away, as it was, with `written_ms`."""
        with self.reading() as connection:
            pot_id = self._id_of(t.pot, pot, "pot")
            rows = connection.execute(
                sa.select(t.history)
                .where(t.history.c.subject == "setup", t.history.c.subject_id == pot_id)
                .order_by(t.history.c.id)
            )
            return [{**row.body, "written_ms": row.written_ms} for row in rows]

    # --- many pots at once

    def new_pots(self, pot_type: str, labels: Sequence[str], shelf: str, from_ms: int, **about: Any) -> None:
        """Pots set up after a type, standing on a shelf from a moment on; `about` are further keys of each pot."""
        with self.writing():
            template = self.pot_type(pot_type)
            body = {key: value for key, value in template.given().items() if key not in ("label", "likes", "roots")}
            words = {key: value for key, value in template.given().items() if key in ("likes", "roots")}
            for label in labels:
                self._must_be_new(label)
                self.put_pot({**words, **about, "label": label, "type": pot_type})
                self.describe_setup(label, {**body, "shelf": shelf}, from_ms)

    def copy_pot(self, label: str, new_labels: Sequence[str], from_ms: int) -> None:
        """New pots built like one that is there, as it is set up at that moment."""
        with self.writing():
            pattern = self.pot(label)
            setup = self.setup_at(label, from_ms)
            if setup is None:
                raise Refused(f"{named(label)} has no set-up at {text_of(from_ms)} that could be copied.")
            body = {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}
            about = {key: value for key, value in pattern.given().items() if key not in ("label", "gone_ms")}
            for new_label in new_labels:
                self._must_be_new(new_label)
                self.put_pot(Pot.model_validate({**about, "label": new_label}))
                self.describe_setup(new_label, body, from_ms)

    def change_setups(self, labels: Sequence[str], change: Mapping[str, Any], from_ms: int) -> None:
        """The same change for many pots at once."""
        with self.writing():
            for label in labels:
                self.change_setup(label, change, from_ms)

    # --- rows

    def _must_be_new(self, label: str) -> None:
        if label in self._ids(t.pot):
            raise Refused(f"There is already a pot {named(label)}; labels must be unique.")

    def _setup_rows(self, pot_id: int) -> list[sa.Row[Any]]:
        with self.reading() as connection:
            query = sa.select(t.setup).where(t.setup.c.pot_id == pot_id).order_by(t.setup.c.from_ms)
            return list(connection.execute(query))

    def _open(self, pot: str, pot_id: int, from_ms: int, to_ms: int | None, values: Mapping[str, Any]) -> None:
        rows = self._setup_rows(pot_id)
        fit = opening([_span(row) for row in rows], from_ms, to_ms, f"A set-up of {named(pot)}")
        new = [{"pot_id": pot_id, "from_ms": from_ms, "to_ms": fit.to_ms, **values}]
        with self.writing() as connection:
            if fit.closes is not None:
                closed = next(row for row in rows if row.id == fit.closes)
                connection.execute(sa.update(t.setup).where(t.setup.c.id == closed.id).values(to_ms=from_ms))
                if fit.resumes is not None:
                    rest = {"from_ms": fit.resumes[0], "to_ms": fit.resumes[1]}
                    new.append({"pot_id": pot_id, **rest, "body": closed.body, "change": None, "note_id": None})
            for row_values in new:
                connection.execute(sa.insert(t.setup).values(row_values))

    def _joined(self, rows: Sequence[sa.Row[Any]], given: Mapping[str, Any], at_ms: int, note_id: int) -> bool:
        """Whether the set-up was described beforehand and the note tells of the same change: they are one then."""
        for before, row in zip([None, *rows], rows, strict=False):
            beside = at_ms <= row.from_ms < at_ms + _ONE_VISIT_MS and row.note_id is None
            if beside and merged(row.body, given) == row.body:
                is_change = before is not None and merged(before.body, given) == row.body
                values = {"note_id": note_id, "change": given if is_change else row.change}
                with self.writing() as connection:
                    connection.execute(sa.update(t.setup).where(t.setup.c.id == row.id).values(values))
                return True
        return False

    def _describe_anew(self, pot: str, row: sa.Row[Any], body: Mapping[str, Any], to_ms: int | None) -> None:
        values: dict[str, Any] = {}
        if row.body != body:
            self._refuse_a_notes_own(pot, row)
            values = {"body": body, "change": None}
        if to_ms is not None and row.to_ms != to_ms:
            if row.to_ms is not None and to_ms > row.to_ms:
                raise Overlap(f"The set-up of {named(pot)} until {text_of(to_ms)} would overlap the one after it.")
            values["to_ms"] = to_ms
        if values:
            self._keep_setup(row)
            with self.writing() as connection:
                connection.execute(sa.update(t.setup).where(t.setup.c.id == row.id).values(values))

    def _refuse_a_notes_own(self, pot: str, row: sa.Row[Any]) -> None:
        if row.note_id is not None:
            raise Refused(
                f"The set-up of {named(pot)} from {text_of(row.from_ms)} is what note {row.note_id} tells of; "
                "correct or withdraw that note."
            )

    def _remove(self, row: sa.Row[Any]) -> None:
        longer = extended_by_removal([_span(other) for other in self._setup_rows(row.pot_id)], _span(row))
        with self.writing() as connection:
            self._keep_setup(row)
            connection.execute(sa.delete(t.setup).where(t.setup.c.id == row.id))
            if longer is not None:
                connection.execute(sa.update(t.setup).where(t.setup.c.id == longer.id).values(to_ms=longer.to_ms))

    def _apply_changes(self, pot: str, pot_id: int) -> None:
        """Make the bodies of changes again, each from the set-up before it."""
        before: dict[str, Any] = {}
        with self.writing() as connection:
            for row in self._setup_rows(pot_id):
                body = row.body if row.change is None else merged(before, row.change)
                if "shelf" not in body:
                    raise Refused(
                        f"{named(pot)} has no set-up before {text_of(row.from_ms)} that could change; "
                        "describe how it was set up then first."
                    )
                if body != row.body:
                    if row.body:
                        self._keep_setup(row)
                    connection.execute(sa.update(t.setup).where(t.setup.c.id == row.id).values(body=body))
                before = body

    def _keep_setup(self, row: sa.Row[Any]) -> None:
        self._keep("setup", row.pot_id, {**row.body, "from_ms": row.from_ms, "to_ms": row.to_ms})


def _checked_body(pot: str, setup: Mapping[str, Any]) -> dict[str, Any]:
    body = {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}
    return merged({}, checked(SetUp, body, f"pot {named(pot)}, set-up").given())


def _plain(row: sa.Row[Any]) -> dict[str, Any]:
    return {"from_ms": row.from_ms, "to_ms": row.to_ms, **row.body}


def _span(row: sa.Row[Any]) -> Span:
    return Span(row.id, row.from_ms, row.to_ms)
