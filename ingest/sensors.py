"""Which topic and field is which sensor: unit, calibration, dated placement, and how long it may keep silent.

A sensor is one stream of numbers from one source. Where it stood is a list of dated placements,
applied when a series is read, so that a move reported late corrects history. Nothing here reads a store.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pint import UnitRegistry

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Quantity(NamedTuple):
    """The unit a quantity is kept in, in pint's words, and what a home sensor of it can plausibly say."""

    unit: str
    low: float
    high: float


#: Ranges are common practice, no source: what no shelf, pot or home sensor reaches, with the few units of zero
#: error and overshoot that sensors show. Humidity and battery are cut back to 0..100 when they are read.
QUANTITIES = {
    "air_temperature": Quantity("degC", -40.0, 70.0),
    "relative_humidity": Quantity("percent", -2.0, 105.0),
    "reservoir_level": Quantity("mm", -50.0, 2000.0),
    "reservoir_low": Quantity("", 0.0, 1.0),
    "pot_mass": Quantity("g", -500.0, 500_000.0),
    "air_speed": Quantity("m/s", -0.5, 40.0),
    "battery": Quantity("percent", -2.0, 105.0),
    "online": Quantity("", 0.0, 1.0),
}
YES_OR_NO = frozenset(name for name, quantity in QUANTITIES.items() if not quantity.unit)
#: What is read in one pot's reservoir or under one pot: said of a whole shelf it tells nothing.
OF_ONE_POT = frozenset({"reservoir_level", "reservoir_low", "pot_mass"})
PAYLOADS = ("senml", "number", "json")

#: Spellings of a unit that mean the same, in pint's words: SenML (RFC 8428, RFC 8798) and what labels say.
UNIT_WORDS = {
    "Cel": "degC",
    "°C": "degC",
    "C": "degC",
    "celsius": "degC",
    "°F": "degF",
    "F": "degF",
    "fahrenheit": "degF",
    "K": "kelvin",
    "%RH": "percent",
    "%EL": "percent",
    "%": "percent",
    "/100": "percent",
    "/": "dimensionless",
    "l": "liter",
    "kn": "knot",
}


@dataclass(frozen=True)
class Placement:
    """From when to when (open: None) a sensor served a place: `shelf`, or `shelf/pot`."""

    from_ms: int
    to_ms: int | None
    at: str


@dataclass(frozen=True)
class Sensor:
    """One stream of numbers: where it comes from, what it measures, and where it stood when."""

    topic: str
    payload: str
    field: str
    quantity: str
    unit: str
    calibration: tuple[tuple[float, float], ...] = ()
    placed: tuple[Placement, ...] = ()
    time_field: str | None = None
    time_format: str | None = None
    time_zone: str | None = None
    interval_s: float | None = None
    height_mm: float | None = None
    online_topic: str | None = None
    label: str | None = None

    @cached_property
    def source(self) -> str:
        """The name of the stream in the readings store (a topic cannot contain `#`)."""
        return f"{self.topic}#{self.field}"

    @cached_property
    def unit_word(self) -> str:
        """The declared unit in pint's words, so that two spellings of one unit compare equal."""
        return UNIT_WORDS.get(self.unit, self.unit)

    @cached_property
    def scale_and_offset(self) -> tuple[float, float]:
        """What turns the declared unit into the quantity's own: value * scale + offset. ValueError if nothing can."""
        return _scale_and_offset(self.unit_word, QUANTITIES[self.quantity].unit)


def in_canonical_units(sensor: Sensor, raw: FloatArray) -> FloatArray:
    """Raw values as degrees Celsius, % (0-100), mm, g, m/s or 0/1: the calibration first, then the unit.

    Humidity and battery are cut back to 0..100 %, which sensors overshoot by a unit or two.
    """
    values = uncut_canonical(sensor, np.asarray(raw, dtype=np.float64))
    if QUANTITIES[sensor.quantity].unit == "percent":
        values = np.clip(values, 0.0, 100.0)
    return values


def uncut_canonical(sensor: Sensor, raw: FloatArray) -> FloatArray:
    """The same before cutting back, which is what plausibility is judged on."""
    values = calibrated(sensor.calibration, raw) if sensor.calibration else raw
    scale, offset = sensor.scale_and_offset
    return values if (scale, offset) == (1.0, 0.0) else values * scale + offset


def canonical_value(sensor: Sensor, raw: float) -> float:
    """One raw value in the quantity's own unit, uncut; without a calibration it costs no array."""
    if sensor.calibration:
        return float(uncut_canonical(sensor, np.array([raw]))[0])
    scale, offset = sensor.scale_and_offset
    return raw * scale + offset


