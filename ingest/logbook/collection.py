"""Shelves, pots, pot types and batches.

Owns labels: each is unique whatever its capitals, and every other room names a pot by it. Pots are never deleted:
one that died or left is `gone` from a moment on.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from ingest.logbook import tables as t
from ingest.logbook.records import Pot, PotType, Record, Shelf, checked, merged
from ingest.logbook.refusals import Refused, Unknown, named, nearest
from ingest.logbook.store import Store


def label_key(label: str) -> str:
    """What makes two labels the same: `Window left` and `window left` would only be mistaken for each other."""
    return label.casefold()


class Collection(Store):
    """What stands in the glasshouse."""

    # --- shelves

    def shelves(self) -> list[Shelf]:
        """Every shelf, in the order they were entered."""
        with self.reading() as connection:
            rows = connection.execute(sa.select(t.shelf.c.label, t.shelf.c.body).order_by(t.shelf.c.id))
            return [Shelf.model_validate({"label": row.label, **row.body}) for row in rows]

    def put_shelf(self, shelf: Shelf | Mapping[str, Any]) -> None:
        """Enter a shelf, or describe it anew."""
        record = shelf if isinstance(shelf, Shelf) else checked(Shelf, shelf, "shelf")
        with self.writing():
            if record.air_from is not None and record.air_from != record.label:
                self._id_of(t.shelf, record.air_from, "shelf")
            self._put(t.shelf, record)

    def rename_shelf(self, label: str, new_label: str) -> None:
        """Give a shelf another label; set-ups, placements and notes follow."""
        record = checked(Shelf, {"label": new_label})
        with self.writing() as connection:
            self._rename(t.shelf, label, record.label, "shelf")
            for column in (t.setup.c.body, t.setup.c.change, t.note.c.detail, t.shelf.c.body):
                _rename_inside(connection, column, label, record.label)

    def withdraw_shelf(self, label: str) -> None:
        """Take away a shelf that was entered by mistake: nothing may ever have stood there or borrowed its air."""
        with self.writing() as connection:
            shelf_id = self._id_of(t.shelf, label, "shelf")
            placed = connection.execute(sa.select(t.placement.c.id).where(t.placement.c.shelf_id == shelf_id)).first()
            columns = (t.setup.c.body, t.setup.c.change, t.shelf.c.body)
            bodies = (row.body for c in columns for row in connection.execute(sa.select(c.label("body"))) if row.body)
            if placed is not None or any(label in (body.get("shelf"), body.get("air_from")) for body in bodies):
                raise Refused(
                    f"The shelf {named(label)} cannot be taken out: a pot, a sensor or another shelf names it."
                )
            self._remove_labelled(t.shelf, shelf_id)

    # --- pots

    def pots(self, *, gone: bool = False) -> list[Pot]:
        """The pots of the collection, in the order they were entered; with `gone=True` also those that are no more."""
        query = sa.select(t.pot.c.label, t.pot.c.gone_ms, t.pot.c.body).order_by(t.pot.c.id)
        if not gone:
            query = query.where(t.pot.c.gone_ms.is_(None))
        with self.reading() as connection:
            return [_pot(row) for row in connection.execute(query)]

    def pot(self, label: str) -> Pot:
        """One pot; `Unknown` names the nearest label."""
        with self.reading() as connection:
            pot_id = self._id_of(t.pot, label, "pot")
            return _pot(connection.execute(sa.select(t.pot).where(t.pot.c.id == pot_id)).one())

    def put_pot(self, pot: Pot | Mapping[str, Any]) -> None:
        """Enter a pot, or describe it anew. When it is gone is said by a note, not here."""
        record = pot if isinstance(pot, Pot) else checked(Pot, pot, "pot")
        with self.writing():
            if record.type is not None:
                self._id_of(t.pot_type, record.type, "pot type")
            self._put(t.pot, record)

    def rename_pot(self, label: str, new_label: str) -> None:
        """Give a pot another label; everything of it follows."""
        record = checked(Pot, {"label": new_label})
        with self.writing():
            self._rename(t.pot, label, record.label, "pot")

    def withdraw_pot(self, label: str) -> None:
        """Take away a pot that was entered by mistake, with its set-ups; one of which anything was noted stays."""
        with self.writing() as connection:
            pot_id = self._id_of(t.pot, label, "pot")
            for table in (t.note, t.placement):
                if connection.execute(sa.select(table.c.id).where(table.c.pot_id == pot_id)).first() is not None:
                    raise Refused(
                        f"{named(label)} cannot be taken out: it has notes or a sensor. If it is no more, log that it "
                        "died or is gone; its history then stays."
                    )
            for row in connection.execute(sa.select(t.setup).where(t.setup.c.pot_id == pot_id)).all():
                self._keep("setup", pot_id, {**row.body, "from_ms": row.from_ms, "to_ms": row.to_ms})
            connection.execute(sa.delete(t.setup).where(t.setup.c.pot_id == pot_id))
            self._remove_labelled(t.pot, pot_id)

    def pot_history(self, label: str) -> list[dict[str, Any]]:
        """What was said of a pot before it was described anew or renamed, with `written_ms`, the first first."""
        with self.reading() as connection:
            kept = sa.and_(t.history.c.subject == "pot", t.history.c.subject_id == self._id_of(t.pot, label, "pot"))
            rows = connection.execute(sa.select(t.history).where(kept).order_by(t.history.c.id))
            return [{**row.body, "written_ms": row.written_ms} for row in rows]

    def edit_pots(self, labels: Sequence[str], changes: Mapping[str, Any]) -> None:
        """The same change for many pots at once (`{"likes": "airy"}`); a key set to None is taken out."""
        if "label" in changes:
            raise Refused("Many pots cannot be given one label.")
        with self.writing():
            for label in labels:
                self.put_pot(checked(Pot, merged(self.pot(label).given(), changes), f"pot {named(label)}"))

    def batches(self) -> dict[str, list[Pot]]:
        """Batch label -> its pots, gone ones included: what arrived or was treated together."""
        found: dict[str, list[Pot]] = {}
        for pot in self.pots(gone=True):
            if pot.batch is not None:
                found.setdefault(pot.batch, []).append(pot)
        return found

    # --- pot types

    def pot_types(self) -> list[PotType]:
        """Every pot type."""
        with self.reading() as connection:
            rows = connection.execute(sa.select(t.pot_type.c.label, t.pot_type.c.body).order_by(t.pot_type.c.id))
            return [PotType.model_validate({"label": row.label, **row.body}) for row in rows]

    def pot_type(self, label: str) -> PotType:
        """One pot type; `Unknown` names the nearest label."""
        with self.reading() as connection:
            type_id = self._id_of(t.pot_type, label, "pot type")
            row = connection.execute(sa.select(t.pot_type).where(t.pot_type.c.id == type_id)).one()
            return PotType.model_validate({"label": row.label, **row.body})

    def put_pot_type(self, pot_type: PotType | Mapping[str, Any]) -> None:
        """Enter a pot type, or describe it anew; pots already set up after it keep their set-ups."""
        record = pot_type if isinstance(pot_type, PotType) else checked(PotType, pot_type, "pot type")
        with self.writing():
            self._put(t.pot_type, record)

    def withdraw_pot_type(self, label: str) -> None:
        """Take away a pot type; pots that were set up after it keep their set-ups, and it is no longer named there."""
        with self.writing():
            type_id = self._id_of(t.pot_type, label, "pot type")
            self.edit_pots([pot.label for pot in self.pots(gone=True) if pot.type == label], {"type": None})
            self._remove_labelled(t.pot_type, type_id)

    # --- what they share

    def _remove_labelled(self, table: sa.Table, row_id: int) -> None:
        with self.writing() as connection:
            row = connection.execute(sa.select(table.c.label, table.c.body).where(table.c.id == row_id)).one()
            self._keep(table.name, row_id, {"label": row.label, **row.body})
            connection.execute(sa.delete(table).where(table.c.id == row_id))

    def _put(self, table: sa.Table, record: Record) -> int:
        body = record.model_dump(mode="json", exclude_unset=True)
        label = body.pop("label")
        body.pop("gone_ms", None)  # the died and gone notes say it
        with self.writing() as connection:
            row = connection.execute(sa.select(table).where(table.c.label_key == label_key(label))).one_or_none()
            if row is None:
                values = {"label": label, "label_key": label_key(label), "body": body}
                return int(connection.execute(sa.insert(table).values(values).returning(table.c.id)).scalar_one())
            if row.label != label:
                raise Refused(f"{named(label)} and {named(row.label)} differ only in capitals; labels must be unique.")
            if row.body != body:
                self._keep(table.name, row.id, {"label": label, **row.body})
                connection.execute(sa.update(table).where(table.c.id == row.id).values(body=body))
            return int(row.id)

    def _rename(self, table: sa.Table, label: str, new_label: str, noun: str) -> None:
        with self.writing() as connection:
            row_id = self._id_of(table, label, noun)
            taken = connection.execute(
                sa.select(table.c.label).where(table.c.label_key == label_key(new_label), table.c.id != row_id)
            ).scalar()
            if taken is not None:
                raise Refused(f"There is already a {noun} {named(taken)}; labels must be unique.")
            self._keep(table.name, row_id, {"label": label})
            values = {"label": new_label, "label_key": label_key(new_label)}
            connection.execute(sa.update(table).where(table.c.id == row_id).values(values))

    def _ids(self, table: sa.Table) -> dict[str, int]:
        with self.reading() as connection:
            return {row.label: row.id for row in connection.execute(sa.select(table.c.label, table.c.id))}

    def _id_of(self, table: sa.Table, label: str, noun: str) -> int:
        with self.reading() as connection:
            found = connection.execute(sa.select(table.c.id).where(table.c.label == label)).scalar()
            if found is None:
                raise unknown(noun, label, self._ids(table))
            return int(found)


def unknown(noun: str, label: str, known: Mapping[str, int]) -> Unknown:
    """The refusal for a label that is not in the logbook."""
    return Unknown(f"There is no {noun} {named(label)}; {nearest(label, known)}")


def _pot(row: Any) -> Pot:
    gone = {} if row.gone_ms is None else {"gone_ms": row.gone_ms}
    return Pot.model_validate({"label": row.label, **row.body, **gone})


def _rename_inside(connection: sa.Connection, column: sa.ColumnElement[Any], label: str, new_label: str) -> None:
    """Rename a shelf where a JSON column names it."""
    table = column.table
    for row in connection.execute(sa.select(table.c.id, column.label("body")).where(column.is_not(None))).all():
        body = row.body
        inner = body.get("change") or {}
        changed = dict(body)
        for key in ("shelf", "air_from"):
            if changed.get(key) == label:
                changed[key] = new_label
        if inner.get("shelf") == label:
            changed["change"] = {**inner, "shelf": new_label}
        if changed != body:
            connection.execute(sa.update(table).where(table.c.id == row.id).values({column.key: changed}))
