"""Which pots need water on which visit, how much and how many litres to mix; and what an absence asks for.

Owns the meeting of the plan in days from now with the grower's calendar: visits fall on local dates, at most so many a
week and only on the weekdays of the settings. Amounts are plans to go to the mark, never data. Visits are planned with
the use at the usual level, which is the careful side; how long a reservoir lasts is told as it truly empties.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from analysis.held_series import FloatArray
from analysis.quantities import quantity
from analysis.reservoir import water_ml
from analysis.rounds import (
    AbsencePlan,
    CannotWait,
    RoundPlan,
    SitterVisit,
    absence_plan,
    quantiles,
    round_plan,
    visit_days,
    visiting_weekdays,
)
from dashboard.answers.calmer import calmer_shares
from dashboard.answers.round_marks import round_marks_mm
from dashboard.answers.salt import salts_of
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.use_ahead import Ahead, use_ahead, week_of_spot_checks
from ingest.home import Home
from ingest.readings import DAY_MS
from ingest.settings import EVERY_DAY

HORIZON_DAYS = 14
USUAL_GAP_DAYS = 7.0
NO_AIR = "No pot can be planned: no shelf's air is known."
GO_ON = "After the last of these go on at the same pace until I am back."
SITTER_CAUTIONS = (
    "Fill to the mark, never above it: wet roots rot.",
    "If the mark is reached before the amount is used up, stop; note what was poured.",
    "One plant, one water: pour nothing from one pot into another.",
    "Plain water only; leave feed and treatments to the grower.",
    "Note what you found in each reservoir: empty, low, half or full.",
)


@dataclass(frozen=True)
class _Plan:
    """The pots that can be planned (places in the situation, n) with their draws: (draw, n) and (draw, n, day).

    pace_ml_per_day: at which a full reservoir empties when nobody comes; calmer_pace: the same after a change.
    mark_mm (n,): to where each is filled, lower than its mark while it is eased over after a repot;
    full_ml: to the mark.
    """

    situation: Situation
    pots: tuple[int, ...]
    ml_left: FloatArray
    to_mark_ml: FloatArray
    use_ml_per_day: FloatArray
    days_left: FloatArray
    full_days: FloatArray
    pace_ml_per_day: FloatArray
    calmer_pace: dict[str, FloatArray]
    mark_mm: FloatArray
    full_ml: FloatArray
    today: date

    def is_eased(self, number: int) -> bool:
        """Whether a pot is filled less high than its mark."""
        return bool(self.mark_mm[number] < self.situation.vessels[self.pots[number]].fill_mark_mm)


def answer(home: Home, at_ms: int, away: tuple[int, int] | None = None) -> dict[str, Any]:
    """The contract of `round --json`, with the plan of an absence where one is asked for.

    away: (from_ms, to_ms); where none is asked for, the noted absence that is under way or begins within the plan's
    days is planned, and no visit falls into a noted one. Returns `{at_ms, time_zone, visits: [{date, pots: [{pot,
    shelf, fill_ml, fill_at_most_ml, fill_mark_mm, eased, level_is_known, days_left, water: feed | plain | None,
    flush}], litres_to_mix}], eased: {pot: mm}, cannot_wait, unplanned: [{pot, says}], guessed_air: [sentence],
    salts: [{pot, due, rota, says, ..}], says, away}`.
    """
    zone = ZoneInfo(home.settings.grower.timezone)
    today = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date()
    empty: dict[str, Any] = {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "visits": [],
        "eased": {},
        "cannot_wait": [],
        "unplanned": [],
        "guessed_air": [],
        "salts": [],
        "says": "No pot is in the logbook yet: there is nothing to water.",
        "away": None,
    }
    situation = situation_at(home, at_ms)
    if situation is None:
        return empty
    noted = _noted_absence(home, at_ms)
    planned = away or noted
    visits = _visits(home, today, noted, zone)
    plan, unplanned = _planned(situation, today, float(np.diff(visits).max()) if visits.size > 1 else USUAL_GAP_DAYS)
    found = round_plan(
        plan.ml_left,
        plan.to_mark_ml,
        plan.use_ml_per_day,
        visits,
        calmer_use=plan.calmer_pace,
        full_use_ml_per_day=plan.pace_ml_per_day,
        unseen=[number for number, place in enumerate(plan.pots) if not _level_is_known(situation, place)],
    )
    return {
        **empty,
        "visits": _visits_told(plan, found),
        "eased": _eased(plan),
        "cannot_wait": [_cannot_wait(plan, one) for one in found.cannot_wait if not plan.is_eased(one.pot)],
        "unplanned": unplanned,
        "salts": list(salts_of(situation)),
        "guessed_air": _guessed_air(plan),
        "says": " ".join(filter(None, (_noted_says(noted, zone), _says(plan, found), *_guessed_air(plan)))),
        "away": _away(plan, at_ms, planned, zone) if planned else None,
    }


def _planned(situation: Situation, today: date, longest_gap_days: float) -> tuple[_Plan, list[dict[str, str]]]:
    """The pots whose use can be expected, and a sentence for each of the others."""
    ahead = use_ahead(situation)
    pots = tuple(int(one) for one in np.flatnonzero(np.isfinite(ahead.use_ml_per_day).all(axis=(0, 2))))
    unplanned = [
        {
            "pot": pot.label,
            "says": f"The air on {pot.shelf} is not known: give it a sensor, another shelf's air or a spot check.",
        }
        for index, pot in enumerate(situation.standing.pots)
        if index not in pots
    ]
    return _of_pots(situation, ahead, pots, today, longest_gap_days), unplanned


def _of_pots(situation: Situation, ahead: Ahead, pots: tuple[int, ...], today: date, longest_gap_days: float) -> _Plan:
    chosen = list(pots)
    use = ahead.use_ml_per_day[:, chosen]
    vessels = [situation.vessels[one] for one in pots]
    mark_mm = round_marks_mm(situation, ahead, longest_gap_days)[chosen]
    left, full_days = ahead.ml_left[:, chosen], ahead.full_days[:, chosen]
    full, mark = (
        np.broadcast_to([water_ml(vessel, level) for vessel, level in zip(vessels, levels, strict=True)], left.shape)
        for levels in ([vessel.fill_mark_mm for vessel in vessels], mark_mm)
    )
    with np.errstate(divide="ignore"):
        pace = (full / np.maximum(full_days, 1e-6))[:, :, None]
    full_days = full_days * mark / np.maximum(full, 1e-9)
    calmer = {change: pace * share[chosen][None, :, None] for change, share in calmer_shares(situation).items()}
    days = ahead.days_left[:, chosen]
    return _Plan(situation, pots, left, mark, use, days, full_days, pace, calmer, mark_mm, full, today)


def _noted_absence(home: Home, at_ms: int) -> tuple[int, int] | None:
    """The absence in the logbook that is under way, or the first that begins within the plan's days."""
    notes = home.logbook.notes(until_ms=at_ms + HORIZON_DAYS * DAY_MS, kinds=["absence"])
    spans = [(max(note.time_ms, at_ms), note.detail.get("until_ms") or 0) for note in notes]
    return min((span for span in spans if span[1] > span[0]), default=None)


