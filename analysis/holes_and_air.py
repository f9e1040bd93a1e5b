"""At what dryness of the air each pot becomes too dry, by what lies on it and by its holes, or by how the air moves.

Owns the lines of the guide's map: for every option that does not move along the map itself, the critical dryness as a
function of the number of holes, or of the air movement on the shelf. Below the line the dry layer stays above the
rooting depth at the usual level; in drier air it goes deeper. Must not know shelves' seasons or notes: they are points
on the same map, laid there by others.

*Holds for* steady air at the pot's mean level and warmth of late; closed form of `dry_layer.critical_vpd_kpa`.
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from analysis.calibration import Draws
from analysis.columns import Columns, FloatArray
from analysis.dry_layer import critical_vpd_kpa
from analysis.guide import Home, level_under
from analysis.options import ORDER, Description, Option, depth_above_medium_mm, options_for
from analysis.setups import column_parameters

HOLES = (0, 4, 8, 12, 16, 24, 32)
MOVEMENTS = ("still", "gentle", "draughty")


def critical_by_holes(home: Home, draws: Draws, holes: Sequence[int] = HOLES) -> dict[str, FloatArray]:
    """Critical dryness in kPa by option, smallest step first: p10, p50, p90 over the draws, (3, hole, pot).

    Holes are of the pot's own size. NaN where an option does not apply to a pot, or its air is not known; infinite
    where no air dries it so deep.
    """

    def along(setups: Sequence[Description], shelves: Sequence[Description]) -> list[Columns]:
        columns = column_parameters([_with_holes(setup) for setup in setups], shelves, list(home.pots))
        return [columns.changed(vent_count=float(count)) for count in holes]

    return _critical(home, draws, along, lambda option, _shelf: "vents" not in option.setup_change)


def critical_by_movement(home: Home, draws: Draws) -> dict[str, FloatArray]:
    """Critical dryness in kPa by option as in `critical_by_holes`, over `MOVEMENTS` of the shelf's air:
    (3, movement, pot). Holes are those that the pot has, or that the option leaves it.
    """

    def along(setups: Sequence[Description], shelves: Sequence[Description]) -> list[Columns]:
        return [
            column_parameters(setups, [{**shelf, "air": word} for shelf in shelves], list(home.pots))
            for word in MOVEMENTS
        ]

    return _critical(home, draws, along, lambda option, shelf: option.shelf.get("air") == shelf.get("air"))


Along = Callable[[Sequence[Description], Sequence[Description]], list[Columns]]


Stays = Callable[[Option, Description], bool]


def _critical(home: Home, draws: Draws, along: Along, stays: Stays) -> dict[str, FloatArray]:
    """Each option's line over the columns that `along` gives from left to right.

    `stays` says whether an option, on a pot of that shelf, leaves the place on that axis as it is.
    """
    every = [
        {
            option.change: option
            for option in options_for(setup, shelf)
            if _moves_the_line(option) and stays(option, shelf)
        }
        for setup, shelf in zip(home.setups, home.shelves, strict=True)
    ]
    known = np.isfinite(home.vpd_kpa).any(axis=0)
    found: dict[str, FloatArray] = {}
    for change in ORDER:
        mine = [options.get(change) for options in every]
        if any(mine):
            lines = _lines(home, draws, mine, along)
            applies = known & np.array([option is not None for option in mine])
            found[change] = np.where(applies, lines, np.nan)
    return found


def _moves_the_line(option: Option) -> bool:
    """Whether an option belongs on the map at all: a lasting one that leaves place and dryness to the map's axes."""
    stays = not option.move_to and option.vpd_times == 1.0 and "repot" not in option.change
    return option.change == "leave" or (option.against == "dry" and option.lasting and not option.watered and stays)


def _lines(home: Home, draws: Draws, mine: Sequence[Option | None], along: Along) -> FloatArray:
    setups = [option.setup if option else setup for option, setup in zip(mine, home.setups, strict=True)]
    shelves = [option.shelf if option else shelf for option, shelf in zip(mine, home.shelves, strict=True)]
    with np.errstate(invalid="ignore"):
        level = np.array([_mean(level_under(option, home.level_mm[:, pot])) for pot, option in enumerate(mine)])
        warmth = np.array([_mean(column) for column in home.temperature_c.T])
    depth = home.rooting_mm + np.array([depth_above_medium_mm(setup) for setup in setups])
    depth = depth[: draws.stray.shape[0]]
    across = [critical_vpd_kpa(draws.under(columns), depth, warmth, level) for columns in along(setups, shelves)]
    return np.quantile(np.stack(across), [0.1, 0.5, 0.9], axis=1, method="inverted_cdf")


def _with_holes(setup: Mapping[str, object]) -> Mapping[str, object]:
    """The set-up with holes of some size, whose number is then varied."""
    return {**setup, "vents": {"count": 1, "diameter_mm": 8.0}} if setup.get("vents", "none") == "none" else setup


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")
