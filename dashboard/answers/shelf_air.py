"""The air of each shelf: by the hour from the facts, and now from the newest readings; own, borrowed or none.

A shelf without a sensor of its own borrows the air of the shelf it names (`air_from`). Only whole hours that
have ended count as history, so an answer as of a past moment is the same whenever it is asked.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air import is_wet_unmeasured, vapour_pressure_deficit_kpa
from dashboard.answers.places import LONGEST_HOLD_MS, PlaceSeries, measured_at
from dashboard.answers.standing import Description
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, FloatArray, IntArray
from ingest.readings_csv import is_imported, is_spot_check
from ingest.sensors import Sensor, served, silent

STALE_MS = HOUR_MS


@dataclass(frozen=True)
class AirHistory:
    """Hours ending with the last whole one, and what the air was in each; all `(hour,)`, NaN where it was not known."""

    hour_ms: IntArray
    temperature_c: FloatArray
    vpd_kpa: FloatArray


@dataclass(frozen=True)
class AirNow:
    """The newest air of a shelf. `state`: measured, borrowed, wet_unmeasured or none; `sensor_state` as on the wall.

    spot_check: a person brought the reading in and no sensor stood there for a day, whose mean is then not told.
    """

    temperature_c: float | None
    relative_humidity_pct: float | None
    vpd_kpa: float | None
    vpd_day_kpa: float | None
    state: str
    age_s: float | None
    sensor_state: str
    spot_check: bool = False


def air_source(shelf: str, shelves: Mapping[str, Description], sensors: Sequence[Sensor]) -> str | None:
    """The shelf whose sensor tells this shelf's air: itself, the one it borrows from, or None.

    Spot checks do not keep a shelf from borrowing: it may have been told to after them.
    """
    seen: set[str] = set()
    while shelf in shelves and shelf not in seen:
        borrows = str(shelves[shelf].get("air_from") or "")
        ours = [s for s in sensors if s.quantity == "air_temperature" and any(p.at == shelf for p in s.placed)]
        if any(not (borrows and is_spot_check(sensor)) for sensor in ours):
            return shelf
        seen.add(shelf)
        shelf = borrows
    return None


def spot_checks(
    shelf: str, shelves: Mapping[str, Description], sensors: Sequence[Sensor], start_ms: int, end_ms: int
) -> str:
    """`one spot check` or `spot checks` where nothing else tells the shelf's air in [start, end); else nothing."""
    source = air_source(shelf, shelves, sensors)
    spells = [] if source is None else served(sensors, source, "air_temperature", start_ms, end_ms)
    if not spells or not all(is_imported(sensor) for sensor, _, _ in spells):
        return ""
    lasts_ms = [placed.to_ms and placed.to_ms - placed.from_ms for sensor, _, _ in spells for placed in sensor.placed]
    return "one spot check" if lasts_ms == [1] else "spot checks"


def air_history(
    home: Home, shelf: str, shelves: Mapping[str, Description], sensors: Sequence[Sensor], start_ms: int, at_ms: int
) -> AirHistory:
    """The shelf's hours from `start_ms` up to the last whole hour before `at_ms`."""
    first, last = start_ms // HOUR_MS, at_ms // HOUR_MS
    hour_ms = np.arange(first, last, dtype=np.int64) * HOUR_MS
    temperature, vpd = np.full(hour_ms.size, np.nan), np.full(hour_ms.size, np.nan)
    source = air_source(shelf, shelves, sensors)
    if source is not None and hour_ms.size:
        facts = home.readings.read_hourly(source, int(hour_ms[0]), last * HOUR_MS)
        row = (facts["hour_ms"].to_numpy() - hour_ms[0]) // HOUR_MS
        temperature[row], vpd[row] = facts["temperature_c"], facts["vpd_kpa"]
    return AirHistory(hour_ms, temperature, vpd)


def air_now(
    home: Home, shelf: str, shelves: Mapping[str, Description], sensors: Sequence[Sensor], at_ms: int
) -> AirNow:
    """The air of a shelf at a moment, from the last readings that may still stand, and the mean deficit of a day."""
    source = air_source(shelf, shelves, sensors)
    if source is None:
        return AirNow(None, None, None, None, "none", None, "none")
    temperature, humidity = (
        measured_at(home.readings, sensors, source, quantity, at_ms - LONGEST_HOLD_MS, at_ms + 1)
        for quantity in ("air_temperature", "relative_humidity")
    )
    day = air_history(home, shelf, shelves, sensors, at_ms - DAY_MS, at_ms).vpd_kpa
    checked = bool(spot_checks(shelf, shelves, sensors, at_ms - DAY_MS, at_ms + 1))
    day_kpa = float(np.nanmean(day)) if np.isfinite(day).any() and not checked else None
    sensor_state = worst([series_state(temperature, at_ms), series_state(humidity, at_ms)])
    last_c, last_pct = _last(temperature), _last(humidity)
    if last_c is None or last_pct is None or sensor_state in ("silent", "failed"):
        return AirNow(None, None, None, day_kpa, "none", None, sensor_state)
    vpd_kpa = float(vapour_pressure_deficit_kpa(last_c, last_pct))
    state = "wet_unmeasured" if bool(is_wet_unmeasured(vpd_kpa)) else "measured" if source == shelf else "borrowed"
    age_s = (at_ms - int(min(temperature.time_ms[-1], humidity.time_ms[-1]))) / 1000.0
    return AirNow(last_c, last_pct, vpd_kpa, day_kpa, state, age_s, sensor_state, checked)


def airs_now(home: Home, sensors: Sequence[Sensor], at_ms: int) -> dict[str, AirNow]:
    """The air of every shelf at a moment, in the logbook's order."""
    records = {shelf.label: shelf.given() for shelf in home.logbook.shelves()}
    return {label: air_now(home, label, records, sensors, at_ms) for label in records}


def series_state(series: PlaceSeries, at_ms: int) -> str:
    """`fresh`, `stale` (old, but within its habit), `silent`, `failed`, or `none` where no sensor serves."""
    if not series.sensors:
        return "none"
    if not series.time_ms.size:
        return "silent"
    if not np.isfinite(series.value[-1]):
        return "failed"
    heard_ms = series.time_ms[np.isfinite(series.value)]
    if silent(series.sensors[-1].interval_s, heard_ms, at_ms):
        return "silent"
    return "stale" if at_ms - int(heard_ms[-1]) > STALE_MS else "fresh"


def worst(states: Sequence[str]) -> str:
    """The state that most needs a look."""
    return next((state for state in ("failed", "silent", "stale", "fresh") if state in states), "none")


def _last(series: PlaceSeries) -> float | None:
    return float(series.value[-1]) if series.value.size and np.isfinite(series.value[-1]) else None
