"""What a pot would use less after a change: for pots that cannot wait from one round to the next.

Owns the comparison of a pot's loss under its own set-up with that under each option which lowers it, in the air and at
the level of its last week. Whether the plant is better off with the change is for the guide.
"""

import numpy as np

from analysis.dry_layer import steady
from analysis.held_series import FloatArray
from analysis.options import ORDER, Option, options_for
from analysis.setups import column_parameters
from dashboard.answers.situation import Situation
from dashboard.answers.use_ahead import usual_air_and_level

LESS_BY = 0.03
"""A change that saves less of the use than this is not worth naming."""


def calmer_shares(situation: Situation) -> dict[str, FloatArray]:
    """Share of today's use that would remain after each change (pot,), smallest step first; 1 where it does not apply.

    Changes of the pot, its shelf's air or its place on another shelf's are asked; repots are not: nobody repots to be
    able to go away.
    """
    pots, shelves = situation.standing.pots, situation.standing.shelves
    vpd, temperature, level = usual_air_and_level(situation)
    now = steady(situation.standing.columns, vpd, temperature, level).loss_ml_per_day
    options = [
        {option.change: option for option in options_for(pot.setup, shelves.get(pot.shelf, {})) if _saves(option)}
        for pot in pots
    ]
    found: dict[str, FloatArray] = {}
    for change in ORDER:
        mine = [of_pot.get(change) for of_pot in options]
        if not any(mine):
            continue
        setups = [option.setup if option else pot.setup for option, pot in zip(mine, pots, strict=True)]
        around = [option.shelf if option else shelves.get(pot.shelf) for option, pot in zip(mine, pots, strict=True)]
        times = np.array([option.vpd_times if option else 1.0 for option in mine])
        columns = column_parameters(setups, around, [pot.about for pot in pots])
        with np.errstate(invalid="ignore", divide="ignore"):
            share = steady(columns, vpd * times, temperature, level).loss_ml_per_day / now
        applies = np.array([option is not None for option in mine]) & (share < 1.0 - LESS_BY)
        if applies.any():
            found[change] = np.where(applies, share, 1.0)
    return found


def _saves(option: Option) -> bool:
    return option.against == "dry" and option.lasting and not option.watered and "repot" not in option.change