def _noted_says(noted: tuple[int, int] | None, zone: ZoneInfo) -> str:
    if noted is None:
        return ""
    leave, back = _dates(noted, zone)
    return f"You are away from {leave.isoformat()} to {back.isoformat()}: see what to fill before."


def _dates(span: tuple[int, int], zone: ZoneInfo) -> tuple[date, date]:
    """First and last day of a span on the grower's clock; one that ends at midnight ends with the day before."""
    first, last = (
        datetime.fromtimestamp(moment / 1000, UTC).astimezone(zone).date() for moment in (span[0], span[1] - 1)
    )
    return first, last


def _visits(home: Home, today: date, noted: tuple[int, int] | None, zone: ZoneInfo) -> FloatArray:
    """Days from today of the visits that the grower can keep: the days of leaving and coming back are still theirs."""
    grower = home.settings.grower
    can = [EVERY_DAY.index(day) for day in grower.weekdays]
    days = visit_days(today.weekday(), visiting_weekdays(grower.visits_per_week, can), HORIZON_DAYS)
    if noted is None:
        return days
    leave, back = ((day - today).days for day in _dates(noted, zone))
    return days[(days <= leave) | (days >= back)]


def _visits_told(plan: _Plan, found: RoundPlan) -> list[dict[str, Any]]:
    """The visits in order; what a pot has left on arrival follows from its last fill before."""
    filled_on: dict[int, float] = {}
    turns: dict[int, int] = {}
    told = []
    for visit in found.visits:
        rows = _fills(plan, visit.pots.tolist(), visit.fill_ml, visit.fill_at_most_ml)
        for row, number in zip(rows, visit.pots.tolist(), strict=True):
            days = quantiles(_days_left_on(plan, number, visit.day, filled_on))
            row.update(days_left=_quantiles(days), **_water(plan, number, turns))
            filled_on[number] = visit.day
        rows.sort(key=_soonest)
        told.append({"date": _date(plan, visit.day), "pots": rows, "litres_to_mix": _litres(visit.litres_to_mix)})
    return told


