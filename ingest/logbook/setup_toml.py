"""Shelves, pot types, sensors and pots with their dated set-ups as TOML, and back.

Owns the file's form: `[[shelf]]`, `[[pot_type]]`, `[[sensor]]` with `placed`, `[[pot]]` with `[[pot.setup]]`. A set-up
or placement says `from`; `to` only where nothing follows. Knows no database: it gives plain records and takes them.
"""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, datetime, tzinfo
from itertools import pairwise
from typing import Any

import tomlkit

from ingest.logbook.records import AnyRecord, Pot, PotType, SensorRecord, SetUp, Shelf, checked, merged
from ingest.logbook.refusals import Fault, Refused, named, nearest
from ingest.logbook.spreadsheets import decoded
from ingest.moments import moment_of, ms_of
from ingest.sensors import Sensor

_TABLES = ("shelf", "pot_type", "sensor", "pot")


@dataclass(frozen=True)
class DatedSetup:
    """One `[[pot.setup]]`."""

    from_ms: int
    to_ms: int | None
    body: dict[str, Any]


@dataclass(frozen=True)
class Home:
    """All that a set-up file says."""

    shelves: list[Shelf] = field(default_factory=list)
    pot_types: list[PotType] = field(default_factory=list)
    sensors: list[Sensor] = field(default_factory=list)
    pots: list[tuple[Pot, list[DatedSetup]]] = field(default_factory=list)


