"""Bytes on a topic -> raw values with their times, or one sentence on why they could not be read.

Owns the three payloads: SenML JSON (its rules are in `senml.py`), a bare number or word, and any JSON by JSON
Pointer (RFC 6901). Values stay raw: in the unit the message stated or the sensor declares. Nothing here opens a
door or reads a clock; whatever the bytes, `decode` returns and never raises.

One step goes beyond RFC 6901: where the document has an array, the token `*` means each of its elements, so
`/readings/*/celsius` with the time field `/readings/*/at` reads a batch (and so do two arrays side by side,
`/celsius/*` with `/at/*`). An object that really has the member `*` is read by RFC 6901.
"""

import math
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import orjson
from jsonpointer import EndOfList, JsonPointer, JsonPointerException

from ingest import senml
from ingest.failure_codes import YES_OR_NO_WORDS, failure_number, failure_word
from ingest.message_times import UnreadableError, host_clock_is_sane, times_ms, why_implausible
from ingest.readings import Reading, SensorFailure
from ingest.sensors import QUANTITIES, UNIT_WORDS, YES_OR_NO, Sensor, canonical_value

#: A home sensor's day of quarter hours is 10 kB; more than this is a picture or a mistake.
MOST_BYTES = 262_144
#: More values than this in one message are refused: no node sends them, and they would hold up all others.
MOST_VALUES = 5_000

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)


class Decoded(NamedTuple):
    """What one message said. `reason` is set when any of it could not be read; what could be read stands beside it.

    `time_known` is False when the reason is that the message has no time of its own and its arrival says nothing.
    """

    readings: list[Reading]
    failures: list[SensorFailure]
    reason: str | None
    time_known: bool = True


class _Item(NamedTuple):
    """One value as found: `time_ms` None means the moment of arrival, later by `offset_ms`."""

    value: object
    unit: str | None = None
    time_ms: int | None = None
    offset_ms: int = 0


class _UntimedError(UnreadableError):
    """A value without a time of its own came where the moment of arrival says nothing."""


def decode(
    body: bytes,
    sensors: Sequence[Sensor],
    arrived_ms: int,
    *,
    untimed: str | None = None,
    now_ms: int | None = None,
) -> Decoded:
    """Everything that the sensors of one topic find in one message.

    `untimed` says why the arrival is not the time ("it was retained"); values without a time of their own are then
    refused, except an online state, which holds at arrival whenever it was sent. `now_ms` is the clock that future
    times are judged by, when that is not the moment of arrival.
    """
    if untimed is None and not host_clock_is_sane(arrived_ms):
        untimed = "this host's clock is not set"
    message = _Message(body, arrived_ms, untimed, arrived_ms if now_ms is None else now_ms)
    taken = Decoded([], [], None)
    errors: list[UnreadableError] = []
    missing: list[str] = []
    for sensor in sensors:
        try:
            items = _FOUND[sensor.payload](message, sensor)
        except UnreadableError as error:
            errors.append(error)
            continue
        if not items:
            missing.append(sensor.field)
        for item in items:
            try:
                _take(message, sensor, item, taken)
            except UnreadableError as error:
                errors.append(error)
    if missing and not (taken.readings or taken.failures or errors):
        errors.append(UnreadableError(f"it has no field {' and no field '.join(repr(one) for one in missing[:5])}"))
    reason = "; ".join(list(dict.fromkeys(map(str, errors)))[:5]) or None
    untimely = any(isinstance(error, _UntimedError) for error in errors)
    return Decoded(taken.readings, taken.failures, reason, not untimely)


class _Message:
    """One message with what is known about its time; its JSON is parsed once for all sensors of its topic."""

    def __init__(self, body: bytes, arrived_ms: int, untimed: str | None, now_ms: int) -> None:
        self.body = body
        self.arrived_ms = arrived_ms
        self.untimed = untimed
        self.now_ms = now_ms
        self._parsed: Any = self
        self._records: list[senml.Record] | None = None

    def document(self) -> Any:
        if self._parsed is self:
            check_size(self.body)
            self._parsed = parsed_json(self.body)
        return self._parsed

    def records(self) -> list[senml.Record]:
        if self._records is None:
            self._records = senml.records(self.document())
        return self._records


