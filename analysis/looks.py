"""The one look that would settle most: which pot to inspect, or which mix to test in a column, to learn most advice.

The picture. Each draw of what is believed has, for every pot, its own smallest sufficient step; where draws disagree
the advice is open. A look would show a depth, give or take the eye's error, and draws that do not fit it would lose
weight. What a look is worth is how many pots it is expected to settle (nine draws in ten agree) and how much more often
the advice would be right, added up over all pots that the draws tie together: pots share their media, so a column test
of a mix, or one pot's depth, speaks for others too.
Nothing is assumed of what will be seen: each draw in turn plays the truth, and does not count as evidence for itself.

It knows draws and answers only. The expected value of sample information is textbook (Raiffa & Schlaifer 1961); here
the loss is one for every pot whose advice is wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.columns import FloatArray

IntArray = npt.NDArray[np.int64]

SETTLED = 0.9
"""Agreement of draws at which advice counts as settled."""
LOOK_SD_MM = 2.5
COLUMN_TEST_SD_MM = 4.0


@dataclass(frozen=True)
class Look:
    """A look and its worth: pots more rightly advised, on the average, than without it; `says` in one sentence."""

    what: str
    worth_pots: float
    settles: tuple[str, ...]
    says: str


def answers_as_numbers(answers: Sequence[Sequence[str]]) -> IntArray:
    """Each pot's answer in each draw (pots of draws) as numbers (draw, pot); equal words get equal numbers in a pot."""
    return np.stack([np.unique(list(pot), return_inverse=True)[1] for pot in answers], axis=1).astype(np.int64)


def worth_of_look(seen_mm: FloatArray, error_mm: float, answers: IntArray) -> FloatArray:
    """Expected gain, per pot (pot,), from seeing `seen_mm` (draw,) with an error: in the chance of right advice, and
    for a pot that is open the chance that its advice is settled by it.

    answers (draw, pot). Zero where the advice is settled or the look tells nothing of it.
    """
    count = len(seen_mm)
    apart = (seen_mm[:, None] - seen_mm[None, :]) / error_mm
    # what is seen is the truth of draw j and an error of its own: both errors stand between j and i
    weight = np.exp(-0.25 * apart**2)
    np.fill_diagonal(weight, 0.0)
    total = weight.sum(1, keepdims=True)
    weight = np.where(total > 1e-12, weight / np.maximum(total, 1e-12), 1 / count)
    gain = np.zeros(answers.shape[1])
    for pot in range(answers.shape[1]):
        kinds = int(answers[:, pot].max()) + 1
        if kinds == 1:
            continue
        indicator = np.eye(kinds)[answers[:, pot]]  # (draw, kind)
        believed = weight @ indicator
        # the advice after the look, scored by the draw that played the truth
        right = indicator[np.arange(count), believed.argmax(1)].mean()
        gain[pot] = max(float(right - indicator.mean(0).max()), 0.0)
        if indicator.mean(0).max() < SETTLED:
            gain[pot] += float((believed.max(1) >= SETTLED).mean())
    return gain


def best_look(
    labels: Sequence[str],
    depth_mm: FloatArray,
    answers: Sequence[Sequence[str]],
    mixes: dict[str, FloatArray] | None = None,
    *,
    least_pots: float = 0.05,
) -> Look | None:
    """The look worth most: a pot (depth_mm (draw, pot) as it stands now) or a mix (damp height (draw,) in a column).

    answers: for every pot its answer in every draw. None when no look is worth a twentieth of a pot's advice.
    """
    numbers = answers_as_numbers(answers)
    candidates = [(label, worth_of_look(depth_mm[:, pot], LOOK_SD_MM, numbers)) for pot, label in enumerate(labels)]
    tests = [
        (f"a column test of {mix}", worth_of_look(height, COLUMN_TEST_SD_MM, numbers))
        for mix, height in (mixes or {}).items()
    ]
    ranked = sorted([*candidates, *tests], key=lambda one: -one[1].sum())
    if not ranked or ranked[0][1].sum() < least_pots:
        return None
    what, gain = ranked[0]
    settles = tuple(labels[int(i)] for i in np.argsort(-gain) if gain[int(i)] > 0.02)
    others = len([pot for pot in settles if pot != what])
    about = f"for {others} other pots" if what not in settles else f"for it and {others} more" if others else "for it"
    says = f"The one look that would settle most: {what}; it is expected to decide the advice {about}."
    return Look(what, float(gain.sum()), settles, says)
