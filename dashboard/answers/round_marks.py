"""To where the round fills each pot: to its mark, or lower while a plant grown dry is eased over after a repot.

Owns the meeting of easing and round: kept as low as roots ask for, but never so low that the water does not carry the
pot to the next visit. An absence knows no easing: there the mark is filled.
"""

import numpy as np

from analysis.held_series import FloatArray
from analysis.reservoir import level_mm, water_ml
from analysis.rounds import ACCEPTED_RISK, SLIPPED_VISIT_DAYS
from dashboard.answers.roots import eased_mm
from dashboard.answers.situation import Situation
from dashboard.answers.use_ahead import Ahead


def round_marks_mm(situation: Situation, ahead: Ahead, longest_gap_days: float) -> FloatArray:
    """The level to which each pot is filled, (pot,), where visits are so many days apart at most."""
    marks = np.array([vessel.fill_mark_mm for vessel in situation.vessels], dtype=np.float64)
    lowest_fed_mm = np.broadcast_to(situation.standing.columns.lowest_fed_level_mm, marks.shape)
    days = longest_gap_days + SLIPPED_VISIT_DAYS
    for place, eased in eased_mm(situation).items():
        vessel = situation.vessels[place]
        use = ahead.use_ml_per_day[:, place, : int(np.ceil(days))].mean(axis=1)
        if np.isfinite(use).all():
            needed = float(np.quantile(use, 1.0 - ACCEPTED_RISK)) * days
            carries = level_mm(vessel, needed + water_ml(vessel, lowest_fed_mm[place]))
            marks[place] = min(max(eased, float(carries)), marks[place])
    return marks
