"""What needs attention in the house itself: silent or failing sensors, unread messages, clock, disk, ingester.

A finding has a kind, the place it concerns, since when, and one sentence. Whether a plant needs
attention is asked elsewhere.
"""

import json
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from ingest.failure_codes import HELD_AT_100
from ingest.home import INGESTER_STATUS, Home
from ingest.logbook.refusals import Refused
from ingest.message_times import host_clock_is_sane
from ingest.readings import DAY_MS, HOUR_MS, FailureSpell, StoreError
from ingest.sensors import Sensor, in_canonical_units, learned_interval_s, silent
from ingest.settings import SettingsError

Finding = dict[str, Any]

#: Below this share of the disk the grower is warned, well before a write fails.
LEAST_FREE_PCT = 5.0
LEARN_FROM_MS = 14 * DAY_MS
INGESTER_LATE_MS = 60_000
#: How long a sensor that was placed just now may take to be heard for the first time.
FIRST_WORD_MS = DAY_MS
LOW_BATTERY_PCT = 15.0
EMBEDDED_LOSES = (
    "The embedded broker keeps messages in memory alone: when everything is killed at once, those that had come and"
    " were not on disk yet are lost, and so is all that waited for an ingester that was away; for daily use put"
    " Mosquitto in front (docs/broker.md)."
)


STORE_GONE = (
    "{} was moved or deleted while dryline runs, and nothing more is written to it: put it back, or restore a backup"
    " and start dryline again."
)


def answer(home: Home, at_ms: int, *, verify: bool = True, least_free_pct: float = LEAST_FREE_PCT) -> dict[str, Any]:
    """`{at_ms, findings: [{kind, at, label, since_ms, says}], told, unread_messages, disk_free_pct, says}`.

    Findings come worst first; `told: [{kind, says}]` is good to know and nothing to mend. `verify` also reads both
    databases whole for damage, which takes a while on a large one. Where the store cannot be read, `unread_messages` is
    None and the findings say why.
    """
    damage = _damage(home) if verify else []
    findings = damage + house_findings(home, at_ms, least_free_pct=least_free_pct) + _alerts_trouble(home)
    unread: int | None = None
    try:
        findings += sensor_findings(home, at_ms)
        unread = home.readings.unread_count().kept
    except (StoreError, Refused) as error:
        findings += [] if damage else [_finding("store_damaged", str(error))]
    if unread:
        messages = "message that no sensor claims or that" if unread == 1 else "messages that no sensor claims or that"
        findings.append(_finding("unread_messages", f"{unread} {messages} could not be read; see Workshop."))
    return {
        "at_ms": at_ms,
        "findings": findings,
        "told": _told(home),
        "unread_messages": unread,
        "disk_free_pct": disk_free_pct(home),
        "says": "All well." if not findings else f"{len(findings)} to look at.",
    }


def house_findings(home: Home, at_ms: int, *, least_free_pct: float = LEAST_FREE_PCT) -> list[Finding]:
    """What is wrong with clock, disk, the stores' files and the ingester; asked without reading any database."""
    findings = []
    if not host_clock_is_sane(at_ms):
        findings.append(_finding("clock_wrong", "This machine's clock is not set; nothing is stamped until it is."))
    free_pct = disk_free_pct(home)
    if free_pct < least_free_pct:
        findings.append(_finding("disk_nearly_full", f"The disk has {free_pct:.1f} % left; free some space."))
    findings += [_finding("store_gone", STORE_GONE.format(file)) for file in home.lost_files()]
    return findings + _ingester_trouble(home, at_ms)


def disk_free_pct(home: Home) -> float:
    """How much of the disk that holds the home is free."""
    disk = shutil.disk_usage(home.folder)
    return 100.0 * disk.free / disk.total


def sensor_findings(home: Home, at_ms: int) -> list[Finding]:
    """A finding for every placed sensor that fails, is silent or has a weak battery."""
    sensors = [sensor for sensor in home.logbook.sensors() if place_of(sensor, at_ms)[0] is not None]
    paces_s = _learned_paces_s(home, sensors, at_ms)
    failed = {spell.source: spell for spell in home.readings.failures(at_ms) if spell.ended_ms is None}
    last = _last_heard(home, [sensor.source for sensor in sensors], at_ms)
    online = _online(home, sensors, at_ms)
    findings = []
    for sensor in sensors:
        name = sensor.label or sensor.source
        heard_ms, value = last.get(sensor.source, (0, 0.0))
        is_recent = heard_ms >= at_ms - LEARN_FROM_MS
        times = np.array([heard_ms] if is_recent else [], dtype=np.int64)
        pace_s = sensor.interval_s if sensor.interval_s is not None else paces_s.get(sensor.source)
        if sensor.source in failed:
            findings.append(_failed(sensor, name, failed[sensor.source], at_ms))
        elif times.size and silent(pace_s, times, at_ms, online.get(sensor.online_topic or "")):
            findings.append(
                _about(
                    sensor, at_ms, "sensor_silent", int(times[-1]), f"{name} has gone silent; its place is unmeasured."
                )
            )
        elif times.size == 0 and (place_of(sensor, at_ms)[1] or 0) < at_ms - FIRST_WORD_MS:
            says = f"{name} has gone silent." if heard_ms else f"{name} has never been heard."
            findings.append(_about(sensor, at_ms, "sensor_silent", heard_ms or None, says))
        elif sensor.quantity == "battery" and is_recent:
            left_pct = float(in_canonical_units(sensor, np.array([value]))[0])
            if left_pct < LOW_BATTERY_PCT:
                says = f"{name}: battery at {left_pct:.0f} %."
                findings.append(_about(sensor, at_ms, "battery_low", heard_ms, says))
    return findings