def _eased(plan: _Plan) -> dict[str, float]:
    """To how many mm those are filled that are kept lower than their mark."""
    pots = [(number, plan.situation.standing.pots[place]) for number, place in enumerate(plan.pots)]
    return {pot.label: float(plan.mark_mm[n]) for n, pot in pots if plan.is_eased(n) and pot.vessel is not None}


def _level_is_known(situation: Situation, place: int) -> bool:
    water = situation.waters[place]
    return water.level_known or water.measured


def _soonest(row: dict[str, Any]) -> float:
    days = row["days_left"]["p10"]
    return float("inf") if days is None else float(days)


def _days_left_on(plan: _Plan, number: int, day: float, filled_on: dict[int, float]) -> FloatArray:
    """Days that a pot's water still lasts on a day (draw,), if it is filled as planned until then."""
    if number in filled_on:
        return np.maximum(plan.full_days[:, number] - (day - filled_on[number]), 0.0)
    return np.maximum(plan.days_left[:, number] - day, 0.0)


def _water(plan: _Plan, number: int, turns: dict[int, int]) -> dict[str, Any]:
    """Whether this refill of a pot is its turn for feed or plain water, and whether a flush is due with it."""
    salt = salts_of(plan.situation)[plan.pots[number]]
    turn = turns.get(number, 0)
    turns[number] = turn + 1
    rota = salt["rota"]
    return {"water": rota[turn % len(rota)] if rota else None, "flush": salt["due"] == "now" and turn == 0}


def _fills(
    plan: _Plan, pots: Sequence[int], fill_ml: FloatArray, at_most_ml: FloatArray, *, eased: bool = True
) -> list[dict[str, Any]]:
    """Amounts by pot; None where nobody measured the reservoir: then the mark alone says how much."""
    marks = [plan.situation.vessels[place].fill_mark_mm for place in plan.pots]
    mark_mm = plan.mark_mm if eased else np.array(marks)
    rows = []
    for number, one, most in zip(pots, fill_ml, at_most_ml, strict=True):
        pot = plan.situation.standing.pots[plan.pots[number]]
        known = pot.vessel is not None
        rows.append(
            {
                "pot": pot.label,
                "shelf": pot.shelf,
                "fill_ml": float(one) if known else None,
                "fill_at_most_ml": float(most) if known else None,
                "fill_mark_mm": float(mark_mm[number]) if known else None,
                "eased": known and eased and plan.is_eased(number),
                "level_is_known": _level_is_known(plan.situation, plan.pots[number]),
                "rests_on": "measured" if use_ahead(plan.situation).thirsts.measured[plan.pots[number]] else "borrowed",
            }
        )
    return rows


def _cannot_wait(plan: _Plan, one: CannotWait) -> dict[str, Any]:
    return {
        "pot": plan.situation.standing.pots[plan.pots[one.pot]].label,
        "full_lasts_days": _quantiles(one.full_lasts_days),
        "longest_gap_days": one.longest_gap_days,
        "change": one.change,
        "says": one.says,
    }


def _guessed_air(plan: _Plan) -> list[str]:
    """A sentence for each shelf whose air is guessed from what a person looked at now and then."""
    shelves = dict.fromkeys(plan.situation.standing.pots[one].shelf for one in plan.pots)
    checks = {shelf: week_of_spot_checks(plan.situation, shelf) for shelf in shelves}
    return [f"The air on {shelf} is guessed from {told}." for shelf, told in checks.items() if told]


