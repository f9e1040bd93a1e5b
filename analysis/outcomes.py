"""Each inspection beside the air, water and dry layer that the pot had been through: the table all evidence rests on.

The picture. A look at a pot is joined with the days before it (1, 3, 7 and 14 of them): mean dryness of the air, hours
above the pot's critical dryness, hours with an empty reservoir, and the modelled dry layer; with the dry layer at that
hour and since the look before; and with the set-up in force. From that table come the plain counts a sceptic wants (by
band of air and by cover) and before against after within the pot, since covers are given to pots already in trouble.

What tips say about depth is for `rooting.py`, repots are for `repotting.py`; where the hours come from is the caller's.

Tips: growing and new count as going on, stalled and dried as stopped, rotted apart from both ("rot is never read as
drying"). Resting plants and tips not yet in the medium have no outcome.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import t as student

from analysis.quantities import quantity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
WINDOWS_DAYS = (1, 3, 7, 14)
VPD_BANDS_KPA = (0.0, 0.4, 0.8, 1.2, np.inf)
_LEAST_COVERAGE = 0.5
_HOUR_COLUMNS = ("vpd_kpa", "critical_vpd_kpa", "level_mm", "dry_depth_mm")
_TIPS = ("tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new")
_EMPTY_BELOW_MM = 1.0
_MOIST_MM = 1.5


def inspections_with_exposure(
    inspections: pd.DataFrame, hours: pd.DataFrame, setups: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Inspections, one row each, with the exposure before them and the set-up in force.

    inspections: pot, time_ms and whatever was noted. hours: pot, hour_ms (each hour once a pot), and vpd_kpa,
    critical_vpd_kpa, level_mm, dry_depth_mm (modelled, middle), NaN where unknown; absent columns are unknown.
    setups: pot, from_ms, to_ms (NaN or None: still in force) and its features.

    Adds, for each window of w days: `vpd_{w}d_kpa`, `dry_depth_{w}d_mm`, `level_{w}d_mm` (means),
    `hours_above_critical_{w}d`, `hours_empty_{w}d`, `wet_share_{w}d` (of the hours, with a moist surface); NaN where
    less than half of the window is known, else scaled to the whole window. Also `dry_depth_mm` at that hour, and since
    `since_ms`, the look before (28 days at most; 14 for a first look): `vpd_since_kpa`, `air_known_since` (share of the
    hours), `hours_above_critical_since`, `hours_empty_since`, `dry_depth_since_mm`, `dry_depth_since_max_mm`.
    """
    looks = inspections.sort_values(["pot", "time_ms"], kind="stable").reset_index(drop=True)
    exposure = _Exposure(looks["pot"], hours)
    end_ms = looks["time_ms"].to_numpy(np.int64)
    added: dict[str, FloatArray] = {}
    for days in WINDOWS_DAYS:
        start = end_ms - days * DAY_MS
        added[f"vpd_{days}d_kpa"] = exposure.mean("vpd_kpa", start, end_ms)
        added[f"dry_depth_{days}d_mm"] = exposure.mean("dry_depth_mm", start, end_ms)
        added[f"hours_above_critical_{days}d"] = 24 * days * exposure.mean("above_critical", start, end_ms)
        added[f"hours_empty_{days}d"] = 24 * days * exposure.mean("empty", start, end_ms)
        added[f"level_{days}d_mm"] = exposure.mean("level_mm", start, end_ms)
        added[f"wet_share_{days}d"] = exposure.mean("moist", start, end_ms)
    added["dry_depth_mm"] = exposure.mean("dry_depth_mm", end_ms - 2 * HOUR_MS, end_ms + HOUR_MS)
    since = _since_the_look_before(looks["pot"], end_ms)
    hours_since = (end_ms - since) / HOUR_MS
    added["vpd_since_kpa"] = exposure.mean("vpd_kpa", since, end_ms)
    added["air_known_since"] = exposure.known_share("vpd_kpa", since, end_ms)
    added["hours_above_critical_since"] = hours_since * exposure.mean("above_critical", since, end_ms)
    added["hours_empty_since"] = hours_since * exposure.mean("empty", since, end_ms)
    added["dry_depth_since_mm"] = exposure.mean("dry_depth_mm", since, end_ms)
    added["dry_depth_since_max_mm"] = exposure.greatest("dry_depth_mm", since, end_ms)
    joined = pd.concat([looks, pd.DataFrame({"since_ms": since} | added, index=looks.index)], axis=1)
    return joined if setups is None else _with_setups(joined, setups)


