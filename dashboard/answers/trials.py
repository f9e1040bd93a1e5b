"""Which pots differ in one thing only, and what that has shown so far; and which are alike, ready for a trial.

Two set-ups are compared as columns of numbers and words, not as a person wrote them, so that "few" holes and six of
6 mm are the same. The moment at which two pots began to differ is found by walking their set-ups back.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.options import options_for
from analysis.quantities import marked, quantity
from analysis.trials import (
    SETTLE_DAYS,
    Pair,
    TrialResult,
    looks_needed,
    paired_looks,
    pairs_that_differ_in_one,
    trial_result,
)
from dashboard.answers.lines import in_force
from dashboard.answers.pots import air_is_known
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.standing import Description, StandingPot, columns_of
from ingest.home import Home
from ingest.readings import DAY_MS

#: What a trial may be about: not the shelf, whose air differs in more than one way, nor the size of the pot.
FACTORS = ("cover", "hole_area_mm2", "wick_strands", "mix", "gap")
MOST_PROPOSED = 6
WORTH_TRYING = ("pebbles 20 mm", "pebbles 10 mm", "close half of the holes", "damp moss collar", "second wick")
"""What a trial may begin with: changes that one hand makes and takes back."""
NONE_ALIKE = "No two pots on one shelf are built alike and free for another trial."
HOPED_FOR = 0.5
"""The share of the dry layer by which a change is hoped to lift it."""


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """What `trials --json` prints: pairs, what differs since when, the difference so far, and proposals.

    `{trials: [{pot, other, shelf, factor, value, other_value, since_ms, looks, planned_looks, difference_mm, low_mm,
    high_mm, verdict, seen: [{time_ms, difference_mm, counts}], next_look_says, says}], questions: [the same over all
    pairs that ask one thing, each pot once], proposed: [{pot, other, shelf, change, looks_needed, why, says}],
    proposed_says, says}`. A look counts once the column has settled.
    """
    situation = situation_at(home, at_ms)
    if situation is None:
        nothing = {"at_ms": at_ms, "trials": [], "questions": [], "proposed": [], "proposed_says": ""}
        return {**nothing, "says": "No pot is in the logbook yet."}
    pots = {pot.label: pot for pot in situation.standing.pots}
    pairs = pairs_that_differ_in_one(_table(situation, [pot.setup for pot in pots.values()]), FACTORS)
    looks = _looks(situation)
    running = [_trial(situation, pots, looks, pair) for pair in pairs if pair.factor]
    busy = {one[side] for one in running if one["verdict"] in ("too_few", "undecided") for side in ("pot", "other")}
    proposed = _proposed(situation, pots, [pair for pair in pairs if not pair.factor], busy)
    return {
        "at_ms": at_ms,
        "trials": running,
        "questions": _questions(situation, pots, looks, [pair for pair in pairs if pair.factor]),
        "proposed": proposed,
        "proposed_says": "" if proposed else NONE_ALIKE,
        "says": "" if running else "No two pots differ in one thing only.",
    }


def _proposed(
    situation: Situation, pots: Mapping[str, StandingPot], alike: Sequence[Pair], busy: set[str]
) -> list[dict[str, Any]]:
    """Pairs that are alike, the driest first, each with the one change that could be tried on one of them.

    A pot is in one trial at a time: a change for a second one would spoil the first.
    """
    places = {label: place for place, label in enumerate(pots)}
    line_mm = np.median(situation.expects_mm(), axis=0)
    line_mm[[not air_is_known(situation, place) for place in places.values()]] = np.nan

    def depth_mm(pair: Pair) -> float:
        return float(max(line_mm[places[pair.pot]], line_mm[places[pair.other]]))

    found: list[dict[str, Any]] = []
    taken = set(busy)
    for pair in sorted(alike, key=lambda pair: np.nan_to_num(depth_mm(pair), nan=-1.0), reverse=True):
        if taken & {pair.pot, pair.other} or len(found) == MOST_PROPOSED:
            continue
        taken |= {pair.pot, pair.other}
        pot = pots[pair.pot]
        fits = {option.change for option in options_for(pot.setup, situation.standing.shelves.get(pot.shelf, {}))}
        change = next((one for one in WORTH_TRYING if one in fits), None)
        needed = looks_needed(depth_mm(pair) * HOPED_FOR)
        found.append(
            {
                "pot": pair.pot,
                "other": pair.other,
                "shelf": pot.shelf,
                "change": change,
                "looks_needed": needed,
                "why": _why(pair, pot.shelf, depth_mm(pair), change, needed),
                "says": f"{pair.pot} and {pair.other} are alike: change one thing on one of them and look at both.",
            }
        )
    return found


def _why(pair: Pair, shelf: str, depth_mm: float, change: str | None, needed: int | None) -> str:
    alike = f"{pair.pot} and {pair.other} are built alike and stand in the same air"
    if np.isnan(depth_mm):
        return f"{alike}; how dry they are cannot be told, for the air on {shelf} is not known."
    alike += f", dry to about {quantity(depth_mm, 'mm')}"
    if change is None:
        return f"{alike}; nothing that lies in one hand's reach is left to try on one of them."
    if needed is None:
        return f"{alike}: so shallow that a difference by {marked(change)} would hardly show."
    then = f"with {marked(change)} on one, about {needed} looks show whether it halves that"
    return f"{alike}. Look at both first; then, {then}."


def _questions(
    situation: Situation, pots: Mapping[str, StandingPot], looks: pd.DataFrame, pairs: Sequence[Pair]
) -> list[dict[str, Any]]:
    """The difference over all pairs that ask the same, where there is more than one; each pot speaks once."""
    asked: dict[tuple[str, str, str], list[Pair]] = {}
    for pair in pairs:
        values = (str(pair.value), str(pair.other_value))
        turned = values[0] > values[1]
        straight = Pair(pair.other, pair.pot, pair.factor, pair.other_value, pair.value) if turned else pair
        same = asked.setdefault((pair.factor, str(straight.value), str(straight.other_value)), [])
        if not {pair.pot, pair.other} & {label for one in same for label in (one.pot, one.other)}:
            same.append(straight)
    found = []
    for (factor, value, other_value), same in asked.items():
        if len(same) < 2:
            continue
        since = [_differ_since_ms(situation, pots[one.pot], pots[one.other], factor) for one in same]
        result = trial_result([paired_looks(looks, one.pot, one.other) for one in same], since)
        found.append(
            {
                "factor": factor,
                "value": value,
                "other_value": other_value,
                "pairs": [[one.pot, one.other] for one in same],
                "looks": result.looks,
                **_difference(result),
                "verdict": result.verdict,
                "says": result.says,
            }
        )
    return found


def _table(situation: Situation, setups: Sequence[Description]) -> pd.DataFrame:
    """A row a pot, a column a thing that matters, from set-ups in the order of the standing pots."""
    pots = situation.standing.pots
    columns = columns_of(list(setups), pots, situation.standing.shelves)
    hole_mm2 = columns.vent_count * 0.25 * np.pi * columns.vent_diameter_mm**2
    rows = [
        {
            "shelf": setup["shelf"],
            "mix": _mix(columns.media, columns.layer_share[:, :, index]),
            "l1_mm": float(columns.layer_l1_mm[-1, index]),
            "column_mm": float(columns.column_mm[index] - columns.porous_cover_mm[index]),
            "area_mm2": float(columns.area_mm2[index]),
            "cover": _cover(setup.get("top_layer") or {}),
            "hole_area_mm2": float(round(hole_mm2[index])),
            "wick_strands": float(round(1.0 / max(float(columns.wick_mm_per_ml_per_day[index]), 1e-9), 1)),
            "gap": setup.get("gap") or "none",
        }
        for index, setup in enumerate(setups)
    ]
    return pd.DataFrame(rows, index=[pot.label for pot in pots])


def _mix(media: Sequence[str], share: np.ndarray[Any, Any]) -> str | None:
    """The media of the lowest layer in tenths, as a word that equal mixes share; None where nobody knows them."""
    if share[-1][list(media).index("unknown")] > 0:
        return None
    tenths = np.round(10 * share[-1]).astype(int)
    return ", ".join(f"{name.replace('_', ' ')} {part}/10" for name, part in zip(media, tenths, strict=True) if part)


def _cover(cover: Mapping[str, Any]) -> str:
    kind, thickness_mm = cover.get("kind", "none"), float(cover.get("thickness_mm") or 0.0)
    if kind == "none" or thickness_mm == 0.0:
        return "none"
    in_place = " in place of medium" if cover.get("replaces_medium") else ""
    return f"{kind.replace('_', ' ')} {quantity(5 * round(thickness_mm / 5), 'mm')}{in_place}"


def _looks(situation: Situation) -> pd.DataFrame:
    """Depths as noted: the middle of each interval."""
    notes = situation.notes[situation.notes["kind"] == "inspection"]
    low, high = notes["dry_layer_low_mm"], notes["dry_layer_high_mm"]
    return pd.DataFrame({"pot": notes["pot"], "time_ms": notes["time_ms"], "depth_mm": (low + high) / 2.0})


def _trial(situation: Situation, pots: Mapping[str, StandingPot], looks: pd.DataFrame, pair: Pair) -> dict[str, Any]:
    since_ms = _differ_since_ms(situation, pots[pair.pot], pots[pair.other], pair.factor)
    seen = paired_looks(looks, pair.pot, pair.other)
    result = trial_result([seen], [since_ms])
    return {
        "pot": pair.pot,
        "other": pair.other,
        "shelf": pots[pair.pot].shelf,
        "factor": pair.factor,
        "value": pair.value,
        "other_value": pair.other_value,
        "since_ms": since_ms,
        "looks": result.looks,
        "planned_looks": result.planned_looks,
        **_difference(result),
        "verdict": result.verdict,
        "seen": [
            {
                "time_ms": int(time_ms),
                "difference_mm": float(apart),
                "counts": bool(time_ms >= since_ms + SETTLE_DAYS * DAY_MS),
            }
            for time_ms, apart in zip(seen["time_ms"], seen["difference_mm"], strict=True)
        ],
        "next_look_says": _next_look(situation, since_ms, result),
        "says": result.says,
    }


def _next_look(situation: Situation, since_ms: int, result: TrialResult) -> str:
    """What to do next about a pair."""
    if result.verdict == "ended_undecided":
        return "A second pair that asks the same would tell more than further looks at this one."
    if result.verdict in ("deeper", "shallower", "no_difference_that_matters"):
        return "Decided: no further look is needed for this trial."
    wait = SETTLE_DAYS - (situation.at_ms - since_ms) / DAY_MS
    if wait > 0:
        return f"The column is settling: look at both in {max(round(wait), 1)} days."
    count = result.planned_looks - result.looks
    left = f"{count} of {result.planned_looks} planned looks are left" if result.looks else f"{count} looks are planned"
    return f"{left}." if result.verdict == "too_few" else f"Look at both on the same day; {left}."


def _difference(result: TrialResult) -> dict[str, float | None]:
    figures = {"difference_mm": result.difference_mm, "low_mm": result.low_mm, "high_mm": result.high_mm}
    return {name: float(value) if np.isfinite(value) else None for name, value in figures.items()}


def _differ_since_ms(situation: Situation, pot: StandingPot, other: StandingPot, factor: str) -> int:
    """When the two began to differ in this: the last change after which they always did."""
    moments = sorted({int(setup["from_ms"]) for setup in (*pot.setups, *other.setups)})
    since_ms = moments[-1]
    for moment in reversed(moments):
        then = [
            in_force(one.setups, moment) if one.label in (pot.label, other.label) else one.setup
            for one in situation.standing.pots
        ]
        column = _table(situation, then)[factor]
        if column[pot.label] == column[other.label]:
            break
        since_ms = moment
    return since_ms
