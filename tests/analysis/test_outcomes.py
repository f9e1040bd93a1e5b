"""Inspections joined with what the pots went through. All pots, hours and notes are invented."""

import numpy as np
import pandas as pd
import pytest

from analysis.outcomes import (
    DAY_MS,
    HOUR_MS,
    before_and_after,
    counts_by_air_and_cover,
    disagreements,
    inspections_with_exposure,
    tips_in_the_medium,
)


def _hours(pot: str, days: int, **columns: np.ndarray | float) -> pd.DataFrame:
    return pd.DataFrame({"pot": pot, "hour_ms": np.arange(24 * days, dtype=np.int64) * HOUR_MS, **columns})


def _looks(rows: list[tuple[str, float]], **columns: object) -> pd.DataFrame:
    return pd.DataFrame(
        {"pot": [p for p, _ in rows], "time_ms": np.array([int(d * DAY_MS) for _, d in rows], np.int64), **columns}
    )


def test_windows_hold_the_means_of_their_own_days_and_pot() -> None:
    ramp = np.arange(20 * 24) / 24.0  # the value of an hour is its day
    hours = pd.concat([_hours("a", 20, vpd_kpa=ramp, dry_depth_mm=10.0), _hours("b", 20, vpd_kpa=9.0)])
    joined = inspections_with_exposure(_looks([("a", 20), ("b", 20)]), hours).set_index("pot")
    for days in (1, 3, 7, 14):
        assert joined.loc["a", f"vpd_{days}d_kpa"] == pytest.approx(20 - days / 2, abs=0.03)
        assert joined.loc["b", f"vpd_{days}d_kpa"] == 9.0
    assert joined.loc["a", "dry_depth_mm"] == 10
    assert np.isnan(joined.loc["b", "dry_depth_mm"])


def test_hours_above_critical_and_hours_empty_are_counted_apart() -> None:
    vpd = np.where(np.arange(240) < 200, 0.5, 1.5)
    level = np.where(np.arange(240) < 230, 20.0, 0.0)
    hours = _hours("a", 10, vpd_kpa=vpd, critical_vpd_kpa=1.0, level_mm=level, dry_depth_mm=5.0)
    joined = inspections_with_exposure(_looks([("a", 10)]), hours)
    assert joined["hours_above_critical_3d"][0] == pytest.approx(40)
    assert joined["hours_empty_1d"][0] == pytest.approx(10)
    assert joined["hours_empty_14d"][0] == pytest.approx(10 * 14 / 10)  # ten of fourteen days known: scaled up


def test_wetness_and_level_of_a_window_stand_beside_its_dryness() -> None:
    depth = np.where(np.arange(240) % 4 == 0, 0.0, 12.0)  # moist at the surface in every fourth hour
    joined = inspections_with_exposure(_looks([("a", 10)]), _hours("a", 10, dry_depth_mm=depth, level_mm=33.0))
    assert joined["wet_share_7d"][0] == pytest.approx(0.25)
    assert joined["level_7d_mm"][0] == 33.0


def test_a_window_that_is_mostly_unknown_says_nothing() -> None:
    joined = inspections_with_exposure(_looks([("a", 3)]), _hours("a", 3, vpd_kpa=1.0))
    assert joined["vpd_3d_kpa"][0] == 1.0
    assert np.isnan(joined["vpd_7d_kpa"][0])


def test_the_dry_layer_since_the_look_before_is_not_that_of_the_window() -> None:
    depth = np.where(np.arange(480) < 240, 30.0, 10.0)
    joined = inspections_with_exposure(_looks([("a", 10), ("a", 20)]), _hours("a", 20, dry_depth_mm=depth))
    assert joined["dry_depth_since_mm"].tolist() == [30.0, 10.0]
    assert joined["dry_depth_since_max_mm"].tolist() == [30.0, 10.0]
    assert joined["dry_depth_14d_mm"][1] == pytest.approx((4 * 30 + 10 * 10) / 14)


def test_what_led_up_to_a_look_is_that_of_the_time_since_the_look_before() -> None:
    hour = np.arange(480)
    vpd = np.where(hour < 240, 0.5, np.where(hour < 300, np.nan, 1.5))
    hours = _hours("a", 20, vpd_kpa=vpd, critical_vpd_kpa=np.where(hour < 390, 1.0, np.inf),
                   level_mm=np.where((hour >= 250) & (hour < 262), 0.0, 30.0))  # fmt: skip
    second = inspections_with_exposure(_looks([("a", 10), ("a", 20)]), hours).loc[1]
    assert second["since_ms"] == 10 * DAY_MS
    assert second["vpd_since_kpa"] == 1.5
    assert second["air_known_since"] == pytest.approx(180 / 240)
    # half of the known hours, scaled to all; a pot whose water covers that depth (inf) bears any air
    assert second["hours_above_critical_since"] == pytest.approx(120)
    assert second["hours_empty_since"] == pytest.approx(12)