def tips_in_the_medium(joined: pd.DataFrame) -> pd.DataFrame:
    """Rows whose tips are an outcome, with `going_on`, `stopped`, `rotted` counts.

    Left out: resting plants, tips not yet in the medium, looks at which no tip was counted. Two people's notes of one
    pot within twelve hours are averaged into one look, so that nobody's pot counts twice.
    """
    tips = joined.reindex(columns=_TIPS).apply(pd.to_numeric, errors="coerce").fillna(0.0)
    table = joined.assign(
        going_on=tips["tips_growing"] + tips["tips_new"],
        stopped=tips["tips_stalled"] + tips["tips_dried"],
        rotted=tips["tips_rotted"],
    )
    out = np.zeros(len(table), bool)
    for flag in ("resting", "tips_not_in_medium"):
        if flag in table:
            out |= table[flag].astype("boolean").fillna(value=False).to_numpy(bool)
    counted = (table["going_on"] + table["stopped"] + table["rotted"]).to_numpy() > 0
    table = table[~out & counted].sort_values(["pot", "time_ms"], kind="stable")
    if table.empty:
        return table
    same_pot = table["pot"].eq(table["pot"].shift())
    together = same_pot & (table["time_ms"].diff() <= 12 * HOUR_MS)
    look = (~together).cumsum()
    first = table.groupby(look.to_numpy()).first(skipna=False)
    means = table.groupby(look.to_numpy())[["going_on", "stopped", "rotted"]].mean()
    first[means.columns] = means
    return first.reset_index(drop=True)


def disagreements(inspections: pd.DataFrame) -> list[str]:
    """A sentence for every two notes of one pot within twelve hours that cannot both be right."""
    wanted = [*_TIPS, "dry_layer_low_mm", "dry_layer_high_mm"]
    table = inspections.sort_values(["pot", "time_ms"], kind="stable")
    numbers = table.reindex(columns=wanted).apply(pd.to_numeric, errors="coerce")
    before = numbers.shift()
    near = table["pot"].eq(table["pot"].shift()) & (table["time_ms"].diff() <= 12 * HOUR_MS)
    apart_mm = np.maximum(
        numbers["dry_layer_low_mm"] - before["dry_layer_high_mm"],
        before["dry_layer_low_mm"] - numbers["dry_layer_high_mm"],
    )
    stopped, was_stopped = (_share_stopped(x) for x in (numbers, before))
    says = []
    for pot, gap, a, b in zip(table["pot"][near], apart_mm[near], stopped[near], was_stopped[near], strict=True):
        if gap > 5:
            says.append(
                f"{pot}: two looks on one day differ by {quantity(gap, 'mm')}; both are kept and widen the band."
            )
        if abs(a - b) > 0.5:
            says.append(f"{pot}: two looks on one day disagree about the tips; they count as one look, averaged.")
    return says


def counts_by_air_and_cover(joined: pd.DataFrame, cover_column: str = "cover") -> pd.DataFrame:
    """The sceptic's table: looks, pots and tips by band of the week's dryness and by cover; no model in it.

    Columns: air (kPa, from - to), cover, looks, pots, going_on, stopped, rotted, stopped_pct (of tips that did not
    rot), noted_depth_mm (mean of the middles noted). Looks without a week of air stand under "unknown".
    """
    table = tips_in_the_medium(joined)
    labels = [f"{low:g} - {high:g}" if np.isfinite(high) else f"over {low:g}" for low, high in pairwise(VPD_BANDS_KPA)]
    week = table["vpd_7d_kpa"] if "vpd_7d_kpa" in table else pd.Series(np.nan, index=table.index)
    air = pd.cut(week, list(VPD_BANDS_KPA), labels=labels, right=False).astype("string").fillna("unknown")
    cover = table[cover_column].astype("string") if cover_column in table else pd.Series(pd.NA, index=table.index)
    grouped = table.assign(air=air, cover=cover.fillna("unknown"), noted_depth_mm=_noted_depth(table)).groupby(
        ["air", "cover"], sort=True
    )
    counts = grouped.agg(
        looks=("pot", "size"),
        pots=("pot", "nunique"),
        going_on=("going_on", "sum"),
        stopped=("stopped", "sum"),
        rotted=("rotted", "sum"),
        noted_depth_mm=("noted_depth_mm", "mean"),
    ).reset_index()
    counts.insert(
        7, "stopped_pct", 100 * counts["stopped"] / (counts["going_on"] + counts["stopped"]).replace(0, np.nan)
    )
    order = {label: i for i, label in enumerate([*labels, "unknown"])}
    return counts.sort_values(["air", "cover"], key=lambda c: c.map(order) if c.name == "air" else c, ignore_index=True)


