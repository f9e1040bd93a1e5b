"""Keeps the hourly climate facts of every shelf true: after new or late readings, moved sensors, mended calibrations.

Facts are derived: they can be thrown away and built again from the raw readings, and come out the same. Only hours
that have ended have facts. A refresh computes the hours that ended since the last one, those in which something came
in late, and what the last reading of a late one may have been held for; a shelf whose sensors were moved, calibrated
anew or speak at another pace is built whole, as far back as raw readings are kept.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import orjson
import pandas as pd

from analysis.air import HourlyClimate, hourly_climate
from analysis.held_series import learned_hold_ms
from dashboard.answers.computing import mapped_on_cluster
from dashboard.answers.places import LONGEST_HOLD_MS, by_place, measured_at
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, HOURLY_COLUMNS, FailureSpell, FloatArray, IntArray, Touched
from ingest.sensors import MISSED_INTERVALS, Sensor, place_key

AIR = ("air_temperature", "relative_humidity")
LEARN_PACE_FROM_MS = 14 * DAY_MS
#: A failure that is told later than this goes unnoticed.
LATEST_FAILURE_MS = 60 * DAY_MS
SHELVES_AT_ONCE = 8
#: How long a reading may stand, in classes, so that a pace that wavers does not build history anew each time.
HOLD_CLASSES_MS = np.array([1, 2, 4, 8, 12], dtype=np.int64) * HOUR_MS


_Asked = tuple[tuple[IntArray, FloatArray, IntArray, FloatArray], tuple[int, int, int]]


@dataclass(frozen=True)
class _Done:
    """What a shelf's facts were computed from: its sensors, up to which hour, and which failures were known."""

    fingerprint: str
    until_ms: int
    failed: frozenset[tuple[str, int]]


@dataclass(frozen=True)
class _Due:
    """Hours of a shelf whose facts are to be computed, and how long a reading may stand there."""

    shelf: str
    sensors: Sequence[Sensor]
    failed: Sequence[FailureSpell]
    hold_ms: int
    start_ms: int
    end_ms: int


def refresh(home: Home, now_ms: int) -> int:
    """Bring every shelf's hourly facts up to the last whole hour; returns how many shelf-hours were written.

    What was computed once stays: to ask as of a past moment takes nothing away from the present.
    """
    sensors = [sensor for sensor in home.logbook.sensors() if sensor.quantity in AIR]
    near = by_place(sensors)
    told = _spells_by_source(home)
    touched = home.readings.touched()
    latest = home.readings.latest()
    newest_ms = max((latest[sensor.source][0] for sensor in sensors if sensor.source in latest), default=now_ms)
    until_ms = max(now_ms, newest_ms) // HOUR_MS * HOUR_MS
    raw_from_ms = max(0, until_ms - home.settings.readings.keep_raw_days * DAY_MS)
    frames: list[pd.DataFrame] = []
    due: list[_Due] = []
    finished: dict[str, _Done] = {}
    for shelf in home.logbook.shelves():
        ours = near.get(place_key(shelf.label), [])
        hold_ms = _hold_ms(home, ours, latest)
        before = _read_done(home, shelf.label)
        done = _Done(_fingerprint(ours, hold_ms), max(until_ms, before.until_ms), _failed(told, ours, until_ms))
        if done.fingerprint != before.fingerprint:
            spans = _whole_span(home, ours, done.until_ms)
            frames.append(_forgotten(home, shelf.label, min([raw_from_ms, *(start_ms for start_ms, _ in spans)])))
        else:
            spans = _changed_spans(touched, ours, before, done)
        spells = [spell for sensor in ours for spell in told.get(sensor.source, ())]
        due += [_Due(shelf.label, ours, spells, hold_ms, *span) for span in spans]
        if done != before:
            finished[shelf.label] = done
    hourly = _together([*frames, *_climates(home, due)])
    derived = {_key(label): _told_done(done) for label, done in finished.items()}
    home.readings.write_facts(hourly=hourly, touched_until=touched.until, derived=derived)
    return 0 if hourly is None else len(hourly)


def _together(frames: Sequence[pd.DataFrame]) -> pd.DataFrame | None:
    """All rows; of two for one hour the later one."""
    some = [frame for frame in frames if len(frame)]
    if not some:
        return None
    return pd.concat(some, ignore_index=True).drop_duplicates(["place", "hour_ms"], keep="last")


def _climates(home: Home, due: Sequence[_Due]) -> Iterator[pd.DataFrame]:
    """The facts that are due; readings are gathered for a few shelves at a time, so that years of all fit in memory."""
    for first in range(0, len(due), SHELVES_AT_ONCE):
        some = due[first : first + SHELVES_AT_ONCE]
        facts = mapped_on_cluster(_climate, [_asked(home, one) for one in some])
        yield _frame([one.shelf for one in some], facts)


def _asked(home: Home, due: _Due) -> _Asked:
    temperature, humidity = (
        measured_at(
            home.readings, due.sensors, due.shelf, quantity, due.start_ms - LONGEST_HOLD_MS, due.end_ms, due.failed
        )
        for quantity in AIR
    )
    return (
        (temperature.time_ms, temperature.value, humidity.time_ms, humidity.value),
        (due.start_ms, due.end_ms, due.hold_ms),
    )


