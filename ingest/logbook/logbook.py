"""The logbook: one object over one database, with the ways in and out.

Owns what an import does to what is already there: the file adds and corrects, and takes nothing away. An import is all
or nothing; with `keep=False` it is tried and nothing is written.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import tzinfo
from typing import Any

import sqlalchemy as sa

from ingest.logbook import tables as t
from ingest.logbook.follow_ups import BRINGING, BRINGING_FOR_MS, FollowUp, Said, open_follow_ups
from ingest.logbook.notes import Notes
from ingest.logbook.notes_csv import csv_from_notes, notes_from_csv
from ingest.logbook.placements import Placements
from ingest.logbook.plausible import new_faults, note_faults
from ingest.logbook.records import NUMBER_COLUMNS, AnyRecord, Note, Shelf, checked_note
from ingest.logbook.refusals import Fault, Refused, Unknown, named
from ingest.logbook.setup_toml import DatedSetup, Home, home_from_toml, toml_from_home
from ingest.sensors import Sensor


@dataclass(frozen=True)
class Imported:
    """What an import did, or with `keep=False` would have done."""

    read: int
    added: int


class Logbook(Notes, Placements):
    """Shelves, pots, set-ups, sensors, notes: `Logbook("sqlite:////…/logbook.db")`."""

    def import_setup(
        self, body: bytes | str, *, zone: tzinfo | None = None, keep: bool = True, plausible: bool = False
    ) -> Imported:
        """Shelves, pot types, sensors and pots of a set-up file: entered, or described anew where they are known.

        plausible: sizes that no pot has are refused, but for those that stand so already.
        """
        home = home_from_toml(body, zone)
        with self.writing(keep=keep) as connection:
            before = self._row_count(connection)
            faults = [
                *(self._implausible(home) if plausible else ()),
                *self._take_shelves(home),
                *self._take_pot_types(home),
                *self._take_pots(home),
                *self._take_sensors(home),
            ]
            if faults:
                raise Refused(*faults)
            added = self._row_count(connection) - before
        of_sensors = sum(1 + len(sensor.placed) for sensor in home.sensors)
        of_pots = sum(1 + len(setups) for _, setups in home.pots)
        return Imported(len(home.shelves) + len(home.pot_types) + of_sensors + of_pots, added)

    def _implausible(self, home: Home) -> Iterator[Fault]:
        types, setups = {one.label: one.given() for one in self.pot_types()}, self.all_setups()
        for pot_type in home.pot_types:
            yield from new_faults(f"pot type {named(pot_type.label)}", pot_type.given(), types.get(pot_type.label))
        for pot, dated in home.pots:
            for number, setup in enumerate(dated, start=1):
                place = f"pot {named(pot.label)}, set-up {number}"
                yield from new_faults(place, setup.body, setups.get(pot.label))

    def _take_shelves(self, home: Home) -> Iterator[Fault]:
        known = {shelf.label: shelf for shelf in self.shelves()}
        # Twice, because a shelf may borrow the air of one that stands further down.
        for shelf in home.shelves:
            if shelf.label not in known:
                yield from _faults(f"shelf {named(shelf.label)}", self.put_shelf, Shelf(label=shelf.label))
        for shelf in home.shelves:
            yield from _faults(f"shelf {named(shelf.label)}", self.put_shelf, _added_to(known.get(shelf.label), shelf))

    def _take_pot_types(self, home: Home) -> Iterator[Fault]:
        known = {pot_type.label: pot_type for pot_type in self.pot_types()}
        for pot_type in home.pot_types:
            whole = _added_to(known.get(pot_type.label), pot_type)
            yield from _faults(f"pot type {named(pot_type.label)}", self.put_pot_type, whole)

    def _take_pots(self, home: Home) -> Iterator[Fault]:
        known = {pot.label: pot for pot in self.pots(gone=True)}
        for pot, setups in home.pots:
            place = f"pot {named(pot.label)}"
            yield from _faults(place, self.put_pot, _added_to(known.get(pot.label), pot))
            for setup, to_ms in self._ends_of(pot.label, setups):
                arguments = (pot.label, setup.body, setup.from_ms, to_ms)
                yield from _faults(f"{place}, set-up", self.describe_setup, *arguments)

    def _take_sensors(self, home: Home) -> Iterator[Fault]:
        known = {sensor.source: sensor for sensor in self.sensors()}
        for sensor in home.sensors:
            whole = _sensor_added_to(known.get(sensor.source), sensor)
            yield from _faults(f"sensor {named(sensor.source)}", self.put_sensor, whole)

    def _ends_of(self, pot: str, setups: Sequence[DatedSetup]) -> list[tuple[DatedSetup, int | None]]:
        """Each set-up of a file with its end: its own, or where the file's next begins, unless ours know better."""
        ordered = sorted(setups, key=lambda s: s.from_ms)
        try:
            starts = [s["from_ms"] for s in self.setups(pot)]
        except Unknown:
            starts = []  # refused already, with its own sentence
        ends = []
        for setup, following in zip(ordered, [*ordered[1:], None], strict=False):
            to_ms = setup.to_ms
            if to_ms is None and following is not None:
                between = any(setup.from_ms < start < following.from_ms for start in starts)
                to_ms = None if between else following.from_ms
            ends.append((setup, to_ms))
        return ends

    def export_setup(self) -> str:
        """Everything but notes and photos as a set-up file."""
        with self.reading():
            setups = self.all_setups()
            pots = [(pot, [_dated(setup) for setup in setups[pot.label]]) for pot in self.pots(gone=True)]
            return toml_from_home(Home(self.shelves(), self.pot_types(), self.sensors(), pots))

    def import_notes(
        self, body: bytes | str, *, zone: tzinfo | None = None, keep: bool = True, at_ms: int | None = None
    ) -> Imported:
        """The notes of a CSV file. A note that is there already, the same in everything, is not added twice.

        at_ms: the moment that it is; with it, new notes that are still to come and sizes that no pot has are refused.
        """
        notes = notes_from_csv(body, zone)
        with self.writing(keep=keep):
            new = self._not_there_yet(notes)
            wrong = [] if at_ms is None else [one for row, note in new.items() for one in note_faults(row, note, at_ms)]
            wrong += _faults("", self._log, list(new.values()), [f"row {row}" for row in new])
            if wrong:
                raise Refused(*wrong)
        return Imported(len(notes), len(new))

    def _not_there_yet(self, notes: Mapping[int, Note]) -> dict[int, Note]:
        """The notes that the logbook has not, counting twins: of three alike, one there leaves two."""
        moments = {note.time_ms for note in notes.values()}
        since_ms, until_ms = (min(moments), max(moments) + 1) if moments else (0, 0)
        standing = self.notes(since_ms=since_ms, until_ms=until_ms)
        there = Counter(_same(note) for note in standing if note.time_ms in moments)
        new = {}
        for row, note in notes.items():
            same = _same(note) if there else ""
            if there[same] > 0:
                there[same] -= 1
            else:
                new[row] = note
        return new

    def add_notes_once(self, notes: Iterable[Note | Mapping[str, Any]]) -> list[int]:
        """Log notes that may have come before, when their answer was lost on its way; all or none.

        A note that was logged already with the same moment and the same words keeps the number that it has, also when
        somebody has corrected or withdrawn it since.
        """
        wanted = [checked_note(note) for note in notes]
        with self.writing():
            there = self._as_first_said({note.time_ms for note in wanted})
            known = [there[same].pop(0) if there.get(same := _same(note)) else None for note in wanted]
            fresh = iter(self._log([note for note, there_as in zip(wanted, known, strict=True) if there_as is None]))
            return [next(fresh) if there_as is None else there_as for there_as in known]

    def _as_first_said(self, moments: set[int]) -> dict[str, list[int]]:
        """The notes that were first said to be of these moments: their words at that time -> their numbers."""
        with self.reading() as connection:
            at_time = sa.select(t.note.c.id).where(t.note.c.time_ms.in_(moments))
            said_ms = sa.cast(t.history.c.body["time_ms"].as_string(), sa.BigInteger)  # more than 32 bits
            earlier = sa.select(t.history.c.subject_id).where(t.history.c.subject == "note", said_ms.in_(moments))
            numbers = sorted({*connection.execute(at_time).scalars(), *connection.execute(earlier).scalars()})
            firsts = [(number, self.note_history(number)[0]) for number in numbers]
        found: dict[str, list[int]] = {}
        for number, first in firsts:
            found.setdefault(_same(first), []).append(number)
        return found

    def export_notes(self) -> str:
        """All standing notes as CSV."""
        return csv_from_notes(self.notes_frame())

    def follow_ups(self, at_ms: int) -> list[FollowUp]:
        """What is open at a moment because of notes before it, the first due first."""
        with self.reading() as connection:
            notes = self.notes(since_ms=at_ms - BRINGING_FOR_MS, until_ms=at_ms + 1, kinds=BRINGING)
            notes += self.notes(until_ms=at_ms + 1, kinds=("treatment",))  # may be due again after years
            rows = connection.execute(sa.select(t.follow_up))
            said = {(row.note_id, row.step): Said(row.done_ms, row.snoozed_until_ms) for row in rows}
            gone = frozenset(pot.label for pot in self.pots(gone=True) if pot.gone_ms is not None)
        return open_follow_ups(notes, said, at_ms, gone)

    def finish_follow_up(self, note_id: int, step: str, at_ms: int) -> None:
        """Tick a follow-up off."""
        self._say(note_id, step, done_ms=at_ms)

    def snooze_follow_up(self, note_id: int, step: str, until_ms: int) -> None:
        """Put a follow-up off until a moment."""
        self._say(note_id, step, snoozed_until_ms=until_ms)

    def keep_follow_up(self, note_id: int, step: str) -> None:
        """Take back what was said of a follow-up: it is open again, when its note says."""
        self._say(note_id, step)

    def _say(self, note_id: int, step: str, *, done_ms: int | None = None, snoozed_until_ms: int | None = None) -> None:
        with self.writing() as connection:
            self._note_row(connection, note_id)
            there = sa.and_(t.follow_up.c.note_id == note_id, t.follow_up.c.step == step)
            connection.execute(sa.delete(t.follow_up).where(there))
            if done_ms is not None or snoozed_until_ms is not None:
                values = {"done_ms": done_ms, "snoozed_until_ms": snoozed_until_ms}
                connection.execute(sa.insert(t.follow_up).values(note_id=note_id, step=step, **values))

    def _row_count(self, connection: sa.Connection) -> int:
        tables = (t.shelf, t.pot_type, t.sensor, t.pot, t.setup, t.placement)
        counts = (connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one() for table in tables)
        return int(sum(counts))


