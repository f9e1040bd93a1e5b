"""How a reservoir falls when nobody fills it: the level and the use of the days ahead, and the day it runs dry.

The picture. A pot loses what its thirst makes of the modelled loss in the air to come. As the level falls the medium
must lift water higher, the dry layer deepens, and use slackens; and the wet column sinks with the water and gives back
what it held, about the storage at the line times the pot's area for each mm. Both make a reservoir last longer than
"water over use" says, by a tenth to a half. It is dry when the wick can no longer reach the water.

It takes columns, draws of thirst and of air; what visits do about it is for `rounds.py`, which plans with the use at
the usual level, because a pot that is filled goes on using at that level.

*Holds for* reservoirs that are neither filled nor flushed. *Source*: the steady form of `dry_layer.py`; the give-back
is mass balance, and was checked on simulated pots (1.05 times the storage, spread 0.25).
"""

from dataclasses import dataclass

import numpy as np

from analysis.columns import Columns, FloatArray
from analysis.dry_layer import steady

_LEVELS = 7


@dataclass(frozen=True)
class Unfilled:
    """The course of a reservoir nobody fills: level_mm (draw, pot, day + 1), use_ml_per_day (draw, pot, day) and
    days_left (draw, pot), beyond the days asked for at their mean pace."""

    level_mm: FloatArray
    use_ml_per_day: FloatArray
    days_left: FloatArray


def use_at_level_ml_per_day(
    columns: Columns, multiplier: FloatArray, vpd_kpa: FloatArray, temperature_c: FloatArray, level_mm: FloatArray
) -> FloatArray:
    """Use of the days ahead (draw, pot, day) as long as the level is kept where it usually is.

    columns (pot,); multiplier (draw, pot): thirst on the modelled loss; vpd_kpa (day, draw, pot); temperature_c,
    level_mm (pot,). NaN where an input is unknown.
    """
    loss = steady(columns, vpd_kpa, temperature_c, level_mm).loss_ml_per_day
    use: FloatArray = np.moveaxis(multiplier[None] * loss, 0, -1)
    return use


def unfilled(
    columns: Columns,
    use_ml_per_day: FloatArray,
    usual_vpd_kpa: FloatArray,
    temperature_c: FloatArray,
    usual_level_mm: FloatArray,
    level_mm: FloatArray,
) -> Unfilled:
    """Let reservoirs fall from level_mm (draw, pot) with the use (draw, pot, day) of `use_at_level_ml_per_day`.

    usual_vpd_kpa, temperature_c, usual_level_mm (pot,): the air in which, and the level at which, that use was meant.
    """
    dry_mm = np.broadcast_to(columns.lowest_fed_level_mm, usual_level_mm.shape)
    levels, share = _share_of_use(columns, usual_vpd_kpa, temperature_c, usual_level_mm, dry_mm)
    ml_per_mm = columns.water_ml_per_mm + 1e-3 * columns.storage * columns.area_mm2
    draws, pots, days = use_ml_per_day.shape
    path = np.empty((draws, pots, days + 1))
    used = np.empty_like(use_ml_per_day)
    path[:, :, 0] = level = np.maximum(level_mm, 0.0)
    left = np.full((draws, pots), np.inf)
    pot = np.arange(pots)
    for day in range(days):
        place = np.clip((level - levels[0]) / np.maximum(levels[-1] - levels[0], 1e-9) * (_LEVELS - 1), 0, _LEVELS - 1)
        below = np.minimum(place.astype(np.int64), _LEVELS - 2)
        part = place - below
        now = use_ml_per_day[:, :, day] * ((1 - part) * share[below, pot] + part * share[below + 1, pot])
        now = np.where(level > dry_mm, now, 0.0)
        fall = now / ml_per_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            dries = np.where(fall > 0, (level - dry_mm) / fall, np.inf)
        left = np.where(np.isinf(left) & (level <= dry_mm), float(day), left)
        left = np.where(np.isinf(left) & (dries <= 1), day + dries, left)
        used[:, :, day] = now * np.minimum(np.maximum(dries, 0.0), 1.0)
        level = np.where(dries <= 1, dry_mm, level - fall)
        path[:, :, day + 1] = level
    # the careful side: use slackens further, by how much is told of no pot that lasts so long
    pace = np.maximum(path[:, :, 0] - path[:, :, -1], 0.0) / days
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond = days + np.where(pace > 0, (level - dry_mm) / pace, np.inf)
    return Unfilled(path, used, np.where(np.isinf(left), beyond, left))


def _share_of_use(
    columns: Columns, vpd_kpa: FloatArray, temperature_c: FloatArray, usual_mm: FloatArray, dry_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Levels (7, pot) from dry to as high as may be, and use there over use at the usual level (7, pot)."""
    top = np.maximum(usual_mm + 30.0, dry_mm + 1.0)
    levels = dry_mm + 1e-3 + (top - dry_mm) * np.linspace(0.0, 1.0, _LEVELS)[:, None]
    loss = steady(columns, vpd_kpa, temperature_c, levels).loss_ml_per_day
    usual = steady(columns, vpd_kpa, temperature_c, usual_mm).loss_ml_per_day
    with np.errstate(divide="ignore", invalid="ignore"):
        share: FloatArray = np.where(usual > 0, loss / usual, 1.0)
    return levels, share
