"""The wall's answer cut into parts with a digest each, so that a refresh carries only what changed.

Pure: the browser hands back the digests it has, and any server, also one just restarted, can say what is new.
Numbers are rounded here, for the wire and for eyes alone: a change nobody can see is no change.
"""

from collections.abc import Mapping
from hashlib import blake2b
from typing import Any

import orjson

Parts = dict[str, Any]

DECIMALS = {
    "temperature_c": 1,
    "relative_humidity_pct": 0,
    "vpd_kpa": 2,
    "vpd_day_kpa": 2,
    "disk_free_pct": 0,
    "level_mm": 0,
    "ml_left": 0,
    "dry_layer_mm": 0,
    "days_left": 1,
    "water_use_ml_per_day": 1,
    "rooting_depth_mm": 0,
}
SHELF_KEYS = (
    "temperature_c",
    "relative_humidity_pct",
    "vpd_kpa",
    "vpd_day_kpa",
    "air_state",
    "sensor_state",
    "spot_check",
)
NEED_KEYS = ("pot", "shelf", "kind", "says")
POT_KEYS = (
    "plant",
    "says",
    "rests_on",
    "sensor_state",
    "level_mm",
    "level_noted",
    "ml_left",
    "days_left",
    "water_use_ml_per_day",
    "dry_layer_mm",
    "rooting_depth_mm",
)
MINUTE_MS = 60_000


def parts_of(answer: Mapping[str, Any]) -> Parts:
    """The parts of a wall answer by key: `order`, `state`, `needs`, `silent`, `shelf:…`, `pot:…`, `build:…`."""
    at_ms = int(answer["at_ms"])
    parts: Parts = {
        "order": [[shelf["label"], [pot["label"] for pot in shelf["pots"]]] for shelf in answer["shelves"]],
        "state": {
            "time_zone": answer.get("time_zone", "UTC"),
            "units": answer.get("units", "metric"),
            "unread_messages": answer.get("unread_messages", 0),
            "disk_free_pct": _rounded("disk_free_pct", answer.get("disk_free_pct")),
            "house": list(answer.get("house") or []),
        },
        "needs": [_plain(need, NEED_KEYS) for need in answer["needs"]],
        "silent": [dict(sensor) for sensor in answer["silent"]],
    }
    for shelf in answer["shelves"]:
        parts[f"shelf:{shelf['label']}"] = _plain(shelf, SHELF_KEYS) | _seen(shelf, "air_age_s", at_ms)
        for pot in shelf["pots"]:
            section = pot["section"]
            parts[f"pot:{pot['label']}"] = (
                _plain(pot, POT_KEYS) | {"tips": section.get("tips")} | _seen(pot, "level_age_s", at_ms)
            )
            parts[f"build:{pot['label']}"] = section["build"]
    return parts


def digest(part: Any) -> str:
    """Eight hexadecimal digits that change with the part; order of keys does not matter."""
    return blake2b(orjson.dumps(part, option=orjson.OPT_SORT_KEYS), digest_size=4).hexdigest()


def news(parts: Parts, have: Mapping[str, str]) -> dict[str, Any]:
    """What a browser that has these digests lacks: `parts` as [digest, part], and the keys that are `gone`."""
    marks = {key: digest(part) for key, part in parts.items()}
    return {
        "parts": {key: [mark, parts[key]] for key, mark in marks.items() if have.get(key) != mark},
        "gone": sorted(set(have) - set(parts)),
    }


def _plain(facts: Mapping[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    """The facts that are there, rounded; what is not known is left out."""
    return {key: _rounded(key, facts[key]) for key in keys if facts.get(key) is not None}


def _rounded(key: str, value: Any) -> Any:
    if isinstance(value, Mapping):
        return {inner: _rounded(key, part) for inner, part in value.items()}
    if isinstance(value, float | int) and not isinstance(value, bool) and key in DECIMALS:
        rounded = round(float(value), DECIMALS[key])
        return int(rounded) if DECIMALS[key] == 0 else rounded
    return value


def _seen(facts: Mapping[str, Any], age_key: str, at_ms: int) -> dict[str, int]:
    """When a value that is no longer fresh, or a spot check, was last seen; the age of others changes every second."""
    age_s = facts.get(age_key)
    if age_s is None or not (facts.get("spot_check") or facts.get("sensor_state") in ("stale", "silent", "failed")):
        return {}
    return {"seen_ms": round((at_ms - float(age_s) * 1000) / MINUTE_MS) * MINUTE_MS}
