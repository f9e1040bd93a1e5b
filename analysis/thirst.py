"""How much a pot drinks against what its set-up and its air would make it lose, and what of that its plant takes.

Owns thirst, the multiplier on the modelled loss, and the plant's uptake as what measured use leaves after top, holes
and gap. Must not know how use was measured (`daily_use.py`) or how constants were fitted (`calibration.py`).

Why a multiplier on the modelled loss and not mL per kPa: a dry layer throttles itself, so use is not in proportion to
the dryness of the air; a constant "per kPa" over-forecasts use in a dry spell by a third.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.columns import Columns, FloatArray
from analysis.dry_layer import UPTAKE_POWER, steady

SURE = 1.645  # of a 90 % interval
TOP_SHARE_SD = 0.3
"""How far the modelled loss through top, holes and gap may be off, as a share of it."""
MODEL_SHARE_SD = 0.15
TOO_UNSURE = 2.0
"""Use that is less sure than this, as sd over value, has no logarithm to speak of: its limit is a sum."""
_GRID = np.linspace(-3.0, 3.0, 121)  # in prior sds of the logarithm of the uptake


@dataclass(frozen=True)
class Thirst:
    """Arrays `(pot,)`; NaN where use, air or level is unknown. Intervals are of 90 %.

    multiplier: measured over modelled loss. ml_per_day_at_1_kpa: what the pot would use at 1 kPa at this level.
    uptake_ml_per_day_at_1_kpa, uptake_log_sd: the plant's part, shrunk to its prior, for the supply of the dry layer.
    """

    multiplier: FloatArray
    low: FloatArray
    high: FloatArray
    ml_per_day_at_1_kpa: FloatArray
    ml_per_day_at_1_kpa_low: FloatArray
    ml_per_day_at_1_kpa_high: FloatArray
    uptake_ml_per_day_at_1_kpa: FloatArray
    uptake_log_sd: FloatArray


def thirst(
    columns: Columns,
    use_ml_per_day: npt.ArrayLike,
    use_sd_ml_per_day: npt.ArrayLike,
    vpd_kpa: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    level_mm: npt.ArrayLike,
) -> Thirst:
    """Thirst of pots over a spell of days.

    columns: best knowledge of the pots, `(pot,)` (for instance `Posterior.centre()`). use_ml_per_day and its sd: mean
    measured use of the spell. vpd_kpa, temperature_c, level_mm: means of the spell. All broadcast with `(pot,)`.
    Holds for spells of some days without a refill's after-drinking in them; see science notes, sections 9.8 and 11.
    """
    use, sd = np.broadcast_arrays(
        np.asarray(use_ml_per_day, dtype=np.float64), np.asarray(use_sd_ml_per_day, dtype=np.float64)
    )
    vpd = np.maximum(np.asarray(vpd_kpa, dtype=np.float64), 0.0)
    now = steady(columns, vpd, temperature_c, level_mm)
    at_one = steady(columns, 1.0, temperature_c, level_mm).loss_ml_per_day
    loss = now.loss_ml_per_day
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.where(loss > 0.0, use / loss, np.nan)
        unsure = np.where(use > 0.0, sd / use, np.inf)
        off = np.hypot(np.minimum(unsure, TOO_UNSURE), MODEL_SHARE_SD)
        most = (use + SURE * sd) / np.where(loss > 0.0, loss, np.nan) * np.exp(SURE * MODEL_SHARE_SD)
    low = times * np.exp(-SURE * off)
    high = np.where(unsure <= TOO_UNSURE, times * np.exp(SURE * off), most)
    uptake, log_sd = _uptake(columns, use, sd, loss - now.plant_ml_per_day, vpd)
    return Thirst(times, low, high, times * at_one, low * at_one, high * at_one, uptake, log_sd)


def _uptake(
    columns: Columns, use: FloatArray, sd: FloatArray, elsewhere: FloatArray, vpd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and sd of the log uptake at 1 kPa: log-normal prior, normal likelihood of the sum, on a grid.

    Where use is unknown the prior stays. The grid serves all pots at once and cannot go below nothing, as a
    difference of use and loss could.
    """
    spread = columns.uptake_log_sd
    candidates = columns.uptake_ml_per_day_at_1_kpa * np.exp(_GRID[:, None] * spread)
    expected = candidates * vpd**UPTAKE_POWER + elsewhere
    error = np.sqrt(sd**2 + (TOP_SHARE_SD * elsewhere) ** 2 + 0.05**2)
    known = np.isfinite(use + error + expected[0])
    misfit = np.where(known, (use - expected) / error, 0.0)
    weight = np.exp(-0.5 * (misfit**2 - np.min(misfit**2, axis=0)) - 0.5 * _GRID[:, None] ** 2)
    weight = weight / weight.sum(axis=0)
    mean = (weight * _GRID[:, None]).sum(axis=0)
    variance = (weight * (_GRID[:, None] - mean) ** 2).sum(axis=0)
    return columns.uptake_ml_per_day_at_1_kpa * np.exp(mean * spread), np.sqrt(variance) * spread
