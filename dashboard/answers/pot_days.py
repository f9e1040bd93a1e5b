"""The daily facts of every pot: written while the situation is kept current, read when the raw readings are gone.

A fact is of one local day of the grower that is over. The last weeks are written again with each situation, since later
readings make earlier days better known; what is older stays as it was when it left that window.
"""

from typing import Any

import numpy as np
import pandas as pd

from analysis.held_series import FloatArray, IntArray
from dashboard.answers.situation import Situation
from dashboard.answers.water import LOOK_BACK_DAYS
from ingest.home import Home
from ingest.moments import midnights, zone_named
from ingest.readings import DAILY_COLUMNS, DAY_MS

USE = ("value", "low", "high", "expected")


def keep_days(home: Home, situation: Situation) -> int:
    """Write the days of the last weeks that are over; returns how many pot-days were written."""
    end_ms = int(situation.course.end_ms[-1])
    edges = midnights(end_ms - (LOOK_BACK_DAYS - 1) * DAY_MS, end_ms, zone_named(home.settings.grower.timezone))
    if edges.size < 2:
        return 0
    facts = [_facts(situation, index, edges) for index in range(len(situation.standing.pots))]
    home.readings.write_facts(daily=pd.concat(facts, ignore_index=True))
    return sum(len(one) for one in facts)


def kept_use(home: Home, pot: str, since_ms: int, until_ms: int) -> pd.DataFrame:
    """Use of a pot's days that begin within [since, until), mL a day, indexed by their beginning; columns USE."""
    facts = home.readings.read_daily(pot, since_ms, max(since_ms, until_ms)).set_index("day_ms")
    names = ("water_use_ml_per_day", "water_use_low_ml_per_day", "water_use_high_ml_per_day", "expected_use_ml_per_day")
    return facts[list(names)].set_axis(list(USE), axis=1)


def _facts(situation: Situation, index: int, edges: IntArray) -> pd.DataFrame:
    course, water = situation.course, situation.waters[index]
    begin, noon = edges[:-1], edges[:-1] + DAY_MS // 2
    days = water.told.days
    known = np.isin(begin, days.day_ms)
    of_day = np.searchsorted(days.day_ms, begin[known])

    def told(values: FloatArray) -> FloatArray:
        found = np.full(begin.size, np.nan)
        found[known] = values[of_day]
        return found

    low, middle, deep = (np.interp(noon, *series) for series in _lines(situation, index))
    columns: dict[str, Any] = {
        "water_use_ml_per_day": told(days.use_ml),
        "water_use_low_ml_per_day": told(days.low_ml),
        "water_use_high_ml_per_day": told(days.high_ml),
        "expected_use_ml_per_day": mean_between(course.end_ms, situation.expected_ml_per_day[:, index], edges),
        "refilled_ml": _poured(situation, index, edges),
        "level_mm": np.interp(noon, course.end_ms, water.level_mm) if water.level_known else np.nan,
        "dry_depth_p10_mm": low,
        "dry_depth_p50_mm": middle,
        "dry_depth_p90_mm": deep,
        "vpd_kpa": mean_between(course.end_ms, course.vpd_kpa[:, index], edges),
        "coverage": told(days.known),
    }
    pot = situation.standing.pots[index].label
    return pd.DataFrame({"pot": pot, "day_ms": begin, **{name: columns[name] for name in DAILY_COLUMNS}})


def _lines(situation: Situation, index: int) -> list[tuple[IntArray, FloatArray]]:
    """p10, p50, p90 of the dry line on the last weeks of the grid; NaN where the air was not known."""
    end_ms = situation.course.end_ms[-situation.line_mm.shape[0] :]
    air = situation.course.vpd_kpa[-end_ms.size :, index]
    spread = np.quantile(situation.line_mm[:, :, index], [0.1, 0.5, 0.9], axis=1)
    return [(end_ms, np.where(np.isfinite(air), line, np.nan)) for line in spread]


def _poured(situation: Situation, index: int, edges: IntArray) -> FloatArray:
    """What was poured each day, as far as its amount is known; 0 where the sensor saw no refill."""
    refills = situation.waters[index].told.refills
    when = np.array([refill.time_ms for refill in refills], dtype=np.int64)
    amount = np.array([refill.ml for refill in refills], dtype=np.float64)
    poured, _ = np.histogram(when, bins=edges, weights=amount)
    return poured if situation.waters[index].measured else np.full(edges.size - 1, np.nan)


def mean_between(end_ms: IntArray, series: FloatArray, edges: IntArray) -> FloatArray:
    """Means over days (d,) of a series on steps that end at end_ms (step,); NaN where nothing of a day is known."""
    known = np.isfinite(series)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, series, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    place = np.searchsorted(end_ms, edges, side="right")
    many = np.diff(count[place])
    return np.asarray(np.where(many > 0, np.diff(total[place]) / np.maximum(many, 1), np.nan))
