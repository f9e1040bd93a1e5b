"""What a look is worth, on draws whose answers are known."""

import numpy as np

from analysis.claims import SURE, Claims
from analysis.looks import LOOK_SD_MM, best_look, laid_out, worth_of_look


def _claims(answers) -> list[Claims]:
    """Claims about smallest steps alone: answers, words or numbers, are one row a pot."""
    numbers = [np.unique(list(pot), return_inverse=True)[1] for pot in answers]
    return [Claims(one, np.zeros((2, len(one)), bool), np.zeros((2, len(one)))) for one in numbers]


def _draws(seed: int = 0, count: int = 200) -> tuple[np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return rng.normal(20, 6, count), rng


def test_a_look_at_what_decides_is_worth_nearly_the_whole_doubt() -> None:
    depth, rng = _draws()
    laid = laid_out(_claims([depth > 20]))
    assert worth_of_look(depth, 0.5, laid)[0] > 0.4
    assert worth_of_look(rng.normal(20, 6, 200), 0.5, laid)[0] < 0.12


def test_a_worse_eye_is_worth_less_and_a_settled_pot_nothing() -> None:
    depth, _ = _draws()
    laid = laid_out(_claims([depth > 20, np.zeros(200)]))
    sharp, dull = worth_of_look(depth, 1.0, laid), worth_of_look(depth, 12.0, laid)
    assert sharp[0] > dull[0] + 0.1
    assert sharp[1] == 0


def test_the_pot_whose_look_speaks_for_others_is_chosen() -> None:
    shared, rng = _draws(1)
    own = rng.normal(20, 6, (200, 3))
    depth = np.column_stack([own[:, 0], shared + rng.normal(0, 1, 200), shared + rng.normal(0, 1, 200)])
    answers = [["pebbles" if d > 20 else "leave" for d in column] for column in depth.T]
    look = best_look(["alone", "twin left", "twin right"], depth, _claims(answers))
    assert look is not None
    assert look.what.startswith("twin")
    assert set(look.settles) == {"twin left", "twin right"}
    other = ({"twin left", "twin right"} - {look.what}).pop()
    assert look.says == f"The one look that would settle most: {look.what}. What it shows bears on {other}."


def test_a_column_test_wins_where_a_mix_is_what_is_not_known() -> None:
    height, rng = _draws(2)
    depth = np.column_stack([60 - height + rng.normal(0, 6, 200) for _ in range(4)])
    answers = [["pebbles" if h < 20 else "leave" for h in height]] * 4
    look = best_look(["a", "b", "c", "d"], depth, _claims(answers), {"clay and lava": height})
    assert look is not None
    assert look.what == "a column test of clay and lava"


def test_no_look_is_named_when_everything_is_settled() -> None:
    depth, _ = _draws(3)
    assert best_look(["a"], depth[:, None], _claims([["leave"] * 200])) is None


def test_a_pot_looked_at_lately_is_passed_over_for_the_next_best() -> None:
    depth, rng = _draws(4)
    depths = np.column_stack([depth, 20 + 0.4 * (depth - 20) + rng.normal(0, 5, 200)])
    answers = [["pebbles" if d > 20 else "leave" for d in column] for column in depths.T]
    first = best_look(["plain", "vague"], depths, _claims(answers))
    assert first is not None
    then = best_look(["plain", "vague"], depths, _claims(answers), lately={first.what})
    assert then is not None
    assert then.what == ({"plain", "vague"} - {first.what}).pop()
    assert best_look(["plain", "vague"], depths, _claims(answers), lately={"plain", "vague"}) is None


def test_a_nearly_settled_pot_is_worth_more_than_one_whose_doubt_no_look_removes() -> None:
    depth, rng = _draws(5, 400)
    coin = rng.integers(0, 4, 400)
    nearly = [["pebbles" if d > 27 else "leave" for d in depth], [str(n) for n in coin]]
    look = best_look(["nearly", "doubtful"], np.column_stack([depth, rng.normal(20, 6, 400)]), _claims(nearly))
    assert look is not None
    assert look.what == "nearly"
    assert look.settles == ("nearly",)
    assert look.says.endswith("nearly. Of all that is still open, one look is likeliest to settle this.")


def test_so_few_draws_tie_nothing_by_chance() -> None:
    """Forty pots that share nothing, 80 draws: one pot's look settles no other."""
    rng = np.random.default_rng(6)
    depth = rng.normal(20, 6, (80, 40))
    answers = [["pebbles" if d > 27 else "leave" for d in column] for column in depth.T]
    look = best_look([str(i) for i in range(40)], depth, _claims(answers))
    assert look is not None
    assert look.worth_pots < 2


def test_a_look_that_settles_which_step_is_no_worse_than_any_is_worth_as_much_where_much_is_at_stake() -> None:
    """The smallest step is a toss of three whatever is seen; what is seen tells whether pebbles are as good as any."""
    depth, rng = _draws(7)
    smallest = rng.integers(1, 4, 200)
    no_better = np.stack([np.zeros(200, bool), np.zeros(200, bool), depth > 20, depth <= 20])
    much, little = (Claims(smallest, no_better, np.full((2, 200), share)) for share in (0.8, 0.2))
    worth = [worth_of_look(depth, 1.0, laid_out([one]))[0] for one in (much, little)]
    assert worth[0] > 0.4
    assert worth[1] < 0.1


def _collection(rng: np.random.Generator, draws: int = 4000, pots: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """Depths and smallest sufficient steps (draw, pot) of an invented collection whose pots share four media."""
    medium = rng.integers(0, 4, pots)
    shared, own = 0.35 * rng.standard_normal((draws, 4)), 0.2 * rng.standard_normal((draws, pots))
    depth = rng.uniform(10, 30, pots) * np.exp(shared[:, medium] + own)
    rooting = 20 + 3 * rng.standard_normal((draws, 1)) + 2 * rng.standard_normal((draws, pots))
    enough = depth[:, :, None] * np.array([1.0, 0.8, 0.6, 0.4]) < rooting[:, :, None]
    return depth, np.where(enough.any(2), enough.argmax(2), 4)


def _still_open(seed: int, guided: bool, looks: int = 12) -> list[int]:
    """Open pots after each look; the first draw plays the truth and counts as no evidence."""
    rng, eye = np.random.default_rng(seed), np.random.default_rng([seed, 2])
    depth, answers = _collection(rng)
    draws, pots = depth.shape
    order = np.random.default_rng([seed, 1]).permutation(pots)
    weight = np.r_[0.0, np.full(draws - 1, 1 / (draws - 1))]
    still_open = []
    for number in range(looks + 1):
        share = np.stack([weight @ (answers == step) for step in range(5)])
        still_open.append(int((share.max(0) < SURE).sum()))
        pot = order[number % pots]
        if guided:
            some = rng.choice(draws, 60, p=weight)
            laid = laid_out(_claims(answers[some].T))
            worth = [worth_of_look(depth[some, p], LOOK_SD_MM, laid).sum() for p in range(pots)]
            pot = int(np.argmax(worth))
        seen = depth[0, pot] + LOOK_SD_MM * eye.standard_normal()
        weight = weight * np.exp(-0.5 * ((depth[:, pot] - seen) / LOOK_SD_MM) ** 2) + 1e-300
        weight[0] = 0.0
        weight /= weight.sum()
    return still_open


def test_the_look_of_most_worth_halves_the_open_pots_sooner_than_looking_in_turn() -> None:
    """Twelve looks, one at each pot in a random turn, against the choice; twelve collections, both curves printed."""
    guided, in_turn = (np.sum([_still_open(seed, guided) for seed in range(12)], axis=0) for guided in (True, False))
    print(f"open pots after each look: chosen {guided.tolist()}, in random turn {in_turn.tolist()}")
    halved = [np.flatnonzero(np.r_[curve, 0] <= curve[0] / 2)[0] for curve in (guided, in_turn)]
    assert halved[0] < halved[1]
    assert guided.sum() < in_turn.sum()
