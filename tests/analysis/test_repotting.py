"""Roots after a repot: intervals between looks, survival by the jump in wetness, and easing a plant over. Invented."""

import numpy as np
import pandas as pd
import pytest

from analysis.repotting import DAY_MS, after_repots, level_to_ease_mm, repot_spans

TIPS = ["tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new"]


def _looks(rows: list[tuple[str, float, int, int, int, int, int]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["pot", "day", *TIPS])
    return table.assign(time_ms=(table["day"] * DAY_MS).astype(np.int64))


def _repots(rows: list[tuple[str, float, float]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["pot", "day", "jump_mm"])
    return table.assign(time_ms=(table["day"] * DAY_MS).astype(np.int64)).drop(columns="day")


def test_what_happened_between_two_looks_lies_between_them() -> None:
    looks = _looks(
        [
            ("a", 0, 3, 0, 0, 0, 0),
            ("a", 20, 2, 0, 1, 0, 0),
            ("a", 40, 1, 0, 1, 0, 2),
            ("a", 70, 0, 0, 1, 2, 3),
        ]
    )
    span = repot_spans(_repots([("a", 10, 8.0)]), looks).iloc[0]
    assert (span["new_after"], span["new_by"]) == (10, 30)
    assert (span["lost_after"], span["lost_by"]) == (30, 60)


def test_what_had_not_happened_at_the_last_look_is_censored_there() -> None:
    span = repot_spans(_repots([("a", 0, 8.0)]), _looks([("a", 25, 2, 0, 0, 0, 0)])).iloc[0]
    assert (span["new_after"], span["new_by"]) == (25, np.inf)
    assert (span["lost_after"], span["lost_by"]) == (25, np.inf)


def test_a_look_without_tips_cannot_tell_whether_old_roots_live() -> None:
    looks = _looks([("a", 20, 0, 0, 0, 0, 0), ("a", 40, 0, 0, 2, 0, 0)])
    span = repot_spans(_repots([("a", 0, 0.0)]), looks).iloc[0]
    assert (span["lost_after"], span["lost_by"]) == (0, 40)
    assert span["new_after"] == 40


def test_the_next_repot_ends_the_watch_and_a_repot_never_looked_at_is_left_out() -> None:
    looks = _looks([("a", 20, 2, 0, 0, 0, 0), ("a", 80, 0, 0, 3, 0, 0)])
    spans = repot_spans(_repots([("a", 0, 0.0), ("a", 50, 0.0), ("b", 0, 0.0)]), looks)
    assert spans["pot"].tolist() == ["a", "a"]
    assert spans["lost_by"].tolist() == [np.inf, 30]


def test_bands_of_the_jump_stand_apart_with_limits_over_pots() -> None:
    rows, repots = [], []
    for i in range(8):
        repots += [(f"alike {i}", 0, 1.0), (f"wet {i}", 0, 20.0)]
        for day in (15, 28, 45, 75):
            rows.append((f"alike {i}", day, 2, 0, 0, 0, int(day >= 28)))
            rows.append((f"wet {i}", day, int(day < 28 or i < 2), 0, 0, 1, int(day > 50)))
    table = after_repots(repot_spans(_repots(repots), _looks(rows)), np.random.default_rng(0)).set_index("jump")
    assert table.loc["alike", "old_kept_60d"] == 1
    assert table.loc["alike", "old_kept_60d_low"] == pytest.approx(0.1 ** (1 / 8))
    assert table.loc["much wetter", "old_kept_60d"] == pytest.approx(0.25)
    assert table.loc["much wetter", "old_kept_60d_low"] < 0.25 < table.loc["much wetter", "old_kept_60d_high"]
    assert (table.loc["alike", "new_root_from_days"], table.loc["alike", "new_root_to_days"]) == (15, 28)
    assert "half had a new root by day 75" in table.loc["much wetter", "says"]


def test_seasons_stand_apart_when_asked() -> None:
    spans = repot_spans(
        _repots([("a", 20, 0.0), ("b", 200, 0.0)]),
        _looks([("a", 40, 1, 0, 0, 0, 0), ("b", 230, 1, 0, 0, 0, 0)]),
    )
    table = after_repots(spans, np.random.default_rng(0), by_season=True)
    assert set(table["season"]) == {"Apr-Sep", "Oct-Mar"}


def test_no_repots_is_an_empty_table() -> None:
    spans = repot_spans(_repots([]).astype({"time_ms": np.int64}), _looks([("a", 1, 1, 0, 0, 0, 0)]))
    assert after_repots(spans, np.random.default_rng(0)).empty


def test_a_plant_grown_dry_is_eased_over_but_never_past_the_rooting_depth() -> None:
    levels = np.arange(0.0, 51, 10)
    depth = np.repeat((40 - 0.6 * levels)[:, None], 50, axis=1)  # 40 mm when empty, 10 mm when full
    old = np.full(50, 30.0)
    eased = level_to_ease_mm(levels, depth, old, rooting_mm=22.0)
    assert eased.level_mm == 30  # 22 mm of dry layer: the old 30 mm would keep new roots out
    assert "one and two months" in eased.says
    deeper = level_to_ease_mm(levels, depth, old, rooting_mm=35.0, new_root_days=(21, 34))
    assert deeper.level_mm == 10
    assert "21 to 34 days, as it took here" in deeper.says


def test_where_no_level_is_dry_enough_the_lowest_is_kept_and_it_says_so() -> None:
    eased = level_to_ease_mm([5.0, 50], np.array([[6.0, 7.0], [2, 3]]), [30.0, 30.0], 22.0)
    assert eased.level_mm == 5
    assert "no level makes the new pot as dry as that" in eased.says
    assert "could be" not in eased.says


def test_a_pot_that_is_hardly_wetter_is_filled_to_the_mark() -> None:
    eased = level_to_ease_mm([0.0, 50], np.array([[30.0], [18]]), [20.0], 22.0)
    assert np.isnan(eased.level_mm)
    assert "fill to the mark" in eased.says
