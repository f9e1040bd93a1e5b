"""The one look that would settle most: which pot to inspect, or which mix to test in a column, to learn most advice.

The picture. Each draw of what is believed claims, for every pot, a smallest sufficient step and steps that nothing does
better than (`claims.py`); where too few draws agree the advice is open. A look would show a depth, give or take the
eye's error, and draws that do not fit it would lose weight. What a look is worth is how many pots fewer are expected to
be open after it, over all pots that the draws tie together: pots share their media, so a column test of a mix, or one
pot's depth, speaks for others too. A pot that is nearly settled is often worth more than the most doubtful one, whose
doubt no single look removes; how much more often the advice would be right counts a little, so that of equal looks the
more telling is taken. Nothing is assumed of what will be seen: each draw in turn plays the truth, and does not count as
evidence for itself. What so few draws cannot tell from chance is not counted as a tie.

It knows draws and their claims only. The expected value of sample information is textbook (Raiffa & Schlaifer 1961);
here the loss is one for every pot whose advice is open.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtri

from analysis.claims import MUCH_AT_STAKE_DAYS, BoolArray, Claims, IntArray, is_settled
from analysis.columns import FloatArray

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
NAMED = 3
"""Of the pots that a look bears on, so many are named."""


@dataclass(frozen=True)
class Look:
    """A look and its worth: pots fewer that are open, on the average, than without it; `says` names it, and why."""

    what: str
    worth_pots: float
    settles: tuple[str, ...]
    says: str


@dataclass(frozen=True)
class Laid:
    """The claims of pots side by side, so that one product with weights of draws counts them all.

    columns (draw, column): the answers of every pot, then its steps that may be no worse than any, then what is at
    stake. widths (3, pot): how many columns of each kind a pot has. which (draw, pot): which of its answers.
    """

    columns: FloatArray
    widths: IntArray
    which: IntArray

    @property
    def at(self) -> IntArray:
        """The first column of each kind (3, pot)."""
        widths = self.widths.ravel()
        return np.asarray((np.cumsum(widths) - widths).reshape(self.widths.shape))

    def of(self, pots: IntArray) -> "Laid":
        """The same for some pots, in ascending order."""
        owner = np.repeat(np.tile(np.arange(self.widths.shape[1]), 3), self.widths.ravel())
        return Laid(self.columns[:, np.isin(owner, pots)], self.widths[:, pots], self.which[:, pots])


def laid_out(claims: Sequence[Claims]) -> Laid:
    """Claims of pots as columns; answers that no draw gives, and steps that another is as good as, have none."""
    which = np.stack([np.unique(one.smallest, return_inverse=True)[1] for one in claims], axis=1)
    answers = [np.eye(own.max() + 1)[own] for own in which.T]
    steps = [_unbeaten(one).T.astype(float) for one in claims]
    stakes = [one.at_stake.T for one in claims]
    widths = np.array([[part.shape[1] for part in kind] for kind in (answers, steps, stakes)])
    return Laid(np.hstack([*answers, *steps, *stakes]), widths, which.astype(np.int64))


def _unbeaten(one: Claims) -> BoolArray:
    """The steps (step, draw) of which one must be the last that draws can agree on; none is shown by one of no draw."""
    if not len(one.no_better) or one.at_stake.max() < MUCH_AT_STAKE_DAYS:
        return np.zeros((1, len(one.smallest)), bool)
    steps = np.unique(one.no_better, axis=0)
    more = steps.astype(float) @ ~steps.T  # draws that one step has and another has not
    return np.asarray(steps[(more + np.eye(len(steps)) > 0).all(1)])


def worth_of_look(seen_mm: FloatArray, error_mm: float, laid: Laid) -> FloatArray:
    """What seeing `seen_mm` (draw,) with an error is worth for each pot's advice (pot,).

    The expected change in pots that are open (below zero for a settled pot that the look might open), and a share of
    the gain in the chance of right advice.
    """
    before = laid.columns.mean(0)
    weight = _after(seen_mm, error_mm)
    effective = 1.0 / np.maximum((weight**2).sum(-1, keepdims=True), 1e-12)
    # (error, draw that plays the truth, column)
    after = (effective * (weight @ laid.columns) + FAITH_DRAWS * before) / (effective + FAITH_DRAWS)
    closed = _settled(after, laid).mean((0, 1)) - _settled(before, laid)
    # the advice after the look, scored by the draw that played the truth
    agreed_before, agreed = _agreed(before, laid), _agreed(after, laid)
    given = np.take_along_axis(after, (laid.at[0] + laid.which)[None], axis=-1)
    right = (given >= agreed).mean((0, 1))
    gain = np.maximum(right - agreed_before, 0.0)
    return np.asarray(np.where(agreed_before < 1.0, closed + MORE_OFTEN_RIGHT * gain, 0.0))


def _agreed(shares: FloatArray, laid: Laid) -> FloatArray:
    """The share of draws behind each pot's likeliest answer (..., pot)."""
    return np.asarray(np.maximum.reduceat(shares[..., : laid.at[1, 0]], laid.at[0], axis=-1))