def before_and_after(
    joined: pd.DataFrame, changes: pd.DataFrame, columns: Sequence[str] = ("noted_depth_mm", "stopped_share"),
    *, window_days: float = 90.0, settle_days: float = 14.0, confidence: float = 0.9,
) -> pd.DataFrame:  # fmt: skip
    """Before against after a change within the same pot, each pot once: what this collection's notes alone say.

    changes: pot, time_ms, change (its words). For each kind of change and column: pots with looks on both sides, mean
    before, mean after, difference, and its interval over pots (Student; infinite with a single pot). Looks within
    settle_days after the change are left out, and so are looks beyond the next change of the pot or the window.
    """
    table = joined.assign(noted_depth_mm=_noted_depth(joined), stopped_share=_share_stopped(joined))
    ordered = changes.sort_values(["pot", "time_ms"])
    same = ordered["pot"].eq(ordered["pot"].shift(-1)).to_numpy()
    after_to = np.where(same, ordered["time_ms"].shift(-1).to_numpy(float), np.inf)
    same_before = ordered["pot"].eq(ordered["pot"].shift()).to_numpy()
    before_from = np.where(same_before, ordered["time_ms"].shift().to_numpy(float) + settle_days * DAY_MS, -np.inf)
    pairs = ordered.assign(before_from=before_from, after_to=after_to, change_ms=ordered["time_ms"]).drop(
        columns="time_ms"
    )
    looks = pairs.merge(table[["pot", "time_ms", *columns]], on="pot")
    days = (looks["time_ms"] - looks["change_ms"]) / DAY_MS
    before = days.between(-window_days, 0, inclusive="left") & (looks["time_ms"] >= looks["before_from"])
    after = days.between(settle_days, window_days) & (looks["time_ms"] < looks["after_to"])
    rows = []
    for column in columns:
        keys = ["change", "pot", "change_ms"]
        sides = pd.concat(
            {"before": looks[before].groupby(keys)[column].mean(), "after": looks[after].groupby(keys)[column].mean()},
            axis=1,
        ).dropna()
        for change, found in sides.groupby(level="change"):
            by_pot = found.groupby(level="pot").mean()
            difference = (by_pot["after"] - by_pot["before"]).to_numpy()
            low, high = _student_interval(difference, confidence)
            rows.append(
                {
                    "change": change, "what": column, "pots": len(by_pot), "before": by_pot["before"].mean(),
                    "after": by_pot["after"].mean(), "difference": difference.mean(), "low": low, "high": high,
                }
            )  # fmt: skip
    names = ["change", "what", "pots", "before", "after", "difference", "low", "high"]
    return pd.DataFrame(rows, columns=names)