def test_a_pot_without_hours_and_a_table_without_notes_are_answers_too() -> None:
    alone = inspections_with_exposure(_looks([("a", 5)]), _hours("b", 9, vpd_kpa=1.0))
    assert np.isnan(alone["vpd_1d_kpa"][0])
    nothing = inspections_with_exposure(_looks([]), _hours("b", 9, vpd_kpa=1.0))
    assert len(nothing) == 0
    assert counts_by_air_and_cover(nothing).empty
    assert len(inspections_with_exposure(_looks([("a", 5)]), _hours("b", 0, vpd_kpa=1.0))) == 1


def test_the_set_up_in_force_is_the_one_of_that_day() -> None:
    setups = pd.DataFrame(
        {"pot": ["a", "a"], "from_ms": [0, 10 * DAY_MS], "to_ms": [10 * DAY_MS, None], "cover": ["none", "pebbles"]}
    )
    joined = inspections_with_exposure(_looks([("a", 9.9), ("a", 10), ("b", 5)]), _hours("a", 20, vpd_kpa=1.0), setups)
    assert joined["cover"].tolist()[:2] == ["none", "pebbles"]
    assert pd.isna(joined["cover"][2])


def test_rotted_tips_are_never_dried_ones_and_some_looks_have_no_outcome() -> None:
    looks = _looks(
        [("a", 1), ("b", 1), ("c", 1), ("d", 1)],
        tips_growing=[2, 1, 1, 0],
        tips_dried=[1, 0, 0, 0],
        tips_rotted=[3, 0, 0, 0],
        resting=[None, True, False, None],
        tips_not_in_medium=[False, None, True, None],
    )
    table = tips_in_the_medium(looks)
    assert table["pot"].tolist() == ["a"]
    assert table[["going_on", "stopped", "rotted"]].iloc[0].tolist() == [2, 1, 3]


def test_two_people_on_one_day_count_as_one_look_and_are_told() -> None:
    looks = _looks(
        [("a", 1), ("a", 1.2), ("a", 5)],
        tips_growing=[4, 0, 2],
        tips_stalled=[0, 4, 0],
        dry_layer_low_mm=[0, 20, 5],
        dry_layer_high_mm=[5, 30, 10],
    )
    table = tips_in_the_medium(looks)
    assert table["stopped"].tolist() == [2, 0]
    says = " ".join(disagreements(looks))
    assert "differ by 15\u00a0mm" in says
    assert "disagree about the tips" in says


def test_counts_stand_by_band_of_air_and_cover() -> None:
    looks = _looks(
        [("a", 1), ("a", 9), ("b", 1), ("c", 1)],
        vpd_7d_kpa=[0.5, 0.6, 1.3, np.nan],
        cover=["none", "none", "pebbles", None],
        tips_growing=[3, 3, 2, 1],
        tips_stalled=[1, 1, 0, 0],
    )
    counts = counts_by_air_and_cover(looks)
    assert counts["air"].tolist() == ["0.4 - 0.8", "over 1.2", "unknown"]
    assert counts["looks"].tolist() == [2, 1, 1]
    assert counts["pots"].tolist() == [1, 1, 1]
    assert counts["stopped_pct"].tolist() == [25.0, 0.0, 0.0]


def test_before_and_after_are_taken_within_the_pot() -> None:
    """Covers go to pots in trouble: across pots the covered are deeper, within each pot the cover takes 10 mm off."""
    rows, low = [], []
    for pot, depth in (("a", 30), ("b", 34), ("c", 26)):
        for day, d in ((0, depth), (10, depth), (40, depth - 10), (50, depth - 9)):
            rows.append((pot, float(day)))
            low.append(d)
    for day in (0, 10, 40):
        rows.append(("never covered", float(day)))
        low.append(10)
    looks = _looks(rows, dry_layer_low_mm=low, dry_layer_high_mm=low)
    changes = pd.DataFrame({"pot": ["a", "b", "c"], "time_ms": 20 * DAY_MS, "change": "pebbles 20 mm"})
    found = before_and_after(looks, changes, ["noted_depth_mm"]).iloc[0]
    assert found["pots"] == 3
    assert found["difference"] == pytest.approx(-9.5)
    assert found["low"] <= -9.5 <= found["high"] < 0


def test_one_pot_before_and_after_has_an_open_interval() -> None:
    looks = _looks([("a", 0), ("a", 40)], dry_layer_low_mm=[20, 10], dry_layer_high_mm=[20, 10])
    changes = pd.DataFrame({"pot": ["a"], "time_ms": [10 * DAY_MS], "change": ["holes"]})
    found = before_and_after(looks, changes, ["noted_depth_mm"]).iloc[0]
    assert found["difference"] == -10
    assert np.isinf(found["high"])
    assert before_and_after(looks.head(1), changes, ["noted_depth_mm"]).empty


def test_a_second_change_ends_the_after_of_the_first() -> None:
    looks = _looks([("a", 0), ("a", 30), ("a", 60)], dry_layer_low_mm=[20, 12, 0], dry_layer_high_mm=[20, 12, 0])
    changes = pd.DataFrame(
        {"pot": ["a", "a"], "time_ms": [10 * DAY_MS, 40 * DAY_MS], "change": ["pebbles", "second wick"]}
    )
    found = before_and_after(looks, changes, ["noted_depth_mm"]).set_index("change")["difference"]
    assert found["pebbles"] == -8
    assert found["second wick"] == -12
