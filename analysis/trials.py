"""Like with like: pots that differ in one thing, and what the difference has shown so far.

The picture. Two pots alike in everything but one (a cover, holes, a wick) are looked at on the same days. Each such
*look* gives one difference in dry depth. Looks before the change, where there are any, say how the two differed anyway
and are taken off; where there are none, the interval carries how much two like pots differ by themselves.

Looks of neighbouring days see nearly the same column, so they count for less than their number (a correlation that
dies away over a week). The spread of a look is learned from the looks, starting from an assumed 4 mm worth four looks.
Opening the page costs nothing: only a new look adds evidence, and `sequential.py` widens the interval so that its 95 %
holds over all looks together. A trial is planned for eight looks; after them the answer stands.

It takes tables and returns plain answers; who proposes the change and which notes are read is the caller's.

*Source*: repeated intervals and the significance-level approach to t statistics, Jennison & Turnbull 2000, Group
Sequential Methods, ch. 9 and 11 (from memory); heterogeneity between pairs, DerSimonian & Laird 1986 (from memory).
The 4 mm, the week and the 3 mm that matter are assumed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student

from analysis.quantities import quantity, span
from analysis.sequential import spending_boundaries

FloatArray = npt.NDArray[np.float64]

DAY_MS = 86_400_000
PLANNED_LOOKS = 8
MATTERS_MM = 3.0
SETTLE_DAYS = 14.0
_SAME_LOOK_DAYS = 3.0
_LOOK_SD_MM, _WORTH_LOOKS = 4.0, 4.0
_SHARED_SHARE, _MEMORY_DAYS = 0.5, 7.0
_BETWEEN_POTS_MM = 5.0
_ALIKE_WITHIN = 0.15  # two numbers of a set-up are "the same" within 15 %


@dataclass(frozen=True)
class Pair:
    """Two pots and the one thing in which they differ; `factor` is empty where they are alike (a trial could begin)."""

    pot: str
    other: str
    factor: str
    value: object
    other_value: object


@dataclass(frozen=True)
class TrialResult:
    """What a pair, or all pairs on one question, showed so far; differences are pot less other, in mm of dry depth."""

    pairs: int
    looks: int
    planned_looks: int
    difference_mm: float
    low_mm: float
    high_mm: float
    verdict: str  # deeper | shallower | no_difference_that_matters | undecided | ended_undecided | too_few
    says: str


def pairs_that_differ_in_one(setups: pd.DataFrame, factors: Sequence[str] | None = None) -> list[Pair]:
    """Pairs of pots that differ in exactly one column of a table of set-ups in force, and pairs that differ in none.

    setups has the pot's label as index and one column a thing that matters (shelf, mix, cover, holes, ...), words or
    numbers; numbers agree within 15 %, an unknown value agrees with nothing and is no question either: nobody knows
    whether, or in what, the two differ. `factors` names the columns a trial may be about (all when absent): two pots on
    different shelves are no trial of a cover.
    """
    names = list(setups.columns)
    differs = np.zeros((len(names), len(setups), len(setups)), bool)
    for i, name in enumerate(names):
        differs[i] = _differs(setups[name])
    count = differs.sum(0)
    first, second = np.triu_indices(len(setups), 1)
    about = np.array([factors is None or name in factors for name in names])
    labels = [str(label) for label in setups.index]
    found: list[Pair] = []
    for a, b in zip(*(ends[count[first, second] <= 1] for ends in (first, second)), strict=True):
        which = np.flatnonzero(differs[:, a, b])
        if len(which) == 0:
            found.append(Pair(labels[a], labels[b], "", None, None))
        elif about[which[0]]:
            values = setups.iloc[[a, b], which[0]]
            if values.notna().all():
                found.append(Pair(labels[a], labels[b], names[which[0]], values.iloc[0], values.iloc[1]))
    return found


def paired_looks(notes: pd.DataFrame, pot: str, other: str) -> pd.DataFrame:
    """Looks at both pots within three days of each other: time_ms (of the later) and difference_mm (pot less other).

    notes has pot, time_ms, depth_mm (the middle of what was noted); rows without a depth are no looks. Each note is
    used once, with its nearest partner.
    """
    seen = notes.loc[notes["depth_mm"].notna(), ["pot", "time_ms", "depth_mm"]].sort_values("time_ms")
    mine, theirs = seen[seen["pot"] == pot], seen[seen["pot"] == other]
    if mine.empty or theirs.empty:
        return pd.DataFrame({"time_ms": np.zeros(0, np.int64), "difference_mm": np.zeros(0)})
    both = pd.merge_asof(
        mine.assign(mine_ms=mine["time_ms"]),
        theirs.assign(other_ms=theirs["time_ms"])[["time_ms", "depth_mm", "other_ms"]],
        on="time_ms",
        direction="nearest",
        tolerance=int(_SAME_LOOK_DAYS * DAY_MS),
        suffixes=("", "_other"),
    ).dropna(subset=["other_ms"])
    gap = (both["mine_ms"] - both["other_ms"]).abs()
    both = both.assign(gap=gap).sort_values("gap").drop_duplicates("other_ms").sort_values("mine_ms")
    return pd.DataFrame(
        {
            "time_ms": both[["mine_ms", "other_ms"]].max(axis=1).astype(np.int64).to_numpy(),
            "difference_mm": (both["depth_mm"] - both["depth_mm_other"]).to_numpy(float),
        }
    )


def trial_result(
    looks: Sequence[pd.DataFrame],
    since_ms: Sequence[int],
    *,
    alpha: float = 0.05,
    planned_looks: int = PLANNED_LOOKS,
    settle_days: float = SETTLE_DAYS,
) -> TrialResult:
    """The difference that a change made, over one or more pairs, with an interval that holds over all looks together.

    looks: a table of `paired_looks` a pair; since_ms: when the two began to differ. Looks in the first `settle_days`
    after a change are left out: a column takes 4 to 14 days to follow (science notes, 9.4). Looks after the planned
    number are left out too; the answer stands by then.
    """
    pairs = [_before_and_after(table, since, settle_days) for table, since in zip(looks, since_ms, strict=True)]
    pairs = [pair for pair in pairs if len(pair[2]) > 0]
    number = min(sum(len(after) for _, _, _, after in pairs), planned_looks * max(1, len(pairs)))
    if number < 2:
        return TrialResult(len(pairs), number, planned_looks, np.nan, -np.inf, np.inf, "too_few", _too_few(number))
    pairs = [(bt, bd, at[:planned_looks], ad[:planned_looks]) for bt, bd, at, ad in pairs]
    variance_mm2, freedom = _look_variance([bd for _, bd, _, _ in pairs] + [ad for _, _, _, ad in pairs])
    effects = [_effect(*pair, variance_mm2) for pair in pairs]
    value, error = _pooled(np.array([e for e, _ in effects]), np.array([v for _, v in effects]))
    planned = planned_looks * len(pairs)
    bound = _boundary(number, planned, alpha)
    # significance-level approach: the t quantile that leaves the same tail as the boundary does for a normal
    reach = float(student.isf(norm.sf(bound), freedom)) * error
    low, high = value - reach, value + reach
    verdict = _verdict(low, high, number >= planned)
    longest = max(len(after) for _, _, _, after in pairs)
    return TrialResult(
        len(pairs), number, planned, value, low, high, verdict, _sentence(verdict, value, low, high, longest)
    )


def looks_needed(difference_mm: float, *, power: float = 0.8, with_baseline: bool = True) -> int | None:
    """How many looks a pair needs to see such a difference 8 times in 10; None when 30 would not do.

    Without looks before the change the spread between like pots sets a floor that no number of looks goes below.
    """
    looks = np.arange(2, 31)
    variance = (
        _LOOK_SD_MM**2 * (_SHARED_SHARE * 0.5 + (1 - _SHARED_SHARE)) * (1 / looks + (1 / 3 if with_baseline else 0))
    )
    total = variance + (0.0 if with_baseline else 2 * _BETWEEN_POTS_MM**2)
    reach = (norm.isf(0.025) + norm.isf(1 - power)) * np.sqrt(total * 1.03)  # 3 %: the price of looking repeatedly
    enough = np.flatnonzero(reach <= abs(difference_mm))
    return int(looks[enough[0]]) if len(enough) else None


@cache
def _boundary(number: int, planned: int, alpha: float) -> float:
    return float(spending_boundaries(np.arange(1, number + 1) / planned, alpha)[-1])


def _differs(column: pd.Series) -> npt.NDArray[np.bool_]:
    known = column.notna().to_numpy()
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        x = column.to_numpy(float)
        scale = np.maximum(np.abs(x)[:, None], np.abs(x)[None, :])
        apart = np.abs(x[:, None] - x[None, :]) > _ALIKE_WITHIN * scale
    else:
        codes = pd.factorize(column.astype("string"))[0]
        apart = codes[:, None] != codes[None, :]
    unlike: npt.NDArray[np.bool_] = apart | ~(known[:, None] & known[None, :])
    return unlike


def _before_and_after(
    table: pd.DataFrame, since_ms: int, settle_days: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    days = (table["time_ms"].to_numpy(float) - since_ms) / DAY_MS
    difference = table["difference_mm"].to_numpy(float)
    before, after = days < 0, days >= settle_days
    return days[before], difference[before], days[after], difference[after]


def _look_variance(groups: list[FloatArray]) -> tuple[float, float]:
    """Variance of one difference and its degrees of freedom; the assumed 4 mm counts as four looks beside the real."""
    squares = sum(float(((g - g.mean()) ** 2).sum()) for g in groups if len(g) > 1)
    freedom = float(sum(len(g) - 1 for g in groups if len(g) > 1))
    return (_WORTH_LOOKS * _LOOK_SD_MM**2 + squares) / (_WORTH_LOOKS + freedom), _WORTH_LOOKS + freedom


def _mean_of_neighbours(days: FloatArray, values: FloatArray, variance: float) -> tuple[float, float]:
    """Mean of looks that share what the column remembers (generalised least squares), and its variance."""
    apart = np.abs(days[:, None] - days[None, :])
    covariance = variance * ((1 - _SHARED_SHARE) * np.eye(len(days)) + _SHARED_SHARE * np.exp(-apart / _MEMORY_DAYS))
    weight = np.linalg.solve(covariance, np.ones(len(days)))
    return float(weight @ values / weight.sum()), float(1 / weight.sum())


def _effect(
    before_days: FloatArray, before: FloatArray, after_days: FloatArray, after: FloatArray, variance: float
) -> tuple[float, float]:
    value, spread = _mean_of_neighbours(after_days, after, variance)
    between = 2 * _BETWEEN_POTS_MM**2
    if len(before) == 0:
        return value, spread + between
    was, was_spread = _mean_of_neighbours(before_days, before, variance)
    # what is known of the standing difference: the looks before the change, shrunk to "none" by how like pots differ
    trust = between / (between + was_spread)
    return value - trust * was, spread + trust * was_spread


def _pooled(effect: FloatArray, variance: FloatArray) -> tuple[float, float]:
    weight = 1 / variance
    if len(effect) > 1:
        mean = float(weight @ effect / weight.sum())
        excess = float(weight @ (effect - mean) ** 2) - (len(effect) - 1)
        scale = weight.sum() - (weight**2).sum() / weight.sum()
        weight = 1 / (variance + max(0.0, excess / scale))
    return float(weight @ effect / weight.sum()), float(np.sqrt(1 / weight.sum()))


def _verdict(low: float, high: float, over: bool) -> str:
    if low > 0:
        return "deeper"
    if high < 0:
        return "shallower"
    if low > -MATTERS_MM and high < MATTERS_MM:
        return "no_difference_that_matters"
    return "ended_undecided" if over else "undecided"


def _too_few(number: int) -> str:
    seen = "no look" if number == 0 else "one look"
    return f"There is {seen} at both pots since the column settled: look at both on the same day, twice at least."


def _sentence(verdict: str, value: float, low: float, high: float, looks: int) -> str:
    ends = span(low, high, "mm", "+.0f")
    by = f"{quantity(abs(value), 'mm')}, could be {ends}"
    return {
        "deeper": f"The dry layer is deeper by {by}: this holds however often you look.",
        "shallower": f"The dry layer is shallower by {by}: this holds however often you look.",
        "no_difference_that_matters": f"No difference that matters: within {ends}.",
        "undecided": f"Not decided after {looks} looks ({ends}): go on looking at both.",
        "ended_undecided": f"The planned looks are used up and it is not decided ({ends}).",
    }[verdict]
