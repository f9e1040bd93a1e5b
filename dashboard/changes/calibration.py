"""What the workshop measures of sensors: calibration points, a night side by side, a night over salt.

Each is looked at first and kept only when the screen says so (`keep`); what comes back is what would be, or is, kept.
The computing is in `ingest.sensor_checks`.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.quantities import quantity, span
from dashboard.changes.bodies import Body, answered, moment, number, rows, word, words, yes
from dashboard.changes.sensors import WHICH, name_of
from ingest.home import Home
from ingest.logbook.refusals import Changed, Fault, Refused
from ingest.readings import Series
from ingest.sensor_checks import calibration, night_offsets, poured_level_mm, salt_check, without_offset
from ingest.sensors import QUANTITIES, Sensor, uncut_canonical

FloatArray = NDArray[np.float64]
UNITS = {"degC": "degrees", "percent": "%"}  # of differences
HOUR_MS = 3_600_000
#: A temperature may be this old beside a humidity: home sensors send them in separate messages.
BESIDE_MS = 2 * HOUR_MS
SALT_SOURCE = f"Greenspan 1977, J. Res. NBS 81A, 89: 75.3 % RH over saturated sodium chloride at {quantity(25, '°C')}"


def raw_now(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The number that the sensor `source` says just now, before any calibration."""
    sensor = home.logbook.sensor(word(body, "source", WHICH))
    found = home.readings.last_before([sensor.source], at_ms + 1).get(sensor.source)
    if found is None:
        raise Refused(f"{name_of(sensor)} has not been heard yet.")
    return answered(f"It says {found[1]:g}, {_ago(at_ms - found[0])}.", raw=found[1], time_ms=found[0])


