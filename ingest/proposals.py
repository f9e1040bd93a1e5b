"""A message that nobody uses: everything that could be read in it, so that only the place is left to be asked.

Owns the guesses from names and units to quantities. A guess is only ever proposed to a person, all finds of one
message together; nothing here is applied by itself. Names are common practice, no source.
"""

import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import orjson

from ingest import senml
from ingest.message_times import UnreadableError, times_ms
from ingest.payloads import MOST_BYTES
from ingest.sensors import QUANTITIES, Sensor, why_unusable

MOST_PROPOSALS = 40
DEEPEST = 8


class Proposal(NamedTuple):
    """One stream that a message could hold: how to read it, and what it may be (`quantity` None: a person must say).

    `shown` is the value in this message, for the person to recognise it by; `note` is what else must be said.
    """

    payload: str
    field: str
    quantity: str | None
    unit: str | None
    shown: str
    time_field: str | None = None
    time_format: str | None = None
    note: str = ""


_A_RATIO = 'SenML "%" means a ratio from 0 to 1; this looks like a percentage, read by its place in the message'
_NO_ZONE = "its time has no zone: say which one the sensor keeps"
_NEEDS_CALIBRATION = "a percentage: give it a calibration from % to mm"

#: Parts of names, in the order in which they are asked: the first that fits decides.
_NAMES: tuple[tuple[str, str], ...] = (
    (r"batt|bat(?![a-z])", "battery"),
    (r"float|low(?![a-z])|empty", "reservoir_low"),
    (r"online|availab|alive|lwt", "online"),
    (r"humid|\brh\b|(?<![a-z])hum(?![a-z])", "relative_humidity"),
    (r"temp|celsius|fahrenheit|°c|°f|(?<![a-z])t[cf]?(?![a-z])", "air_temperature"),
    (r"level|water|depth|reservoir", "reservoir_level"),
    (r"weight|mass|scale|grams?(?![a-z])", "pot_mass"),
    (r"wind|air_?speed|air_?flow|draught|anemo", "air_speed"),
)
_USUAL_UNITS = {
    "air_temperature": "Cel",
    "relative_humidity": "%RH",
    "reservoir_level": "mm",
    "reservoir_low": "",
    "pot_mass": "g",
    "air_speed": "m/s",
    "battery": "%",
    "online": "",
}
#: A unit at the end of a name, as in `temperature_f` or `level_cm`.
_UNIT_ENDINGS = {
    "c": "Cel",
    "celsius": "Cel",
    "f": "°F",
    "fahrenheit": "°F",
    "k": "K",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "inch": "inch",
    "in": "inch",
    "g": "g",
    "kg": "kg",
    "lb": "lb",
    "oz": "oz",
    "pct": "%",
    "percent": "%",
}
_QUANTITY_OF_UNIT = {
    "Cel": "air_temperature",
    "K": "air_temperature",
    "%RH": "relative_humidity",
    "%EL": "battery",
    "m": "reservoir_level",
    "cm": "reservoir_level",
    "mm": "reservoir_level",
    "kg": "pot_mass",
    "g": "pot_mass",
    "m/s": "air_speed",
}
_UNIT_KEYS = ("unit", "units", "unit_of_measurement", "uom")
_TIME_KEYS = re.compile(
    r"(?:^|_)(?:time|timestamp|ts|at|date|datetime|when|epoch|measured|utc)(?:$|_)|time$", re.IGNORECASE
)
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z", re.ASCII)
_WORD = re.compile(r"(on|off|true|false|open|closed|online|offline|low|ok)\Z", re.IGNORECASE)


def proposals(topic: str, body: bytes) -> list[Proposal]:
    """Every stream that one message could hold, likely ones first; empty when it holds no number at all."""
    if not body or len(body) > MOST_BYTES:
        return []
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError:
        return _of_a_word(topic, body)
    if not isinstance(document, (dict, list)):
        return _of_a_word(topic, body)
    try:
        found = _of_senml(topic, senml.records(document)) if _may_be_senml(document) else _of_json(topic, document)
    except UnreadableError:
        found = _of_json(topic, document)
    return sorted(found, key=lambda one: one.quantity is None)[:MOST_PROPOSALS]


def _of_a_word(topic: str, body: bytes) -> list[Proposal]:
    text = body[:200].decode("utf-8", errors="replace").strip()
    if _NUMBER.match(text):
        quantity = _named(topic)
        return [Proposal("number", "", quantity, _USUAL_UNITS.get(quantity or ""), text)]
    if _WORD.match(text):
        quantity = _named(topic)
        quantity = quantity if quantity in ("reservoir_low", "online") else "online" if "line" in text.lower() else None
        return [Proposal("number", "", quantity, "", text)]
    return []


# --- SenML ------------------------------------------------------------------------------------------------------------


def _may_be_senml(document: Any) -> bool:
    return isinstance(document, list) and all(
        isinstance(entry, dict) and not {"n", "bn", "v", "vb", "vs"}.isdisjoint(entry) for entry in document
    )


