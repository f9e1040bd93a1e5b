"""Keeps the hourly climate facts of every shelf true: after new or late readings, moved sensors, mended calibrations.

Facts are derived: they can be thrown away and built again from the raw readings, and come out the same. Only hours
that have ended have facts. A refresh computes the hours that ended since the last one, those in which something came
in late, and what the last reading of a late one may have been held for; a shelf whose sensors were moved, calibrated
anew or speak at another pace is built whole, as far back as raw readings are kept. Shelves that need the same hours
are computed as one series, one shelf after the other.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any
from zlib import crc32

import numpy as np
import orjson
import pandas as pd

from analysis.air import HourlyClimate, hourly_climate
from analysis.held_series import learned_hold_ms
from dashboard.answers.computing import mapped_on_cluster
from dashboard.answers.places import LONGEST_HOLD_MS, PlaceSeries, by_place, joined
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, HOURLY_COLUMNS, FailureSpell, FloatArray, IntArray, Touched
from ingest.readings_csv import is_spot_check
from ingest.sensors import MISSED_INTERVALS, Sensor, place_key, served

AIR = ("air_temperature", "relative_humidity")
LEARN_PACE_FROM_MS = 7 * DAY_MS
LEARN_SLOW_PACE_FROM_MS = 14 * DAY_MS
FEWEST_READINGS = 10
#: A failure that is told later than this goes unnoticed.
LATEST_FAILURE_MS = 60 * DAY_MS
#: So many shelves' years fit in memory, and so much time at once in the processor's cache.
JOBS_AT_ONCE = 8
TOGETHER_MS = 30 * DAY_MS
#: How long a reading may stand, in classes, so that a pace that wavers does not build history anew each time.
HOLD_CLASSES_MS = tuple(hours * HOUR_MS for hours in (1, 2, 4, 8, 12))
#: Under which name the store keeps what facts were computed from.
DONE = "climate of shelves"


_Asked = tuple[tuple[IntArray, FloatArray, IntArray, FloatArray], tuple[int, int, int], int]
#: Of each source, until when whole days taught how long its readings may stand (None: they did not), and how long.
_Paces = Mapping[str, tuple[int | None, int]]


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
    span: tuple[int, int, int]
    """Start, end, and how long a reading may stand; all whole hours."""


def refresh(home: Home, now_ms: int) -> int:
    """Bring every shelf's hourly facts up to the last whole hour; returns how many shelf-hours were computed.

    What was computed once stays: to ask as of a past moment takes nothing away from the present.
    """
    sensors = [sensor for sensor in home.logbook.sensors() if sensor.quantity in AIR]
    near = by_place(sensors)
    told = _spells_by_source(home)
    touched = home.readings.touched()
    latest = {source: time_ms for source, (time_ms, _) in home.readings.latest().items()}
    newest_ms = max((latest[sensor.source] for sensor in sensors if sensor.source in latest), default=now_ms)
    until_ms = max(now_ms, newest_ms) // HOUR_MS * HOUR_MS
    raw_from_ms = max(0, until_ms - home.settings.readings.keep_raw_days * DAY_MS)
    # A failure of hours whose readings may be gone is past mending.
    since_ms = max(until_ms - LATEST_FAILURE_MS, raw_from_ms + DAY_MS)
    kept, known = _read_done(home, since_ms)
    paces = _paces(
        home, {s.source: latest[s.source] for s in sensors if s.source in latest}, known, touched, raw_from_ms
    )
    frames: list[pd.DataFrame] = []
    due: list[_Due] = []
    finished: dict[str, _Done] = {}
    for shelf in home.logbook.shelves():
        ours = near.get(place_key(shelf.label), [])
        hold_ms = _hold_ms(ours, paces)
        before = kept.get(shelf.label, _Done("", 0, frozenset()))
        done = _Done(_fingerprint(ours, hold_ms), max(until_ms, before.until_ms), _failed(told, ours, since_ms))
        if done.fingerprint != before.fingerprint:
            spans = _whole_span(home, ours, done.until_ms)
            frames.append(_forgotten(home, shelf.label, min([raw_from_ms, *(start_ms for start_ms, _ in spans)])))
        else:
            spans = _changed_spans(touched, ours, before, done)
        spells = [spell for sensor in ours for spell in told.get(sensor.source, ())]
        due += [_Due(shelf.label, ours, spells, (*span, hold_ms)) for span in spans]
        finished[shelf.label] = done
    computed = list(_climates(home, due))
    derived = {DONE: _told_done(finished, paces)} if (finished, paces) != (kept, known) else {}
    home.readings.write_facts(hourly=[*frames, *computed], touched_until=touched.until, derived=derived)
    return sum(len(one) for one in computed)


def _climates(home: Home, due: Sequence[_Due]) -> Iterator[pd.DataFrame]:
    """The facts that are due; readings are gathered for a few jobs at a time, so that years of all fit in memory."""
    jobs = list(_jobs(due))
    for first in range(0, len(jobs), JOBS_AT_ONCE):
        some = jobs[first : first + JOBS_AT_ONCE]
        facts = mapped_on_cluster(_climate, [_asked(home, job) for job in some])
        yield _frame([one for job in some for one in job], facts)


def _jobs(due: Sequence[_Due]) -> Iterator[list[_Due]]:
    """Shelves with the same span, as many together as are quick; of long spans, one."""
    alike: dict[tuple[int, int, int], list[_Due]] = {}
    for one in due:
        alike.setdefault(one.span, []).append(one)
    for span, some in alike.items():
        many = max(1, TOGETHER_MS // _stride_ms(*span))
        yield from (some[first : first + many] for first in range(0, len(some), many))


def _stride_ms(start_ms: int, end_ms: int, hold_ms: int) -> int:
    """How far two shelves' series are moved apart, so that no reading of one may stand in an hour of the next."""
    return end_ms - start_ms + hold_ms