def check_size(body: bytes) -> None:
    """Refuse what is empty or too long to be a sensor's."""
    if not body:
        raise UnreadableError("it is empty")
    if len(body) > MOST_BYTES:
        raise UnreadableError(f"it has {len(body):,} bytes; more than {MOST_BYTES:,} are not read")


def parsed_json(body: bytes) -> Any:
    """The document of a JSON text. NaN, infinity, numbers beyond a double and depths over 1,024 are not JSON here."""
    try:
        return orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise UnreadableError(f"it is not valid JSON: {error.msg}, at character {error.pos}") from None


# --- finding ----------------------------------------------------------------------------------------------------------


def _found_in_senml(message: _Message, sensor: Sensor) -> list[_Item]:
    field = sensor.field
    found = [record for record in message.records() if field in (record.local_name, record.name)]
    if len(found) > 1 and len({record.name for record in found}) > 1:
        raise UnreadableError(
            f"two devices in it have a field {field!r}: claim one by its whole name, {found[0].name!r}"
        )
    return [_senml_item(record, sensor) for record in found if record.value is not None]


def _senml_item(record: senml.Record, sensor: Sensor) -> _Item:
    if record.unit is not None and not sensor.calibration and sensor.quantity not in YES_OR_NO:
        _check_unit(record, sensor)
    if not math.isfinite(record.time_s):
        raise UnreadableError("its time is not a number")
    if record.time_s < senml.RELATIVE_BELOW_S:
        return _Item(record.value, offset_ms=round(record.time_s * 1000.0))
    return _Item(record.value, time_ms=round(min(record.time_s, 1e12) * 1000.0))


def _check_unit(record: senml.Record, sensor: Sensor) -> None:
    """The stated unit must be the declared one, because raw values are kept without a unit of their own."""
    stated = record.unit
    if stated == "%":
        # RFC 8428, section 12.1: "%" is another spelling of the ratio "/", and is not recommended.
        if sensor.unit_word != "dimensionless" or not isinstance(record.value, float) or not 0 <= record.value <= 1:
            raise UnreadableError(
                'it has the SenML unit "%", which means a ratio from 0 to 1 and not a percentage (RFC 8428):'
                ' let the sensor send "%RH" or "/100", or read its number by a JSON Pointer'
            )
        return
    if UNIT_WORDS.get(stated or "", stated) != sensor.unit_word:
        raise UnreadableError(
            f"it is in {stated!r} but its sensor is set up for {sensor.unit!r}: set the sensor to {stated!r}"
        )


def _found_as_number(message: _Message, sensor: Sensor) -> list[_Item]:
    check_size(message.body)
    if len(message.body) > 400:
        raise UnreadableError("it is not one number or word")
    try:
        return [_Item(message.body.decode("utf-8").strip())]
    except UnicodeDecodeError:
        raise UnreadableError("it is not text") from None


def _found_in_json(message: _Message, sensor: Sensor) -> list[_Item]:
    document = message.document()
    values = pointed(document, sensor.field)
    present = [place for place, value in enumerate(values) if value is not NOTHING]
    if sensor.time_field is None or not present:
        if len(present) > 1:
            raise UnreadableError(f"it has {len(present)} values but no time for each: give its sensor a time_field")
        return [_Item(values[place]) for place in present]
    written = pointed(document, sensor.time_field)
    if len(written) != len(values) or any(written[place] is NOTHING for place in present):
        raise UnreadableError(f"not every value in it has its own time at {sensor.time_field!r}")
    of_present = [written[place] for place in present]
    moments = times_ms(of_present, sensor.time_format, sensor.time_zone, message.arrived_ms)
    return [_Item(values[place], time_ms=moment) for place, moment in zip(present, moments, strict=True)]


_FOUND: dict[str, Callable[[_Message, Sensor], list[_Item]]] = {
    "senml": _found_in_senml,
    "number": _found_as_number,
    "json": _found_in_json,
}


#: Stands where an element of an array does not have what the pointer asks for.
NOTHING = object()


def pointed(document: Any, pointer: str) -> list[Any]:
    """What a JSON Pointer points at: one value, each element where a token is `*` or the end is an array, or none."""
    found = _resolved(document, pointer)
    if found is NOTHING:
        head, star, tail = pointer.partition("/*")
        array = _resolved(document, head) if star and (not tail or tail[0] == "/") else NOTHING
        found = [_resolved(element, tail) for element in array] if isinstance(array, list) else NOTHING
    if isinstance(found, list) and len(found) > MOST_VALUES:
        raise UnreadableError(f"it has {len(found):,} values; more than {MOST_VALUES:,} in one message are not read")
    if isinstance(found, list):
        return found
    return [] if found is NOTHING else [found]


