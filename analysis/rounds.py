"""Who needs water when: days left, the next rounds, and an absence.

The picture. What stands in each reservoir now, and what the pot will use on each of the days ahead, are known as draws:
thirst, the air the shelf can expect, the level sensor, a sensor that died last week. A reservoir is dry when its use
adds up to what it held. A visit fills to the mark. A pot is on a visit's list when it might not last to the visit after
(5 in 100, use being taken on the high side: over all pots and visits far fewer run dry), so pots that can wait do wait.

Amounts are those that stay at or below the mark in 9 of 10 draws: who pours them still looks at the gauge. A planned
amount is never data. Times are days from now; calendars, names and the wording of screens are the caller's.

Common practice, no source: a busy grower waters no more often than every few days.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from analysis.quantities import marked

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ACCEPTED_RISK = 0.05
SLIPPED_VISIT_DAYS = 0.5  # a visit planned for the morning may happen at night
MOST_SITTER_VISITS = 14  # as many as a sheet has room for


@dataclass(frozen=True)
class Visit:
    """One visit: which pots (indices, n), what to pour and at most, and the days each had left on arrival (3, n)."""

    day: float
    pots: IntArray
    fill_ml: FloatArray
    fill_at_most_ml: FloatArray
    days_left: FloatArray
    litres_to_mix: float


@dataclass(frozen=True)
class CannotWait:
    """A pot that a full reservoir does not carry to the next visit, and the smallest change that would."""

    pot: int
    full_lasts_days: FloatArray
    longest_gap_days: float
    change: str | None
    says: str


@dataclass(frozen=True)
class RoundPlan:
    """The visits ahead, the pots that cannot wait, and a sentence where there is no plan."""

    visits: list[Visit]
    cannot_wait: list[CannotWait]
    dry_before_first_visit: IntArray
    says: str


@dataclass(frozen=True)
class SitterVisit:
    """A visit somebody else must make: day, pots (indices), the amounts to pour and at most."""

    day: float
    pots: IntArray
    fill_ml: FloatArray
    fill_at_most_ml: FloatArray


@dataclass(frozen=True)
class AbsencePlan:
    """What an absence asks for: fill before leaving, which pots fail first (worst first) and when, and what helps.

    unsaved: those of them that no sitter's rhythm keeps wet. goes_on: the rhythm has to go on after the last visit that
    is planned. says_only: there is no plan, and says tells why.
    """

    fill_before: IntArray
    fill_ml: FloatArray
    fill_at_most_ml: FloatArray
    fails: IntArray
    chance_dry: FloatArray
    dry_after_days: FloatArray
    stop_gaps: dict[int, str]
    sitter: list[SitterVisit]
    unsaved: IntArray
    says: str
    goes_on: bool = False
    says_only: bool = False


def days_left(ml_left: FloatArray, use_ml_per_day: FloatArray) -> FloatArray:
    """Days until each reservoir is dry (draws, pots), from mL now (draws, pots) and use (draws, pots, days).

    Beyond the last day its use goes on as the mean of all days; infinite where a pot uses nothing.
    """
    cumulative = _cumulative(use_ml_per_day)
    horizon = use_ml_per_day.shape[2]
    whole = (cumulative[..., 1:] < ml_left[..., None]).sum(-1)  # full days that it lasts
    last = np.minimum(whole, horizon - 1)
    gone = np.take_along_axis(cumulative, last[..., None], axis=-1)[..., 0]
    rate = np.take_along_axis(use_ml_per_day, last[..., None], axis=-1)[..., 0]
    beyond = whole >= horizon
    gone = np.where(beyond, cumulative[..., -1], gone)
    rate = np.where(beyond, use_ml_per_day.mean(-1), rate)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = np.where(ml_left > gone, (ml_left - gone) / rate, 0.0)
    days: FloatArray = np.where(beyond, horizon, last) + rest
    return np.where(ml_left <= 0, 0.0, days)


def quantiles(draws: FloatArray) -> FloatArray:
    """p10, p50, p90 over the first axis -> (3, ...); infinite draws keep their rank."""
    return np.quantile(draws, [0.1, 0.5, 0.9], axis=0, method="inverted_cdf")


def ml_left_now(ml_then: FloatArray, use_since_ml_per_day: FloatArray, days_since: float) -> FloatArray:
    """What is left when the last level is `days_since` days old: its draws (draws, pots) less the use since.

    use_since (draws, pots, days) covers those days; its spread is what makes a dead sensor's answer widen.
    """
    used = _used_between(_cumulative(use_since_ml_per_day), use_since_ml_per_day, 0.0, days_since)
    return np.maximum(ml_then - used, 0.0)


def visiting_weekdays(visits_per_week: int, can_visit: Sequence[int] = range(7)) -> tuple[int, ...]:
    """The weekdays (0 = Monday) that keep the longest wait shortest, among those on which the grower can come.

    More visits than days offered means every day offered; none offered means any day.
    """
    offered = sorted(set(can_visit)) or list(range(7))
    if visits_per_week <= 0:
        return ()
    if visits_per_week >= len(offered):
        return tuple(offered)

    def longest(days: tuple[int, ...]) -> int:
        return max((b - a - 1) % 7 + 1 for a, b in zip(days, days[1:] + days[:1], strict=True))

    return min(combinations(offered, visits_per_week), key=longest)


def visit_days(weekday_now: int, weekdays: Sequence[int], horizon_days: int, *, first_day: int = 0) -> FloatArray:
    """Days from now (n,) of the visits within the horizon; day 0 is today, left out by first_day = 1."""
    return np.array([d for d in range(first_day, horizon_days) if (weekday_now + d) % 7 in set(weekdays)], float)


def round_plan(
    ml_left: FloatArray,
    to_mark_ml: FloatArray,
    use_ml_per_day: FloatArray,
    visits: FloatArray,
    *,
    calmer_use: Mapping[str, FloatArray] | None = None,
    full_use_ml_per_day: FloatArray | None = None,
    unseen: Sequence[int] = (),
    risk: float = ACCEPTED_RISK,
) -> RoundPlan:
    """Which pots to fill on which visit.

    ml_left, to_mark_ml (draws, pots): water now, and from empty to the mark; use_ml_per_day (draws, pots, days) for the
    days ahead; visits (n,) days from now. calmer_use: changes a pot could get, smallest step first, each with the use
    (draws, pots, days) it would leave; the first that lets a pot wait is named. full_use: the pace (draws, pots, days)
    at which a full reservoir empties when nobody comes, where that is known apart (use slackens as the level falls):
    it, and calmer_use, decide who cannot wait. unseen: pots whose level is a guess; they are on the first visit's list,
    whatever the guess. The last visit plans for the longest gap after it. An empty list of
    visits gives a sentence and no plan.
    """
    if len(visits) == 0:
        first = quantiles(days_left(ml_left, use_ml_per_day).min(axis=1, keepdims=True))[0, 0] if ml_left.size else 0
        says = f"No visits are planned; the first pot may run dry in {first:.0f} days. Choose one visit a week or more."
        return RoundPlan([], [], np.zeros(0, np.int64), says)
    gaps = np.diff(visits)
    longest = float(gaps.max()) if len(gaps) else 7.0
    ends = np.r_[visits[1:], visits[-1] + longest]
    cumulative = _cumulative(use_ml_per_day)
    water = ml_left - _used_between(cumulative, use_ml_per_day, 0.0, float(visits[0]))
    dry_before = np.flatnonzero((water <= 0).mean(0) > risk)
    plan: list[Visit] = []
    for day, until in zip(visits, ends, strict=True):
        water = np.maximum(water, 0.0)
        ahead = _used_between(cumulative, use_ml_per_day, float(day), float(until) + SLIPPED_VISIT_DAYS)
        due = (water <= ahead).mean(0) > risk
        due[list(unseen) if not plan else []] = True
        listed = np.flatnonzero(due)
        room = np.maximum(to_mark_ml[:, listed] - water[:, listed], 0.0)
        plan.append(_visit(float(day), listed, room, water[:, listed], use_ml_per_day[:, listed]))
        water[:, listed] = to_mark_ml[:, listed]
        water = water - _used_between(cumulative, use_ml_per_day, float(day), float(until))
    pace = use_ml_per_day if full_use_ml_per_day is None else full_use_ml_per_day
    waits = _cannot_wait(to_mark_ml, pace, longest, calmer_use or {}, risk)
    return RoundPlan(plan, waits, dry_before, "" if ml_left.shape[1] else "No pot has a reservoir to fill.")


def absence_plan(
    ml_left: FloatArray,
    to_mark_ml: FloatArray,
    use_ml_per_day: FloatArray,
    leave_day: float,
    return_day: float,
    *,
    calmer_use: Mapping[str, FloatArray] | None = None,
    risk: float = ACCEPTED_RISK,
) -> AbsencePlan:
    """What to do about an absence from leave_day to return_day (days from now); arrays as in `round_plan`.

    Everything that would not last is filled on leaving. The sitter's visits are as few and as late as can be: at each,
    every pot that would not last to the return is filled. A pot that a full reservoir does not carry for a day gets a
    sentence, not a daily visit for weeks, and leaves the rhythm to the others.
    """
    if return_day <= leave_day:
        return _no_plan("The return must come after the departure.")
    if return_day <= 0:
        return _no_plan("That absence is over: plan one that lies ahead.")
    leave = max(leave_day, 0.0)
    cumulative = _cumulative(use_ml_per_day)
    water = np.maximum(ml_left - _used_between(cumulative, use_ml_per_day, 0.0, leave), 0.0)
    whole = _used_between(cumulative, use_ml_per_day, leave, return_day + SLIPPED_VISIT_DAYS)
    fill = np.flatnonzero((water <= whole).mean(0) > risk)
    room = np.maximum(to_mark_ml[:, fill] - water[:, fill], 0.0)
    water[:, fill] = to_mark_ml[:, fill]
    chance = (water <= _used_between(cumulative, use_ml_per_day, leave, return_day)).mean(0)
    fails = np.flatnonzero(chance > risk)
    lasts = days_left(water[:, fails], _from_day(use_ml_per_day[:, fails], leave))
    order = np.argsort(np.quantile(lasts, 0.1, axis=0)) if len(fails) else np.zeros(0, np.int64)
    fails, lasts = fails[order], lasts[:, order]
    stop_gaps = {
        int(pot): _first_that_lasts(
            calmer_use or {}, water[:, pot], int(pot), leave, return_day + SLIPPED_VISIT_DAYS, risk
        )
        or "No change tried here is enough: somebody has to pour, or it needs a larger reservoir."
        for pot in fails
    }
    unsaved = fails[_safe_days(lasts, risk) < 1.0]
    saved = np.setdiff1d(fails, unsaved)
    sitter, is_whole = _sitter_visits(water, to_mark_ml, use_ml_per_day, cumulative, leave, return_day, saved, risk)
    if not sitter:
        unsaved = fails
    return AbsencePlan(
        fill,
        np.quantile(room, 0.1, axis=0) if len(fill) else np.zeros(0),
        np.quantile(room, 0.9, axis=0) if len(fill) else np.zeros(0),
        fails,
        chance[fails],
        quantiles(lasts) if len(fails) else np.zeros((3, 0)),
        stop_gaps,
        sitter,
        unsaved,
        _absence_says(len(fill), len(fails), len(unsaved), return_day - leave, sitter, is_whole),
        goes_on=not is_whole,
    )


def _cumulative(use: FloatArray) -> FloatArray:
    """Use added up from now: (draws, pots, days + 1)."""
    total = np.zeros((*use.shape[:2], use.shape[2] + 1))
    np.cumsum(use, axis=2, out=total[:, :, 1:])
    return total


def _used_between(cumulative: FloatArray, use: FloatArray, start: float, end: float) -> FloatArray:
    """Use between two moments (draws, pots); beyond the last day at the mean of all days."""

    def until(day: float) -> FloatArray:
        horizon = use.shape[2]
        if day >= horizon:
            tail: FloatArray = cumulative[:, :, -1] + (day - horizon) * use.mean(2)
            return tail
        whole = int(day)
        part: FloatArray = cumulative[:, :, whole] + (day - whole) * use[:, :, whole]
        return part

    return until(end) - until(start)


def _from_day(use: FloatArray, day: float) -> FloatArray:
    """The use from a day on, on the nearest whole day; never empty."""
    return use[:, :, min(round(day), use.shape[2] - 1) :]


def _visit(day: float, pots: IntArray, room: FloatArray, water: FloatArray, use: FloatArray) -> Visit:
    if len(pots) == 0:
        return Visit(day, pots, np.zeros(0), np.zeros(0), np.zeros((3, 0)), 0.0)
    left = days_left(water, _from_day(use, day))
    mixed = float(np.quantile(room.sum(1), 0.9)) / 1000
    return Visit(day, pots, np.quantile(room, 0.1, axis=0), np.quantile(room, 0.9, axis=0), quantiles(left), mixed)


def _cannot_wait(
    to_mark: FloatArray, use: FloatArray, longest: float, calmer: Mapping[str, FloatArray], risk: float
) -> list[CannotWait]:
    lasts = days_left(to_mark, use)
    late = np.flatnonzero((lasts <= longest + SLIPPED_VISIT_DAYS).mean(0) > risk)
    found = []
    for pot in late:
        change = _first_that_lasts(calmer, to_mark[:, pot], int(pot), 0.0, longest + SLIPPED_VISIT_DAYS, risk)
        days = quantiles(lasts[:, pot])
        help_ = (
            f"It could wait with: {marked(change)}."
            if change
            else "No change tried here would let it wait: visit oftener."
        )
        lasts_says = f"{days[0]:.0f} to {days[2]:.0f} days and visits are up to {longest:.0f} apart"
        if days[0] > longest:
            worst = float(np.quantile(lasts[:, pot], risk, method="lower"))
            lasts_says = f"{lasts_says}, but it may last {worst:.0f} only and a visit may slip"
        says = f"Full, it lasts {lasts_says}. {help_}"
        found.append(CannotWait(int(pot), days, longest, change, says))
    return found


def _first_that_lasts(
    calmer: Mapping[str, FloatArray], water: FloatArray, pot: int, start: float, end: float, risk: float
) -> str | None:
    for change, use in calmer.items():
        mine = use[:, pot : pot + 1]
        needed = _used_between(_cumulative(mine), mine, start, end)[:, 0]
        if (water <= needed).mean() <= risk:
            return change
    return None


def _safe_days(lasts: FloatArray, risk: float) -> FloatArray:
    """Whole days (pots,) after which a pot is surely not dry yet, from its days left (draws, pots)."""
    if not lasts.size:
        return np.zeros(lasts.shape[1])
    return np.floor(np.quantile(lasts, risk, axis=0, method="lower") - SLIPPED_VISIT_DAYS)


def _sitter_visits(
    water: FloatArray,
    to_mark: FloatArray,
    use: FloatArray,
    cumulative: FloatArray,
    leave: float,
    back: float,
    watched: IntArray,
    risk: float,
) -> tuple[list[SitterVisit], bool]:
    """The visits that keep the watched pots wet, and whether they do so to the return."""
    water, day, fails = water.copy(), leave, watched
    visits: list[SitterVisit] = []
    while len(fails) and len(visits) < MOST_SITTER_VISITS:
        lasts = days_left(water[:, fails], _from_day(use[:, fails], day))
        next_day = day + float(_safe_days(lasts, risk).min())
        if next_day >= back or next_day <= day:
            break
        used = _used_between(cumulative, use, day, next_day)
        water, day = np.maximum(water - used, 0.0), next_day
        ahead = _used_between(cumulative, use, day, back + SLIPPED_VISIT_DAYS)
        due = np.flatnonzero((water <= ahead).mean(0) > risk)
        room = np.maximum(to_mark[:, due] - water[:, due], 0.0)
        if len(due):
            visits.append(SitterVisit(day, due, np.quantile(room, 0.1, axis=0), np.quantile(room, 0.9, axis=0)))
        water[:, due] = to_mark[:, due]
        ahead = _used_between(cumulative, use, day, back)
        fails = watched[(water[:, watched] <= ahead[:, watched]).mean(0) > risk]
    return visits, len(fails) == 0 or len(visits) < MOST_SITTER_VISITS


def _absence_says(
    filled: int, failing: int, unsaved: int, days: float, sitter: list[SitterVisit], is_whole: bool
) -> str:
    fill = f"Fill {_pots(filled)} on leaving" if filled else "Nothing needs filling on leaving"
    if failing == 0:
        return f"{fill}; every pot then lasts the {days:.0f} days."
    if not sitter:
        full = f"{_pots(failing)} may not last the {days:.0f} days even when full"
        return f"{full}, and no sitter's rhythm saves {'it' if failing == 1 else 'them'}."
    visits = "one visit" if len(sitter) == 1 else f"{len(sitter)} visits"
    if not is_whole:
        apart = round((sitter[-1].day - sitter[0].day) / (len(sitter) - 1))
        visits = f"a visit about every {apart} days, of which the first {len(sitter)} are planned"
    lost = f" No sitter's rhythm saves {unsaved} of them." if unsaved else ""
    return f"{fill}; {_pots(failing)} may not last the {days:.0f} days: a sitter needs {visits}.{lost}"


def _pots(number: int) -> str:
    return f"{number} pot{'s' if number != 1 else ''}"


def _no_plan(says: str) -> AbsencePlan:
    pots, amounts = np.zeros(0, np.int64), np.zeros(0)
    return AbsencePlan(pots, amounts, amounts, pots, amounts, np.zeros((3, 0)), {}, [], pots, says, says_only=True)
