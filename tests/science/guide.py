"""Does the guide's advice equal the smallest step that would truly have been enough?

Owns the comparison of the guide with counterfactual runs of the simulator: every pot is simulated under every option
that the simulator knows (as if it had always been in place), with the same hidden truth and the same air, and the true
smallest sufficient step is read off: deeper than the pot's own true rooting depth at most one tenth of the time, no wet
trade, first in the guide's order. Advice is judged among the same options.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.claims import AS_GOOD, ENOUGH, SURE, WET_DAYS
from analysis.dry_layer import transient
from analysis.guide import WET_LIMIT_MM, Advice, Home, advise, step_of
from analysis.outcomes import tips_in_the_medium
from analysis.rooting import EXPOSURE, pots_draws_mm, rooting_depths
from simulated_feeds.zoo import zoo
from tests.science.collections_seen import LATELY_DAYS, Collection, collection, run

FloatArray = npt.NDArray[np.float64]

DAYS = 88


def _cover(thickness_mm: float, kind: str = "pebbles", replaces: bool = False) -> dict[str, object]:
    return {"top_layer": {"kind": kind, "thickness_mm": thickness_mm, "replaces_medium": replaces}}


VARIANTS: dict[str, dict[str, object]] = {
    "leave": {},
    "close all holes": {"vents": {"count": 0, "diameter_mm": 8.0, "wall_mm": 1.5, "height_mm": 60.0}},
    "take the cover off": _cover(0.0, "none"),
    "pebbles 10 mm": _cover(10.0),
    "pebbles 20 mm": _cover(20.0),
    "pebbles 30 mm": _cover(30.0),
    "damp moss collar": _cover(20.0, "sphagnum_moss"),
    "pebbles 20 mm in place of medium": _cover(20.0, replaces=True),
}


@dataclass(frozen=True)
class Judged:
    """One pot: the likeliest step and its chance, the change advised for now, what was true, the true share of dry days
    now and as advised, whether nothing is called better than the change (if not the smallest), and whether truly so."""

    advised: str
    change: str
    chance: float
    true: str
    dry_now: float
    dry_as_advised: float
    no_better: bool
    truly_no_better: bool


def judged(seed: int, pots: int = 24, notes_a_pot: int = 6) -> list[Judged]:
    """All pots of one world."""
    world = zoo(seed, pots)
    truth = run(world.with_variants(VARIANTS), seed, DAYS)
    believed = collection(world, truth, seed, DAYS, sentinels=True, notes_a_pot=notes_a_pot)
    advice = advise(home_of(believed), believed.draws)
    dry, wet = _true_shares(believed)
    return [_judge(advice[i], dry[:, i], wet[:, i]) for i in range(pots)]


def home_of(believed: Collection) -> Home:
    """The home as the guide is handed it."""
    lately = slice(DAYS - LATELY_DAYS, DAYS)
    daily, world = believed.daily, believed.world
    count = believed.draws.stray.shape[0]
    pots = [(pot.label, pot.roots, pot.likes) for pot in world.pots]
    tips = believed.notes
    if len(tips):
        line = transient(believed.draws.columns, daily.vpd_kpa, daily.temperature_c, daily.level_mm, step_hours=24.0)
        middle = np.median(believed.draws.depth_mm(line), axis=1)
        week = [middle[max(d - 7, 0) : d, p].mean() for d, p in zip(tips["day"], tips["pot_index"], strict=True)]
        tips = tips_in_the_medium(
            tips.assign(
                roots=[world.pots[p].roots for p in tips["pot_index"]],
                likes=[world.pots[p].likes for p in tips["pot_index"]],
                **{EXPOSURE: week},
            )
        )
    depths = rooting_depths(tips, sorted({(roots, likes) for _, roots, likes in pots}))
    none = np.full((LATELY_DAYS, len(pots)), np.nan)
    return Home(
        tuple(pot.label for pot in world.pots), believed.setups, believed.shelves, believed.pots,
        daily.vpd_kpa[lately], daily.temperature_c[lately], daily.level_mm[lately],
        pots_draws_mm(depths, tips, pots, count, np.random.default_rng(5)), np.zeros(LATELY_DAYS, bool),
        [None] * len(pots), none,
    )  # fmt: skip


def _true_shares(believed: Collection) -> tuple[FloatArray, FloatArray]:
    """True shares of time too dry and too wet (variant, pot) over the last four weeks."""
    truth, world = believed.truth, believed.world
    pots = len(world.pots)
    steps = slice(-LATELY_DAYS * len(truth.time_ms) // DAYS, None)
    shape = (-1, len(VARIANTS), pots)
    depth, cover = truth.dry_depth_mm[steps].reshape(shape), truth.porous_cover_mm[steps].reshape(shape)
    lift = (truth.surface_mm - truth.level_mm)[steps].reshape(shape)
    rooting = np.array([pot.hidden.rooting_depth_mm for pot in world.pots])
    limit = np.array([WET_LIMIT_MM[pot.likes] for pot in world.pots])
    return (depth - cover > rooting).mean(0), ((depth < 1.0) & (lift < limit)).mean(0)


def _judge(advice: Advice, true_dry: FloatArray, true_wet: FloatArray) -> Judged:
    names = list(VARIANTS)
    offered = [outlook for outlook in advice.options if outlook.option.change in VARIANTS]
    words = [outlook.option.change for outlook in offered]
    against = np.array([outlook.option.against for outlook in offered])
    index = [names.index(word) for word in words]
    step = step_of(offered)
    true = int(_smallest(true_dry[index][:, None], true_wet[index][:, None], against)[0])
    named = [*words, "nothing"]
    advised = "nothing" if step.none_suffices else step.likeliest
    place = index.index(names.index(step.change))
    truly = true != 0 and _no_better(true_dry[index], true_wet[index], against == "dry")[place]
    return Judged(
        advised, step.change, step.chance, named[true], float(true_dry[0]), float(true_dry[index][place]),
        step.no_better, bool(truly),
    )  # fmt: skip


def _no_better(dry: FloatArray, wet: FloatArray, tried: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Steps that truly suffice or, where none does, leave as few dry days as any that brings no wetness (step,)."""
    fine = wet <= max(WET_DAYS, float(wet[0]))
    suffice = fine & (dry <= ENOUGH)
    return suffice if suffice.any() else fine & tried & (dry <= dry[fine & tried].min() + AS_GOOD)