def calibrated(points: Sequence[tuple[float, float]], raw: FloatArray) -> FloatArray:
    """Raw numbers through a piecewise linear calibration; beyond its ends the last piece goes on.

    Cutting off at the ends instead would make a level that keeps falling look like one that stopped.
    """
    x, y = np.array(sorted(points), dtype=np.float64).T
    piece = np.clip(np.searchsorted(x, raw, side="right") - 1, 0, len(x) - 2)
    slope = np.diff(y) / np.diff(x)
    out: FloatArray = y[piece] + (raw - x[piece]) * slope[piece]
    return out


def served(
    sensors: Iterable[Sensor], at: str, quantity: str, start_ms: int, end_ms: int
) -> list[tuple[Sensor, int, int]]:
    """Which sensors measured `quantity` at a place within [start, end), each with its part of that window.

    `at` is a shelf, or `shelf/pot`, of which the pot's label alone decides: a pot that was carried to another
    shelf keeps its sensors. A placement ends where the same sensor's next one begins.
    """
    found = []
    for sensor in sensors:
        if sensor.quantity != quantity:
            continue
        for placement in _closed(sensor.placed):
            begin = max(placement.from_ms, start_ms)
            end = end_ms if placement.to_ms is None else min(placement.to_ms, end_ms)
            if begin < end and place_key(placement.at) == place_key(at):
                found.append((sensor, begin, end))
    return sorted(found, key=lambda part: part[1])


def place_key(at: str) -> tuple[str, str]:
    """What decides whether two written places are one: a pot's label, or a shelf's."""
    shelf, slash, pot = at.partition("/")
    return ("pot", pot) if slash else ("shelf", shelf)


@lru_cache(maxsize=10_000)
def _closed(placed: tuple[Placement, ...]) -> tuple[Placement, ...]:
    ordered = sorted(placed, key=lambda placement: placement.from_ms)
    closed = []
    for number, placement in enumerate(ordered):
        later = ordered[number + 1].from_ms if number + 1 < len(ordered) else None
        ends = [end for end in (placement.to_ms, later) if end is not None]
        closed.append(Placement(placement.from_ms, min(ends) if ends else None, placement.at))
    return tuple(closed)


# --- what can be wrong with a definition --------------------------------------------------------------------------


def why_unusable(sensor: Sensor) -> str | None:
    """One sentence on what is wrong with a sensor's definition, or None."""
    checks = (_why_wrong_source, _why_wrong_unit, _why_wrong_calibration, _why_wrong_time)
    return next((why for check in checks if (why := check(sensor)) is not None), None)


class Claims(NamedTuple):
    """The usable sensors of each topic, and for each topic the sentences that refuse the others."""

    by_topic: dict[str, tuple[Sensor, ...]]
    refused: dict[str, tuple[str, ...]]


def claims(sensors: Iterable[Sensor]) -> Claims:
    """Who claims what. A faulty definition and a field that two sensors claim are refused, each with its sentence.

    An online topic that no sensor of its own claims is read as a bare word, so that `online_topic` suffices.
    """
    known = list(sensors)
    claimed = {sensor.topic for sensor in known}
    online = {sensor.online_topic for sensor in known if sensor.online_topic} - claimed
    known += [Sensor(topic, "number", "", "online", "") for topic in sorted(online)]
    double = why_double(known)
    usable: dict[str, list[Sensor]] = {}
    refused: dict[str, dict[str, None]] = {}
    for sensor in known:
        why = why_unusable(sensor) or double.get(sensor.source)
        if why is None:
            usable.setdefault(sensor.topic, []).append(sensor)
        else:
            refused.setdefault(sensor.topic, {})[why] = None
    return Claims(
        {topic: tuple(some) for topic, some in usable.items()}, {topic: tuple(why) for topic, why in refused.items()}
    )


def why_double(sensors: Iterable[Sensor]) -> dict[str, str]:
    """For every source that two sensors claim, the sentence that refuses them; their messages are kept unread."""
    seen: set[str] = set()
    refused = {}
    for sensor in sensors:
        if sensor.source in seen:
            field = f"the field {sensor.field}" if sensor.field else "the value"
            refused[sensor.source] = (
                f"two sensors claim {field} of {sensor.topic}: remove one, or date the placements of one sensor"
            )
        seen.add(sensor.source)
    return refused


def _why_wrong_source(sensor: Sensor) -> str | None:
    if not sensor.topic or any(sign in sensor.topic for sign in "#+\0"):
        return f"the topic {sensor.topic!r} is not one topic: it may not be empty or hold + or #"
    if sensor.payload not in PAYLOADS:
        return f"the payload {sensor.payload!r} is not known; it is one of senml, number, json"
    if sensor.quantity not in QUANTITIES:
        return f"the quantity {sensor.quantity!r} is not known; it is one of {', '.join(QUANTITIES)}"
    if sensor.payload == "json" and sensor.field and not sensor.field.startswith("/"):
        return f"the field {sensor.field!r} is not a JSON Pointer: it begins with /"
    return None