@lru_cache(maxsize=4096)
def _compiled(pointer: str) -> JsonPointer:
    try:
        return JsonPointer(pointer)
    except JsonPointerException:
        raise UnreadableError(f"{pointer[:60]!r} is not a JSON Pointer (RFC 6901)") from None


def _resolved(document: Any, pointer: str) -> Any:
    try:
        found = _compiled(pointer).resolve(document, NOTHING)
    except JsonPointerException:
        return NOTHING
    return NOTHING if isinstance(found, EndOfList) else found


# --- taking -----------------------------------------------------------------------------------------------------------


def _take(message: _Message, sensor: Sensor, item: _Item, taken: Decoded) -> None:
    """Add one found value to what was taken, as a reading or as a failure. Raises UnreadableError if it is neither."""
    value = _value_or_code(item.value, sensor)
    time_ms = _moment(message, sensor, item)
    if isinstance(value, str):
        taken.failures.append(SensorFailure(sensor.source, time_ms, value))
        return
    canonical = canonical_value(sensor, value)
    quantity = QUANTITIES[sensor.quantity]
    plausible = quantity.low <= canonical <= quantity.high
    code = failure_number(sensor, value, canonical, plausible)
    if code is not None:
        taken.failures.append(SensorFailure(sensor.source, time_ms, code))
    elif plausible and (quantity.unit or canonical in (0.0, 1.0)):
        taken.readings.append(Reading(sensor.source, time_ms, value))
    else:
        raise UnreadableError(_why_no_such_value(sensor, canonical))


def _moment(message: _Message, sensor: Sensor, item: _Item) -> int:
    if item.time_ms is None:
        state = sensor.quantity == "online" and host_clock_is_sane(message.arrived_ms)
        if message.untimed is not None and not state:
            raise _UntimedError(f"time unknown: it has no time of its own and {message.untimed}")
        time_ms = message.arrived_ms + item.offset_ms
    else:
        time_ms = item.time_ms
    why = why_implausible(time_ms, message.now_ms)
    if why is not None:
        raise UnreadableError(why)
    return time_ms


def _value_or_code(found: object, sensor: Sensor) -> float | str:
    """A finite number, or the failure code that a word or null stands for."""
    if isinstance(found, bool):
        if sensor.quantity in YES_OR_NO:
            return float(found)
        raise UnreadableError(f"it has true or false where {sensor.quantity} should be a number")
    if isinstance(found, (int, float)):
        return _finite(float(found))
    if found is None:
        return "null"
    if isinstance(found, str):
        return _number_or_word(found, sensor)
    raise UnreadableError(f"it has {_kind(found)} where {sensor.quantity} should be a number")


def _number_or_word(text: str, sensor: Sensor) -> float | str:
    text = text.strip()
    if _NUMBER.match(text):
        return _finite(float(text))
    if sensor.quantity in YES_OR_NO and text.lower() in YES_OR_NO_WORDS:
        return YES_OR_NO_WORDS[text.lower()]
    code = failure_word(text)
    if code is not None:
        return code
    raise UnreadableError(f"it has {text[:40]!r} where {sensor.quantity} should be a number")


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise UnreadableError("it has a number too large to be one")
    return number


def _kind(found: object) -> str:
    return {"dict": "an object", "list": "an array", "bytes": "data"}.get(type(found).__name__, "something else")


def _why_no_such_value(sensor: Sensor, canonical: float) -> str:
    unit, low, high = QUANTITIES[sensor.quantity]
    if not unit:
        return f"{sensor.quantity} is {canonical:g}, which is neither 0 nor 1"
    shown = {"degC": "°C", "percent": "%"}.get(unit, unit)
    # A no-break space holds number and unit together, so that a screen finds what it may put into other units.
    gap = "\u00a0" if shown in ("°C", "mm") else " "
    believed = f"{low:g}{gap}to{gap}{high:g}{gap}{shown}"
    return f"{sensor.quantity} is {canonical:g}{gap}{shown}, which cannot be: believed are {believed}"
