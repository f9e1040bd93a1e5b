"""Each look at a pot in words: what was noted, and in one sentence what led up to it since the look before.

Owns those words. The figures are those of `exposures`, shared with all evidence; what is not known is said to be so.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from analysis.outcomes import WINDOWS_DAYS
from analysis.quantities import quantity, span
from analysis.rooting import PRIOR_MM
from dashboard.answers.exposures import looks_of
from dashboard.answers.situation import Situation, index_of
from ingest.moments import text_of
from ingest.readings import DAY_MS, HOUR_MS

Row = Mapping[Any, Any]

HOW = {
    "damp_at_top": "damp at the top",
    "one_stone": "under one stone",
    "fingertip": "at a fingertip",
    "deeper": "looked deeper",
    "cannot_see": "could not see",
}
TIPS = ("growing", "stalled", "dried", "rotted", "new")
WELL_KNOWN = 0.9
"""Air that is known for less of the time than this is told with that share."""


def looks_told(situation: Situation, pot: str, since_ms: int, until_ms: int, zone: ZoneInfo) -> list[dict[str, Any]]:
    """The looks at a pot in [since, until), the newest first, by the days of a zone; what is not known is None.

    Hours and means are of the time since `led_up_from_ms`: the look before, at most 28 days back; 14 days where there
    is none or it was made within a day.
    """
    looks = looks_of(situation)
    rows = looks[looks["pot"] == pot].to_dict("records")
    measured = situation.waters[index_of(situation, pot)].measured
    return [
        _told(row, before, zone, measured=measured)
        for row, before in reversed(list(zip(rows, [None, *rows], strict=False)))
        if since_ms <= row["time_ms"] < until_ms
    ]


def noted(note: Row) -> str:
    """What somebody saw of dry layer and tips, and wrote to it."""
    low, high = _number(note["dry_layer_low_mm"]), _number(note["dry_layer_high_mm"])
    depth = ""
    if low is not None:
        ends = quantity(low, "mm") if high is None or high == low else span(low, high, "mm")
        depth = f"dry to {ends} or more" if high is None else f"dry line {ends} down"
    tips = [f"{count} {name}" for name, count in _tips(note).items() if count]
    parts = [depth, HOW.get(note["how"] or "", ""), f"tips: {', '.join(tips)}" if tips else "", note["text"] or ""]
    return "; ".join(part for part in parts if part) or "looked at"


def _told(look: Row, before: Row | None, zone: ZoneInfo, *, measured: bool) -> dict[str, Any]:
    time_ms = int(look["time_ms"])
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return {
        "time": text_of(time_ms),
        "time_ms": time_ms,
        "day": f"{moment.day} {moment:%b %Y}",
        "noted": noted(look),
        "noted_low_mm": _number(look["dry_layer_low_mm"]),
        "noted_high_mm": _number(look["dry_layer_high_mm"]),
        "tips": _tips(look),
        "led_up_from_ms": int(look["since_ms"]),
        "led_up_hours": round(_hours(look)),
        "vpd_kpa": _number(look["vpd_since_kpa"]),
        "air_known_share": _number(look["air_known_since"]),
        "hours_above_critical": _number(look["hours_above_critical_since"]),
        "hours_empty": _number(look["hours_empty_since"]),
        "modelled_mm": _line(look, "dry_depth_since_mm"),
        "modelled_deepest_mm": _line(look, "dry_depth_since_max_mm"),
        "windows": [_window(look, days) for days in WINDOWS_DAYS],
        "cover": _word(look["cover"]),
        "holes": _number(look["holes"]),
        "shelf": _word(look["shelf"]),
        "says": _says(look, before, measured=measured),
    }


def _window(look: Row, days: int) -> dict[str, Any]:
    return {
        "days": days,
        "vpd_kpa": _number(look[f"vpd_{days}d_kpa"]),
        "hours_above_critical": _number(look[f"hours_above_critical_{days}d"]),
        "hours_empty": _number(look[f"hours_empty_{days}d"]),
    }


def _says(look: Row, before: Row | None, *, measured: bool) -> str:
    """What led up to a look, in one sentence; measured: the pot's own sensor tells its level."""
    empty = _number(look["hours_empty_since"]) or 0.0
    reservoir = "the reservoir" if measured else "the reservoir by reckoning"
    parts = [*_air(look), f"{reservoir} empty for {_in_hours(empty)}" if round(empty) else "", _modelled(look)]
    changed = _changed(look, before)
    other = f"; since the look before: {', '.join(changed)}" if changed else ""
    return f"{_when(look, before)}: {', '.join(part for part in parts if part)}{other}."


