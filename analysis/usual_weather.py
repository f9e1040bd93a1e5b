"""Whether the air and the level of a pot went on as they usually do, or broke away: a season against an event.

The picture. Air drifts with the season, and a level rises and falls with the grower's rounds. Neither is something that
happened, though both move the line. Air breaks away when it steps when the spell begins, and stays there; a level when
it stands, on the mean, outside all that it did before.

It knows the two spells only; what moved the line by how much, and what is worth a word, is for `causes.py`. How far a
season drifts is assumed.
"""

import numpy as np

from analysis.columns import FloatArray
from analysis.counterfactual import Spell, shown_days

BREAKS = 2.0
"""Times the usual difference between neighbouring five-day means: the air of an event, not of the season."""
BREAKS_AT_LEAST = 0.10  # of the logarithm of the deficit
SEASON_BEYOND = 0.3
"""Of the logarithm of the deficit: so far beyond the five-day means of four weeks a season drifts in the next three."""
_LEAST_KPA = 0.05
_MEAN_DAYS = 5


def air_broke(before: Spell, since: Spell) -> bool:
    """Whether the air stepped to another level when the spell began, as an event does and a season does not.

    Both the step between the last five days before and the first five since, and the change of the later half of the
    spell from all days before, are more than usual (the rms of differences between neighbouring five-day means of the
    days before), and go one way: a season drifts, and weather comes back.
    """
    was, now = _log_deficit(before.drivers.vpd_kpa), np.log(np.maximum(since.drivers.vpd_kpa, _LEAST_KPA))
    first = now[:_MEAN_DAYS][np.isfinite(now[:_MEAN_DAYS])]
    if len(was) < 12 or not len(first) or not np.isfinite(now[shown_days(len(now))]).any():
        return False
    means = _five_day_means(was)
    usual = max(float(np.sqrt(np.mean((means[_MEAN_DAYS:] - means[:-_MEAN_DAYS]) ** 2))), 0.02)
    step, change = float(first.mean() - was[-_MEAN_DAYS:].mean()), log_air_change(before, since)
    enough = min(abs(step), abs(change)) > BREAKS * usual and abs(change) > BREAKS_AT_LEAST
    return enough and step * change > 0 and abs(step) > 0.3 * abs(change)


def air_drifts(before: Spell, since: Spell) -> bool:
    """Whether the later half of the spell lies about as far off as five-day means of the days before did.

    So it is too where the air is not known.
    """
    was, now = _log_deficit(before.drivers.vpd_kpa), _log_deficit(_shown(since, since.drivers.vpd_kpa))
    if not (len(was) and len(now)):
        return True
    means = _five_day_means(was)
    return bool(means.min() - SEASON_BEYOND <= now.mean() <= means.max() + SEASON_BEYOND)


def level_keeps_its_rhythm(before: Spell, since: Spell) -> bool:
    """Whether the mean level of the later half lies within the levels of the days before; False where unknown."""
    level, usual = _levels(before, since)
    return bool(len(level) and len(usual) and usual.min() <= level.mean() <= usual.max())


def level_sank(before: Spell, since: Spell) -> bool:
    """Whether the level of the later half stood lower, on the mean, than on any day before; False where unknown."""
    level, usual = _levels(before, since)
    return bool(len(level) and len(usual) and level.mean() < usual.min())


def log_air_change(before: Spell, since: Spell) -> float:
    """Logarithm of the deficit in the later half of the spell over that of the days before."""
    now, was = _log_deficit(_shown(since, since.drivers.vpd_kpa)), _log_deficit(before.drivers.vpd_kpa)
    return float(now.mean() - was.mean())


def _levels(before: Spell, since: Spell) -> tuple[FloatArray, FloatArray]:
    level, usual = _shown(since, since.drivers.level_mm), before.drivers.level_mm
    return level[np.isfinite(level)], usual[np.isfinite(usual)]


def _shown(spell: Spell, series: FloatArray) -> FloatArray:
    return series[shown_days(len(series))]


def _log_deficit(vpd_kpa: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(vpd_kpa[np.isfinite(vpd_kpa)], _LEAST_KPA)))


def _five_day_means(series: FloatArray) -> FloatArray:
    days = min(_MEAN_DAYS, len(series))
    means: FloatArray = np.convolve(series, np.full(days, 1.0 / days), "valid")
    return means