def home_from_toml(body: bytes | str, zone: tzinfo | None = None) -> Home:
    """What a set-up file says, or `Refused` with all its faults. Times without an offset are read in `zone`."""
    try:
        given = tomllib.loads(decoded(body).replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        if isinstance(error, Refused):
            raise
        raise Refused(f"The file cannot be read as TOML: {error}.") from error
    reader = _Reader(zone)
    home = Home()
    for name in given:
        if name not in _TABLES:
            reader.faults.append(Fault("", f"there is no table {named(name)}; {nearest(name, _TABLES)}"))
    for place, table in reader.tables(given, "shelf"):
        home.shelves.extend(reader.record(Shelf, table, place))
    for place, table in reader.tables(given, "pot_type"):
        home.pot_types.extend(reader.record(PotType, table, place))
    for place, table in reader.tables(given, "sensor"):
        home.sensors.extend(reader.sensor(table, place))
    for place, table in reader.tables(given, "pot"):
        home.pots.extend(reader.pot(table, place))
    reader.no_twins("shelf", [shelf.label for shelf in home.shelves])
    reader.no_twins("pot type", [pot_type.label for pot_type in home.pot_types])
    reader.no_twins("sensor", [sensor.source for sensor in home.sensors])
    reader.no_twins("pot", [pot.label for pot, _ in home.pots])
    if reader.faults:
        raise Refused(*reader.faults)
    return home


class _Reader:
    """Collects faults while tables become records."""

    def __init__(self, zone: tzinfo | None) -> None:
        self.zone = zone
        self.faults: list[Fault] = []

    def tables(
        self, parent: Mapping[str, Any], key: str, place: str = "", noun: str = ""
    ) -> Iterable[tuple[str, dict[str, Any]]]:
        """Each table of an array of tables, with what it is called in a sentence."""
        found = parent.get(key, [])
        if not isinstance(found, list):
            self.faults.append(Fault(place, f"{named(key)} must be a list of tables, like [[{key}]]."))
            return
        for count, table in enumerate(found, start=1):
            at = ", ".join(part for part in (place, f"{noun or key.replace('_', ' ')} {count}") if part)
            if not isinstance(table, dict):
                self.faults.append(Fault(at, f"{named(table)} is not a table."))
                continue
            label = table.get("label") or table.get("topic")
            yield (f"{key.replace('_', ' ')} {named(label)}" if label and not place else at), table

    def record(self, model: type[AnyRecord], table: Mapping[str, Any], place: str) -> list[AnyRecord]:
        """The record in a list, or an empty list and its faults noted."""
        try:
            return [checked(model, table, place)]
        except Refused as refused:
            self.faults.extend(refused.faults)
            return []

    def dated(self, table: Mapping[str, Any], place: str) -> dict[str, Any]:
        """A table with `from` and `to` as milliseconds."""
        dated = {key: value for key, value in table.items() if key not in ("from", "to")}
        if "from" not in table:
            self.faults.append(Fault(place, "'from' is missing: say since when."))
        for key in ("from", "to"):
            if key in table:
                dated[f"{key}_ms"] = self._ms(table[key], f"{place}, {key}")
        return {"from_ms": 0, **dated}

    def sensor(self, table: Mapping[str, Any], place: str) -> list[Sensor]:
        """One sensor with its placements in a list, or its faults noted."""
        placed = [self.dated(inner, at) for at, inner in self.tables(table, "placed", place)]
        return [record.plain() for record in self.record(SensorRecord, {**table, "placed": placed}, place)]

    def pot(self, table: Mapping[str, Any], place: str) -> list[tuple[Pot, list[DatedSetup]]]:
        """One pot with its set-ups in a list, or its faults noted."""
        dated = [found for at, s in self.tables(table, "setup", place, "set-up") for found in self.setup(s, at)]
        self.no_overlap(place, dated)
        about = {key: value for key, value in table.items() if key != "setup"}
        if about.pop("gone_ms", None) is not None:
            self.faults.append(Fault(place, "there is no key 'gone_ms'; a note of kind died or gone says it."))
        return [(record, dated) for record in self.record(Pot, about, place)]

    def setup(self, table: Mapping[str, Any], place: str) -> list[DatedSetup]:
        """One dated set-up in a list, or its faults noted."""
        dated = self.dated(table, place)
        from_ms, to_ms = dated.pop("from_ms"), dated.pop("to_ms", None)
        if to_ms is not None and to_ms <= from_ms:
            self.faults.append(Fault(place, "it ends before it begins."))
        return [DatedSetup(from_ms, to_ms, merged({}, r.given())) for r in self.record(SetUp, dated, place)]

    def no_twins(self, noun: str, labels: Sequence[str]) -> None:
        """Two entries of one label are a fault."""
        folded = [label.casefold() for label in labels]
        for label in sorted({label for label in labels if folded.count(label.casefold()) > 1}):
            self.faults.append(Fault(f"{noun} {named(label)}", "the file has it twice; labels must be unique."))

    def no_overlap(self, place: str, setups: Sequence[DatedSetup]) -> None:
        """Two set-ups of the file in force at once are a fault."""
        ordered = sorted(setups, key=lambda s: s.from_ms)
        for earlier, later in pairwise(ordered):
            if later.from_ms == earlier.from_ms or (earlier.to_ms is not None and earlier.to_ms > later.from_ms):
                begins = moment_of(later.from_ms).isoformat()
                self.faults.append(Fault(place, f"two of its set-ups would be in force at once at {begins}."))

    def _ms(self, value: object, place: str) -> int:
        try:
            if isinstance(value, datetime):
                return ms_of(value, self.zone)
            if isinstance(value, date):
                return ms_of(datetime(value.year, value.month, value.day), self.zone)  # noqa: DTZ001 (ms_of adds the zone)
            raise ValueError(f"{named(value)} is not a time like 2026-03-01T09:00:00Z.")
        except ValueError as error:
            self.faults.append(Fault(place, str(error)))
            return 0


def toml_from_home(home: Home) -> str:
    """A set-up file that says all of it; `home_from_toml` reads the same back."""
    document = tomlkit.document()
    for name, tables in (
        ("shelf", [shelf.given() for shelf in home.shelves]),
        ("pot_type", [{"label": pot_type.label, **pot_type.given()} for pot_type in home.pot_types]),
        ("sensor", [_sensor_table(sensor) for sensor in home.sensors]),
        ("pot", [_pot_table(pot, setups) for pot, setups in home.pots]),
    ):
        array = tomlkit.aot()
        for table in tables:
            array.append(_table(table))
        if tables:
            document.add(name, array)
    return tomlkit.dumps(document)


def _table(values: Mapping[str, Any]) -> Any:
    table = tomlkit.table()
    for key, value in merged({}, values).items():
        if key == "setup":
            inner = tomlkit.aot()
            for setup in value:
                inner.append(_table(setup))
            table.add(key, inner)
        else:
            table.add(key, _inline(value))
    return table


def _inline(value: Any) -> Any:
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        for key, inner in value.items():
            if inner is not None:
                inline.append(key, _inline(inner))
        return inline
    if isinstance(value, (list, tuple)):
        array = tomlkit.array()
        for inner in value:
            array.append(_inline(inner))
        return array
    return value


def _sensor_table(sensor: Sensor) -> dict[str, Any]:
    known = {f.name: getattr(sensor, f.name) for f in fields(sensor)}
    values = {key: value for key, value in known.items() if key != "placed" and value not in ("", (), None)}
    ordered = sorted(sensor.placed, key=lambda p: p.from_ms)
    placed = [
        {"from": moment_of(p.from_ms), "to": _end(p.to_ms, [q.from_ms for q in ordered]), "at": p.at} for p in ordered
    ]
    return {**values, "placed": placed} if placed else values


def _pot_table(pot: Pot, setups: Sequence[DatedSetup]) -> dict[str, Any]:
    starts = [setup.from_ms for setup in setups]
    dated = [
        {"from": moment_of(setup.from_ms), "to": _end(setup.to_ms, starts), **_in_order(setup.body)} for setup in setups
    ]
    about = {key: value for key, value in pot.given().items() if key != "gone_ms"}
    return {**about, "setup": dated} if dated else about


def _end(to_ms: int | None, starts: Sequence[int]) -> datetime | None:
    """An end is written only where no successor says it."""
    return None if to_ms is None or to_ms in starts else moment_of(to_ms)


def _in_order(body: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of a set-up in the design's order, whatever order changes brought them in."""
    return {key: body[key] for key in ("shelf", *SetUp.model_fields) if key in body}
