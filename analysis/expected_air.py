"""The air a shelf can expect: the days ahead as draws, and its dry season.

The picture. A shelf's daily dryness wanders round a level that itself drifts with the weather and the heating. In
logarithms it is a level, plus a departure that forgets a share of itself each day. Draws start from the last day that
was measured, so days without a sensor widen them by themselves. No forecast of the weather is used.

It takes daily mean VPD (the mean of the instantaneous one, see `air.py`) and knows no shelf by name.

*Source*: a first-order autoregression, Box & Jenkins; the drift and the prior that steadies short records are assumed,
and so is +0.4 kPa for a dry season that was never recorded.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

DRIEST_MONTH_DAYS = 28
UNRECORDED_SEASON_KPA = 0.4
_FLOOR_KPA = 0.05
_RECENT_DAYS, _RECORD_DAYS = 14, 90
_DRIFT_PER_DAY = 0.035
_PRIOR_DAYS, _PRIOR_SD, _PRIOR_MEMORY = 10.0, 0.25, 0.5


@dataclass(frozen=True)
class Season:
    """Mean VPD of the driest 28 days; `recorded` says whether it was measured here or is this week plus 0.4 kPa."""

    vpd_kpa: float
    recorded: bool


def expected_vpd_kpa(daily_vpd_kpa: npt.ArrayLike, days_ahead: int, draws: int, rng: np.random.Generator) -> FloatArray:
    """Daily mean VPD of the days after the record as draws (draws, days_ahead), in kPa.

    daily_vpd_kpa (days,) runs to yesterday, NaN where nothing was measured: its silent end is bridged by the draws.
    Raises ValueError when no day was measured: a shelf without air has no expectation.
    *Holds for* weeks, not seasons: see `dry_season`.
    """
    record = np.asarray(daily_vpd_kpa, float)[-_RECORD_DAYS:]
    measured = np.flatnonzero(np.isfinite(record))
    if len(measured) == 0:
        raise ValueError("no day of air was measured on this shelf: give it a sensor, a spot check or another's air")
    silent = len(record) - 1 - int(measured[-1])
    log_vpd = np.log(np.maximum(record, _FLOOR_KPA))
    recent = log_vpd[max(0, measured[-1] + 1 - _RECENT_DAYS) : measured[-1] + 1]
    recent = recent[np.isfinite(recent)]
    level = float(recent.mean())
    sd, memory = _wandering(log_vpd - _slow_level(log_vpd))
    # the level is a mean of few, correlated days
    level_sd = sd * np.sqrt((1 + memory) / (1 - memory) / max(len(recent), 1))
    steps = silent + days_ahead
    levels = (
        level
        + level_sd * rng.standard_normal((draws, 1))
        + _DRIFT_PER_DAY * np.cumsum(rng.standard_normal((draws, steps)), axis=1)
    )
    departure = np.full(draws, float(log_vpd[measured[-1]]) - level)
    kicks = sd * np.sqrt(1 - memory**2) * rng.standard_normal((draws, steps))
    path = np.empty((draws, steps))
    for day in range(steps):
        departure = memory * departure + kicks[:, day]
        path[:, day] = departure
    ahead: FloatArray = np.exp(levels + path)[:, silent:]
    return ahead


def dry_season(daily_vpd_kpa: npt.ArrayLike) -> Season:
    """The driest 28 days on record, or the last week + 0.4 kPa where less than half a year was measured.

    A record of one season cannot contain the other; half a year is where heating and summer are both likely inside.
    Raises ValueError when no day was measured.
    """
    record = np.asarray(daily_vpd_kpa, float)
    finite = np.isfinite(record)
    if not finite.any():
        raise ValueError("no day of air was measured on this shelf: its dry season is unknown")
    week = float(np.nanmean(record[-7:])) if finite[-7:].any() else float(record[finite][-7:].mean())
    if finite.sum() < 182:
        return Season(week + UNRECORDED_SEASON_KPA, recorded=False)
    total = np.convolve(np.where(finite, record, 0.0), np.ones(DRIEST_MONTH_DAYS), mode="valid")
    count = np.convolve(finite.astype(float), np.ones(DRIEST_MONTH_DAYS), mode="valid")
    enough = count >= DRIEST_MONTH_DAYS / 2
    return Season(float((total[enough] / count[enough]).max()), recorded=True)


def _slow_level(log_vpd: FloatArray) -> FloatArray:
    """The running mean of four weeks: what the season did inside the record is no day-to-day wandering."""
    finite = np.isfinite(log_vpd)
    window = np.ones(min(28, len(log_vpd)))
    total = np.convolve(np.where(finite, log_vpd, 0.0), window, mode="same")
    return total / np.maximum(np.convolve(finite.astype(float), window, mode="same"), 1.0)


def _wandering(departures: FloatArray) -> tuple[float, float]:
    """Spread and day-to-day memory of the departures, steadied by a prior worth ten days."""
    x = departures[np.isfinite(departures)]
    variance = (float((x**2).sum()) + _PRIOR_DAYS * _PRIOR_SD**2) / (len(x) + _PRIOR_DAYS)
    pairs = np.isfinite(departures[1:]) & np.isfinite(departures[:-1])
    product = float((departures[1:][pairs] * departures[:-1][pairs]).sum())
    lagged = (product + _PRIOR_DAYS * _PRIOR_MEMORY * _PRIOR_SD**2) / (int(pairs.sum()) + _PRIOR_DAYS)
    return float(np.sqrt(variance)), float(np.clip(lagged / variance, 0.0, 0.95))
