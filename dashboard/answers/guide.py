"""Which change a pot needs in its climate, if any: one advice and one reason a pot, with every option beside it.

Owns the gathering of the last four weeks for `analysis.guide` and the words of what an answer rests on.
"""

from typing import Any

import numpy as np
import pandas as pd

from analysis.calibration import calibrate
from analysis.guide import Advice, Outlook, advise
from analysis.guide import Home as Advised
from analysis.looks import best_look
from analysis.outcomes import tips_in_the_medium
from analysis.rooting import rooting_depths
from dashboard.answers import lines as dry_lines
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.two_spells import daily
from dashboard.answers.use_ahead import STEPS_A_DAY
from ingest.home import Home
from ingest.readings import DAY_MS

DAYS = 28
DRAWS = 100
SEED = 20260304


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """The contract of `guide --json`, with the reason, warnings and the one look that would settle most."""
    situation = situation_at(home, at_ms)
    if situation is None:
        return {"at_ms": at_ms, "shelves": [], "look": None, "says": "No pot is in the logbook yet."}
    draws = situation.posterior.draws(np.random.default_rng(SEED), DRAWS)
    physics = calibrate(situation.posterior.columns).draws(np.random.default_rng(SEED), DRAWS)
    advised = _advised(situation)
    looked = _looked_at(situation)
    advice = advise(
        advised,
        draws,
        physics=physics,
        noted_vpd_kpa=[_span_of(looked, pot.label) for pot in situation.standing.pots],
        covers_noted=sorted(set(looked["cover"])),
    )
    with_air = [place for place, one in enumerate(advice) if one.options]
    window = dry_lines.line_steps(situation.course.end_ms)
    now_mm = dry_lines.lines(situation.standing, situation.course, situation.columns, situation.waters, draws, window)[
        -1
    ]
    labels, answers = [advice[place].pot for place in with_air], [advice[place].answer_draws for place in with_air]
    look = best_look(labels, now_mm[:, with_air], answers) if with_air else None
    shelves = dict.fromkeys(pot.shelf for pot in situation.standing.pots)
    return {
        "at_ms": at_ms,
        "shelves": [
            {
                "shelf": shelf,
                "vpd_week_kpa": _week(situation, shelf),
                "pots": [
                    _pot(situation, place, one)
                    for place, one in enumerate(advice)
                    if situation.standing.pots[place].shelf == shelf
                ],
            }
            for shelf in shelves
        ],
        "look": None if look is None else {"what": look.what, "settles": list(look.settles), "says": look.says},
        "says": "Try one of two pots, look after two weeks, then the rest: depths are unproven on real pots.",
    }


