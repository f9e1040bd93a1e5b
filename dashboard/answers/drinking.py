"""Whether a pot has begun to drink less than it did: its last weeks of use, brought to the analysis.

Only a pot whose own sensor follows its level can say so; weeks before a change of its set-up do not count.
"""

import numpy as np

from analysis.drinking import drinks_less_lately
from analysis.known_mean import known_mean
from dashboard.answers.situation import Situation
from ingest.readings import DAY_MS

WEEKS = 4


def drinks_less_says(situation: Situation, index: int) -> str:
    """A sentence where the last seven days are too little for the pot's own thirst; else an empty one."""
    water, pot = situation.waters[index], situation.standing.pots[index]
    if not water.measured or not water.told.weeks.until_ms.size:
        return ""
    weeks, end_ms = water.told.weeks, situation.course.end_ms
    value, low, high = weeks.per_day()
    newest_ms, since_ms = int(weeks.until_ms[-1]), int(pot.setup["from_ms"])
    use, sd, modelled, vpd = (np.full(WEEKS, np.nan) for _ in range(4))
    for back in range(WEEKS):
        until_ms = newest_ms - back * 7 * DAY_MS
        at = np.flatnonzero(weeks.until_ms == until_ms)
        if not at.size or until_ms - 7 * DAY_MS < since_ms:
            continue
        steps = (end_ms > until_ms - 7 * DAY_MS) & (end_ms <= until_ms)
        place = WEEKS - 1 - back
        use[place], sd[place] = value[at[0]], (high[at[0]] - low[at[0]]) / 3.29
        modelled[place] = known_mean(situation.expected_ml_per_day[steps, index : index + 1])[0]
        vpd[place] = known_mean(situation.course.vpd_kpa[steps, index : index + 1])[0]
    return drinks_less_lately(use, sd, modelled, vpd)[1]
