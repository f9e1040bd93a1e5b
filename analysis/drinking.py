"""Does a pot drink less than it did, for its set-up and its air? The earliest sign of failing roots or a failing wick.

The picture. Use over the modelled loss is how thirsty a pot was in the weeks before the last one; the same thirst in
the air of the last week is what it should have used, and less than 85 % of the low end of that is worth a look
(`causes.drinks_less_than_it_should`). The pot is its own measure, so that what the model does not know of it cancels.

It takes weeks as arrays and knows no store.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from analysis.causes import drinks_less_than_it_should
from analysis.hidden_causes import USE_STRAY

LEAST_WEEKS = 2
_DRAWS = ndtri((np.arange(41) + 0.5) / 41)


def drinks_less_lately(
    use_ml_per_day: npt.ArrayLike,
    use_sd_ml_per_day: npt.ArrayLike,
    modelled_ml_per_day: npt.ArrayLike,
    vpd_kpa: npt.ArrayLike,
) -> tuple[float, str]:
    """The chance that the last week's use is too little, and a sentence where that is likely.

    All (week,), oldest first, weeks that do not overlap, NaN where unknown: measured use with its sd, the modelled loss
    of the set-up in the air of that week, and that air. Fewer than two known weeks before the last, or a last one that
    is not known: 0 and an empty sentence. Holds where the set-up was not changed within these weeks.
    """
    use, sd, modelled, vpd = (
        np.asarray(series, float) for series in (use_ml_per_day, use_sd_ml_per_day, modelled_ml_per_day, vpd_kpa)
    )
    known = np.isfinite(use + sd + modelled + vpd) & (use > 0) & (modelled > 0)
    before = known.copy()
    before[-1:] = False
    if not known[-1:].all() or before.sum() < LEAST_WEEKS:
        return 0.0, ""
    thirst = np.log(use[before] / modelled[before])
    error = np.sqrt((sd[before] / use[before]) ** 2 + USE_STRAY**2)
    weight = error**-2 / (error**-2).sum()
    # weeks that differ more than they should say how far a week of this pot may be off
    scatter = float(np.sqrt(weight @ (thirst - weight @ thirst) ** 2))
    spread = np.hypot((error**-2).sum() ** -0.5, np.hypot(USE_STRAY, scatter))
    should = modelled[-1] * np.exp(weight @ thirst + spread * _DRAWS)
    return drinks_less_than_it_should(float(use[-1]), float(sd[-1]), should, float(vpd[-1] / (weight @ vpd[before])))