def _ago(age_ms: int) -> str:
    seconds = max(0, age_ms // 1000)
    if seconds < 120:
        return f"{seconds} seconds ago"
    return f"{seconds // 60} minutes ago" if seconds < 7200 else f"{seconds // 3600} hours ago"


def calibrate(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Points for the sensor `source` from the rows `points`: its raw number with what was poured, or with a height.

    Poured amounts need `fill_ml` (from empty to the mark) and `fill_mark_mm`; the first row may be the empty reservoir.
    """
    sensor = home.logbook.sensor(word(body, "source", WHICH))
    given = [row for row in rows(body, "points") if row.get("raw") not in (None, "")]
    if len(given) < 2:
        raise Refused(Fault("points.1.raw", "A calibration needs two measurements or more."))
    raw = np.array([number(row, "raw", "Write the sensor's number.") for row in given])
    value = _known_values(body, given)
    scale, offset = sensor.scale_and_offset
    found = calibration(raw, (value - offset) / scale)
    unit = _unit(sensor)
    missed = quantity(found.residual * scale, unit, ".1f")
    says = f"{len(found.points)} points; the line through them misses the measurements by {missed}."
    spread = f"Between two points it may be {quantity(found.between_points * scale, unit, '.1f')} off."
    sentences = [says] if np.isnan(found.between_points) else [says, spread]
    return _kept(home, "calibration", body, {sensor.source: found.points}, *sentences)


def _known_values(body: Body, given: Sequence[Body]) -> FloatArray:
    if body.get("by") == "poured":
        poured = np.array(
            [number(row, "poured_ml", "Write how much was poured in; 0 for the empty one.") for row in given]
        )
        fill_ml = number(body, "fill_ml", "Write how much it takes from empty to the mark.")
        mark_mm = number(body, "fill_mark_mm", "Write how high the mark is above the floor.")
        if fill_ml <= 0 or mark_mm <= 0:
            raise Refused(Fault("fill_ml", "The amount to the mark and its height are above zero."))
        return poured_level_mm(poured, fill_ml, mark_mm)
    return np.array([number(row, "value", "Write what it was in truth.") for row in given])


def side_by_side(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """The offsets of the sensors `sources` that lay side by side from `from` to `to`; `reference` is believed."""
    sources = words(body, "sources", "Tick the sensors that lay side by side.")
    sensors = [home.logbook.sensor(source) for source in sources]
    if len({sensor.quantity for sensor in sensors}) > 1:
        raise Refused(Fault("sources", "Compare sensors that measure the same: all temperature, or all humidity."))
    from_ms, to_ms = moment(home, body, "from"), moment(home, body, "to")
    if to_ms <= from_ms:
        raise Refused(Fault("to", "The night cannot end before it begins."))
    believed = body.get("reference") or None
    if believed is not None and believed not in sources:
        raise Refused(Fault("reference", "The sensor that is believed must be one of those that lay there."))
    series = [_canonical(sensor, found) for sensor, found in _read(home, sensors, from_ms, to_ms)]
    found = night_offsets(series, from_ms, to_ms, reference=None if believed is None else sources.index(believed))
    offsets = {sensor.source: float(offset) for sensor, offset in zip(sensors, found.offset, strict=True)}
    lines = [
        _offset_says(sensor, float(found.offset[n]), float(found.low[n]), float(found.high[n]), float(found.hours[n]))
        for n, sensor in enumerate(sensors)
    ]
    points = {s.source: _without(s, offsets[s.source]) for s in sensors if np.isfinite(offsets[s.source])}
    return _kept(home, "side_by_side", body, points, *lines)


def over_salt(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """What the humidity sensor `source` is off by over wet table salt from `from` to `to`.

    `temperature` is the source of a temperature sensor in the box; else `temperature_c` is what a thermometer said.
    """
    sensor = home.logbook.sensor(word(body, "source", WHICH))
    if sensor.quantity != "relative_humidity":
        raise Refused(Fault("source", "Salt checks a sensor of humidity."))
    from_ms, to_ms = moment(home, body, "from"), moment(home, body, "to")
    ((_, found),) = _read(home, [sensor], from_ms, to_ms)
    times_ms, humidity = _canonical(sensor, found)
    check = salt_check(humidity, _temperatures(home, body, times_ms, from_ms, to_ms))
    points = {sensor.source: _without(sensor, check.offset_pct)}
    good = f"Good to about {check.uncertainty_pct:.0f} % RH in a box on a table. Source: {SALT_SOURCE}."
    return _kept(home, "over_salt", body, points, check.says, good)


def _temperatures(home: Home, body: Body, times_ms: NDArray[np.int64], from_ms: int, to_ms: int) -> FloatArray:
    source = body.get("temperature")
    if not source:
        stated = number(body, "temperature_c", "Choose a temperature sensor in the box, or write the temperature.")
        return np.full(len(times_ms), stated)
    sensor = home.logbook.sensor(str(source))
    ((_, found),) = _read(home, [sensor], from_ms - BESIDE_MS, to_ms)
    known_ms, values = _canonical(sensor, found)
    if not len(known_ms):
        return np.full(len(times_ms), np.nan)
    last = np.searchsorted(known_ms, times_ms, side="right") - 1
    fits = (last >= 0) & (times_ms - known_ms[np.maximum(last, 0)] <= BESIDE_MS)
    return np.where(fits, values[np.maximum(last, 0)], np.nan)


# --- what they share


def _read(home: Home, sensors: Sequence[Sensor], from_ms: int, to_ms: int) -> list[tuple[Sensor, Series]]:
    found = home.readings.read([sensor.source for sensor in sensors], from_ms, to_ms)
    return [(sensor, found[sensor.source]) for sensor in sensors]


def _canonical(sensor: Sensor, series: Series) -> Series:
    return series[0], uncut_canonical(sensor, series[1])


def _without(sensor: Sensor, offset: float) -> tuple[tuple[float, float], ...]:
    """The sensor's calibration less an offset in the quantity's own unit."""
    return without_offset(sensor.calibration, offset / sensor.scale_and_offset[0])


def _unit(sensor: Sensor) -> str:
    unit = QUANTITIES[sensor.quantity].unit
    return UNITS.get(unit, unit)


def _offset_says(sensor: Sensor, offset: float, low: float, high: float, hours: float) -> str:
    if not np.isfinite(offset):
        return f"{name_of(sensor)}: heard beside another for {hours:.1f} hours only, which is too little."
    unit, way = _unit(sensor), "high" if offset > 0 else "low"
    spread = f"({span(low, high, unit, '+.1f')}), {hours:.1f} hours"
    if f"{abs(offset):.1f}" == "0.0":
        return f"{name_of(sensor)}: agrees with the others {spread}."
    return f"{name_of(sensor)}: reads {quantity(abs(offset), unit, '.1f')} {way} {spread}."


def _kept(home: Home, change: str, body: Body, points: Mapping[str, Any], *sentences: str) -> dict[str, Any]:
    """What was found; kept as calibration where the screen says so, unless somebody calibrated meanwhile.

    Before it is kept, `look` holds the sentences and the change that would keep it.
    """
    before = {source: _listed(home.logbook.sensor(source).calibration) for source in points}
    if not yes(body, "keep"):
        keep = [change, {**body, "keep": True, "was": before}]
        return answered("Looked at, not kept yet.", look={"sentences": sentences, "keep": keep if points else None})
    seen = body.get("was")
    if isinstance(seen, Mapping) and any(before[source] != seen.get(source) for source in before):
        raise Changed("Somebody else has calibrated one of these sensors meanwhile; nothing was kept. Look again.")
    with home.logbook.writing():
        for source, found in points.items():
            home.logbook.calibrate_sensor(source, found)
    undo = [("calibration_set", {"source": source, "points": found}) for source, found in before.items()]
    return answered("Kept: history is read with it from now on.", *undo)


def _listed(points: Sequence[Sequence[float]]) -> list[list[float]]:
    return [[float(raw), float(value)] for raw, value in points]


def set_points(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Give the sensor `source` the calibration points `points` as they are; none takes its calibration away."""
    source, points = word(body, "source", WHICH), body.get("points")
    if not isinstance(points, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in points):
        raise Refused(Fault("points", "Points are pairs of a raw number and its value."))
    before = home.logbook.sensor(source).calibration
    home.logbook.calibrate_sensor(source, [(pair[0], pair[1]) for pair in points])
    undo = ("calibration_set", {"source": source, "points": _listed(before)})
    return answered("The calibration is as it was." if points else "The calibration is taken away.", undo)
