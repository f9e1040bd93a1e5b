"""The story of one pot over one span of time: air, level, use, dry line, notes and changes, and why it moved."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from analysis.held_series import FloatArray, IntArray
from analysis.quantities import quantity
from dashboard.answers import explain as why
from dashboard.answers.looks_told import looks_told, noted
from dashboard.answers.places import LONGEST_HOLD_MS, measured_at
from dashboard.answers.pot_days import USE, kept_use
from dashboard.answers.pots import pots_of
from dashboard.answers.section import section_build
from dashboard.answers.shelf_air import air_history
from dashboard.answers.situation import Situation, index_of, recent_situation
from dashboard.answers.wall import last_tips
from dashboard.answers.water import LOOK_BACK_DAYS, surroundings, water_of, what_is_told
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS

WORDS = {
    "refill": "filled",
    "flush": "flushed from the top",
    "feed": "fed",
    "repot": "repotted",
    "cover": "cover changed",
    "holes": "holes changed",
    "wick": "wick changed",
    "move": "moved",
    "treatment": "treated",
    "photo": "photo",
    "flowering": "flowering",
}

ENOUGH_OF_A_DAY = 12
"""Readings in a day from which its use can be told; a day with fewer may well have none."""


def answer(home: Home, pot: str, since_ms: int, until_ms: int, at_ms: int) -> dict[str, Any]:
    """Everything the Story screen draws of a pot in [since, until).

    Raises:
        UnknownPot: the label is not that of a pot with a set-up in force.
    """
    situation = recent_situation(home, at_ms)
    index = index_of(situation, pot)
    assert situation is not None  # index_of refuses where there is none
    standing = situation.standing.pots[index]
    now = pots_of(situation)[index]
    explained, sentences = why.sentences(home, situation, index)
    notes = situation.notes
    mine = notes[(notes["pot"] == pot) & notes["time_ms"].between(since_ms, until_ms)]
    return {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "units": home.settings.grower.units,
        "pot": pot,
        "plant": standing.plant,
        "shelf": standing.shelf,
        "pots": [one.label for one in situation.standing.pots],
        "since_ms": since_ms,
        "until_ms": until_ms,
        **{key: now[key] for key in ("says", "state", "rests_on")},
        "section": {
            "build": section_build(standing.setup, situation.standing.columns, index),
            "level_mm": now["level_mm"],
            "dry_layer_mm": now["dry_layer_mm"],
            "tips": last_tips(situation, pot),
            "rests_on": now["rests_on"],
            "rooting_depth_mm": now["rooting_depth_mm"],
        },
        "rooting_depth_mm": now["rooting_depth_mm"],
        "air": _air(home, situation, index, since_ms, until_ms),
        "level": _level(home, situation, index, since_ms, until_ms),
        "use": _use(home, situation, index, since_ms, until_ms),
        "dry": _dry(situation, index, since_ms, until_ms),
        "notes": [_look(note) for note in mine[mine["kind"] == "inspection"].to_dict("records")],
        "looks": looks_told(situation, pot, since_ms, until_ms, ZoneInfo(home.settings.grower.timezone)),
        "events": _events(mine, standing.setups, since_ms, until_ms),
        "photos": _photos(mine),
        "explain": explained,
        "sentences": sentences,
    }


def _photos(notes: pd.DataFrame) -> list[dict[str, Any]]:
    """Every photo of the notes by its name, the oldest first."""
    return [
        {"time_ms": int(note["time_ms"]), "name": str(name), "note_id": int(note["id"])}
        for note in notes.to_dict("records")
        for name in (note["detail"] or {}).get("photos") or ()
    ]


def plain(values: FloatArray, digits: int) -> list[float | None]:
    """Numbers for the wire, None where there is none."""
    return [value if value == value else None for value in np.round(values, digits).tolist()]


def _air(home: Home, situation: Situation, index: int, since_ms: int, until_ms: int) -> dict[str, Any]:
    shelf = situation.standing.pots[index].shelf
    air = air_history(home, shelf, situation.standing.shelves, situation.sensors, since_ms, until_ms)
    return {"time_ms": (air.hour_ms + HOUR_MS // 2).tolist(), "vpd_kpa": plain(air.vpd_kpa, 3)}


def _level(home: Home, situation: Situation, index: int, since_ms: int, until_ms: int) -> dict[str, Any]:
    """What the pot's own level sensor sent; where there is none, the reckoned level."""
    pot, course = situation.standing.pots[index], situation.course
    series = measured_at(
        home.readings, situation.sensors, f"{pot.shelf}/{pot.label}", "reservoir_level", since_ms, until_ms
    )
    if series.sensors:
        return {"time_ms": series.time_ms.tolist(), "level_mm": plain(series.value, 2), "measured": True}
    inside = (course.end_ms >= since_ms) & (course.end_ms < until_ms)
    level_mm = situation.waters[index].level_mm[inside]
    return {"time_ms": course.end_ms[inside].tolist(), "level_mm": plain(level_mm, 1), "measured": False}


