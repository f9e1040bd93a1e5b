"""Keeps the hourly climate facts of every shelf true: after new or late readings, moved sensors, mended calibrations.

Facts are derived: they can be thrown away and built again from the raw readings. A refresh computes only the
hours that were touched since the last one; a shelf whose sensors were moved or calibrated anew is built whole.
"""

import hashlib
from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.air import hourly_climate
from analysis.held_series import learned_hold_ms
from dashboard.answers.places import LONGEST_HOLD_MS, measured_at
from ingest.home import Home
from ingest.readings import HOUR_MS, HOURLY_COLUMNS, Touched
from ingest.sensors import Sensor

AIR = ("air_temperature", "relative_humidity")


def refresh(home: Home, now_ms: int) -> int:
    """Bring every shelf's hourly facts up to `now_ms`; returns how many shelf-hours were written."""
    sensors = home.logbook.sensors()
    touched = home.readings.touched()
    frames = []
    fingerprints = {}
    for shelf in home.logbook.shelves():
        ours = [sensor for sensor in sensors if sensor.quantity in AIR and _ever_at(sensor, shelf.label)]
        fingerprint = _fingerprint(ours)
        known = home.readings.get_derived(_key(shelf.label))
        moved = known is None or known[0] != fingerprint
        span = _whole_span(home, ours, now_ms) if moved else _touched_span(touched, ours, now_ms)
        if moved:
            fingerprints[shelf.label] = fingerprint
            frames.append(_forgotten(home, shelf.label, now_ms))
        if span is not None:
            frames.append(_climate(home, sensors, shelf.label, *span))
    hourly = pd.concat(frames, ignore_index=True).drop_duplicates(["place", "hour_ms"], keep="last") if frames else None
    home.readings.write_facts(hourly=hourly, touched_until=touched.until)
    for label, fingerprint in fingerprints.items():
        home.readings.put_derived(_key(label), fingerprint, b"")
    return 0 if hourly is None else len(hourly)


def _climate(home: Home, sensors: Sequence[Sensor], shelf: str, start_ms: int, end_ms: int) -> pd.DataFrame:
    """Facts of one shelf, a row for every hour of the span, NaN throughout where nothing is known."""
    series = [
        measured_at(home.readings, sensors, shelf, quantity, start_ms - LONGEST_HOLD_MS, end_ms) for quantity in AIR
    ]
    hold_ms = max(learned_hold_ms(one.time_ms) for one in series)
    temperature, humidity = series
    facts = hourly_climate(
        temperature.time_ms, temperature.value, humidity.time_ms, humidity.value, start_ms, end_ms, hold_ms
    )
    frame = pd.DataFrame({name: getattr(facts, name) for name in ("hour_ms", *HOURLY_COLUMNS)})
    frame.loc[frame["coverage"] == 0, "coverage"] = np.nan
    frame.insert(0, "place", shelf)
    return frame


def _forgotten(home: Home, shelf: str, now_ms: int) -> pd.DataFrame:
    """Rows that remove every fact the shelf has so far: a row without a value removes its key."""
    old = home.readings.read_hourly(shelf, 0, now_ms + HOUR_MS)
    frame = pd.DataFrame(np.nan, index=old.index, columns=list(HOURLY_COLUMNS))
    frame.insert(0, "hour_ms", old["hour_ms"])
    frame.insert(0, "place", shelf)
    return frame


def _whole_span(home: Home, sensors: Sequence[Sensor], now_ms: int) -> tuple[int, int] | None:
    series = home.readings.read([sensor.source for sensor in sensors], 0, now_ms + HOUR_MS)
    starts = [times[0] for times, _ in series.values() if times.size]
    return (int(min(starts)), now_ms) if starts else None


def _touched_span(touched: Touched, sensors: Sequence[Sensor], now_ms: int) -> tuple[int, int] | None:
    """From the first to the last touched hour, and as far on either side as a reading may have been held."""
    hours = [touched.hours[sensor.source] for sensor in sensors if sensor.source in touched.hours]
    if not hours:
        return None
    every = np.concatenate(hours)
    return int(every.min()) - LONGEST_HOLD_MS, min(int(every.max()) + HOUR_MS + LONGEST_HOLD_MS, now_ms)


def _ever_at(sensor: Sensor, shelf: str) -> bool:
    return any(placement.at == shelf for placement in sensor.placed)


def _fingerprint(sensors: Sequence[Sensor]) -> str:
    said = sorted(repr((s.source, s.quantity, s.unit, s.calibration, s.placed)) for s in sensors)
    return hashlib.sha256("\n".join(said).encode()).hexdigest()


def _key(shelf: str) -> str:
    return f"climate of {shelf}"
