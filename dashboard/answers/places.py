"""What was measured at a place: raw series from the store, joined over dated placements, in canonical units.

The one spot where a sensor's unit, calibration and placement meet its raw readings. A spell in which
the sensor failed is marked by NaN at its start, so that whoever holds the last value lets go of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import FailureSpell, FloatArray, IntArray, ReadingsStore, Series
from ingest.sensors import Sensor, in_canonical_units, place_key, served

#: The longest that a reading may have to be held; ranges are read this much earlier.
LONGEST_HOLD_MS = 12 * 3_600_000


@dataclass(frozen=True)
class PlaceSeries:
    """One quantity at one place: times ascending, values in canonical units, NaN where the sensor failed from then on.

    `sensors` are those that served in the window, in the order of their placements.
    """

    time_ms: IntArray
    value: FloatArray
    sensors: tuple[Sensor, ...]


def by_place(sensors: Sequence[Sensor]) -> dict[tuple[str, str], list[Sensor]]:
    """The sensors that ever stood at each place (`place_key`), so that not all are looked through for each."""
    found: dict[tuple[str, str], list[Sensor]] = {}
    for sensor in sensors:
        for place in {place_key(placed.at) for placed in sensor.placed}:
            found.setdefault(place, []).append(sensor)
    return found


def measured_at(
    readings: ReadingsStore,
    sensors: Sequence[Sensor],
    at: str,
    quantity: str,
    start_ms: int,
    end_ms: int,
    failed: Sequence[FailureSpell] | None = None,
) -> PlaceSeries:
    """The series of one quantity at a place in [start, end); empty where no sensor served it.

    failed: all spells of failure of these sensors since the start, if the caller knows them already.
    """
    spells = served(sensors, at, quantity, start_ms, end_ms)
    if not spells:
        return joined((), {}, ())
    raw = readings.read(list({sensor.source for sensor, _, _ in spells}), start_ms, end_ms)
    return joined(spells, raw, readings.failures(start_ms) if failed is None else failed)


def joined(
    spells: Sequence[tuple[Sensor, int, int]], raw: Mapping[str, Series], failed: Sequence[FailureSpell]
) -> PlaceSeries:
    """The series of one quantity at a place from the spells of its sensors (`served`) and their raw readings."""
    if not spells:
        return PlaceSeries(np.empty(0, np.int64), np.empty(0), ())
    times, values = [], []
    for sensor, from_ms, to_ms in spells:
        spell_times, spell_values = raw[sensor.source]
        inside = slice(*spell_times.searchsorted((from_ms, to_ms)))
        times.append(spell_times[inside])
        values.append(in_canonical_units(sensor, spell_values[inside]))
        failures_ms = failure_starts(failed, sensor.source, from_ms, to_ms)
        if failures_ms.size:
            times.append(failures_ms)
            values.append(np.full(failures_ms.size, np.nan))
    if len(times) == 1:
        return PlaceSeries(times[0], values[0], (spells[0][0],))  # as nearly all are: in order already
    served_by = tuple(dict.fromkeys(sensor for sensor, _, _ in spells))
    time_ms, value = np.concatenate(times), np.concatenate(values)
    order = np.argsort(time_ms, kind="stable")
    return PlaceSeries(time_ms[order], value[order], served_by)


def failure_starts(failed: Sequence[FailureSpell], source: str, from_ms: int, to_ms: int) -> IntArray:
    """When a source began to fail within [from, to); a failure that already stood counts from `from`."""
    starts = [
        max(spell.from_ms, from_ms)
        for spell in failed
        if spell.source == source and spell.from_ms < to_ms and (spell.ended_ms is None or spell.ended_ms > from_ms)
    ]
    return np.array(starts, dtype=np.int64)
