"""Rooting depth from invented tips whose true depth is known, and the cases where notes cannot say."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from analysis.rooting import EXPOSURE, pots_draws_mm, rooting_depths, rot_against_wetness, stopped_chance

THICK, FINE = ("thick", "airy"), ("fine", "wetter")


def _tips(seed: int, group: tuple[str, str], true_mm: float, pots: int, looks: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    pot = np.repeat(np.arange(pots), looks)
    depth = np.clip(np.repeat(rng.uniform(5, 35, pots), looks) + rng.normal(0, 5, len(pot)), 0, None)
    seen = rng.integers(1, 5, len(pot))
    effect = rng.normal(0, 0.8, pots)[pot]
    stopped = rng.binomial(seen, expit(0.3 * (depth - true_mm) + effect))
    return pd.DataFrame(
        {
            "pot": [f"{group} {p}" for p in pot],
            "roots": group[0],
            "likes": group[1],
            EXPOSURE: depth,
            "stopped": stopped,
            "going_on": seen - stopped,
            "rotted": 0,
        }
    )


def test_without_any_note_the_depth_is_twenty_and_guessed() -> None:
    answer = rooting_depths(pd.DataFrame(), [THICK])[THICK]
    assert answer.value_mm == pytest.approx(20, abs=0.5)
    assert answer.rests_on == "guessed"
    assert "no tip has been noted" in answer.says
    assert answer.low_mm < 12
    assert answer.high_mm > 28


def test_one_note_hardly_moves_it_and_says_so() -> None:
    one = pd.DataFrame({"pot": ["a"], "roots": "thick", "likes": "airy", EXPOSURE: 30.0, "stopped": 0, "going_on": 3})
    answer = rooting_depths(one, [THICK])[THICK]
    assert answer.value_mm == pytest.approx(20, abs=1)
    assert answer.rests_on == "guessed"
    assert "3 tips do not say yet" in answer.says


def test_groups_looked_at_in_one_depth_each_are_guesses_still() -> None:
    table = pd.DataFrame(
        {"pot": ["a", "b"], "roots": ["thick", "fine"], "likes": ["airy", "wetter"], EXPOSURE: 18.0, "stopped": 0,
         "going_on": 2}
    )  # fmt: skip
    for depths in ([18.0, 18.0], [12.0, 30.0]):
        answers = rooting_depths(table.assign(**{EXPOSURE: depths}), [THICK, FINE])
        assert {answer.rests_on for answer in answers.values()} == {"guessed"}


def test_a_look_at_three_groups_of_which_two_are_all_one_way_is_an_answer_too() -> None:
    """Four looks, as a first week may bring: far from them every chance is 0 or 1 to the last digit."""
    groups = [("fine", "even"), ("thick", "wetter"), ("thick", "wetter"), ("fine", "wetter")]
    table = pd.DataFrame(
        {
            "pot": ["a", "b", "c", "d"],
            "roots": [roots for roots, _ in groups],
            "likes": [likes for _, likes in groups],
            EXPOSURE: [17.676667, 0.588413, 0.621898, 23.590126],
            "going_on": [4.0, 8.0, 5.0, 0.0],
            "stopped": [1.0, 0.0, 0.0, 5.0],
            "rotted": 0,
        }
    )
    for answer in rooting_depths(table, groups).values():
        assert 5 < answer.low_mm < answer.value_mm < answer.high_mm < 45


def test_notes_learn_a_depth_that_the_interval_covers() -> None:
    """20 invented collections whose true depth is anywhere between 10 and 32 mm: 90 % is asked of the interval."""
    covered, near = 0, []
    for seed in range(20):
        true_mm = 10 + 22 * np.random.default_rng(500 + seed).random()
        answer = rooting_depths(_tips(seed, THICK, true_mm, pots=14, looks=6), [THICK])[THICK]
        covered += answer.low_mm <= true_mm <= answer.high_mm
        near.append(abs(answer.value_mm - true_mm))
        assert answer.rests_on == "measured"
    assert covered >= 16
    assert np.median(near) < 1.5


def test_groups_keep_their_own_depth_and_a_bare_group_borrows() -> None:
    both = pd.concat([_tips(1, THICK, 26, 12, 6), _tips(2, FINE, 14, 12, 6)])
    answers = rooting_depths(both, [THICK, FINE, ("fine", "even")])
    assert answers[THICK].value_mm > answers[FINE].value_mm + 5
    bare = answers["fine", "even"]
    assert bare.rests_on == "borrowed"
    assert answers[FINE].value_mm < bare.value_mm < answers[THICK].value_mm
    assert bare.high_mm - bare.low_mm > answers[THICK].high_mm - answers[THICK].low_mm


def test_separated_notes_give_a_depth_between_the_last_living_and_the_first_stopped_tip() -> None:
    table = pd.DataFrame(
        {
            "pot": list("abcdef"),
            "roots": "thick",
            "likes": "airy",
            EXPOSURE: [4.0, 8, 12, 18, 24, 30],
            "going_on": [3, 3, 3, 0, 0, 0],
            "stopped": [0, 0, 0, 3, 3, 3],
        }
    )
    answer = rooting_depths(table, [THICK])[THICK]
    assert 12 < answer.value_mm < 19
    assert np.isfinite([answer.low_mm, answer.high_mm]).all()


def test_all_tips_lost_does_not_claim_a_depth_of_nothing() -> None:
    table = pd.DataFrame(
        {"pot": list("abc"), "roots": "thick", "likes": "airy", EXPOSURE: [10.0, 20, 30], "going_on": 0, "stopped": 2}
    )
    answer = rooting_depths(table, [THICK])[THICK]
    assert 2 < answer.value_mm <= 20
    assert answer.low_mm > 0
    assert answer.says.endswith("every tip seen had stopped, so where they begin to is not known.")
    often = rooting_depths(table.assign(stopped=12), [THICK])[THICK]
    assert often.says.startswith("Every tip seen had stopped: new tips get through less than they met")


def test_notes_that_say_the_opposite_leave_the_prior() -> None:
    table = _tips(3, THICK, 20, 10, 6)
    table[EXPOSURE] = 40 - table[EXPOSURE]
    answer = rooting_depths(table, [THICK])[THICK]
    assert answer.rests_on != "measured"
    assert answer.low_mm < 20 < answer.high_mm


@pytest.mark.parametrize(
    ("rotted", "says"),
    [
        ([0, 0, 0], "No rotted tip is noted yet."),
        ([0, 1, 0], "Only 1 rotted tip is noted: too few to set against wetness."),
        ([1, 1, 0], "Only 2 rotted tips are noted: too few to set against wetness."),
        ([2, 2, 1], "All looks were made at one wetness: whether it rots tips cannot be told."),
    ],
)
def test_too_little_rot_is_a_sentence_that_says_what_is_missing(rotted: list[int], says: str) -> None:
    table = pd.DataFrame({"pot": list("abc"), "wet_share_14d": 0.5, "rotted": rotted, "going_on": 2, "stopped": 0})
    rot = rot_against_wetness(table, [0.0, 1.0])
    assert rot.says == says
    assert np.isnan(rot.chance).all()


def test_draws_follow_the_interval() -> None:
    answer = rooting_depths(_tips(4, THICK, 22, 12, 6), [THICK])[THICK]
    draws = answer.draws_mm(4000, np.random.default_rng(0))
    np.testing.assert_allclose(np.quantile(draws, [0.05, 0.95]), [answer.low_mm, answer.high_mm], atol=0.7)


def test_a_pots_own_tips_move_its_own_depth() -> None:
    table = _tips(7, THICK, 20, pots=12, looks=6)
    own = pd.DataFrame(
        {"pot": "hardy", "roots": "thick", "likes": "airy", EXPOSURE: [24.0, 26, 27, 25], "going_on": 4, "stopped": 0}
    )
    together = pd.concat([table, own])
    depths = rooting_depths(together, [THICK])
    pots = [("hardy", *THICK), ("never looked at", *THICK)]
    draws = pots_draws_mm(depths, together, pots, 800, np.random.default_rng(0))
    assert draws.shape == (800, 2)
    hardy, bare = draws.mean(0)
    assert hardy > bare + 1.5
    assert draws[:, 1].std() > 0.8 * depths[THICK].between_pots_mm


def test_a_tip_at_the_rooting_depth_has_even_odds() -> None:
    np.testing.assert_allclose(stopped_chance([10.0, 20, 30], 20), [0.047, 0.5, 0.953], atol=0.001)


def test_rot_is_set_against_wetness_apart_from_drying() -> None:
    rng = np.random.default_rng(6)
    wet = rng.uniform(0, 1, 80)
    rotted = rng.binomial(4, expit(-4 + 4 * wet))
    table = pd.DataFrame(
        {
            "pot": np.arange(80) % 16,
            "wet_share_14d": wet,
            "rotted": rotted,
            "going_on": 4 - rotted,
            "stopped": 0,
        }
    )
    rot = rot_against_wetness(table, [0.0, 1.0])
    assert rot.rises is True
    assert rot.chance[1] > 5 * rot.chance[0]
    few = rot_against_wetness(table.assign(rotted=0), [0.0, 1.0])
    assert few.rises is None
    assert few.says == "No rotted tip is noted yet."
    assert np.isnan(few.chance).all()