def _why_wrong_unit(sensor: Sensor) -> str | None:
    try:
        if not all(math.isfinite(part) for part in sensor.scale_and_offset):
            raise ValueError
    except ValueError:
        unit = QUANTITIES[sensor.quantity].unit
        return f"{sensor.quantity} has no unit {sensor.unit!r}: give one that converts to {unit or '0/1'}"
    return None


def _why_wrong_calibration(sensor: Sensor) -> str | None:
    points = sorted(sensor.calibration)
    if not points:
        return None
    if len(points) < 2 or not all(math.isfinite(number) for point in points for number in point):
        return f"the calibration of {sensor.source} needs two points or more, all of them finite numbers"
    x, y = np.array(points, dtype=np.float64).T
    rises = np.diff(y)
    if not (np.diff(x) > 0).all() or not ((rises >= 0).all() or (rises <= 0).all()) or not rises.any():
        return f"the calibration of {sensor.source} turns back: it must rise or fall throughout"
    return None


def _why_wrong_time(sensor: Sensor) -> str | None:
    if sensor.interval_s is not None and not 0 < sensor.interval_s < math.inf:
        return f"the interval of {sensor.source} must be a number of seconds above zero"
    if sensor.time_format not in (None, "iso", "unix_s", "unix_ms") and "%" not in sensor.time_format:
        return f"the time format {sensor.time_format!r} is not iso, unix_s, unix_ms or a strptime pattern"
    if sensor.time_zone is not None:
        try:
            ZoneInfo(sensor.time_zone)
        except (ValueError, OSError, KeyError):
            return f"the time zone {sensor.time_zone!r} is not known; use a name like Europe/Vienna"
    return None


# --- silence --------------------------------------------------------------------------------------------------------

#: How many of its intervals a sensor may miss, how many gaps teach something, the least quiet ever called silence.
MISSED_INTERVALS = 3.0
FEWEST_GAPS = 8
LEAST_QUIET_S = 300.0


def learned_interval_s(times_ms: IntArray) -> float | None:
    """The interval a sensor keeps, learned from when it spoke: the 95th percentile of its gaps (None below eight).

    A high quantile, because a sensor that reports on change speaks often by day and only by its heartbeat at night;
    not the longest gap, because that may have been an outage.
    """
    gaps_s = np.diff(np.unique(np.asarray(times_ms, dtype=np.int64))) / 1000.0
    return float(np.quantile(gaps_s, 0.95)) if len(gaps_s) >= FEWEST_GAPS else None


def silent_after_s(declared_s: float | None, times_ms: IntArray) -> float | None:
    """How long a sensor may be quiet before it counts as silent; None while neither declared nor learned.

    A declared interval wins: only the owner knows that a sleeping node sends its quarter hours once a day.
    """
    interval_s = declared_s if declared_s is not None else learned_interval_s(times_ms)
    return None if interval_s is None else max(MISSED_INTERVALS * interval_s, LEAST_QUIET_S)


def silent(declared_s: float | None, times_ms: IntArray, now_ms: int, online: float | None = None) -> bool | None:
    """Whether a sensor is silent at `now_ms`; None when too little is known to say.

    `online` is the last value of its online topic: 0 means silent at once, 1 proves nothing about the numbers.
    """
    if online is not None and online < 0.5:
        return True
    patience_s = silent_after_s(declared_s, times_ms)
    if patience_s is None or len(times_ms) == 0:
        return None
    return bool(now_ms - int(np.max(times_ms)) > patience_s * 1000.0)


# --- units ------------------------------------------------------------------------------------------------------------


@cache
def _registry() -> "UnitRegistry[float]":
    """The one unit registry, built at first need: it costs half a second that most commands never owe."""
    from pint import UnitRegistry

    return UnitRegistry()


@cache
def _scale_and_offset(unit: str, canonical: str) -> tuple[float, float]:
    if unit == canonical or (not canonical and unit in ("1", "bool")):
        return 1.0, 0.0
    if not canonical or not unit:
        raise ValueError(f"no conversion from {unit!r} to {canonical!r}")
    registry = _registry()
    try:
        offset = float(registry.Quantity(0.0, unit).to(canonical).magnitude)
        if offset == 0.0:
            return float(registry.Quantity(1.0, unit).to(canonical).magnitude), 0.0
        step = registry.Quantity(1.0, unit) - registry.Quantity(0.0, unit)
        return float(step.to(f"delta_{canonical}").magnitude), offset
    except Exception as error:
        # pint raises many kinds, tokenizer errors among them, for what is not a unit at all.
        raise ValueError(f"no conversion from {unit!r} to {canonical!r}") from error