class _Exposure:
    """Sums over spans of hours for every look at once: the hours of all pots stand one after another in one axis."""

    def __init__(self, pots: pd.Series, hours: pd.DataFrame) -> None:
        table = hours.reindex(columns=["pot", "hour_ms", *_HOUR_COLUMNS]).sort_values(["pot", "hour_ms"])
        names = pd.Index(table["pot"].unique())
        code = names.get_indexer(table["pot"])
        self._pot = names.get_indexer(pots)  # -1: a pot without any hour
        hour = table["hour_ms"].to_numpy(np.int64)
        # one sorted axis: every pot gets its own stretch of it
        self._first = int(hour.min()) if len(hour) else 0
        self._stretch = (int(hour.max()) - self._first if len(hour) else 0) + 2 * HOUR_MS
        self._axis = code.astype(np.int64) * self._stretch + (hour - self._first)
        columns = {name: table[name].to_numpy(float) for name in _HOUR_COLUMNS}
        vpd, critical, level = columns["vpd_kpa"], columns["critical_vpd_kpa"], columns["level_mm"]
        columns["above_critical"] = np.where(np.isfinite(vpd) & ~np.isnan(critical), vpd > critical, np.nan)
        columns["empty"] = np.where(np.isfinite(level), level < _EMPTY_BELOW_MM, np.nan)
        depth = columns["dry_depth_mm"]
        columns["moist"] = np.where(np.isfinite(depth), depth < _MOIST_MM, np.nan)
        self._values = columns

    def _span(self, start_ms: IntArray, end_ms: IntArray) -> tuple[IntArray, IntArray]:
        def position(moment: IntArray) -> IntArray:
            inside = np.clip(moment - self._first, 0, self._stretch - HOUR_MS)
            found: IntArray = np.searchsorted(self._axis, self._pot * self._stretch + inside, side="left")
            return found

        low, high = position(start_ms), position(end_ms)
        return low, np.where(self._pot < 0, low, high)

    def mean(self, name: str, start_ms: IntArray, end_ms: IntArray) -> FloatArray:
        """Mean over [start, end), NaN where less than half of its hours are known."""
        low, high = self._span(start_ms, end_ms)
        values = self._values[name]
        total = np.r_[0.0, np.cumsum(np.nan_to_num(values, posinf=0.0, neginf=0.0))]
        hours = (end_ms - start_ms) / HOUR_MS
        seen = self._known_hours(name, low, high)
        enough = (seen > 0) & (seen >= _LEAST_COVERAGE * np.minimum(hours, 1e9))
        return np.where(enough, (total[high] - total[low]) / np.maximum(seen, 1.0), np.nan)

    def known_share(self, name: str, start_ms: IntArray, end_ms: IntArray) -> FloatArray:
        """Of the hours in [start, end), the share that is known."""
        hours = (end_ms - start_ms) / HOUR_MS
        return np.minimum(self._known_hours(name, *self._span(start_ms, end_ms)) / hours, 1.0)

    def _known_hours(self, name: str, low: IntArray, high: IntArray) -> FloatArray:
        count = np.r_[0.0, np.cumsum(np.isfinite(self._values[name]))]
        known: FloatArray = count[high] - count[low]
        return known

    def greatest(self, name: str, start_ms: IntArray, end_ms: IntArray) -> FloatArray:
        """Largest value in [start, end), NaN where nothing is known."""
        low, high = self._span(start_ms, end_ms)
        padded = np.r_[np.nan_to_num(self._values[name], nan=-np.inf), -np.inf]
        result = np.full(len(low), np.nan)
        some = high > low
        if some.any():
            # reduceat over (start, stop) pairs; every second result is the stretch between spans and is dropped
            result[some] = np.maximum.reduceat(padded, np.c_[low[some], high[some]].ravel())[::2]
        return np.where(np.isfinite(result), result, np.nan)


def _since_the_look_before(pots: pd.Series, time_ms: IntArray) -> IntArray:
    earlier = pots.eq(pots.shift()).to_numpy()
    before = np.r_[time_ms[:1], time_ms[:-1]]
    # a look on the same day is no interval: the days before it count as for a first look
    apart = earlier & (time_ms - before >= DAY_MS)
    return np.where(apart, np.maximum(before, time_ms - 28 * DAY_MS), time_ms - 14 * DAY_MS)


def _with_setups(joined: pd.DataFrame, setups: pd.DataFrame) -> pd.DataFrame:
    ordered = setups.sort_values("from_ms").astype({"from_ms": np.int64})
    ordered["pot"] = ordered["pot"].astype(joined["pot"].dtype)
    looks = joined.assign(_row=np.arange(len(joined))).sort_values("time_ms", kind="stable")
    features = [name for name in ordered.columns if name not in joined.columns or name == "pot"]
    merged = pd.merge_asof(
        looks, ordered[features].rename(columns={"from_ms": "setup_from_ms"}).assign(time_ms=ordered["from_ms"]),
        on="time_ms", by="pot",
    )  # fmt: skip
    if "to_ms" in merged:
        ended = merged["to_ms"].notna() & (merged["time_ms"] >= merged["to_ms"].astype(float))
        merged.loc[ended, [name for name in features if name not in ("pot", "from_ms")]] = None
    return merged.sort_values("_row").drop(columns="_row").reset_index(drop=True)


def _noted_depth(table: pd.DataFrame) -> pd.Series:
    ends = table.reindex(columns=["dry_layer_low_mm", "dry_layer_high_mm"]).apply(pd.to_numeric, errors="coerce")
    middle: pd.Series[float] = ends.mean(axis=1)
    return middle


def _share_stopped(table: pd.DataFrame) -> pd.Series:
    tips = table.reindex(columns=_TIPS).apply(pd.to_numeric, errors="coerce").fillna(0.0)
    stopped = tips["tips_stalled"] + tips["tips_dried"]
    all_tips = stopped + tips["tips_growing"] + tips["tips_new"]
    share: pd.Series[float] = stopped / all_tips.where(all_tips > 0)
    return share


def _student_interval(values: FloatArray, confidence: float) -> tuple[float, float]:
    if len(values) < 2:
        return (-np.inf, np.inf)
    reach = float(student.isf((1 - confidence) / 2, len(values) - 1)) * values.std(ddof=1) / np.sqrt(len(values))
    return (float(values.mean() - reach), float(values.mean() + reach))