def _use(home: Home, situation: Situation, index: int, since_ms: int, until_ms: int) -> dict[str, Any]:
    """Use day by day where the sensor carries it, beside what set-up and air would make.

    The last weeks are those of the situation, what is older is told by the facts of its days. Where older readings are
    here that no fact tells of (they came late, or before the facts did), use is reckoned anew from all of them.
    """
    pot, course = situation.standing.pots[index], situation.course
    days = max(2, -(-(int(course.end_ms[-1]) - since_ms) // DAY_MS))
    told = what_is_told(
        home,
        pot,
        situation.sensors,
        situation.waters[index].notes,
        course.end_ms,
        float(situation.expected_ml_per_day[-1, index]),
        surroundings(
            course.end_ms, course.temperature_c[:, index], course.vpd_kpa[:, index], situation.standing.columns, index
        ),
        days,
    )
    raw_from_ms = situation.at_ms - home.settings.readings.keep_raw_days * DAY_MS
    lately_ms = max(raw_from_ms, int(course.end_ms[-1]) - (LOOK_BACK_DAYS - 1) * DAY_MS)
    kept = kept_use(home, pot.label, since_ms - DAY_MS, min(until_ms, lately_ms))
    if _untold_days(told.time_ms, told.day_edges_ms, kept, max(raw_from_ms, since_ms - DAY_MS), lately_ms):
        water, first_ms = water_of(told).told.days, raw_from_ms
    else:
        water, first_ms = situation.waters[index].told.days, lately_ms
    use = pd.DataFrame(
        {
            "value": water.use_ml,
            "low": water.low_ml,
            "high": water.high_ml,
            "expected": _daily(course.end_ms, situation.expected_ml_per_day[:, index], water.day_ms),
        },
        index=water.day_ms,
    )
    use = pd.concat([kept[kept.index < first_ms], use[use.index >= first_ms]])
    use = use[(use.index >= since_ms - DAY_MS) & (use.index < until_ms)]
    noon_ms = use.index.to_numpy(np.int64) + DAY_MS // 2
    return {"time_ms": noon_ms.tolist(), **{name: plain(use[name].to_numpy(np.float64), 2) for name in USE}}


def _untold_days(time_ms: IntArray, edges_ms: IntArray, kept: pd.DataFrame, from_ms: int, to_ms: int) -> bool:
    """Whether a day within [from, to) has readings enough for its use, and no fact tells it."""
    heard = np.histogram(time_ms, bins=edges_ms)[0] >= ENOUGH_OF_A_DAY
    begin = edges_ms[:-1][heard & (edges_ms[:-1] >= from_ms) & (edges_ms[:-1] < to_ms)]
    return not np.isin(begin, kept.index[kept["value"].notna()]).all()


def _daily(end_ms: IntArray, per_day: FloatArray, day_ms: IntArray) -> FloatArray:
    """Means of a series on the course over whole days, NaN for days outside it."""
    first = np.searchsorted(end_ms, day_ms, side="right")
    last = np.searchsorted(end_ms, day_ms + DAY_MS, side="right")
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(per_day))))
    return np.where(last > first, (total[last] - total[first]) / np.maximum(last - first, 1), np.nan)


def _dry(situation: Situation, index: int, since_ms: int, until_ms: int) -> dict[str, Any]:
    end_ms = situation.course.end_ms
    inside = (end_ms >= since_ms) & (end_ms < until_ms + LONGEST_HOLD_MS)
    known = np.isfinite(situation.course.vpd_kpa[inside, index])
    low, middle, high = (np.where(known, line[inside, index], np.nan) for line in situation.whole_line_mm)
    return {
        "time_ms": end_ms[inside].tolist(),
        "p10": plain(low, 1),
        "p50": plain(middle, 1),
        "p90": plain(high, 1),
    }


def _look(note: Mapping[Any, Any]) -> dict[str, Any]:
    low, high = note["dry_layer_low_mm"], note["dry_layer_high_mm"]
    return {
        "time_ms": int(note["time_ms"]),
        "low_mm": None if np.isnan(low) else float(low),
        "high_mm": None if np.isnan(high) else float(high),
        "says": noted(note),
    }


def _events(
    notes: pd.DataFrame, setups: tuple[Mapping[str, Any], ...], since_ms: int, until_ms: int
) -> list[dict[str, Any]]:
    """What was done to the pot: notes other than looks, and set-ups that opened without a note of their own."""
    events = []
    for note in notes[notes["kind"] != "inspection"].to_dict("records"):
        amount = "" if np.isnan(note["amount_ml"]) else f" {quantity(note['amount_ml'], 'mL')}"
        text = f": {note['text']}" if note["text"] else ""
        says = f"{WORDS.get(note['kind'], note['kind'])}{amount}{text}"
        events.append({"time_ms": int(note["time_ms"]), "kind": note["kind"], "says": says})
    noted = {event["time_ms"] // HOUR_MS for event in events}
    for before, after in pairwise(setups):
        if since_ms <= after["from_ms"] < until_ms and after["from_ms"] // HOUR_MS not in noted:
            kind, says = _change(before, after)
            events.append({"time_ms": int(after["from_ms"]), "kind": kind, "says": says})
    return sorted(events, key=lambda event: event["time_ms"])


def _change(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, str]:
    keys = {"top_layer": "cover", "vents": "holes", "wick": "wick", "shelf": "move", "layers": "repot"}
    changed = [kind for key, kind in keys.items() if before.get(key) != after.get(key)]
    kind = changed[0] if changed else "repot"
    return kind, f"{WORDS[kind]} (set-up)"