def _last_heard(home: Home, sources: list[str], at_ms: int) -> dict[str, tuple[int, float]]:
    """The last reading of each source up to a moment; only for a moment of the past is its history gone through."""
    newest = home.readings.latest()
    later = [source for source in sources if newest.get(source, (0, 0.0))[0] > at_ms]
    return {**newest, **dict.fromkeys(later, (0, 0.0)), **home.readings.last_before(later, at_ms + 1)}


_paces: dict[tuple[str, int], dict[str, float]] = {}


def _learned_paces_s(home: Home, sensors: list[Sensor], at_ms: int) -> dict[str, float]:
    """The interval of each sensor for which nobody declared one, learned from its last days; once an hour is enough."""
    key = (str(home.folder), at_ms // HOUR_MS)
    known = _paces.get(key, {})
    unknown = [sensor.source for sensor in sensors if sensor.interval_s is None and sensor.source not in known]
    recent = home.readings.read(unknown, at_ms - LEARN_FROM_MS, at_ms + 1)
    learned = {source: learned_interval_s(times) for source, (times, _) in recent.items()}
    known = {**known, **{source: pace_s for source, pace_s in learned.items() if pace_s is not None}}
    _paces.clear()  # of one home and one hour at a time
    _paces[key] = known
    return known


def _failed(sensor: Sensor, name: str, spell: FailureSpell, at_ms: int) -> Finding:
    if spell.code == HELD_AT_100:
        says = f"{name} has shown 100 % for a day: it is wet or worn, or the air there never dries."
        return _about(sensor, at_ms, "humidity_held", spell.from_ms, says)
    says = f"{name} reports a failure ({spell.code}); look at its wiring, power or battery."
    return _about(sensor, at_ms, "sensor_failed", spell.from_ms, says)


def _online(home: Home, sensors: list[Sensor], at_ms: int) -> dict[str, float]:
    """The last word on each online topic."""
    topics = {sensor.online_topic for sensor in sensors if sensor.online_topic}
    known = home.readings.last_before([f"{topic}#" for topic in topics], at_ms + 1)
    return {source.partition("#")[0]: value for source, (_, value) in known.items()}


def _ingester_trouble(home: Home, at_ms: int) -> list[Finding]:
    """What the ingesters last said of themselves, or that one has not spoken."""
    numbers = range(1, home.settings.broker.ingesters + 1)
    return [finding for number in numbers for finding in _trouble_of(status_file(home, number), number, at_ms)]


def _trouble_of(file: Path, number: int, at_ms: int) -> list[Finding]:
    name = "The ingester" if number == 1 else f"Ingester {number}"
    if not file.exists():
        return []
    try:
        status = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    findings = []
    if at_ms - file.stat().st_mtime_ns // 1_000_000 > INGESTER_LATE_MS:
        findings.append(_finding("ingester_stopped", f"{name} has not reported for a minute: is `dryline run` up?"))
    if status.get("trouble"):
        findings.append(_finding("ingester_trouble", str(status["trouble"])))
    return findings


def status_file(home: Home, number: int = 1) -> Path:
    """Where the ingester of that number leaves its counters."""
    return home.folder / (INGESTER_STATUS if number == 1 else f"ingester-{number}.json")


def _alerts_trouble(home: Home) -> list[Finding]:
    """Whether the file that names who is told of alerts can be read."""
    try:
        home.alert_addresses()
    except SettingsError as error:
        return [_finding("alerts_untold", f"Alerts go to nobody but the wall and the broker: {error}")]
    return []


def _told(home: Home) -> list[dict[str, str]]:
    """What is good to know: what the embedded broker can lose, with the longest wait that was measured here."""
    if not home.settings.broker.embedded:
        return []
    with suppress(OSError, ValueError, AttributeError):
        longest_ms = json.loads(status_file(home).read_text(encoding="utf-8")).get("longest_wait_ms")
        here = f" Here no message waited longer than {max(longest_ms, 1) / 1000:.2g} s." if longest_ms else ""
        return [{"kind": "broker_in_memory", "says": EMBEDDED_LOSES + here}]
    return [{"kind": "broker_in_memory", "says": EMBEDDED_LOSES}]


def _damage(home: Home) -> list[Finding]:
    """What is wrong with the readings' file as a whole, with a sealed day in it, or with the logbook."""
    try:
        faults = home.readings.integrity() or home.readings.verify()
    except (StoreError, Refused) as error:
        faults = [str(error)]
    return [_finding("store_damaged", fault) for fault in [*faults, *_logbook_damage(home)]]


def _logbook_damage(home: Home) -> list[str]:
    try:
        return home.logbook.integrity()
    except Refused as error:
        return [str(error)]


def place_of(sensor: Sensor, at_ms: int) -> tuple[str | None, int | None]:
    """Where a sensor stands at a moment and since when; None where it serves no place."""
    for placement in sensor.placed:
        if placement.from_ms <= at_ms and (placement.to_ms is None or at_ms < placement.to_ms):
            return placement.at, placement.from_ms
    return None, None


def _about(sensor: Sensor, at_ms: int, kind: str, since_ms: int | None, says: str) -> Finding:
    return {
        "kind": kind,
        "at": place_of(sensor, at_ms)[0],
        "label": sensor.label or sensor.source,
        "since_ms": since_ms,
        "says": says,
    }


def _finding(kind: str, says: str) -> Finding:
    return {"kind": kind, "at": None, "label": None, "since_ms": None, "says": says}