def _climate(asked: _Asked) -> HourlyClimate:
    """Facts of one shelf for every hour of a span."""
    series, span = asked
    return hourly_climate(*series, *span)


def _frame(shelves: Sequence[str], facts: Sequence[HourlyClimate]) -> pd.DataFrame:
    """A row for every hour, NaN throughout where nothing is known."""
    hour_ms = np.concatenate([one.hour_ms for one in facts])
    columns = {name: np.concatenate([getattr(one, name) for one in facts]) for name in HOURLY_COLUMNS}
    columns["coverage"] = np.where(columns["coverage"] == 0, np.nan, columns["coverage"])
    place = np.repeat(np.array(shelves, dtype=object), [one.hour_ms.size for one in facts])
    return pd.DataFrame({"place": place, "hour_ms": hour_ms, **columns})


def _forgotten(home: Home, shelf: str, from_ms: int) -> pd.DataFrame:
    """Rows that remove every fact the shelf has since a moment: a row without a value removes its key."""
    old = home.readings.read_hourly(shelf, from_ms, 2**50)["hour_ms"].to_numpy(np.int64)
    nothing = {name: np.full(old.size, np.nan) for name in HOURLY_COLUMNS}
    return pd.DataFrame({"place": shelf, "hour_ms": old, **nothing})


def _whole_span(home: Home, sensors: Sequence[Sensor], until_ms: int) -> list[tuple[int, int]]:
    """From the first reading that is kept to the last whole hour."""
    first_ms = home.readings.first_ms(0, [sensor.source for sensor in sensors])
    return [] if first_ms is None or first_ms >= until_ms else [(first_ms // HOUR_MS * HOUR_MS, until_ms)]


def _changed_spans(touched: Touched, sensors: Sequence[Sensor], before: _Done, done: _Done) -> list[tuple[int, int]]:
    """Hours that ended since, and hours in which something came in late with as long as it may have been held."""
    hours = [touched.hours[sensor.source] for sensor in sensors if sensor.source in touched.hours]
    failed = [time_ms // HOUR_MS * HOUR_MS for _, time_ms in before.failed ^ done.failed]
    changed = np.concatenate([np.array(failed, dtype=np.int64), *hours])
    spans = []
    if changed.size:
        spans.append((int(changed.min()), min(int(changed.max()) + HOUR_MS + LONGEST_HOLD_MS, done.until_ms)))
    if sensors:
        spans.append((before.until_ms, done.until_ms))
    return _merged([(start_ms, end_ms) for start_ms, end_ms in spans if start_ms < end_ms])


def _merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The same hours without computing any of them twice."""
    merged: list[tuple[int, int]] = []
    for start_ms, end_ms in sorted(spans):
        if merged and start_ms <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end_ms))
        else:
            merged.append((start_ms, end_ms))
    return merged


def _hold_ms(home: Home, sensors: Sequence[Sensor], latest: dict[str, tuple[int, float]]) -> int:
    """How long the readings of a shelf may stand: by the declared interval or the pace they keep, the longer one."""
    longest = 0
    for sensor in sensors:
        if sensor.interval_s is not None:
            longest = max(longest, round(1000 * MISSED_INTERVALS * sensor.interval_s))
        if sensor.source in latest:
            last_ms = latest[sensor.source][0]
            times, _ = home.readings.read([sensor.source], last_ms - LEARN_PACE_FROM_MS, last_ms + 1)[sensor.source]
            longest = max(longest, learned_hold_ms(times))
    fits = np.searchsorted(HOLD_CLASSES_MS, longest)
    return int(HOLD_CLASSES_MS[min(int(fits), HOLD_CLASSES_MS.size - 1)])


def _spells_by_source(home: Home) -> dict[str, list[FailureSpell]]:
    found: dict[str, list[FailureSpell]] = {}
    for spell in home.readings.failures(0):
        found.setdefault(spell.source, []).append(spell)
    return found


def _failed(
    told: Mapping[str, Sequence[FailureSpell]], sensors: Sequence[Sensor], until_ms: int
) -> frozenset[tuple[str, int]]:
    """When which of the sensors began to fail, lately."""
    since_ms = until_ms - LATEST_FAILURE_MS
    spells = [spell for sensor in sensors for spell in told.get(sensor.source, ())]
    return frozenset((spell.source, spell.from_ms) for spell in spells if spell.from_ms >= since_ms)


def _fingerprint(sensors: Sequence[Sensor], hold_ms: int) -> str:
    said = sorted(repr((s.source, s.quantity, s.unit, s.calibration, s.placed)) for s in sensors)
    return hashlib.sha256("\n".join([*said, str(hold_ms)]).encode()).hexdigest()


def _read_done(home: Home, shelf: str) -> _Done:
    kept = home.readings.get_derived(_key(shelf))
    if kept is None:
        return _Done("", 0, frozenset())
    body = orjson.loads(kept[1])
    since_ms = body["until_ms"] - LATEST_FAILURE_MS
    return _Done(kept[0], body["until_ms"], frozenset((source, ms) for source, ms in body["failed"] if ms >= since_ms))


def _told_done(done: _Done) -> tuple[str, bytes]:
    return done.fingerprint, orjson.dumps({"until_ms": done.until_ms, "failed": sorted(done.failed)})


def _key(shelf: str) -> str:
    return f"climate of {shelf}"