def _says(plan: _Plan, found: RoundPlan) -> str:
    """The round in one sentence."""
    if not plan.pots:
        return NO_AIR
    if found.says:
        return found.says
    due = next((visit for visit in found.visits if visit.pots.size), None)
    if due is None:
        return f"No pot needs water within {HORIZON_DAYS} days."
    when = _date(plan, due.day)
    count = f"{due.pots.size} pot{'s' if due.pots.size != 1 else ''}"
    early = _dry_before(plan, found)
    late = f" Before the next round these may run dry: {', '.join(early)}." if early else ""
    return f"Next round {when}: {count}, mix {quantity(_litres(due.litres_to_mix), 'L', '.1f')}.{late}"


def _dry_before(plan: _Plan, found: RoundPlan) -> list[str]:
    """Pots that in one draw of ten are dry before the first visit."""
    first = float(found.visits[0].day)
    lasts = np.quantile(plan.days_left, 0.1, axis=0, method="inverted_cdf")
    return [plan.situation.standing.pots[plan.pots[int(one)]].label for one in np.flatnonzero(lasts < first)]


def _away(plan: _Plan, at_ms: int, away: tuple[int, int], zone: ZoneInfo) -> dict[str, Any]:
    """The plan of an absence, with all that a sheet for the sitter needs."""
    leave, back = ((moment - at_ms) / DAY_MS for moment in away)
    dates = [day.isoformat() for day in _dates(away, zone)]
    found = absence_plan(plan.ml_left, plan.full_ml, plan.pace_ml_per_day, leave, back, calmer_use=plan.calmer_pace)
    return {
        "from": dates[0],
        "to": dates[1],
        "days": back - leave,
        "says": found.says if plan.pots else NO_AIR,
        "fill_before": [
            {
                key: row[key]
                for key in ("pot", "shelf", "fill_ml", "fill_at_most_ml", "fill_mark_mm", "eased", "rests_on")
            }
            for row in _fills(plan, found.fill_before.tolist(), found.fill_ml, found.fill_at_most_ml, eased=False)
        ],
        "fails": _fails(plan, found),
        "sitter": {
            "says": _sitter_says(plan, found),
            "then": GO_ON if found.goes_on else "",
            "visits": [_sitter_visit(plan, visit) for visit in found.sitter],
            "cautions": list(SITTER_CAUTIONS) if found.sitter else [],
        },
    }


def _fails(plan: _Plan, found: AbsencePlan) -> list[dict[str, Any]]:
    """Pots that a full reservoir does not carry, worst first."""
    return [
        {
            "pot": plan.situation.standing.pots[plan.pots[int(number)]].label,
            "chance_dry": float(chance),
            "dry_after_days": _quantiles(days),
            "stop_gap": found.stop_gaps[int(number)],
        }
        for number, chance, days in zip(found.fails, found.chance_dry, found.dry_after_days.T, strict=True)
    ]


def _sitter_says(plan: _Plan, found: AbsencePlan) -> str:
    """The heading of the sitter's sheet, or why there is none."""
    if found.sitter:
        days = ", ".join(_date(plan, visit.day) for visit in found.sitter)
        then = f" {GO_ON}" if found.goes_on else ""
        return f"Please come on {days}.{then} Pour slowly, each pot to the mark on its gauge."
    if not plan.pots or found.says_only:
        return ""
    return "Nobody needs to come." if not found.fails.size else "No sitter's rhythm saves the pots that may not last."


def _sitter_visit(plan: _Plan, visit: SitterVisit) -> dict[str, Any]:
    rows = _fills(plan, visit.pots.tolist(), visit.fill_ml, visit.fill_at_most_ml, eased=False)
    shelf_order = list(plan.situation.standing.shelves)
    rows.sort(key=lambda row: shelf_order.index(row["shelf"]) if row["shelf"] in shelf_order else len(shelf_order))
    litres = sum(row["fill_at_most_ml"] or 0.0 for row in rows) / 1000
    return {"date": _date(plan, visit.day), "pots": rows, "litres": _litres(litres)}


def _litres(litres: float) -> float:
    """What is mixed or brought, to the next tenth of a litre: it has to suffice."""
    return float(np.ceil(10.0 * litres - 1e-9)) / 10.0


def _date(plan: _Plan, day: float) -> str:
    return (plan.today + timedelta(days=int(day))).isoformat()


def _quantiles(values: FloatArray) -> dict[str, float | None]:
    """p10, p50, p90; None for a pot that uses nothing and so lasts for ever."""
    return {
        name: float(value) if np.isfinite(value) else None
        for name, value in zip(("p10", "p50", "p90"), values, strict=True)
    }