def _of_senml(topic: str, records: list[senml.Record]) -> list[Proposal]:
    devices = {one.name.removesuffix(one.local_name) for one in records}
    found: dict[str, Proposal] = {}
    for place, one in enumerate(records):
        if isinstance(one.value, (str, bytes)) or one.value is None:
            continue
        field = one.name if len(devices) > 1 else one.local_name
        if one.unit == "%":
            # A percentage under a ratio's name (RFC 8428): its bare number can still be read.
            quantity = _named(field) or _named(topic)
            found[field] = _if_it_fits(Proposal("json", f"/{place}/v", quantity, "%", f"{one.value:g}", note=_A_RATIO))
            continue
        quantity = _named(field) or _QUANTITY_OF_UNIT.get(one.unit or "") or _named(topic)
        unit = one.unit if one.unit is not None else _USUAL_UNITS.get(quantity or "")
        shown = str(one.value).lower() if isinstance(one.value, bool) else f"{one.value:g} {one.unit or ''}".strip()
        found.setdefault(field, _if_it_fits(Proposal("senml", field, quantity, unit, shown)))
    return list(found.values())


# --- any JSON ---------------------------------------------------------------------------------------------------------


class _Leaf(NamedTuple):
    pointer: str
    key: str
    value: Any
    siblings: dict[str, Any]


def _of_json(topic: str, document: Any) -> list[Proposal]:
    leaves = list(_leaves(document, "", "", {}, 0))
    times = [leaf for leaf in leaves if _TIME_KEYS.search(leaf.key) and _time_format(leaf.value) is not None]
    found: dict[str, Proposal] = {}
    for leaf in leaves:
        if leaf in times or not _is_value(leaf.value) or leaf.pointer in found:
            continue
        time = next((one for one in times if _stands_beside(one.pointer, leaf.pointer)), None)
        quantity = _named(leaf.key) or _named(leaf.pointer) or _named(topic)
        proposal = Proposal(
            "json",
            leaf.pointer,
            quantity,
            _unit_of(leaf, quantity),
            str(leaf.value).lower() if isinstance(leaf.value, bool) else str(leaf.value)[:40],
            None if time is None else time.pointer,
            None if time is None else _time_format(time.value),
            _NO_ZONE if time is not None and _lacks_zone(time.value) else "",
        )
        found[leaf.pointer] = _if_it_fits(proposal)
    return list(found.values())


def _leaves(node: Any, pointer: str, key: str, siblings: dict[str, Any], depth: int) -> Iterator[_Leaf]:
    """The ends of the document; of an array of objects or numbers the first element stands for all, under `*`."""
    if depth > DEEPEST:
        return
    if isinstance(node, dict):
        for name, child in list(node.items())[:200]:
            yield from _leaves(child, f"{pointer}/{_escaped(name)}", name, node, depth + 1)
    elif isinstance(node, list):
        if node:
            step = "*" if "*" not in pointer else "0"
            yield from _leaves(node[0], f"{pointer}/{step}", key, siblings, depth + 1)
    else:
        yield _Leaf(pointer, key, node, siblings)


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")  # RFC 6901, section 3


def _stands_beside(time_pointer: str, pointer: str) -> bool:
    """A value inside an array needs a time inside an array; a single value one outside."""
    return ("/*" in time_pointer) == ("/*" in pointer)


def _is_value(value: Any) -> bool:
    if isinstance(value, (bool, int, float)):
        return True
    return isinstance(value, str) and bool(_NUMBER.match(value.strip()) or _WORD.match(value.strip()))


def _time_format(value: Any) -> str | None:
    """The form of what may be a time, if it is a believable one."""
    if isinstance(value, str) and not _NUMBER.match(value.strip()):
        try:
            times_ms([value], "iso", "UTC", 0)
        except UnreadableError:
            return None
        return "iso"
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        return None
    number = float(value)
    if 9.4e8 < number < 4.2e9:
        return "unix_s"
    return "unix_ms" if 9.4e11 < number < 4.2e12 else None


def _lacks_zone(value: Any) -> bool:
    if _time_format(value) != "iso":
        return False
    try:
        times_ms([value], "iso", None, 0)
    except UnreadableError:
        return True
    return False


# --- guesses ----------------------------------------------------------------------------------------------------------


def _named(name: str) -> str | None:
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower().replace("-", "_")
    return next((quantity for pattern, quantity in _NAMES if re.search(pattern, text)), None)


def _unit_of(leaf: _Leaf, quantity: str | None) -> str | None:
    stated = next((leaf.siblings[key] for key in _UNIT_KEYS if isinstance(leaf.siblings.get(key), str)), None)
    if stated is not None:
        return str(stated)
    ending = re.split(r"[_\-. ]", leaf.key)[-1].lower() if re.search(r"[_\-. ]", leaf.key) else leaf.key.lower()
    return _UNIT_ENDINGS.get(ending) or _USUAL_UNITS.get(quantity or "")


def _if_it_fits(proposal: Proposal) -> Proposal:
    """The proposal, with its guess dropped or its unit set to the usual one where the two do not go together."""
    if proposal.quantity is None or proposal.quantity not in QUANTITIES:
        return proposal
    if proposal.quantity == "reservoir_level" and proposal.unit in ("%", "/100"):
        return proposal._replace(unit="mm", note="; ".join(filter(None, (proposal.note, _NEEDS_CALIBRATION))))
    for unit in (proposal.unit, _USUAL_UNITS[proposal.quantity] if proposal.payload != "senml" else None):
        tried = Sensor("t", proposal.payload, proposal.field, proposal.quantity, unit or "")
        if unit is not None and why_unusable(tried) is None:
            return proposal._replace(unit=unit)
    return proposal._replace(quantity=None)