def _faults(place: str, action: Callable[..., object], *arguments: object) -> tuple[Fault, ...]:
    """Do one thing of many; what was wrong with it, so that the others are looked at too."""
    try:
        action(*arguments)
    except Refused as refused:
        return tuple(fault if fault.where else Fault(place, fault.says) for fault in refused.faults)
    return ()


def _added_to(known: AnyRecord | None, said: AnyRecord) -> AnyRecord:
    """What a file says of something on top of what was known of it: a key that it leaves out stays."""
    return said if known is None else type(said).model_validate({**known.given(), **said.given()})


def _sensor_added_to(known: Sensor | None, said: Sensor) -> Sensor:
    """The same for a sensor; its placements are only those of the file, which the logbook fits in."""
    if known is None:
        return said
    values = {field.name: getattr(said, field.name) for field in fields(said)}
    given = {name: value for name, value in values.items() if value not in (None, "", ())}
    return replace(known, **{**given, "placed": said.placed})


def _dated(setup: dict[str, Any]) -> DatedSetup:
    body = {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}
    return DatedSetup(setup["from_ms"], setup["to_ms"], body)


def _same(note: Note) -> str:
    """What makes two notes the same."""
    own = ("id", "version", "withdrawn")
    values = {k: v for k, v in note.model_dump(mode="json").items() if k not in own and v not in (None, {}, "")}
    values |= {k: float(values[k]) for k in NUMBER_COLUMNS if k in values}  # 10 comes back as 10.0
    return json.dumps(values, sort_keys=True)
