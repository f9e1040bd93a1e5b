"""The mean use of a spell of days, read off what a pot's sensor or notes tell of its water.

Owns which of the three tellings speaks (day by day, week by week, from refill to refill) and how sure their mean is.
It knows no store and no causes. Nothing outside the asked span is read, but that an interval from refill to refill
counts where its middle lies within.
"""

import numpy as np

from analysis.held_series import DAY_MS, FloatArray
from analysis.pot_water import PotWater, UsePerDay
from analysis.water_use import TOO_FEW_READINGS

KNOWN_DAYS_SHARE = 0.75
"""Days are averaged where at least this share of them is known."""
SHARED = 1.3
"""How much more the mean of days is off than if they erred apart: a sensor wanders, and the medium drinks for days. Set
beside the intervals of whole weeks, which `use_regression` gives with their covariance."""
_SURE = 3.29  # sds in a 90 % interval


def mean_use(water: PotWater, from_ms: int, until_ms: int) -> UsePerDay:
    """Mean use in mL a day from a moment to another, with its 90 % interval, or NaN and a reason.

    Days that the sensor tells much worse than the usual one (refills, whose drinking medium hides use) are left out.
    Where it cannot tell days it may tell weeks, and notes tell refills.
    """
    days, weeks = water.days, water.weeks
    inside = (days.day_ms >= from_ms) & (days.day_ms + DAY_MS <= until_ms)
    known = inside & np.isfinite(days.use_ml)
    if known.sum() >= max(3, KNOWN_DAYS_SHARE * inside.sum()):
        sd = (days.high_ml - days.low_ml) / _SURE
        usual = float(np.median(sd[known]))
        clear = known & (sd <= 2.0 * usual)
        mean, of_mean = float(days.use_ml[clear].mean()), SHARED * usual / float(np.sqrt(clear.sum()))
        return UsePerDay(mean, max(mean - _SURE / 2 * of_mean, 0.0), mean + _SURE / 2 * of_mean)
    ends_inside = (weeks.from_ms >= from_ms) & (weeks.until_ms <= until_ms) & np.isfinite(weeks.value_ml)
    value, low, high = weeks.per_day()
    if ends_inside.any():
        # weeks that overlap tell the same thing again: as many as fit side by side are counted
        return _mean(
            value[ends_inside], low[ends_inside], high[ends_inside], max((until_ms - from_ms) // (7 * DAY_MS), 1)
        )
    told = water.intervals
    middle = (told.from_ms + told.until_ms) / 2
    mine = (middle >= from_ms) & (middle < until_ms) & np.isfinite(told.value_ml)
    if not mine.any():
        return UsePerDay(np.nan, np.nan, np.nan, TOO_FEW_READINGS)
    # all that was used over all the days, so that many short intervals with great errors do not outvote a long one
    length = float(((told.until_ms - told.from_ms)[mine] / DAY_MS).sum())
    half = float(np.sqrt((np.square((told.high_ml - told.value_ml)[mine])).sum())) / length
    a_day = float(told.value_ml[mine].sum()) / length
    return UsePerDay(a_day, max(a_day - half, 0.0), a_day + half)


def _mean(value: FloatArray, low: FloatArray, high: FloatArray, apart: int) -> UsePerDay:
    known = np.isfinite(value)
    if not known.any():
        return UsePerDay(np.nan, np.nan, np.nan, TOO_FEW_READINGS)
    mean, half = float(value[known].mean()), float((high - low)[known].mean()) / 2 / float(np.sqrt(max(apart, 1)))
    return UsePerDay(mean, max(mean - half, 0.0), mean + half)
