"""Does the one look that would settle most settle sooner than looking at random?

Owns a race in the simulator: a collection that nobody has looked at, one look after another, chosen by the guide or at
random, and after each the number of pots whose advice is still open. Both see with the same simulated eye on the same
days, every second one, and neither looks at a pot again before all have been looked at. The advice is always the one
for the last four weeks of the truth, so that the curves show what the looks teach and nothing else.
"""

from dataclasses import dataclass, replace

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


@dataclass(frozen=True)
class Race:
    """Open pots after 0, 1, 2, ... looks, by either way of choosing."""

    guided: tuple[int, ...]
    at_random: tuple[int, ...]

    @property
    def guided_halves_after(self) -> int:
        """Looks until half of the open pots are settled; one more than all looks when never."""
        return _halved(self.guided)

    @property
    def random_halves_after(self) -> int:
        """The same for looking at random."""
        return _halved(self.at_random)


EVERY_DAYS = 2


def race(seed: int, pots: int = 12, looks: int = 20, draws: int = 60) -> Race:
    """One world."""
    world = zoo(seed, pots, shelves=6)
    truth = run(world, seed, DAYS)
    bare = collection(world, truth, seed, DAYS, sentinels=True, notes_a_pot=0, draws=draws)
    rng = np.random.default_rng([seed, 11])
    order = np.concatenate([rng.permutation(pots) for _ in range(looks // pots + 1)])
    return Race(_looked(bare, seed, looks, None), _looked(bare, seed, looks, order))


def added_up(races: list[Race]) -> Race:
    """Open pots of several worlds together."""
    guided, at_random = (np.sum([getattr(one, name) for one in races], axis=0) for name in ("guided", "at_random"))
    return Race(tuple(int(n) for n in guided), tuple(int(n) for n in at_random))


def report(worlds: int) -> str:
    """Both curves: pots still open, added up over the worlds."""
    return curves([race(seed) for seed in range(1, worlds + 1)])


def curves(races: list[Race]) -> str:
    """Both curves of some races together, with the worlds in which either way was sooner."""
    together = added_up(races)
    looks = " ".join(f"{i:4d}" for i in range(len(together.guided)))
    sooner = sum(one.guided_halves_after < one.random_halves_after for one in races)
    later = sum(one.guided_halves_after > one.random_halves_after for one in races)
    return "\n".join(
        [
            "One look (aim: halves the undecided pots sooner than looking at random)",
            f"looks      {looks}",
            "guided     " + " ".join(f"{n:4d}" for n in together.guided),
            "at random  " + " ".join(f"{n:4d}" for n in together.at_random),
            f"together halved after {together.guided_halves_after} looks, random {together.random_halves_after}",
            f"halved sooner in {sooner} worlds, later in {later}, of {len(races)}",
        ]
    )


def _looked(bare: Collection, seed: int, looks: int, order: np.ndarray | None) -> tuple[int, ...]:
    """Open pots after each look; order: which pots, or None for the guide's choice."""
    seen, still_open = bare, []
    notes: list[pd.DataFrame] = []
    looked_at: list[int] = []
    for number in range(looks + 1):
        advice = advise(home_of(seen), seen.draws)
        still_open.append(sum(not one.sure for one in advice))
        if number == looks:
            break
        day = DAYS - 1 - EVERY_DAYS * (looks - 1 - number)
        pot = _chosen(seen, advice, looked_at, day) if order is None else int(order[number])
        looked_at.append(pot)
        notes.append(_note(bare, pot, day, seed))
        seen = _learned(bare, pd.concat(notes, ignore_index=True), seed)
    return tuple(still_open)


def _chosen(seen: Collection, advice: list[Advice], looked_at: list[int], day: int) -> int:
    """The guide's choice among the pots that this turn has not looked at."""
    done = looked_at[len(looked_at) // len(advice) * len(advice) :]
    look = best_look(
        [str(i) for i in range(len(advice))], _depth_on(seen, day), [one.answer_draws for one in advice],
        lately={str(i) for i in done}, least_pots=-np.inf,
    )  # fmt: skip
    assert look is not None
    return int(look.what)


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


def _halved(still_open: tuple[int, ...]) -> int:
    done = [i for i, n in enumerate(still_open) if n <= still_open[0] / 2]
    return done[0] if done else len(still_open)