def _smallest(dry: FloatArray, wet: FloatArray, against: npt.NDArray[np.str_]) -> npt.NDArray[np.int64]:
    """The rule of the guide, written once more: index of the smallest sufficient step (draw,), or one past the last."""
    chosen = np.full(dry.shape[1], len(dry), np.int64)
    for draw in range(dry.shape[1]):
        d, w = dry[:, draw], wet[:, draw]
        if d[0] <= ENOUGH and w[0] <= WET_DAYS:
            chosen[draw] = 0
            continue
        too_dry = d[0] > ENOUGH
        for step in range(1, len(d)):
            no_drier, no_wetter = d[step] <= max(ENOUGH, d[0]), w[step] <= max(WET_DAYS, w[0])
            cures = d[step] <= ENOUGH and no_wetter if too_dry else w[step] <= WET_DAYS and no_drier
            if cures and against[step] == ("dry" if too_dry else "wet"):
                chosen[draw] = step
                break
    return chosen


@dataclass(frozen=True)
class Figures:
    """Shares over all pots: called sure, right where sure, right at all. Pots made worse; said to be beaten by no step,
    and truly so."""

    pots: int
    sure: float
    right_where_sure: float
    right: float
    made_worse: int
    called_no_better: int
    truly_no_better: int


def figures(pots: list[Judged]) -> Figures:
    """The figures of the issue."""
    sure = [pot for pot in pots if pot.chance >= SURE]
    right = [pot.advised == pot.true for pot in pots]
    worse = sum(pot.dry_as_advised > pot.dry_now + 0.02 for pot in pots)
    return Figures(
        len(pots),
        len(sure) / len(pots),
        float(np.mean([pot.advised == pot.true for pot in sure])) if sure else float("nan"),
        float(np.mean(right)),
        worse,
        sum(pot.no_better for pot in pots),
        sum(pot.no_better and pot.truly_no_better for pot in pots),
    )


def report(worlds: int) -> str:
    """The table."""
    lines = ["Guide: advice against the smallest step that truly suffices (aims: sure >= 50 %, right >= 95 % of these)"]
    lines.append(
        f"{'notes a pot':>12}{'pots':>6}{'sure':>8}{'right of sure':>15}{'right of all':>14}{'made worse':>12}"
        f"{'no better':>11}{'truly':>7}"
    )
    for notes in (0, 2, 6):
        found = figures([pot for seed in range(1, worlds + 1) for pot in judged(seed, notes_a_pot=notes)])
        lines.append(
            f"{notes:12d}{found.pots:6d}{found.sure:8.0%}{found.right_where_sure:15.1%}{found.right:14.1%}"
            f"{found.made_worse:12d}{found.called_no_better:11d}{found.truly_no_better:7d}"
        )
    return "\n".join(lines)
