"""Which pots need water on which visit, how much and how many litres to mix; and what an absence asks for.

Owns the meeting of the plan in days from now with the grower's calendar: visits fall on local dates, at most so many a
week and only on the weekdays of the settings. Amounts are plans to go to the mark, never data.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from analysis.held_series import FloatArray
from analysis.reservoir import water_ml
from analysis.rounds import (
    AbsencePlan,
    CannotWait,
    RoundPlan,
    SitterVisit,
    Visit,
    absence_plan,
    days_left,
    round_plan,
    visit_days,
    visiting_weekdays,
)
from dashboard.answers.calmer import calmer_shares
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.use_ahead import Ahead, use_ahead
from ingest.home import Home
from ingest.readings import DAY_MS
from ingest.settings import EVERY_DAY

HORIZON_DAYS = 14
SITTER_CAUTIONS = (
    "Fill to the mark, never above it: wet roots rot.",
    "If the mark is reached before the amount is used up, stop; note what was poured.",
    "One plant, one water: pour nothing from one pot into another.",
    "Plain water only; leave feed and treatments to the grower.",
    "Note what you found in each reservoir: empty, low, half or full.",
)


@dataclass(frozen=True)
class _Plan:
    """The pots that can be planned (places in the situation, n) with their draws: (draw, n) and (draw, n, day)."""

    situation: Situation
    pots: tuple[int, ...]
    ml_left: FloatArray
    to_mark_ml: FloatArray
    use_ml_per_day: FloatArray
    calmer_use: dict[str, FloatArray]
    today: date


def answer(home: Home, at_ms: int, away: tuple[int, int] | None = None) -> dict[str, Any]:
    """The contract of `round --json`, with the plan of an absence where one is asked for.

    away: (from_ms, to_ms). Returns `{at_ms, time_zone, visits: [{date, pots: [{pot, shelf, fill_ml, fill_at_most_ml,
    days_left}], litres_to_mix}], cannot_wait, unplanned: [{pot, says}], says, away}`.
    """
    zone = ZoneInfo(home.settings.grower.timezone)
    today = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date()
    empty: dict[str, Any] = {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "visits": [],
        "cannot_wait": [],
        "unplanned": [],
        "says": "No pot is in the logbook yet: there is nothing to water.",
        "away": None,
    }
    situation = situation_at(home, at_ms)
    if situation is None:
        return empty
    plan, unplanned = _planned(situation, today)
    visits = _visits(home, today)
    found = round_plan(plan.ml_left, plan.to_mark_ml, plan.use_ml_per_day, visits, calmer_use=plan.calmer_use)
    return {
        **empty,
        "visits": [_visit(plan, visit) for visit in found.visits],
        "cannot_wait": [_cannot_wait(plan, one) for one in found.cannot_wait],
        "unplanned": unplanned,
        "says": found.says or _says(plan, found),
        "away": None if away is None else _away(plan, at_ms, away, zone),
    }


def _planned(situation: Situation, today: date) -> tuple[_Plan, list[dict[str, str]]]:
    """The pots whose use can be expected, and a sentence for each of the others."""
    ahead = use_ahead(situation)
    pots = tuple(int(one) for one in np.flatnonzero(np.isfinite(ahead.use_ml_per_day).all(axis=(0, 2))))
    unplanned = [
        {
            "pot": pot.label,
            "says": f"The air on {pot.shelf} is not known: give it a sensor, another shelf's air, or look yourself.",
        }
        for index, pot in enumerate(situation.standing.pots)
        if index not in pots
    ]
    return _of_pots(situation, ahead, pots, today), unplanned


def _of_pots(situation: Situation, ahead: Ahead, pots: tuple[int, ...], today: date) -> _Plan:
    chosen = list(pots)
    use = ahead.use_ml_per_day[:, chosen]
    mark = np.array([water_ml(situation.vessels[one], situation.vessels[one].fill_mark_mm) for one in pots])
    calmer = {change: use * share[chosen][None, :, None] for change, share in calmer_shares(situation).items()}
    left = ahead.ml_left[:, chosen]
    return _Plan(situation, pots, left, np.broadcast_to(mark, left.shape), use, calmer, today)


def _visits(home: Home, today: date) -> FloatArray:
    """Days from today of the visits that the grower can keep."""
    grower = home.settings.grower
    can = [EVERY_DAY.index(day) for day in grower.weekdays]
    return visit_days(today.weekday(), visiting_weekdays(grower.visits_per_week, can), HORIZON_DAYS)


def _visit(plan: _Plan, visit: Visit) -> dict[str, Any]:
    rows = _fills(plan, visit.pots.tolist(), visit.fill_ml, visit.fill_at_most_ml)
    for row, days in zip(rows, visit.days_left.T, strict=True):
        row["days_left"] = _quantiles(days)
    rows.sort(key=lambda row: row["days_left"]["p10"])
    return {"date": _date(plan, visit.day), "pots": rows, "litres_to_mix": visit.litres_to_mix}


def _fills(plan: _Plan, pots: Sequence[int], fill_ml: FloatArray, at_most_ml: FloatArray) -> list[dict[str, Any]]:
    """Amounts by pot; None where nobody measured the reservoir: then the mark alone says how much."""
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
                "rests_on": "measured" if plan.situation.waters[plan.pots[number]].measured else "borrowed",
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


def _says(plan: _Plan, found: RoundPlan) -> str:
    """The round in one sentence."""
    if not plan.pots:
        return "No pot can be planned: no shelf's air is known."
    due = next((visit for visit in found.visits if visit.pots.size), None)
    if due is None:
        return f"No pot needs water within {HORIZON_DAYS} days."
    when = _date(plan, due.day)
    count = f"{due.pots.size} pot{'s' if due.pots.size != 1 else ''}"
    early = _dry_before(plan, found)
    late = f" Before the next round these may run dry: {', '.join(early)}." if early else ""
    return f"Next round {when}: {count}, mix {due.litres_to_mix:.1f} L.{late}"


def _dry_before(plan: _Plan, found: RoundPlan) -> list[str]:
    """Pots that in one draw of ten are dry before the first visit."""
    first = float(found.visits[0].day)
    lasts = np.quantile(days_left(plan.ml_left, plan.use_ml_per_day), 0.1, axis=0, method="inverted_cdf")
    return [plan.situation.standing.pots[plan.pots[int(one)]].label for one in np.flatnonzero(lasts < first)]


def _away(plan: _Plan, at_ms: int, away: tuple[int, int], zone: ZoneInfo) -> dict[str, Any]:
    """The plan of an absence, with all that a sheet for the sitter needs."""
    leave, back = ((moment - at_ms) / DAY_MS for moment in away)
    dates = [datetime.fromtimestamp(moment / 1000, UTC).astimezone(zone).date().isoformat() for moment in away]
    found = absence_plan(plan.ml_left, plan.to_mark_ml, plan.use_ml_per_day, leave, back, calmer_use=plan.calmer_use)
    return {
        "from": dates[0],
        "to": dates[1],
        "says": found.says,
        "fill_before": [
            {key: row[key] for key in ("pot", "shelf", "fill_ml", "rests_on")}
            for row in _fills(plan, found.fill_before.tolist(), found.fill_ml, found.fill_ml)
        ],
        "fails": _fails(plan, found),
        "sitter": {
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


def _sitter_visit(plan: _Plan, visit: SitterVisit) -> dict[str, Any]:
    rows = _fills(plan, visit.pots.tolist(), visit.fill_ml, visit.fill_at_most_ml)
    shelf_order = list(plan.situation.standing.shelves)
    rows.sort(key=lambda row: shelf_order.index(row["shelf"]) if row["shelf"] in shelf_order else len(shelf_order))
    litres = sum(row["fill_at_most_ml"] or 0.0 for row in rows) / 1000
    return {"date": _date(plan, visit.day), "pots": rows, "litres": litres}


def _date(plan: _Plan, day: float) -> str:
    return (plan.today + timedelta(days=int(day))).isoformat()


def _quantiles(values: FloatArray) -> dict[str, float | None]:
    """p10, p50, p90; None for a pot that uses nothing and so lasts for ever."""
    return {
        name: float(value) if np.isfinite(value) else None
        for name, value in zip(("p10", "p50", "p90"), values, strict=True)
    }