def _when(look: Row, before: Row | None) -> str:
    days = _in_days(_hours(look) / 24)
    if before is None:
        return f"In the {days} before this first look"
    since_ms, before_ms = int(look["since_ms"]), int(before["time_ms"])
    if since_ms == before_ms:
        return f"In the {days} since the look before"
    ago = "hours" if since_ms < before_ms else _in_days((int(look["time_ms"]) - before_ms) / DAY_MS)
    return f"In the {days} before it (the look before was {ago} earlier)"


def _air(look: Row) -> list[str]:
    """The air, and for how long it was too dry; where too little of it is known, that nothing can be told."""
    vpd, hours = _number(look["vpd_since_kpa"]), _number(look["hours_above_critical_since"])
    share = float(look["air_known_since"])
    if vpd is None:
        known = f"known for only {100 * share:.0f} % of that time" if share > 0.0 else "not known"
        return [f"the air was {known}, so neither its dryness nor the modelled line can be told"]
    some = f" (known for {100 * share:.0f} % of that time)" if share < WELL_KNOWN else ""
    limit = f"drier than this pot bears at the usual rooting depth of {quantity(PRIOR_MM, 'mm')}"
    return [f"dry air {vpd:.2f} kPa on average{some}", f"{_for_how_long(hours, _hours(look), known=not some)} {limit}"]


def _for_how_long(hours: float | None, in_all: float, *, known: bool) -> str:
    if hours is None:
        return "for nobody knows how long"
    if not round(hours):
        return "never" if known else "never seen"
    if round(hours) == round(in_all):
        return "at all times" if known else "whenever it was seen"
    return f"for {'' if known else 'about '}{hours:.0f} of {in_all:.0f} hours"


def _modelled(look: Row) -> str:
    """The modelled line; nothing where the air has said why it cannot be told."""
    middle, deepest = _line(look, "dry_depth_since_mm"), _line(look, "dry_depth_since_max_mm")
    if middle is None or deepest is None:
        return ""
    if not round(deepest):
        return "the modelled line at the surface"
    return f"the modelled line {quantity(middle, 'mm')} down on average and {quantity(deepest, 'mm')} at its deepest"


def _changed(look: Row, before: Row | None) -> list[str]:
    """How the set-up differs from that of the look before."""
    if before is None or _word(look["shelf"]) is None or _word(before["shelf"]) is None:
        return []
    told = {"cover": _cover, "holes": "{:g} holes instead of {:g}".format, "shelf": "on {} instead of {}".format}
    return [words(look[name], before[name]) for name, words in told.items() if look[name] != before[name]]


def _cover(now: str, before: str) -> str:
    return f"{'no cover' if now == 'none' else f'a cover of {now}'} instead of {before}"


def _line(look: Row, name: str) -> float | None:
    """The modelled line; none where the air that moves it was not known."""
    return None if _number(look["vpd_since_kpa"]) is None else _number(look[name])


def _tips(note: Row) -> dict[str, int]:
    """The tips that were counted, by what became of them; empty where nobody counted."""
    counted = {name: _number(note[f"tips_{name}"]) for name in TIPS}
    return {name: int(count) for name, count in counted.items() if count is not None}


def _hours(look: Row) -> float:
    return (int(look["time_ms"]) - int(look["since_ms"])) / HOUR_MS


def _in_days(days: float) -> str:
    return f"{days:.0f} day{'' if round(days) == 1 else 's'}"


def _in_hours(hours: float) -> str:
    return f"{hours:.0f} hour{'' if round(hours) == 1 else 's'}"


def _number(value: Any) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _word(value: Any) -> str | None:
    return value if isinstance(value, str) else None
