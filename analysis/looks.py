"""The one look that would settle most: which pot to inspect, or which mix to test in a column, to learn most advice.

The picture. Each draw of what is believed has, for every pot, its own smallest sufficient step; where fewer than nine
draws in ten agree the advice is open. A look would show a depth, give or take the eye's error, and draws that do not
fit it would lose weight. What a look is worth is how many pots fewer are expected to be open after it, over all pots
that the draws tie together: pots share their media, so a column test of a mix, or one pot's depth, speaks for others
too. A pot that is nearly settled is often worth more than the most doubtful one, whose doubt no single look removes;
how much more often the advice would be right counts a little, so that of equal looks the more telling is taken.
Nothing is assumed of what will be seen: each draw in turn plays the truth, and does not count as evidence for itself.
What so few draws cannot tell from chance is not counted as a tie.

It knows draws and answers only. The expected value of sample information is textbook (Raiffa & Schlaifer 1961); here
the loss is one for every pot whose advice is open.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtri

from analysis.columns import FloatArray

IntArray = npt.NDArray[np.int64]

SETTLED = 0.9
"""Agreement of draws at which advice counts as settled."""
LOOK_SD_MM = 2.8
"""The eye's 2.5 mm and the equation's own straying from day to day."""
COLUMN_TEST_SD_MM = 4.0
DAMP_MM = 3.0
"""What is shallower is noted as damp at the top, a bound and no depth."""
ERRORS = ndtri((np.arange(5) + 0.5) / 5)
"""Five equally likely errors of the eye, in sds."""
FAITH_DRAWS = 2.0
"""So many draws' worth of what was believed before stays, so that agreement of a few draws is not called settled."""
CHANCE_TIES = 4.0
"""A tie counts less this many squared standard errors of a correlation over its square."""
MORE_OFTEN_RIGHT = 0.3
"""What a pot more often right counts beside a pot settled."""


@dataclass(frozen=True)
class Look:
    """A look and its worth: pots fewer that are open, on the average, than without it; `says` in one sentence."""

    what: str
    worth_pots: float
    settles: tuple[str, ...]
    says: str


def answers_as_numbers(answers: Sequence[Sequence[str]]) -> IntArray:
    """Each pot's answer in each draw (pots of draws) as numbers (draw, pot); equal words get equal numbers in a pot."""
    return np.stack([np.unique(list(pot), return_inverse=True)[1] for pot in answers], axis=1).astype(np.int64)


def worth_of_look(seen_mm: FloatArray, error_mm: float, answers: IntArray) -> FloatArray:
    """What seeing `seen_mm` (draw,) with an error is worth for each pot's advice (pot,).

    answers (draw, pot). The expected change in pots that are open (below zero for a settled pot that the look might
    open), and a share of the gain in the chance of right advice.
    """
    kinds = answers.max(0) + 1
    first = np.concatenate([[0], np.cumsum(kinds)[:-1]])
    given = first + answers  # (draw, pot): which column of all pots' answers side by side
    indicator = np.zeros((len(answers), int(kinds.sum())))
    np.put_along_axis(indicator, given, 1.0, axis=1)
    before = indicator.mean(0)
    weight = _after(seen_mm, error_mm)
    effective = 1.0 / np.maximum((weight**2).sum(-1, keepdims=True), 1e-12)
    # (error, draw that plays the truth, answer)
    after = (effective * (weight @ indicator) + FAITH_DRAWS * before) / (effective + FAITH_DRAWS)
    agreed_before, agreed = np.maximum.reduceat(before, first), np.maximum.reduceat(after, first, axis=-1)
    closed = (agreed >= SETTLED).mean((0, 1)) - (agreed_before >= SETTLED)
    # the advice after the look, scored by the draw that played the truth
    right = (np.take_along_axis(after, given[None], axis=-1) >= agreed).mean((0, 1))
    gain = np.maximum(right - agreed_before, 0.0)
    return np.asarray(np.where(kinds > 1, closed + MORE_OFTEN_RIGHT * gain, 0.0))


def _after(seen_mm: FloatArray, error_mm: float) -> FloatArray:
    """Weights of all draws after a look (error, draw that plays the truth, draw)."""
    count = len(seen_mm)
    noted = seen_mm[None, :, None] + error_mm * ERRORS[:, None, None]
    off = (noted - seen_mm) / error_mm
    # a bound has its own likelihood: how likely this draw would have been called damp
    log_weight = np.where(noted < DAMP_MM, log_ndtr((DAMP_MM - seen_mm) / error_mm), -0.5 * off**2)
    weight = np.exp(log_weight)
    weight[:, np.arange(count), np.arange(count)] = 0.0
    total = weight.sum(-1, keepdims=True)
    return np.asarray(np.where(total > 1e-9, weight / np.maximum(total, 1e-9), 1 / count))


def _ties(one_mm: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """How far one height or depth (draw,) is tied to each pot's depth (draw, pot): 0 (as good as chance) to 1."""
    count = len(one_mm)
    one, others = one_mm - one_mm.mean(), depth_mm - depth_mm.mean(0)
    scale = np.maximum((one**2).sum() * (others**2).sum(0), 1e-12)
    square = (one @ others) ** 2 / scale
    return np.asarray(np.clip(1.0 - CHANCE_TIES / (count * np.maximum(square, 1e-12)), 0.0, 1.0))


def best_look(
    labels: Sequence[str],
    depth_mm: FloatArray,
    answers: Sequence[Sequence[str]],
    mixes: dict[str, FloatArray] | None = None,
    *,
    lately: Collection[str] = (),
    least_pots: float = 0.05,
) -> Look | None:
    """The look worth most: a pot (depth_mm (draw, pot) as it stands now) or a mix (damp height (draw,) in a column).

    answers: for every pot its answer in every draw. lately: pots that were looked at within the week, which would show
    the same again. None when no look is worth a twentieth of a pot's advice.
    """
    numbers = answers_as_numbers(answers)
    looks = [(label, depth_mm[:, pot], LOOK_SD_MM) for pot, label in enumerate(labels) if label not in lately]
    tests = [(f"a column test of {mix}", height, COLUMN_TEST_SD_MM) for mix, height in (mixes or {}).items()]
    ranked = [
        (what, worth_of_look(seen, error, numbers) * _ties(seen, depth_mm)) for what, seen, error in [*looks, *tests]
    ]
    if not ranked:
        return None
    what, worth = max(ranked, key=lambda one: float(one[1].sum()))
    if worth.sum() < least_pots:
        return None
    settles = tuple(labels[int(i)] for i in np.argsort(-worth, kind="stable") if worth[int(i)] > 0.02)
    others = len([pot for pot in settles if pot != what])
    pots = f"{others} {'more pot' if what in settles else 'pot'}{'s' if others != 1 else ''}"
    says = f"The one look that would settle most: {what}{f'; it bears on {pots}' if others else ''}."
    return Look(what, float(worth.sum()), settles, says)
