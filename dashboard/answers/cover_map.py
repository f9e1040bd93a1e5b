"""The map of the guide: holes or air movement against dry air, with each shelf's seasons, the notes and the limits.

Owns the facts of the map as plain numbers: from which dryness on each option becomes too dry, by the number of holes
and by how the air moves; how dry each shelf was, month by month; and where notes were made and what they saw. How it
is drawn is the screens'.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np

from analysis.calibration import Draws
from analysis.guide import Home as Advised
from analysis.held_series import FloatArray
from analysis.holes_and_air import HOLES, MOVEMENTS, critical_by_holes, critical_by_movement
from dashboard.answers.exposures import labels_of, looks_of, rooting_of
from dashboard.answers.shelf_air import air_history
from dashboard.answers.situation import LONGEST_HISTORY_DAYS, Situation
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, IntArray

HOURS_OF_A_DAY = 12
"""With fewer hours of air known, a day has no mean."""
LEAST_DAYS = 5
"""With fewer days known, a month is no season."""
LATELY_DAYS = 28
MOIST_MM = 3.0


def cover_map(
    situation: Situation, shelves: Mapping[str, FloatArray], seasons: Mapping[str, Any], advised: Advised, draws: Draws
) -> dict[str, Any]:
    """The `map` of the guide's answer.

    shelves: daily dryness of each shelf up to the moment of the answer; seasons: the driest month of each.
    """
    pots = situation.standing.pots
    limits, moved = critical_by_holes(advised, draws), critical_by_movement(advised, draws)
    return {
        "holes": list(HOLES),
        "movements": list(MOVEMENTS),
        "shelves": [
            {
                "shelf": shelf,
                "air": (situation.standing.shelves.get(shelf) or {}).get("air"),
                "seasons": _seasons(daily, situation.at_ms // HOUR_MS * HOUR_MS),
                "driest_month": seasons.get(shelf),
                **_holes_on(situation, shelf),
            }
            for shelf, daily in shelves.items()
        ],
        "notes": _notes(situation),
        "limits": [
            {
                "pot": pot.label,
                "shelf": pot.shelf,
                "holes": float(situation.standing.columns.vent_count[place]),
                "rooting_mm": rooting_of(situation).of(place).value_mm,
                "options": _lines({change: line[:, :, place] for change, line in limits.items()}),
                "options_by_movement": _lines({change: line[:, :, place] for change, line in moved.items()}),
            }
            for place, pot in enumerate(pots)
        ],
        "typical": {
            "options": _lines({change: _middle(line) for change, line in limits.items()}),
            "options_by_movement": _lines({change: _middle(line) for change, line in moved.items()}),
        },
        "says": "Below a line the dry layer stays above the rooting depth; in drier air than the line it goes deeper.",
    }


def shelf_days(home: Home, situation: Situation, shelf: str) -> FloatArray:
    """Daily mean dryness of a shelf, kPa, oldest first, the last day ending with the answer; NaN where not known."""
    end_ms = situation.at_ms // HOUR_MS * HOUR_MS
    oldest_ms = max(int(situation.course.end_ms[0]), end_ms - LONGEST_HISTORY_DAYS * DAY_MS)
    days = max(1, (end_ms - oldest_ms) // DAY_MS)
    air = air_history(
        home, shelf, situation.standing.shelves, situation.sensors, end_ms - days * DAY_MS, end_ms
    ).vpd_kpa.reshape(days, 24)
    known = np.isfinite(air)
    count = known.sum(axis=1)
    total = np.where(known, air, 0.0).sum(axis=1)
    return np.where(count >= HOURS_OF_A_DAY, total / np.maximum(count, 1), np.nan)


def _seasons(daily: FloatArray, end_ms: int) -> list[dict[str, Any]]:
    """The last four weeks, and every month with enough days, newest first."""
    first_ms = end_ms - daily.size * DAY_MS
    middle_ms = first_ms + DAY_MS * np.arange(daily.size, dtype=np.int64) + DAY_MS // 2
    found = [_season(f"last {LATELY_DAYS} days", daily[-LATELY_DAYS:], middle_ms[-LATELY_DAYS:])]
    months = np.array([f"{datetime.fromtimestamp(int(ms) / 1000, UTC):%Y-%m}" for ms in middle_ms])
    for month in sorted(set(months), reverse=True):
        inside = months == month
        found.append(_season(str(month), daily[inside], middle_ms[inside]))
    return [one for one in found if one is not None]


def _season(name: str, daily: FloatArray, middle_ms: IntArray) -> dict[str, Any] | None:
    known = daily[np.isfinite(daily)]
    if known.size < LEAST_DAYS:
        return None
    low, middle, high = np.quantile(known, [0.1, 0.5, 0.9])
    return {
        "name": name,
        "from_ms": int(middle_ms[0]) - DAY_MS // 2,
        "to_ms": int(middle_ms[-1]) + DAY_MS // 2,
        "days": int(known.size),
        "p10_kpa": float(low),
        "p50_kpa": float(middle),
        "p90_kpa": float(high),
    }


def _holes_on(situation: Situation, shelf: str) -> dict[str, float | None]:
    counts = [
        float(situation.standing.columns.vent_count[place])
        for place, pot in enumerate(situation.standing.pots)
        if pot.shelf == shelf
    ]
    return {"holes_least": min(counts, default=None), "holes_most": max(counts, default=None)}


def _notes(situation: Situation) -> list[dict[str, Any]]:
    """Looks at a depth in air that was known, each with the dryness of the week before it."""
    looks, place = looks_of(situation), labels_of(situation.standing.pots)
    rooting = rooting_of(situation)
    ends = looks[["dry_layer_low_mm", "dry_layer_high_mm"]].to_numpy(np.float64)
    shown = np.isfinite(ends).any(axis=1) & np.isfinite(looks["vpd_7d_kpa"].to_numpy(np.float64))
    found = []
    for row, (low, high) in zip(looks[shown].to_dict("records"), ends[shown], strict=True):
        least = low if np.isfinite(low) else 0.0
        rooting_mm = rooting.of(place[row["pot"]]).value_mm
        seen = "too dry" if least >= rooting_mm else "moist" if high <= MOIST_MM else "dry"
        found.append(
            {
                "pot": row["pot"],
                "shelf": row["shelf"],
                "time_ms": int(row["time_ms"]),
                "vpd_kpa": float(row["vpd_7d_kpa"]),
                "holes": None if row["holes"] is None else float(row["holes"]),
                "air": row["air"],
                "cover": row["cover"],
                "low_mm": float(least),
                "high_mm": float(high) if np.isfinite(high) else None,
                "depth_mm": float((least + high) / 2) if np.isfinite(high) else float(least),
                "seen": seen,
            }
        )
    return found


def _middle(line: FloatArray) -> FloatArray:
    """The middle pot's line, (3, hole); NaN where the option applies to few."""
    found = np.full(line.shape[:2], np.nan)
    applies = ~np.isnan(line).any(axis=(0, 1))
    if applies.mean() >= 0.5:
        found = np.quantile(line[:, :, applies], 0.5, axis=2, method="inverted_cdf")
    return found


def _lines(by_change: Mapping[str, FloatArray]) -> list[dict[str, Any]]:
    """The lines of the options that apply; None where no air is dry enough."""
    return [
        {
            "change": "as it is" if change == "leave" else change,
            **{
                name: [round(float(value), 3) if np.isfinite(value) else None for value in line[row]]
                for row, name in enumerate(("p10_kpa", "p50_kpa", "p90_kpa"))
            },
        }
        for change, line in by_change.items()
        if not np.isnan(line).all()
    ]