def _settled(shares: FloatArray, laid: Laid) -> FloatArray:
    """Whether each pot's advice is settled (..., pot): 1 or 0."""
    no_better = np.maximum.reduceat(shares[..., : laid.at[2, 0]], laid.at[1], axis=-1)
    at_stake = np.maximum.reduceat(shares, laid.at[2], axis=-1)
    return is_settled(_agreed(shares, laid), no_better, at_stake).astype(float)


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
    claims: Sequence[Claims],
    mixes: dict[str, FloatArray] | None = None,
    *,
    lately: Collection[str] = (),
    least_pots: float = 0.05,
) -> Look | None:
    """The look worth most: a pot (depth_mm (draw, pot) as it stands now) or a mix (damp height (draw,) in a column).

    claims: of every pot. lately: pots that were looked at within the week, which would show the same again. None when
    no look is worth a twentieth of a pot's advice.
    """
    laid = laid_out(claims)
    looks = [(label, depth_mm[:, pot], LOOK_SD_MM) for pot, label in enumerate(labels) if label not in lately]
    tests = [(f"a column test of {mix}", height, COLUMN_TEST_SD_MM) for mix, height in (mixes or {}).items()]
    ranked = [(what, _worth(seen, error, depth_mm, laid)) for what, seen, error in [*looks, *tests]]
    if not ranked:
        return None
    what, worth = max(ranked, key=lambda one: float(one[1].sum()))
    if worth.sum() < least_pots:
        return None
    settles = tuple(labels[int(i)] for i in np.argsort(-worth, kind="stable") if worth[int(i)] > 0.02)
    says = f"The one look that would settle most: {what}. {_reason(what, [pot for pot in settles if pot != what])}"
    return Look(what, float(worth.sum()), settles, says)


def _worth(seen_mm: FloatArray, error_mm: float, depth_mm: FloatArray, laid: Laid) -> FloatArray:
    """The worth of a look for every pot (pot,): nothing for pots that are tied to it no more than by chance."""
    ties = _ties(seen_mm, depth_mm)
    tied = np.flatnonzero(ties)
    worth = np.zeros(len(ties))
    if tied.size:
        worth[tied] = worth_of_look(seen_mm, error_mm, laid.of(tied)) * ties[tied]
    return worth


def _reason(what: str, others: Sequence[str]) -> str:
    """Why this look: whom it bears on, or that its own pot is nearest to an answer."""
    if not others:
        return "Of all that is still open, one look is likeliest to settle this."
    named = list(others[:NAMED]) + ([f"{len(others) - NAMED} more"] if len(others) > NAMED else [])
    return f"What it shows bears on {' and '.join(filter(None, (', '.join(named[:-1]), named[-1])))}."
