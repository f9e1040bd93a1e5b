"""The day of a break, on a published series and on invented pots."""

import numpy as np
import pytest

from analysis.spells import likeliest_break, spell_start

# Flow of the Nile at Aswan, 1871-1970, 1e8 m3 (Cobb 1978, Biometrika 65:243; data from memory, checked by its means)
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip


def test_the_nile_broke_after_1898_between_the_published_means() -> None:
    """Index 28 by exhaustive least squares, means 1097.75 and 849.97 (`published-values.csv`, computed)."""
    found = likeliest_break(NILE)
    assert found is not None
    assert found.index == 28
    assert (found.before, found.after) == (pytest.approx(1097.75, abs=0.005), pytest.approx(849.97, abs=0.005))
    assert found.strength > 1


def test_a_quiet_pot_has_no_spell() -> None:
    rng = np.random.default_rng(1)
    false = 0
    for _ in range(100):
        walk = np.zeros(56)
        for day in range(1, 56):
            walk[day] = 0.7 * walk[day - 1] + rng.normal(0, 1.2)
        false += spell_start(20 + walk, rng.normal(0, 0.08, 56)) is not None
    assert false <= 5


def test_a_deeper_dry_layer_is_found_on_its_day() -> None:
    rng = np.random.default_rng(2)
    depth = np.r_[np.full(35, 14.0), np.full(15, 24.0)] + rng.normal(0, 1, 50)
    assert abs((spell_start(depth, np.full(50, np.nan)) or 0) - 35) <= 1


def test_use_that_falls_is_found_without_any_change_of_depth() -> None:
    rng = np.random.default_rng(3)
    use = np.r_[np.zeros(40), np.full(12, -0.35)] + rng.normal(0, 0.08, 52)
    assert abs((spell_start(np.full(52, 12.0), use) or 0) - 40) <= 1


def test_too_few_days_give_no_break() -> None:
    assert likeliest_break([1.0, 2, np.nan, 3]) is None
    assert spell_start([], []) is None
