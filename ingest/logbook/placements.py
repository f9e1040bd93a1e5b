"""Sensors and where they stood when.

Owns sensor records, their calibration and dated placements. A sensor serves one place at a time; moving it closes
one placement and opens the next, backdating splits history. Raw readings are elsewhere and are never touched.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import orjson
import sqlalchemy as sa

from ingest.logbook import tables as t
from ingest.logbook.collection import Collection, unknown
from ingest.logbook.records import Placed, SensorRecord, checked, sensor_record
from ingest.logbook.refusals import Overlap, Refused, Unknown, named, nearest
from ingest.logbook.spans import Span, extended_by_removal, opening
from ingest.moments import text_of
from ingest.sensors import Placement, Sensor, why_unusable


@lru_cache(maxsize=10_000)
def _described(body: str, placed: tuple[Placement, ...]) -> Sensor:
    """A sensor as it was entered; remembered, for every answer asks for all of them and they seldom change."""
    return replace(SensorRecord.model_validate(orjson.loads(body)).plain(), placed=placed)


class Placements(Collection):
    """Which streams of numbers there are, and which place each served."""

    def sensors(self) -> list[Sensor]:
        """Every sensor with its placements, in the order they were entered."""
        placed: dict[int, list[Placement]] = {}
        query = (
            sa.select(t.placement, t.shelf.c.label.label("shelf"), t.pot.c.label.label("pot"))
            .join(t.shelf, t.placement.c.shelf_id == t.shelf.c.id)
            .outerjoin(t.pot, t.placement.c.pot_id == t.pot.c.id)
            .order_by(t.placement.c.from_ms)
        )
        with self.reading() as connection:
            for row in connection.execute(query):
                at = row.shelf if row.pot is None else f"{row.shelf}/{row.pot}"
                placed.setdefault(row.sensor_id, []).append(Placement(row.from_ms, row.to_ms, at))
            as_text = sa.cast(t.sensor.c.body, sa.Text).label("body")
            rows = connection.execute(sa.select(t.sensor.c.id, as_text).order_by(t.sensor.c.id))
            return [_described(row.body, tuple(placed.get(row.id, ()))) for row in rows]

    def sensor(self, source: str) -> Sensor:
        """One sensor by its source; `Unknown` names the nearest."""
        found = {sensor.source: sensor for sensor in self.sensors()}
        if source not in found:
            raise Unknown(f"There is no sensor {named(source)}; {nearest(source, found)}")
        return found[source]

    def put_sensor(self, sensor: Sensor) -> None:
        """Enter a sensor, or describe it anew (calibration, unit, interval). Its placements join those there."""
        record = sensor_record(sensor)
        body = record.model_dump(mode="json", exclude_unset=True)
        body.pop("placed", None)
        why = why_unusable(sensor)
        if why is not None:
            raise Refused(f"{why.rstrip('.')}.")
        _refuse_overlaps(sensor)
        with self.writing() as connection:
            row = connection.execute(sa.select(t.sensor).where(t.sensor.c.source == sensor.source)).one_or_none()
            if row is None:
                connection.execute(sa.insert(t.sensor).values(source=sensor.source, body=body))
            elif row.body != body:
                self._keep("sensor", row.id, row.body)
                connection.execute(sa.update(t.sensor).where(t.sensor.c.id == row.id).values(body=body))
            placed = sorted(record.placed, key=lambda p: p.from_ms)
            starts = [] if row is None else [p.from_ms for p in self._placement_rows(row.id)]
            for place, following in zip(placed, [*placed[1:], None], strict=False):
                to_ms = place.to_ms
                if to_ms is None and following is not None:
                    between = any(place.from_ms < start < following.from_ms for start in starts)
                    to_ms = None if between else following.from_ms
                self.place_sensor(sensor.source, place.at, place.from_ms, to_ms)

    def calibrate_sensor(self, source: str, points: Sequence[tuple[float, float]]) -> None:
        """Give a sensor its calibration points raw -> unit; history is read with it from now on."""
        with self.writing():
            self.put_sensor(replace(self.sensor(source), calibration=tuple(points), placed=()))

    def place_sensor(self, source: str, at: str, from_ms: int, to_ms: int | None = None) -> None:
        """Say that a sensor served a place from a moment on. One that begins at the same moment is corrected."""
        values = {"from_ms": from_ms, "at": at} | ({} if to_ms is None else {"to_ms": to_ms})
        placed = checked(Placed, values, f"sensor {named(source)}, placed")
        shelf, _, pot = placed.at.partition("/")
        with self.writing() as connection:
            sensor_id = self._sensor_id(source)
            place = {
                "shelf_id": self._id_of(t.shelf, shelf, "shelf"),
                "pot_id": self._id_of(t.pot, pot, "pot") if pot else None,
            }
            rows = self._placement_rows(sensor_id)
            same = next((row for row in rows if row.from_ms == from_ms), None)
            if same is not None:
                self._correct(source, same, place, to_ms)
                return
            fit = opening([_span(row) for row in rows], from_ms, to_ms, f"A placement of {named(source)}")
            new = [{"sensor_id": sensor_id, "from_ms": from_ms, "to_ms": fit.to_ms, **place}]
            if fit.closes is not None:
                closed = next(row for row in rows if row.id == fit.closes)
                connection.execute(sa.update(t.placement).where(t.placement.c.id == closed.id).values(to_ms=from_ms))
                if fit.resumes is not None:
                    old = {"sensor_id": sensor_id, "shelf_id": closed.shelf_id, "pot_id": closed.pot_id}
                    new.append({**old, "from_ms": fit.resumes[0], "to_ms": fit.resumes[1]})
            for row_values in new:
                connection.execute(sa.insert(t.placement).values(row_values))

    def unplace_sensor(self, source: str, at_ms: int) -> None:
        """Say that a sensor stood nowhere from a moment on (taken off, put away)."""
        with self.writing() as connection:
            rows = self._placement_rows(self._sensor_id(source))
            row = next((r for r in rows if r.from_ms < at_ms and (r.to_ms is None or at_ms < r.to_ms)), None)
            if row is None:
                raise Refused(f"{named(source)} stood nowhere at {text_of(at_ms)}.")
            self._keep_placement(row)
            connection.execute(sa.update(t.placement).where(t.placement.c.id == row.id).values(to_ms=at_ms))

    def withdraw_placement(self, source: str, from_ms: int) -> None:
        """Take away the placement that begins at a moment; the one before it lasts on."""
        with self.writing() as connection:
            rows = self._placement_rows(self._sensor_id(source))
            row = next((r for r in rows if r.from_ms == from_ms), None)
            if row is None:
                raise Unknown(f"{named(source)} has no placement that begins at {text_of(from_ms)}.")
            longer = extended_by_removal([_span(other) for other in rows], _span(row))
            self._keep_placement(row)
            connection.execute(sa.delete(t.placement).where(t.placement.c.id == row.id))
            if longer is not None:
                changed = sa.update(t.placement).where(t.placement.c.id == longer.id).values(to_ms=longer.to_ms)
                connection.execute(changed)

    def swap_sensor(self, source: str, new: Sensor, at_ms: int) -> None:
        """Another device takes a sensor's place from a moment on; the old one keeps its history."""
        if new.source == source:
            raise Refused(
                f"Both devices would report as {named(source)}: give the new one a topic of its own, so that the old "
                "one's readings and calibration stay its own."
            )
        with self.writing():
            old = self.sensor(source)
            stood = [p for p in old.placed if p.from_ms < at_ms and (p.to_ms is None or at_ms < p.to_ms)]
            if not stood:
                raise Refused(f"{named(source)} stood nowhere at {text_of(at_ms)}.")
            self.unplace_sensor(source, at_ms)
            self.put_sensor(replace(new, placed=(Placement(at_ms, stood[0].to_ms, stood[0].at),)))

    def withdraw_sensor(self, source: str) -> None:
        """Take away a sensor that was entered by mistake, with its placements; its raw readings stay in their store."""
        with self.writing() as connection:
            sensor_id = self._sensor_id(source)
            for row in self._placement_rows(sensor_id):
                self._keep_placement(row)
            body = connection.execute(sa.select(t.sensor.c.body).where(t.sensor.c.id == sensor_id)).scalar_one()
            self._keep("sensor", sensor_id, body)
            connection.execute(sa.delete(t.placement).where(t.placement.c.sensor_id == sensor_id))
            connection.execute(sa.delete(t.sensor).where(t.sensor.c.id == sensor_id))

    # --- rows

    def _sensor_id(self, source: str) -> int:
        with self.reading() as connection:
            known = {row.source: row.id for row in connection.execute(sa.select(t.sensor.c.source, t.sensor.c.id))}
        if source not in known:
            raise unknown("sensor", source, known)
        return int(known[source])

    def _placement_rows(self, sensor_id: int) -> list[sa.Row[Any]]:
        with self.reading() as connection:
            query = sa.select(t.placement).where(t.placement.c.sensor_id == sensor_id)
            return list(connection.execute(query.order_by(t.placement.c.from_ms)))

    def _correct(self, source: str, row: sa.Row[Any], place: Mapping[str, Any], to_ms: int | None) -> None:
        if to_ms is not None and (row.to_ms is None or to_ms > row.to_ms):
            following = [r.from_ms for r in self._placement_rows(row.sensor_id) if r.from_ms > row.from_ms]
            if following and to_ms > min(following):
                raise Overlap(f"A placement of {named(source)} until {text_of(to_ms)} would overlap the one after it.")
        values = {**place, "to_ms": row.to_ms if to_ms is None else to_ms}
        if all(getattr(row, key) == value for key, value in values.items()):
            return
        self._keep_placement(row)
        with self.writing() as connection:
            connection.execute(sa.update(t.placement).where(t.placement.c.id == row.id).values(values))

    def _keep_placement(self, row: sa.Row[Any]) -> None:
        kept = {"from_ms": row.from_ms, "to_ms": row.to_ms, "shelf_id": row.shelf_id, "pot_id": row.pot_id}
        self._keep("placement", row.sensor_id, kept)


def _refuse_overlaps(sensor: Sensor) -> None:
    placed = sorted(sensor.placed, key=lambda p: p.from_ms)
    for earlier, later in pairwise(placed):
        if later.from_ms == earlier.from_ms or (earlier.to_ms is not None and earlier.to_ms > later.from_ms):
            raise Overlap(
                f"{named(sensor.source)} would stand at {named(earlier.at)} and at {named(later.at)} at once "
                f"from {text_of(later.from_ms)}; a sensor serves one place at a time."
            )


def _span(row: sa.Row[Any]) -> Span:
    return Span(row.id, row.from_ms, row.to_ms)
