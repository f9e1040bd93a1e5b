"""SenML packs (RFC 8428, features of RFC 9100): a parsed JSON document -> resolved records, or the rule it breaks.

Owns the rules of the format alone: base fields, versions, labels, names and relative times. It knows no sensor,
no quantity and no clock: a record's time is the sum bt + t, and `moment_s` turns that into a time once the
moment of reception is known. Section numbers are those of RFC 8428.
"""

import base64
import binascii
import re
from typing import Any, NamedTuple

from ingest.message_times import UnreadableError

#: Section 4.5.3: a sum bt + t below this many seconds is relative to now.
RELATIVE_BELOW_S = float(2**28)
#: Section 4.4: absent, the version is 10. RFC 9100 reads it as feature bits: 10 = bits 1 and 3, 26 adds bit 4,
#: the secondary units of RFC 8798, which are understood here whether a pack announces them or not.
DEFAULT_VERSION = 10
UNDERSTOOD_FEATURES = 26

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")  # section 4.5.1
_TEXT, _NUMBER, _YES_OR_NO = frozenset((str,)), frozenset((int, float)), frozenset((bool,))
#: Section 4.3: the labels and the types of their values; a JSON number is never a bool here.
_TYPES: dict[str, frozenset[type]] = {
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), _TEXT),
    **dict.fromkeys(("bt", "bv", "bs", "bver", "t", "v", "s", "ut"), _NUMBER),
    "vb": _YES_OR_NO,
}
_VALUE_LABELS = ("v", "vs", "vb", "vd")
_REGULAR_LABELS = frozenset(("n", "u", "t", "v", "vs", "vb", "vd", "s", "ut"))


class Record(NamedTuple):
    """One resolved record: `name` is bn + n and `local_name` is n alone; `time_s` is the sum bt + t, unresolved."""

    name: str
    local_name: str
    unit: str | None
    value: float | str | bool | bytes | None
    time_s: float
    total: float | None = None


def moment_s(time_s: float, now_s: float) -> float:
    """The moment a sum bt + t means: relative to `now_s` below 2^28, else seconds since 1970 (section 4.5.3)."""
    return now_s + time_s if time_s < RELATIVE_BELOW_S else time_s


def records(pack: object) -> list[Record]:
    """All records of a pack that carry a value or a sum, resolved. Raises UnreadableError naming the broken rule."""
    if not isinstance(pack, list):
        raise UnreadableError("it is not SenML: a pack is a JSON array of records")
    base: dict[str, Any] = {}
    resolved = []
    version: object = None
    for number, entry in enumerate(pack):
        if not isinstance(entry, dict):
            raise UnreadableError("it is not SenML: every record of a pack is a JSON object")
        _check_labels(entry)
        stated = entry.get("bver")
        if stated is not None:
            version = _checked_version(stated, version if number else None)
        # Section 4.1: a base field holds from its record until the next record that sets the same field.
        for label in ("bn", "bt", "bu", "bv", "bs"):
            if label in entry:
                base[label] = entry[label]
        # A record of base fields alone only sets them (section 4.1, the example of section 5.1.5).
        if not _REGULAR_LABELS.isdisjoint(entry):
            resolved.append(_resolved(entry, base))
    return resolved


def _resolved(entry: dict[str, Any], base: dict[str, Any]) -> Record:
    local = entry.get("n", "")
    name = base.get("bn", "") + local
    if not _NAME.match(name):
        raise UnreadableError(f"a SenML record has the name {name[:40]!r}, which is not allowed (RFC 8428, 4.5.1)")
    return Record(
        name,
        local,
        entry.get("u", base.get("bu")),
        _value(entry, base),
        float(base.get("bt", 0.0)) + float(entry.get("t", 0.0)),
        _total(entry, base),
    )


def _value(entry: dict[str, Any], base: dict[str, Any]) -> float | str | bool | bytes | None:
    present = [label for label in _VALUE_LABELS if label in entry]
    if len(present) > 1:
        raise UnreadableError("a SenML record has more than one value (RFC 8428, 4.2)")
    if not present:
        # Section 4.1: of base value and value, the missing one counts as zero.
        if "bv" in base:
            return float(base["bv"])
        if "s" in entry or "bs" in base:
            return None
        raise UnreadableError("a SenML record has neither a value nor a sum (RFC 8428, 4.2)")
    label = present[0]
    if label == "v":
        return float(base.get("bv", 0.0)) + float(entry["v"])
    return _octets(entry["vd"]) if label == "vd" else entry[label]


def _total(entry: dict[str, Any], base: dict[str, Any]) -> float | None:
    if "s" not in entry and "bs" not in base:
        return None
    return float(base.get("bs", 0.0)) + float(entry.get("s", 0.0))


def _octets(text: str) -> bytes:
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise UnreadableError("a SenML data value is not base64url (RFC 8428, 4.2)") from None


def _check_labels(entry: dict[str, Any]) -> None:
    for label, content in entry.items():
        types = _TYPES.get(label)
        if types is None:
            # Section 4.4: what ends in "_" must be understood; any other unknown label is passed over.
            if label.endswith("_"):
                raise UnreadableError(
                    f"a SenML record has the label {label[:40]!r}, which must be understood and is not"
                )
        elif type(content) not in types:
            raise UnreadableError(f"the SenML label {label!r} has a value of the wrong type")


def _checked_version(stated: Any, before: object) -> object:
    if stated != int(stated) or stated < 1:
        raise UnreadableError("the SenML version is not a whole number from 1 up")
    if before is not None and stated != before:
        raise UnreadableError("the records of a SenML pack state different versions")
    if stated > DEFAULT_VERSION and int(stated) & ~UNDERSTOOD_FEATURES:
        raise UnreadableError(f"the SenML version is {int(stated)}, which is not understood (RFC 8428, 4.4)")
    return stated