def _advised(situation: Situation) -> Advised:
    course, pots = situation.course, situation.standing.pots
    days = min(DAYS, course.end_ms.size // STEPS_A_DAY)
    last = course.end_ms.size
    first = last - days * STEPS_A_DAY
    level = np.stack([water.level_mm for water in situation.waters], axis=1)

    def by_day(series: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return np.stack([daily(series[:, place], first, last) for place in range(len(pots))], axis=1)

    rounds = np.zeros(days, dtype=np.bool_)
    for water in situation.waters:
        ago = (course.end_ms[-1] - water.notes.time_ms[water.notes.pours]) // DAY_MS
        rounds[days - 1 - ago[(ago >= 0) & (ago < days)]] = True
    groups = [(str(pot.about.get("roots", "fine")), str(pot.about.get("likes", "even"))) for pot in pots]
    rooting = rooting_depths(_tips(situation, groups), groups)
    rng = np.random.default_rng(SEED)
    return Advised(
        labels=tuple(pot.label for pot in pots),
        setups=[pot.setup for pot in pots],
        shelves=[situation.standing.shelves.get(pot.shelf, {}) for pot in pots],
        pots=[pot.about for pot in pots],
        vpd_kpa=by_day(course.vpd_kpa),
        temperature_c=by_day(course.temperature_c),
        level_mm=by_day(level),
        rooting_mm=np.stack([rooting[group].draws_mm(DRAWS, rng) for group in groups], axis=1),
        round_days=rounds,
        moister=[None] * len(pots),
        moister_vpd_kpa=np.full((days, len(pots)), np.nan),
    )


def _tips(situation: Situation, groups: list[tuple[str, str]]) -> pd.DataFrame:
    """Counted tips of every inspection beside the dry layer of the fortnight before it."""
    notes, pots, end_ms = situation.notes, situation.standing.pots, situation.course.end_ms
    place = {pot.label: index for index, pot in enumerate(pots)}
    looks = notes[(notes["kind"] == "inspection") & notes["pot"].isin(list(place))]
    details = [detail or {} for detail in looks["detail"]]
    tips = tips_in_the_medium(
        looks.assign(
            resting=[bool(detail.get("resting")) for detail in details],
            tips_not_in_medium=[bool(detail.get("tips_not_in_medium")) for detail in details],
        )
    )
    index = [place[label] for label in tips["pot"]]
    until = np.searchsorted(end_ms, tips["time_ms"].to_numpy(np.int64), side="right")
    middle = situation.whole_line_mm[1]
    exposure = [
        float(middle[max(0, step - 14 * STEPS_A_DAY) : step, pot].mean()) if step >= STEPS_A_DAY else np.nan
        for step, pot in zip(until, index, strict=True)
    ]
    return tips.assign(
        roots=[groups[pot][0] for pot in index], likes=[groups[pot][1] for pot in index], dry_depth_14d_mm=exposure
    )


def _looked_at(situation: Situation) -> pd.DataFrame:
    """Every look at a depth, with the dryness of the week before it and the cover that then lay on the pot."""
    pots, course = {pot.label: index for index, pot in enumerate(situation.standing.pots)}, situation.course
    notes = situation.notes
    seen = notes["dry_layer_low_mm"].notna() | notes["dry_layer_high_mm"].notna()
    looks = notes[(notes["kind"] == "inspection") & notes["pot"].isin(list(pots)) & seen]
    rows = []
    for label, time_ms in zip(looks["pot"], looks["time_ms"], strict=True):
        step = int(np.searchsorted(course.end_ms, time_ms, side="right"))
        week = course.vpd_kpa[max(0, step - 7 * STEPS_A_DAY) : step, pots[label]]
        setup = dry_lines.in_force(situation.standing.pots[pots[label]].setups, int(time_ms))
        kind = str((setup.get("top_layer") or {}).get("kind", "none"))
        rows.append((label, float(week[np.isfinite(week)].mean()) if np.isfinite(week).any() else np.nan, kind))
    return pd.DataFrame(rows, columns=["pot", "vpd_kpa", "cover"])


def _span_of(looked: pd.DataFrame, pot: str) -> tuple[float, float] | None:
    """The least and the greatest dryness in which a pot was looked at; None where it never was."""
    vpd = looked.loc[looked["pot"] == pot, "vpd_kpa"].dropna()
    return None if vpd.empty else (float(vpd.min()), float(vpd.max()))


def _week(situation: Situation, shelf: str) -> dict[str, float] | None:
    place = next(index for index, pot in enumerate(situation.standing.pots) if pot.shelf == shelf)
    week = situation.course.vpd_kpa[-7 * STEPS_A_DAY :, place]
    week = week[np.isfinite(week)]
    if not week.size:
        return None
    low, middle, high = np.quantile(week, [0.1, 0.5, 0.9])
    return {"p10": float(low), "p50": float(middle), "p90": float(high)}


def _pot(situation: Situation, place: int, advice: Advice) -> dict[str, Any]:
    options = [_option(one) for one in advice.options]
    now = {key: options[0][key] for key in ("chance_too_dry", "low", "high")} if options else None
    return {
        "pot": advice.pot,
        "now": now,
        "options": options,
        "advice": advice.change or None,
        "sure": advice.sure,
        "says": advice.says,
        "warnings": list(advice.warnings),
        "rests_on": situation.posterior.rests_on[place],
    }


def _option(one: Outlook) -> dict[str, Any]:
    critical = one.critical_vpd_kpa
    return {
        "change": one.option.change,
        "chance_too_dry": one.chance_too_dry,
        "low": min(one.low, one.chance_too_dry),
        "high": max(one.high, one.chance_too_dry),
        "chance_too_wet": one.chance_too_wet,
        "critical_vpd_kpa": float(critical) if np.isfinite(critical) else None,
        "suffices": one.suffices,
        "caution": one.option.caution,
    }
