"""What a sensor says when it does not measure: words, magic numbers and stuck values, told from readings.

A failure code marks its sensor as failed instead of piling up among its values. All codes here are common
practice, no source: they are what home sensors and the programs that pass them on are seen to send.
"""

from ingest.sensors import Sensor

#: Words, in lower case, that stand where a value should be.
WORDS = frozenset(("unavailable", "unknown", "null", "none", "n/a", "error", "fault"))

#: Words, in lower case, for quantities that are yes or no. A closed contact counts as yes; a switch that is wired
#: the other way round gets the calibration [[0, 1], [1, 0]].
YES_OR_NO_WORDS = {
    "on": 1.0,
    "off": 0.0,
    "true": 1.0,
    "false": 0.0,
    "yes": 1.0,
    "no": 0.0,
    "closed": 1.0,
    "open": 0.0,
    "online": 1.0,
    "offline": 0.0,
    "low": 1.0,
    "ok": 0.0,
}

#: A digital thermometer on one wire says -127 when the wire is broken and 85 when it was asked before its first
#: conversion after power-up. Neither is air that a plant lives in, so neither is ever a reading.
_THERMOMETER_CODES = {-127.0: "-127", 85.0: "85.0 at power-up"}
#: A converter of 10, 12 or 16 bits that reads nothing but ones is out of range or cut off.
_ALL_ONES = (1023.0, 4095.0, 65535.0)

#: Relative humidity this close to 100 % without a break for a day is a wet or dead sensor. A whole day, because in
#: a closed cabinet a night at 100 % is honest; a warm noon brings a working sensor down.
SATURATED_PCT = 99.95
HELD_MS = 24 * 3600 * 1000
HELD_AT_100 = "held at 100 %"


def failure_word(text: str) -> str | None:
    """The failure code a word stands for, or None."""
    word = text.strip().lower()
    return word if word in WORDS else None


def failure_number(sensor: Sensor, raw: float, canonical: float, plausible: bool) -> str | None:
    """The failure code a raw number stands for, or None when it is a value (or merely implausible)."""
    if sensor.quantity == "air_temperature" and not sensor.calibration:
        code = _THERMOMETER_CODES.get(round(canonical, 6))
        if code is not None:
            return code
    if raw in _ALL_ONES and _counts_up_to(sensor, raw, plausible):
        return "all ones"
    return None


def _counts_up_to(sensor: Sensor, raw: float, plausible: bool) -> bool:
    """Whether all ones is this converter's end: a calibration that reaches further has more bits than that."""
    if sensor.calibration:
        return raw >= max(point[0] for point in sensor.calibration)
    return not plausible


def saturated_since_ms(since_ms: int | None, time_ms: int, relative_humidity_pct: float) -> int | None:
    """Since when a humidity sensor has shown nothing but 100 %, after one more reading; None when it came down."""
    if relative_humidity_pct < SATURATED_PCT:
        return None
    return time_ms if since_ms is None else since_ms
