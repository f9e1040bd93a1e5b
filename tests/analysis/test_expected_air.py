"""Draws of the air ahead, and the dry season."""

import numpy as np
import pytest

from analysis.expected_air import dry_season, expected_vpd_kpa


def _record(seed: int, days: int) -> np.ndarray:
    """An invented shelf: level 0.9 kPa with a slow season, departures that keep 0.6 of themselves a day."""
    rng = np.random.default_rng(seed)
    departure, out = 0.0, np.empty(days)
    for day in range(days):
        departure = 0.6 * departure + 0.2 * rng.standard_normal()
        out[day] = 0.9 * np.exp(departure + 0.3 * np.sin(2 * np.pi * (day + 40 * seed) / 365))
    return out


def test_ten_to_ninety_percent_of_draws_cover_the_week_that_came() -> None:
    covered = []
    for seed in range(120):
        record = _record(seed, 120)
        draws = expected_vpd_kpa(record[:110], 7, 300, np.random.default_rng(seed))
        low, high = np.quantile(draws.mean(1), [0.1, 0.9])
        covered.append(low <= record[110:117].mean() <= high)
    assert 0.68 <= np.mean(covered) <= 0.92  # 80 % asked; 120 shelves leave +-11 % at three standard errors


def test_silent_days_widen_the_draws() -> None:
    record = _record(1, 60)
    silent = np.r_[record, np.full(20, np.nan)]
    fresh = expected_vpd_kpa(record, 1, 2000, np.random.default_rng(0))
    stale = expected_vpd_kpa(silent, 1, 2000, np.random.default_rng(0))
    assert np.log(stale).std() > 1.1 * np.log(fresh).std()


def test_a_shelf_without_any_air_gets_a_sentence() -> None:
    with pytest.raises(ValueError, match="no day of air was measured"):
        expected_vpd_kpa([np.nan] * 5, 3, 10, np.random.default_rng(0))
    with pytest.raises(ValueError, match="dry season is unknown"):
        dry_season([np.nan])


def test_the_dry_season_is_the_driest_month_on_record_or_the_week_plus_four_tenths() -> None:
    short = dry_season(np.full(60, 0.8))
    assert (short.vpd_kpa, short.recorded) == (pytest.approx(1.2), False)
    year = np.full(365, 0.8)
    year[100:140] = 1.5
    long = dry_season(year)
    assert (long.vpd_kpa, long.recorded) == (pytest.approx(1.5), True)