def _asked(home: Home, job: Sequence[_Due]) -> _Asked:
    """The readings of some shelves as if one came after the other."""
    span = start_ms, end_ms, hold_ms = job[0].span
    sources = list({sensor.source for due in job for sensor in due.sensors})
    raw = home.readings.read(sources, start_ms - hold_ms, end_ms)

    def series(due: _Due, quantity: str) -> PlaceSeries:
        return joined(served(due.sensors, due.shelf, quantity, start_ms - hold_ms, end_ms), raw, due.failed)

    arrays: list[Any] = []
    for quantity in AIR:
        found = [series(due, quantity) for due in job]
        arrays.append(np.concatenate([one.time_ms + n * _stride_ms(*span) for n, one in enumerate(found)]))
        arrays.append(np.concatenate([one.value for one in found]))
    return (arrays[0], arrays[1], arrays[2], arrays[3]), span, len(job)


def _climate(asked: _Asked) -> HourlyClimate:
    """Facts of some shelves for every hour of a span, one shelf after the other."""
    series, span, shelves = asked
    start_ms, end_ms, hold_ms = span
    stride_ms = _stride_ms(*span)
    facts = hourly_climate(*series, start_ms, end_ms + (shelves - 1) * stride_ms, hold_ms)
    if shelves == 1:
        return facts
    hours = np.arange((end_ms - start_ms) // HOUR_MS)
    rows = (np.arange(shelves)[:, np.newaxis] * (stride_ms // HOUR_MS) + hours).ravel()
    columns = {field.name: getattr(facts, field.name)[rows] for field in fields(HourlyClimate)}
    return HourlyClimate(**{**columns, "hour_ms": np.tile(facts.hour_ms[hours], shelves)})


def _frame(due: Sequence[_Due], facts: Sequence[HourlyClimate]) -> pd.DataFrame:
    """A row for every hour, NaN throughout where nothing is known."""
    columns = {name: np.concatenate([getattr(one, name) for one in facts]) for name in ("hour_ms", *HOURLY_COLUMNS)}
    columns["coverage"] = np.where(columns["coverage"] == 0, np.nan, columns["coverage"])
    hours = [(one.span[1] - one.span[0]) // HOUR_MS for one in due]
    return pd.DataFrame({"place": np.repeat(np.array([one.shelf for one in due], dtype=object), hours), **columns})


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


def _paces(home: Home, latest: Mapping[str, int], known: _Paces, touched: Touched, raw_from_ms: int) -> _Paces:
    """How long the readings of each source may stand by the pace it keeps, learnt from the days before its last.

    Only whole days count, which begin at another hour for each source: so the pace follows from the readings alone,
    stays for a day unless something came in late, and not all are learnt anew in the same hour.
    """
    paces: dict[str, tuple[int | None, int]] = {}
    for source, last_ms in latest.items():
        begin_ms = crc32(source.encode()) % 24 * HOUR_MS
        until_ms = (last_ms - begin_ms) // DAY_MS * DAY_MS + begin_ms
        from_ms = until_ms - LEARN_PACE_FROM_MS
        hours = touched.hours.get(source)
        late = hours is not None and bool(((hours >= from_ms) & (hours < until_ms)).any())
        if source in known and known[source][0] == until_ms and not late and from_ms >= raw_from_ms:
            paces[source] = known[source]
            continue
        times, _ = home.readings.read([source], from_ms, until_ms)[source]
        if times.size >= FEWEST_READINGS:
            paces[source] = until_ms, learned_hold_ms(times)
        else:
            # A young sensor, or a slow one, teaches with all it has.
            times, _ = home.readings.read([source], last_ms - LEARN_SLOW_PACE_FROM_MS, last_ms + 1)[source]
            paces[source] = None, learned_hold_ms(times)
    return paces


def _hold_ms(sensors: Sequence[Sensor], paces: _Paces) -> int:
    """How long the readings of a shelf may stand: by the declared interval or the pace they keep, the longer one.

    Spot checks teach it only where nothing else stands: beside a sensor they would bridge its silence.
    """
    sensors = [sensor for sensor in sensors if not is_spot_check(sensor)] or sensors
    declared = [
        round(1000 * MISSED_INTERVALS * sensor.interval_s) for sensor in sensors if sensor.interval_s is not None
    ]
    learned = [paces[sensor.source][1] for sensor in sensors if sensor.source in paces]
    longest_ms = max([0, *declared, *learned])
    return next((hold_ms for hold_ms in HOLD_CLASSES_MS if hold_ms >= longest_ms), HOLD_CLASSES_MS[-1])


def _spells_by_source(home: Home) -> dict[str, list[FailureSpell]]:
    found: dict[str, list[FailureSpell]] = {}
    for spell in home.readings.failures(0):
        found.setdefault(spell.source, []).append(spell)
    return found


def _failed(
    told: Mapping[str, Sequence[FailureSpell]], sensors: Sequence[Sensor], since_ms: int
) -> frozenset[tuple[str, int]]:
    """When which of the sensors began to fail, lately."""
    spells = [spell for sensor in sensors for spell in told.get(sensor.source, ())]
    return frozenset((spell.source, spell.from_ms) for spell in spells if spell.from_ms >= since_ms)


def _fingerprint(sensors: Sequence[Sensor], hold_ms: int) -> str:
    said = sorted(_in_words(sensor) for sensor in sensors)
    return hashlib.sha256("\n".join([*said, str(hold_ms)]).encode()).hexdigest()


@lru_cache(maxsize=10_000)
def _in_words(sensor: Sensor) -> str:
    return repr((sensor.source, sensor.quantity, sensor.unit, sensor.calibration, sensor.placed))


def _read_done(home: Home, since_ms: int) -> tuple[dict[str, _Done], _Paces]:
    """What each shelf's facts were computed from, with failures since a moment, and the paces that are known."""
    kept = home.readings.get_derived(DONE)
    if kept is None:
        return {}, {}
    body = orjson.loads(kept[1])
    shelves = {
        label: _Done(fingerprint, until_ms, frozenset((source, ms) for source, ms in failed if ms >= since_ms))
        for label, (fingerprint, until_ms, failed) in body["shelves"].items()
    }
    return shelves, {source: (until_ms, hold_ms) for source, (until_ms, hold_ms) in body["paces"].items()}


def _told_done(shelves: Mapping[str, _Done], paces: _Paces) -> tuple[str, bytes]:
    told = {label: (done.fingerprint, done.until_ms, sorted(done.failed)) for label, done in shelves.items()}
    return "", orjson.dumps({"shelves": told, "paces": paces})
