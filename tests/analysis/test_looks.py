"""What a look is worth, on draws whose answers are known."""

import numpy as np

from analysis.looks import answers_as_numbers, best_look, worth_of_look


def _draws(seed: int = 0, count: int = 200) -> tuple[np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return rng.normal(20, 6, count), rng


def test_a_look_at_what_decides_is_worth_nearly_the_whole_doubt() -> None:
    depth, rng = _draws()
    answers = (depth > 20).astype(np.int64)[:, None]
    assert worth_of_look(depth, 0.5, answers)[0] > 0.4
    assert worth_of_look(rng.normal(20, 6, 200), 0.5, answers)[0] < 0.12


def test_a_worse_eye_is_worth_less_and_a_settled_pot_nothing() -> None:
    depth, _ = _draws()
    answers = np.column_stack([depth > 20, np.zeros(200)]).astype(np.int64)
    sharp, dull = worth_of_look(depth, 1.0, answers), worth_of_look(depth, 12.0, answers)
    assert sharp[0] > dull[0] + 0.1
    assert sharp[1] == 0


def test_the_pot_whose_look_speaks_for_others_is_chosen() -> None:
    shared, rng = _draws(1)
    own = rng.normal(20, 6, (200, 3))
    depth = np.column_stack([own[:, 0], shared + rng.normal(0, 1, 200), shared + rng.normal(0, 1, 200)])
    answers = [["pebbles" if d > 20 else "leave" for d in column] for column in depth.T]
    look = best_look(["alone", "twin left", "twin right"], depth, answers)
    assert look is not None
    assert look.what.startswith("twin")
    assert set(look.settles) == {"twin left", "twin right"}
    assert "settle most: twin" in look.says


def test_a_column_test_wins_where_a_mix_is_what_is_not_known() -> None:
    height, rng = _draws(2)
    depth = np.column_stack([60 - height + rng.normal(0, 6, 200) for _ in range(4)])
    answers = [["pebbles" if h < 20 else "leave" for h in height]] * 4
    look = best_look(["a", "b", "c", "d"], depth, answers, {"clay and lava": height})
    assert look is not None
    assert look.what == "a column test of clay and lava"


def test_no_look_is_named_when_everything_is_settled() -> None:
    depth, _ = _draws(3)
    assert best_look(["a"], depth[:, None], [["leave"] * 200]) is None


def test_answers_get_numbers_within_each_pot() -> None:
    numbers = answers_as_numbers([["leave", "pebbles", "leave"], ["x", "x", "x"]])
    assert numbers.tolist() == [[0, 0], [1, 0], [0, 0]]
