"""What became of roots after a repot: old ones lost or kept, the first new one, and how far to keep the level down.

The picture. Roots that grew in one wetness meet another. The *jump* is the dry layer that the old set-up would have
had, less that of the new one, in the same air: above zero the new pot is wetter. One looks only now and then, so the
day an old root was lost, or a new one came, lies between two looks, and survival is Turnbull's. Pots, not roots, are
counted: each pot is lost or not.

A plant that was grown dry is eased over: the level is kept so low that the new pot's dry layer is as deep as the old
one was (but never past the rooting depth, or no new root could enter), until new roots are in.

Common practice, no source: adaptation after a repot is judged at one and two months. The bands of the jump are assumed.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.interval_survival import median_time, survival_interval, turnbull
from analysis.quantities import quantity, span

FloatArray = npt.NDArray[np.float64]

DAY_MS = 86_400_000
JUDGED_AT_DAYS = (30.0, 60.0)
JUMP_BANDS_MM = (-np.inf, -5.0, 5.0, 15.0, np.inf)
JUMP_WORDS = ("drier", "alike", "wetter", "much wetter")
_MATTERS_MM = 5.0
_MOST = 0.5


@dataclass(frozen=True)
class Easing:
    """To what level the reservoir is filled while new roots come; NaN where nothing need be done or can be."""

    level_mm: float
    low_mm: float
    high_mm: float
    until_days: tuple[float, float]
    says: str


def repot_spans(repots: pd.DataFrame, inspections: pd.DataFrame) -> pd.DataFrame:
    """For each repot the looks between which its old roots were lost and its first new root came, in days after it.

    repots: pot, time_ms and `jump_mm` (old set-up's dry layer less the new one's, NaN when unknown). inspections: pot,
    time_ms and tips_growing, tips_stalled, tips_dried, tips_rotted, tips_new. A pot's next repot ends the watch.

    Adds season (Apr-Sep or Oct-Mar), looks, `lost_after`, `lost_by`, `new_after`, `new_by`: half-open intervals
    (after, by], `by` infinite where it had not happened at the last look. Repots never looked at are left out.
    """
    table = repots.sort_values(["pot", "time_ms"], kind="stable").reset_index(drop=True)
    same = table["pot"].eq(table["pot"].shift(-1)).to_numpy()
    ends = np.where(same, table["time_ms"].shift(-1).to_numpy(float), np.inf)
    table = table.rename(columns={"time_ms": "repot_ms"}).assign(repot=np.arange(len(table)), watch_ends_ms=ends)
    tips = ["tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new"]
    looks = inspections.reindex(columns=["pot", "time_ms", *tips]).copy()
    looks[tips] = looks[tips].apply(pd.to_numeric, errors="coerce").fillna(0.0)
    looks = table[["repot", "pot", "repot_ms", "watch_ends_ms"]].merge(looks, on="pot")
    looks = looks[(looks["time_ms"] > looks["repot_ms"]) & (looks["time_ms"] <= looks["watch_ends_ms"])]
    looks = looks.assign(day=(looks["time_ms"] - looks["repot_ms"]) / DAY_MS)
    dead = looks["tips_dried"] + looks["tips_rotted"]
    alive = looks["tips_growing"] + looks["tips_stalled"]
    spans = {
        **_span(looks, (dead > 0) & (alive == 0), dead + alive > 0, "lost"),
        # a look that counted no tip at all saw no new root either
        **_span(looks, looks["tips_new"] > 0, looks["tips_new"] >= 0, "new"),
    }
    counted = looks.groupby("repot")["day"].size().rename("looks")
    month = pd.to_datetime(table["repot_ms"], unit="ms", utc=True).dt.month
    table["season"] = np.where(month.between(4, 9), "Apr-Sep", "Oct-Mar")
    joined = table.set_index("repot").join([counted, *spans.values()])
    return joined[joined["looks"].notna()].reset_index(drop=True)


def after_repots(spans: pd.DataFrame, rng: np.random.Generator, *, by_season: bool = False) -> pd.DataFrame:
    """How repots went, by the jump in wetness (and season): one row a band that has repots.

    Columns: jump, season ("all" unless asked), repots, pots; for days 30 and 60 `old_kept_30d`, `_low`, `_high` (chance
    that old roots were not all lost, 90 % limits over pots); `new_root_from_days`, `new_root_to_days` (the interval in
    which half had a new root; infinite when fewer than half did); says.
    """
    rows = []
    bands = pd.cut(spans["jump_mm"].astype(float), list(JUMP_BANDS_MM), labels=list(JUMP_WORDS), right=False)
    jump = bands.astype("string").fillna("unknown")
    season = spans["season"] if by_season else pd.Series("all", index=spans.index)
    for (band, when), group in spans.groupby([jump, season], sort=False):
        rows.append({"jump": band, "season": when, **_outcome(group, rng)})
    order = {word: i for i, word in enumerate([*JUMP_WORDS, "unknown"])}
    table = pd.DataFrame(rows)
    return table.sort_values("jump", key=lambda c: c.map(order), ignore_index=True) if len(table) else table


def level_to_ease_mm(
    levels_mm: npt.ArrayLike,
    new_depth_mm: npt.ArrayLike,
    old_depth_mm: npt.ArrayLike,
    rooting_mm: float,
    new_root_days: tuple[float, float] = (np.inf, np.inf),
) -> Easing:
    """The level to fill to after a repot into a wetter set-up, until new roots are in.

    levels_mm (k,) rising; new_depth_mm (k, draws) the new set-up's dry depth at each; old_depth_mm (draws,) where the
    plant had grown; rooting_mm the deepest that new roots get through. new_root_days: when half had new roots here.
    """
    levels = np.asarray(levels_mm, float)
    depth, old = np.asarray(new_depth_mm, float), np.asarray(old_depth_mm, float)
    until = new_root_days if np.isfinite(new_root_days[1]) else (30.0, 60.0)
    jump = float(np.median(old - depth[-1]))
    if jump < _MATTERS_MM:
        return Easing(np.nan, np.nan, np.nan, until, "The new pot is hardly wetter than the old one: fill to the mark.")
    wanted = np.minimum(old, rooting_mm)
    # per draw: the highest level whose dry layer is still as deep as wanted (depth falls as the level rises)
    deep = depth >= wanted[None, :]
    index = np.where(deep.any(0), len(levels) - 1 - deep[::-1].argmax(0), 0)
    low, value, high = np.quantile(levels[index], [0.1, 0.5, 0.9])
    source = "as it took here" if np.isfinite(new_root_days[1]) else "judge at one and two months"
    keep = f"keep the level near {quantity(value, 'mm')}"
    if deep.any(0).mean() < _MOST:
        keep = f"no level makes the new pot as dry as that, so {keep}, the lowest"
    elif high > low:
        keep = f"{keep} (could be {span(low, high, 'mm')})"
    says = (
        f"Grown drier by about {quantity(jump, 'mm')}: {keep}, "
        f"until new roots are in, {until[0]:.0f} to {until[1]:.0f} days, {source}."
    )
    return Easing(float(value), float(low), float(high), until, says)


def _span(looks: pd.DataFrame, happened: pd.Series, told: pd.Series, name: str) -> dict[str, pd.Series]:
    """(after, by] of the first look at which it had happened; looks that could not tell move neither end."""
    seen = looks[happened].groupby("repot")["day"].min()
    by = looks["repot"].map(seen).fillna(np.inf)
    before = looks[told & (looks["day"] < by)].groupby("repot")["day"].max()
    index = pd.Index(looks["repot"].unique(), name="repot")
    return {
        f"{name}_after": before.reindex(index).fillna(0.0).rename(f"{name}_after"),
        f"{name}_by": seen.reindex(index).fillna(np.inf).rename(f"{name}_by"),
    }


def _outcome(group: pd.DataFrame, rng: np.random.Generator) -> dict[str, object]:
    kept = survival_interval(
        group["lost_after"].to_numpy(float),
        group["lost_by"].to_numpy(float),
        JUDGED_AT_DAYS,
        rng,
        clusters=group["pot"].to_numpy(),
    )
    half = median_time(turnbull(group["new_after"].to_numpy(float), group["new_by"].to_numpy(float)))
    row: dict[str, object] = {"repots": len(group), "pots": group["pot"].nunique()}
    for i, day in enumerate(JUDGED_AT_DAYS):
        row |= {
            f"old_kept_{day:.0f}d": kept.value[i],
            f"old_kept_{day:.0f}d_low": kept.low[i],
            f"old_kept_{day:.0f}d_high": kept.high[i],
        }
    when = f"half had a new root by day {half[1]:.0f}" if np.isfinite(half[1]) else "fewer than half had a new root yet"
    repots = f"{len(group)} repot{'s' if len(group) != 1 else ''}"
    says = (
        f"{repots}: old roots kept at two months in {10 * kept.value[1]:.0f} of 10 "
        f"(could be {10 * kept.low[1]:.0f} to {10 * kept.high[1]:.0f}); {when}."
    )
    return row | {"new_root_from_days": half[0], "new_root_to_days": half[1], "says": says}
