"""The lines of the guide's map on invented pots: drier air is borne with fewer holes and with a cover."""

from itertools import pairwise
from typing import Any

import numpy as np

from analysis.calibration import calibrate
from analysis.guide import Home
from analysis.holes_and_air import HOLES, MOVEMENTS, critical_by_holes, critical_by_movement
from analysis.setups import column_parameters

SETUP = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 135,
    "layers": [{"thickness_mm": 95, "grain": "medium", "mix": {"expanded_clay": 0.6, "lava_rock": 0.4}}],
    "headroom_mm": 35,
    "vents": {"count": 12, "diameter_mm": 8, "wall_mm": 1.5, "height_mm": 110},
    "wick": {"strands": 1, "material": "microfibre"},
}
SETUPS = [SETUP, {**SETUP, "vents": "none", "headroom_mm": 0}, {**SETUP, "shelf": "cellar"}]
COUNT, DAYS = 30, 10


def _lines(across: Any = critical_by_holes) -> dict[str, np.ndarray]:
    pots = len(SETUPS)
    columns = column_parameters(SETUPS)
    home = Home(
        labels=("open", "closed", "no air"),
        setups=SETUPS,
        shelves=[{"air": "draughty"}] * pots,
        pots=[{"likes": "even"}] * pots,
        vpd_kpa=np.where(np.arange(pots) < 2, 1.0, np.nan) * np.ones((DAYS, 1)),
        temperature_c=np.full((DAYS, pots), 21.0),
        level_mm=np.repeat((45.0 - np.arange(DAYS))[:, None], pots, 1),
        rooting_mm=np.full((COUNT, pots), 20.0),
        round_days=np.zeros(DAYS, bool),
        moister=["glass-cabinet"] * pots,
        moister_vpd_kpa=np.full((DAYS, pots), 0.3),
    )
    return across(home, calibrate(columns).draws(np.random.default_rng(1), COUNT))


def test_fewer_holes_and_thicker_pebbles_bear_drier_air() -> None:
    lines = _lines()
    for line in lines.values():
        middle = line[1, :, 0]
        assert all(more < fewer for fewer, more in pairwise(middle))
    covers = ("leave", "pebbles 10 mm", "pebbles 20 mm", "pebbles 30 mm")
    for thin, thick in pairwise(covers):
        assert (lines[thin][1, :, 0] < lines[thick][1, :, 0]).all()
    assert (lines["leave"][1, :, 0] < lines["keep it fuller"][1, :, 0]).all()


def test_lines_carry_their_interval_and_a_number_for_every_count_of_holes() -> None:
    low, middle, high = _lines()["leave"][:, :, 0]
    assert len(middle) == len(HOLES)
    assert (low < middle).all()
    assert (middle < high).all()


def test_holes_place_and_air_are_the_maps_axes_and_no_options_of_it() -> None:
    names = set(_lines())
    assert not names & {"close all holes", "close half of the holes", "open holes", "move", "moister air on the shelf"}
    assert not any("repot" in name or "water from the top" in name for name in names)


def test_what_does_not_apply_or_has_no_air_has_no_line() -> None:
    lines = _lines()
    assert np.isnan(lines["pebbles 10 mm"][:, :, 1]).all()  # no headroom
    assert np.isfinite(lines["leave"][:, :, 1]).all()  # no holes now, but there could be
    assert np.isnan(lines["leave"][:, :, 2]).all()


def test_the_more_the_air_moves_the_drier_a_pot_with_holes_becomes() -> None:
    lines = _lines(critical_by_movement)
    for line in lines.values():
        assert line.shape == (3, len(MOVEMENTS), len(SETUPS))
        assert all(more < fewer for fewer, more in pairwise(line[1, :, 0]))
    assert (lines["leave"][1, :, 0] < lines["close all holes"][1, :, 0]).all()
    assert np.isnan(lines["close all holes"][:, :, 1]).all()  # it has none
    assert "shield from radiator or fan" not in lines  # it moves along this axis
    assert "shield from radiator or fan" in _lines()


def test_both_axes_meet_where_a_pot_stands() -> None:
    by_holes, by_movement = _lines(), _lines(critical_by_movement)
    here = HOLES.index(12), MOVEMENTS.index("draughty")
    for change in ("leave", "keep it fuller", "pebbles 20 mm"):
        assert np.allclose(by_holes[change][:, here[0], 0], by_movement[change][:, here[1], 0])
