"""Does the one look that would settle most settle sooner than looking at random?

Owns a race in the simulator: a collection that nobody has looked at, one look after another, and after each the number
of pots that are still open, as the guide's page counts them. Three ways of choosing see with the same simulated eye on
the same days, every second one: the guide's, chance, and each pot in its turn, in an order drawn by chance (which is
harder to beat, as it never looks twice before it has seen all). None looks again at a pot that was looked at within
the week. The advice is always the one for the last four weeks of the truth, so that the curves show what the looks
teach and nothing else.
"""

from collections.abc import Callable
from dataclasses import astuple, dataclass, replace

import numpy as np
import pandas as pd

from analysis.calibration import calibrate
from analysis.dry_layer import transient
from analysis.guide import Advice, advise
from analysis.looks import best_look
from simulated_feeds.events import DAY_MS
from simulated_feeds.grower import inspections
from simulated_feeds.zoo import zoo
from tests.science.collections_seen import START_MS, Collection, as_depth_notes, collection, run
from tests.science.guide import DAYS, home_of

Choice = Callable[[Collection, list[Advice], list[int], int], int]
"""Which pot to look at: from what is believed, the advice, the pots looked at so far and the day."""

EVERY_DAYS = 2
WITHIN_THE_WEEK = 7 // EVERY_DAYS


@dataclass(frozen=True)
class Race:
    """Open pots after 0, 1, 2, ... looks, by each way of choosing."""

    guided: tuple[int, ...]
    at_random: tuple[int, ...]
    in_turn: tuple[int, ...]


def race(seed: int, pots: int = 12, looks: int = 20, draws: int = 60) -> Race:
    """One world."""
    world = zoo(seed, pots, shelves=6)
    truth = run(world, seed, DAYS)
    bare = collection(world, truth, seed, DAYS, sentinels=True, notes_a_pot=0, draws=draws)
    turn = np.random.default_rng([seed, 11]).permutation(pots)
    chance = np.random.default_rng([seed, 12])

    def at_random(_seen: Collection, _advice: list[Advice], looked_at: list[int], _day: int) -> int:
        return int(chance.choice([pot for pot in range(pots) if pot not in _lately(looked_at)]))

    def in_turn(_seen: Collection, _advice: list[Advice], looked_at: list[int], _day: int) -> int:
        return int(turn[len(looked_at) % pots])

    return Race(*(_looked(bare, seed, looks, choice) for choice in (_guided, at_random, in_turn)))


def added_up(races: list[Race]) -> Race:
    """Open pots of several worlds together."""
    return Race(*(tuple(np.sum(curves, axis=0).tolist()) for curves in zip(*map(astuple, races), strict=True)))


def halved_after(still_open: tuple[int, ...]) -> int:
    """Looks until half of the open pots are settled; one more than all looks when never."""
    done = [i for i, n in enumerate(still_open) if n <= still_open[0] / 2]
    return done[0] if done else len(still_open)


def report(worlds: int) -> str:
    """Both curves: pots still open, added up over the worlds."""
    return curves([race(seed) for seed in range(1, worlds + 1)])


def curves(races: list[Race]) -> str:
    """The curves of some races together, with the worlds in which the guide was sooner or later than chance."""
    together = added_up(races)
    rows = {"guided": together.guided, "at random": together.at_random, "in turn": together.in_turn}
    sooner = sum(halved_after(one.guided) < halved_after(one.at_random) for one in races)
    later = sum(halved_after(one.guided) > halved_after(one.at_random) for one in races)
    return "\n".join(
        [
            "One look (aim: halves the undecided pots sooner than looking at random)",
            f"{'looks':11}" + " ".join(f"{i:4d}" for i in range(len(together.guided))),
            *(
                f"{way:11}" + " ".join(f"{n:4d}" for n in curve) + f"  halved after {halved_after(curve)}"
                for way, curve in rows.items()
            ),
            f"halved sooner than at random in {sooner} worlds, later in {later}, of {len(races)}",
        ]
    )


def _looked(bare: Collection, seed: int, looks: int, choice: Choice) -> tuple[int, ...]:
    """Open pots after each look."""
    seen, still_open = bare, []
    notes: list[pd.DataFrame] = []
    looked_at: list[int] = []
    for number in range(looks + 1):
        advice = advise(home_of(seen), seen.draws)
        still_open.append(sum(not one.sure and not one.no_better for one in advice))
        if number == looks:
            break
        day = DAYS - 1 - EVERY_DAYS * (looks - 1 - number)
        looked_at.append(choice(seen, advice, looked_at, day))
        notes.append(_note(bare, looked_at[-1], day, seed))
        seen = _learned(bare, pd.concat(notes, ignore_index=True), seed)
    return tuple(still_open)


def _guided(seen: Collection, advice: list[Advice], looked_at: list[int], day: int) -> int:
    look = best_look(
        [str(i) for i in range(len(advice))], _depth_on(seen, day), [one.claims for one in advice],
        lately={str(i) for i in _lately(looked_at)}, least_pots=-np.inf,
    )  # fmt: skip
    assert look is not None
    return int(look.what)


def _lately(looked_at: list[int]) -> list[int]:
    return looked_at[-WITHIN_THE_WEEK:]


def _depth_on(seen: Collection, day: int) -> np.ndarray:
    daily = seen.daily
    lately = slice(max(day + 1 - 40, 0), day + 1)
    line = transient(
        seen.draws.columns, daily.vpd_kpa[lately], daily.temperature_c[lately], daily.level_mm[lately], step_hours=24.0
    )
    return np.asarray(seen.draws.depth_mm(line)[-1])


def _note(bare: Collection, pot: int, day: int, seed: int) -> pd.DataFrame:
    """What the eye sees of a pot at noon of a day."""
    at = np.array([START_MS + day * DAY_MS + DAY_MS // 2], np.int64)
    frame = inspections(bare.truth, bare.world, np.array([pot], np.int64), at, seed)
    return frame.assign(pot=bare.world.pots[pot].label, pot_index=pot, day=day)


def _learned(bare: Collection, notes: pd.DataFrame, seed: int) -> Collection:
    believed = calibrate(bare.columns, as_depth_notes(bare.columns, notes, bare.daily))
    draws = believed.draws(np.random.default_rng([seed, 3]), bare.draws.stray.shape[0])
    return replace(bare, draws=draws, notes=notes)
