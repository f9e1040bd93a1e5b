"""Do the notes themselves show that the dry line answers to dry air, once the level is known?

Owns one regression over noted depths: a level for each pot, a slope in the water level, a slope in the logarithm of the
air's dryness. No model of the dry layer is in it, on purpose: it is the check on the model that a sceptic would make.
Must not know priors or posteriors.

Why level and air together: reservoirs fall as the air dries, so either alone would be credited with the other's work.
Source: science notes 10, points 1 and 2.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SURE = 1.645
SMALL_MM_PER_DOUBLING = 3.0
"""Less than this for twice as dry air, and climate is no reason to change a pot."""
LEAST_NOTES = 8
LEAST_SPREAD = 0.25
"""sd of ln VPD left beside pots and level, below which the notes cannot tell."""


@dataclass(frozen=True)
class ClimateEffect:
    """mm of depth for twice as dry air at one level, with a 90 % interval; `told` is whether the notes can tell."""

    mm_per_doubling: float
    low: float
    high: float
    told: bool

    @property
    def hardly_matters(self) -> bool:
        """The notes can tell, and what they tell is that climate does little once the level is known."""
        return self.told and self.high < SMALL_MM_PER_DOUBLING


UNTOLD = ClimateEffect(float("nan"), float("nan"), float("nan"), told=False)


def climate_effect(
    pot: npt.NDArray[np.int64], depth_mm: FloatArray, sd_mm: FloatArray, vpd_kpa: FloatArray, level_mm: FloatArray
) -> ClimateEffect:
    """The effect of the air in noted depths.

    pot, depth_mm (middle of the interval), sd_mm (error of the look), vpd_kpa and level_mm (means of the days before):
    `(note,)`. Notes with an unknown number, moist surfaces (a bound, not a depth) and air below 0.05 kPa are left out
    by the caller or here. Errors are taken as large as the residuals show, never smaller than the looks'.
    """
    use = np.isfinite(depth_mm + sd_mm + vpd_kpa + level_mm) & (vpd_kpa > 0.05)
    pots, index = np.unique(pot[use], return_inverse=True)
    count = int(use.sum())
    freedom = count - len(pots) - 2
    if count < LEAST_NOTES or freedom < 3:
        return UNTOLD
    weight = 1.0 / sd_mm[use]
    dryness = np.log2(vpd_kpa[use])
    beside = np.column_stack([np.eye(len(pots))[index], level_mm[use]]) * weight[:, None]
    left = dryness * weight - beside @ np.linalg.lstsq(beside, dryness * weight, rcond=None)[0]
    spread = float(np.sqrt((left**2).sum() / (weight**2).sum())) * np.log(2.0)
    if spread < LEAST_SPREAD:
        return UNTOLD
    target = depth_mm[use] * weight
    target = target - beside @ np.linalg.lstsq(beside, target, rcond=None)[0]
    slope = float(left @ target / (left @ left))
    excess = max(float(((target - slope * left) ** 2).sum()) / freedom, 1.0)
    error = float(np.sqrt(excess / (left @ left)))
    return ClimateEffect(slope, slope - SURE * error, slope + SURE * error, told=True)
