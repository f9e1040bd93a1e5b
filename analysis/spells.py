"""Since when: the day a pot's course broke, found from its daily figures.

The picture. A daily series (how deep the dry layer is modelled to be, or use against expectation) stood at one level
and then at another. The likeliest day of one break is where two means fit best; a break counts only when it gains more
than chance breaks do in as many days. Nothing after the asked moment is looked at, so an answer of a past moment does
not change when more days come in.

It knows series and indices only.

*Source*: least-squares single change point (Hinkley 1970, Biometrika 57:1); the limit is Yao's penalty (1988), scaled
for days that resemble their neighbours.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Break:
    """A break: index of the first day after it, means on both sides, and how many times chance it gains."""

    index: int
    before: float
    after: float
    strength: float


def likeliest_break(series: npt.ArrayLike, shortest: int = 5) -> Break | None:
    """The best single split of a daily series (days,), NaN left out; None for fewer than twice `shortest` known days.

    The split is always given where there is one; `strength` above 1 says that it is more than chance.
    """
    x = np.asarray(series, float)
    known = np.flatnonzero(np.isfinite(x))
    n = len(known)
    if n < 2 * shortest:
        return None
    y = x[known]
    left = np.arange(shortest, n - shortest + 1)
    total = np.cumsum(y)
    mean_left = total[left - 1] / left
    mean_right = (total[-1] - total[left - 1]) / (n - left)
    gain = left * (n - left) / n * (mean_right - mean_left) ** 2
    best = int(gain.argmax())
    split = int(left[best])
    rest = np.r_[y[:split] - mean_left[best], y[split:] - mean_right[best]]
    variance = max(float((rest**2).sum()) / max(n - 2, 1), 1e-12)
    memory = _memory(rest)
    # days that resemble their neighbours: as if there were fewer of them
    chance = 2 * np.log(n) * variance * (1 + memory) / (1 - memory)
    return Break(int(known[split]), float(mean_left[best]), float(mean_right[best]), float(gain[best] / chance))


def spell_start(
    depth_mm: npt.ArrayLike, log_use_ratio: npt.ArrayLike, *, depth_matters_mm: float = 3.0, use_matters: float = 0.14
) -> int | None:
    """Since which day a pot's course is another: the stronger of a break in depth or in use against expectation.

    Both series (days,) end at the asked day, NaN where unknown. A break counts when it is more than chance and matters:
    3 mm, or 15 % of use. None when neither does.
    """
    found = []
    for series, matters in ((depth_mm, depth_matters_mm), (log_use_ratio, use_matters)):
        candidate = likeliest_break(series)
        if candidate is not None and candidate.strength > 1 and abs(candidate.after - candidate.before) >= matters:
            found.append((abs(candidate.after - candidate.before) / matters, candidate.index))
    return max(found)[1] if found else None


def _memory(rest: FloatArray) -> float:
    power = float((rest**2).sum())
    return 0.0 if power <= 0 else float(np.clip((rest[1:] * rest[:-1]).sum() / power, 0.0, 0.9))
