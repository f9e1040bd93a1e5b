"""Pairs that differ in one thing, and a verdict that survives repeated looking. All pots and notes are invented."""

import numpy as np
import pandas as pd

from analysis.trials import DAY_MS, looks_needed, paired_looks, pairs_that_differ_in_one, trial_result

SETUPS = pd.DataFrame(
    {
        "shelf": ["east-window", "east-window", "east-window", "stairwell"],
        "mix": ["clay", "clay", "clay", "clay"],
        "cover": ["none", "pebbles", "none", "pebbles"],
        "vents_mm2": [600.0, 650.0, 610.0, 640.0],
    },
    index=["window left", "window right", "window middle", "stair top"],
)


def _looks(days: list[float], differences: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"time_ms": [int(d * DAY_MS) for d in days], "difference_mm": differences})


def _simulated(rng: np.random.Generator, effect_mm: float, standing_mm: float) -> pd.DataFrame:
    """Looks every 10 days, three before and eight after; half of a look's variance lingers for a week."""
    days = np.r_[-30.0, -20, -10, 15 + 10.0 * np.arange(8)]
    apart = np.abs(days[:, None] - days[None, :])
    shared = np.linalg.cholesky(8.0 * np.exp(-apart / 7) + 1e-9 * np.eye(len(days))) @ rng.normal(size=len(days))
    noted = standing_mm + effect_mm * (days > 0) + shared + rng.normal(0, np.sqrt(8.0), len(days))
    return _looks(list(days), list(noted))


def test_pots_that_differ_in_exactly_one_thing_are_proposed() -> None:
    pairs = {(p.pot, p.other): p.factor for p in pairs_that_differ_in_one(SETUPS)}
    assert pairs == {
        ("window left", "window right"): "cover",
        ("window left", "window middle"): "",
        ("window right", "window middle"): "cover",
        ("window right", "stair top"): "shelf",
    }


def test_a_pair_about_something_nobody_asked_is_left_out() -> None:
    pairs = pairs_that_differ_in_one(SETUPS, ["cover"])
    assert {p.factor for p in pairs} == {"", "cover"}


def test_an_unknown_value_makes_no_pair() -> None:
    unknown = SETUPS.assign(mix=["clay", None, None, "clay"])
    assert pairs_that_differ_in_one(unknown, ["cover"]) == []


def test_what_nobody_knows_is_no_question_of_a_trial() -> None:
    alike = pd.concat([SETUPS.iloc[[0]]] * 3).set_axis(["one", "two", "three"])
    unknown = alike.assign(mix=["clay", None, None])
    assert pairs_that_differ_in_one(unknown, ["mix", "cover"]) == []


def test_looks_pair_up_once_within_three_days() -> None:
    notes = pd.DataFrame(
        {
            "pot": ["a", "a", "b", "b", "a"],
            "time_ms": np.array([0, 1, 1.2, 10, 30]) * DAY_MS,
            "depth_mm": [20.0, 22, 12, 10, 18],
        }
    ).astype({"time_ms": np.int64})
    looks = paired_looks(notes, "a", "b")
    assert looks["difference_mm"].tolist() == [10.0]


def test_no_notes_and_one_look_get_a_sentence() -> None:
    empty = paired_looks(pd.DataFrame({"pot": [], "time_ms": [], "depth_mm": []}), "a", "b")
    assert "no look" in trial_result([empty], [0]).says
    one = trial_result([_looks([20], [5.0])], [0])
    assert one.verdict == "too_few"
    assert "one look" in one.says


def test_looking_after_every_note_misleads_at_most_one_time_in_twenty() -> None:
    """400 invented trials without an effect, judged after every look: 5 % is promised over all looks together."""
    rng = np.random.default_rng(11)
    misled = 0
    for _ in range(400):
        table = _simulated(rng, 0.0, rng.normal(0, 5 * np.sqrt(2)))
        verdicts = [trial_result([table.head(3 + k)], [0]).verdict for k in range(2, 9)]
        misled += any(v in ("deeper", "shallower") for v in verdicts)
    assert misled <= 29  # 20 expected at most; 29 is the 2.5 % point of a binomial


def test_a_real_difference_is_found_and_its_interval_covers_it() -> None:
    rng = np.random.default_rng(5)
    found = covered = 0
    for _ in range(100):
        result = trial_result([_simulated(rng, -9.0, rng.normal(0, 7))], [0])
        found += result.verdict == "shallower"
        covered += result.low_mm <= -9 <= result.high_mm
    assert found >= 70
    assert covered >= 90


def test_without_looks_before_the_change_one_pair_decides_less() -> None:
    table = _simulated(np.random.default_rng(1), -9.0, 0.0)
    with_baseline = trial_result([table], [0])
    without = trial_result([table.tail(8)], [0])
    assert without.high_mm - without.low_mm > with_baseline.high_mm - with_baseline.low_mm


def test_more_pairs_on_one_question_decide_sooner() -> None:
    rng = np.random.default_rng(3)
    tables = [_simulated(rng, -9.0, 0.0).head(6) for _ in range(4)]
    alone, together = trial_result(tables[:1], [0]), trial_result(tables, [0] * 4)
    assert together.high_mm - together.low_mm < alone.high_mm - alone.low_mm


def test_looks_while_the_column_still_settles_are_left_out() -> None:
    early = _looks([2, 5, 9], [10.0, 10, 10])
    assert trial_result([early], [0]).looks == 0


def test_the_number_of_looks_needed_grows_as_the_difference_shrinks() -> None:
    ten, six = looks_needed(10), looks_needed(6)
    assert ten is not None
    assert six is None or six > ten
    assert looks_needed(5, with_baseline=False) is None
