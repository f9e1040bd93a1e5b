"""What became of roots here: how deep a dry layer tips get through, what rots, and how repots went; with the counts.

Owns the words and tables of the collection's own outcomes for the guide: learned depths, rot apart from drying, old
roots and first new ones after repots, how far to keep the level down after one, and the plain table a sceptic wants.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from analysis.calibration import LOOKING_SD_MM, USUAL_LOOKING_SD_MM
from analysis.climate_in_notes import climate_effect
from analysis.dry_layer import steady
from analysis.held_series import FloatArray
from analysis.outcomes import before_and_after, counts_by_air_and_cover, disagreements
from analysis.quantities import quantity, span
from analysis.repotting import after_repots, level_to_ease_mm, repot_spans
from analysis.rooting import RootingDepth, rot_against_wetness
from dashboard.answers.exposures import SEED, at_the_mode, changes_of, labels_of, looks_of, rooting_of
from dashboard.answers.lines import in_force
from dashboard.answers.situation import Situation
from dashboard.answers.standing import Description, columns_of
from dashboard.answers.use_ahead import USUAL_C
from dashboard.answers.water import usual_vessel
from ingest.readings import DAY_MS

WETNESS = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
JUMP_OVER_DAYS = 28
EASED_DAYS = 60.0
"""How long after a repot a plant may still be eased over: it is judged at two months (common practice, no source)."""
LEVELS = 10


@dataclass(frozen=True)
class Meeting:
    """A pot's old and new set-up in the same air: dryness, warmth and level round the change."""

    index: int
    old: Description
    new: Description
    vpd_kpa: float
    temperature_c: float
    level_mm: float


def roots(situation: Situation) -> dict[str, Any]:
    """The `roots` of the guide's answer."""
    looks, rooting = looks_of(situation), rooting_of(situation)
    spans, after, eased = _repots_followed(situation)
    return {
        "rooting_depth": [rooting_depth(one) for one in rooting.depths.values()],
        "rot": _rot(rooting.tips),
        "after_repots": _rows(after),
        "after_repots_by_season": _rows(
            after_repots(spans, np.random.default_rng(SEED), by_season=True) if len(spans) else after
        ),
        "easing": list(eased),
        "counts": _rows(counts_by_air_and_cover(looks)),
        "before_and_after": _rows(notes_alone(situation)),
        "climate": _climate(looks, labels_of(situation.standing.pots)),
        "disagreements": disagreements(looks),
        "says": _says(len(rooting.tips), looks),
    }


@lru_cache(maxsize=2)
def _repots_followed(situation: Situation) -> tuple[pd.DataFrame, pd.DataFrame, tuple[dict[str, Any], ...]]:
    """What is known of each repot, how repots went by their jump, and the pots that are being eased over."""
    looks, repots = looks_of(situation), _repots(situation)
    spans = repot_spans(repots, looks) if len(repots) else pd.DataFrame()
    after = after_repots(spans, np.random.default_rng(SEED)) if len(spans) else pd.DataFrame()
    return spans, after, tuple(_easing(situation, repots, looks, after))


def eased_mm(situation: Situation) -> dict[int, float]:
    """The level to which a pot that was repotted lately is filled until new roots are in, by its place."""
    place = labels_of(situation.standing.pots)
    latest = {place[one["pot"]]: one["level_mm"] for one in _repots_followed(situation)[2]}
    return {index: level for index, level in latest.items() if level is not None}


def sentences(told: Mapping[str, Any]) -> list[str]:
    """What the notes say of roots, a sentence a thing, each with whom it is about; for screen and command alike."""
    seasons = told["after_repots_by_season"]
    both = {one["jump"] for one in seasons if sum(other["jump"] == one["jump"] for other in seasons) > 1}
    return [
        told["says"],
        *(
            f"{one['roots'].capitalize()} roots of plants that like it {one['likes']}: {one['says']}"
            for one in told["rooting_depth"]
        ),
        told["rot"]["says"],
        told["climate"]["says"],
        *(f"{_into(one['jump'])}: {one['says']}" for one in told["after_repots"]),
        *(f"{_into(one['jump'])}, {one['season']}: {one['says']}" for one in seasons if one["jump"] in both),
        *(f"{one['pot']}: {one['says']}" for one in told["easing"]),
    ]


def _into(jump: str) -> str:
    return "Repotted, the old set-up unknown" if jump == "unknown" else f"Repotted into something {jump}"


def rooting_depth(found: RootingDepth) -> dict[str, Any]:
    """A group's rooting depth for the wire."""
    names = ("roots", "likes", "value_mm", "low_mm", "high_mm", "rests_on", "tips", "looks", "pots", "says")
    return {name: getattr(found, name) for name in names}


def notes_alone(situation: Situation) -> pd.DataFrame:
    """Before against after within the pot for every recorded change, without any model."""
    return before_and_after(looks_of(situation), changes_of(situation))


def _rot(tips: pd.DataFrame) -> dict[str, Any]:
    found = rot_against_wetness(tips, WETNESS)
    known = bool(np.isfinite(found.chance).all())
    return {
        "says": found.says,
        "rises": found.rises,
        "tips": found.tips,
        "wet_share": WETNESS.tolist(),
        "chance": found.chance.tolist() if known else None,
    }


def _climate(looks: pd.DataFrame, place: Mapping[str, int]) -> dict[str, Any]:
    """Whether the notes themselves show that the line answers to dry air, once the level is known."""
    seen = looks[looks["dry_layer_high_mm"].notna() & (looks["dry_layer_low_mm"] > 0)]
    sd = [LOOKING_SD_MM.get(str(how), USUAL_LOOKING_SD_MM) for how in seen["how"]]
    found = climate_effect(
        np.array([place[pot] for pot in seen["pot"]], dtype=np.int64),
        seen[["dry_layer_low_mm", "dry_layer_high_mm"]].mean(axis=1).to_numpy(np.float64),
        np.array(sd, dtype=np.float64),
        seen["vpd_7d_kpa"].to_numpy(np.float64),
        seen["level_7d_mm"].to_numpy(np.float64),
    )
    worth = f"{quantity(found.mm_per_doubling, 'mm')}, could be {span(found.low, found.high, 'mm')}"
    if not found.told:
        says = "The notes cannot say yet whether dry air matters once the level is known: too few, or too alike."
    elif found.hardly_matters:
        says = f"By the notes dry air hardly matters here once the level is known: twice as dry is worth {worth}."
    else:
        says = f"By the notes alone, twice as dry air is worth {worth} of dry layer at the same level."
    return {
        "mm_per_doubling": _or_none(found.mm_per_doubling),
        "low": _or_none(found.low),
        "high": _or_none(found.high),
        "told": found.told,
        "says": says,
    }


def _repots(situation: Situation) -> pd.DataFrame:
    """Repots of standing pots with the jump in wetness: pot, time_ms, jump_mm."""
    place = labels_of(situation.standing.pots)
    notes = situation.notes
    noted = notes[(notes["kind"] == "repot") & notes["pot"].isin(list(place))]
    told = changes_of(situation)
    changed = told[told["change"] == "repot"]
    rows = pd.concat([noted[["pot", "time_ms"]], changed[["pot", "time_ms"]]]).sort_values(["pot", "time_ms"])
    # a repot that was noted and also changed the set-up is one repot
    again = rows["pot"].eq(rows["pot"].shift()) & (rows["time_ms"].diff() < DAY_MS)
    rows = rows[~again].reset_index(drop=True)
    return rows.assign(jump_mm=_jumps([_meeting(situation, place[p], int(t)) for p, t in _pairs(rows)], situation))


def _pairs(rows: pd.DataFrame) -> list[tuple[str, int]]:
    return list(zip(rows["pot"], rows["time_ms"], strict=True))


def _meeting(situation: Situation, index: int, time_ms: int) -> Meeting:
    """What the pot's old and new set-up both met in the weeks after the change, or met of late where it is new."""
    course, pot = situation.course, situation.standing.pots[index]
    since = np.searchsorted(course.end_ms, time_ms)
    steps = slice(max(0, min(int(since), course.end_ms.size - 4)), int(since) + 4 * JUMP_OVER_DAYS)
    level = situation.waters[index].level_mm[steps]
    return Meeting(
        index,
        in_force(pot.setups, time_ms - 1),
        in_force(pot.setups, time_ms + DAY_MS),
        _mean(course.vpd_kpa[steps, index], float("nan")),
        _mean(course.temperature_c[steps, index], USUAL_C),
        float(level.mean()),
    )


def _mean(values: FloatArray, otherwise: float) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else otherwise


def _jumps(meetings: list[Meeting], situation: Situation) -> list[float]:
    """By how much the old set-up's dry layer was deeper than the new one's is, in the same air, in mm."""
    if not meetings:
        return []
    index = np.array([one.index for one in meetings], dtype=np.int64)
    mode, standing = at_the_mode(situation, index), situation.standing
    pots = tuple(standing.pots[place] for place in index)
    air = [np.array([getattr(one, name) for one in meetings]) for name in ("vpd_kpa", "temperature_c", "level_mm")]
    depth = [
        steady(mode.under(columns_of(setups, pots, standing.shelves)), *air).dry_depth_mm[0]
        for setups in ([one.old for one in meetings], [one.new for one in meetings])
    ]
    return [float(one) for one in depth[0] - depth[1]]


def _easing(
    situation: Situation, repots: pd.DataFrame, looks: pd.DataFrame, after: pd.DataFrame
) -> list[dict[str, Any]]:
    """For every pot repotted within two months: how far to keep its level down until new roots are in."""
    place = labels_of(situation.standing.pots)
    took = new_root_days(after)
    found = []
    for pot, time_ms in _pairs(repots):
        if situation.at_ms - time_ms > EASED_DAYS * DAY_MS:
            continue
        since = looks[(looks["pot"] == pot) & (looks["time_ms"] > time_ms)]
        row = {"pot": pot, "repotted_ms": time_ms}
        if (since["tips_new"].fillna(0) > 0).any():
            nothing = dict.fromkeys(("jump_mm", "level_mm", "low_mm", "high_mm", "until_days"))
            found.append({**row, **nothing, "says": "New roots are in: fill to the mark."})
            continue
        found.append({**row, **easing(situation, _meeting(situation, place[pot], time_ms), took)})
    return found


def new_root_days(after: pd.DataFrame) -> tuple[float, float]:
    """When half of the repots into something wetter had a new root here; infinite where too few are noted."""
    wetter = after[after["jump"].isin(["wetter", "much wetter"])] if len(after) else after
    if wetter.empty:
        return (np.inf, np.inf)
    return (float(wetter["new_root_from_days"].min()), float(wetter["new_root_to_days"].max()))


def easing(situation: Situation, met: Meeting, took: tuple[float, float] = (np.inf, np.inf)) -> dict[str, Any]:
    """How far to keep the level down after a change of set-up, in draws of what is believed of the pot."""
    standing, draws = situation.standing, situation.draws
    pot, index = standing.pots[met.index], np.array([met.index])
    own = replace(draws, own=draws.own[:, index])
    mark = float((pot.vessel or usual_vessel(pot.setup)).fill_mark_mm)
    levels = np.linspace(0.1 * mark, mark, LEVELS)
    old, new = (own.under(columns_of([setup], (pot,), standing.shelves)) for setup in (met.old, met.new))
    air = (np.array([met.vpd_kpa]), np.array([met.temperature_c]))
    new_depth = steady(new, *air, levels[:, None, None]).dry_depth_mm[..., 0]
    old_depth = steady(old, *air, np.array([met.level_mm])).dry_depth_mm[..., 0]
    if not (np.isfinite(new_depth).all() and np.isfinite(old_depth).all()):
        nothing = dict.fromkeys(("jump_mm", "level_mm", "low_mm", "high_mm", "until_days"))
        return {**nothing, "says": "How far to keep the level down cannot be told: the air of its shelf is not known."}
    found = level_to_ease_mm(levels, new_depth, old_depth, rooting_of(situation).of(met.index).value_mm, took)
    return {
        "jump_mm": float(np.median(old_depth - new_depth[-1])),
        "level_mm": _or_none(found.level_mm),
        "low_mm": _or_none(found.low_mm),
        "high_mm": _or_none(found.high_mm),
        "until_days": list(found.until_days),
        "says": found.says,
    }


def _says(tips_looks: int, looks: pd.DataFrame) -> str:
    if looks.empty:
        return "No look is noted yet: every figure is what is usual, not what was seen here."
    number = len(looks)
    if tips_looks == 0:
        noted = (
            "1 look is noted, and it counts no tip"
            if number == 1
            else f"{number} looks are noted, and none counts a tip"
        )
        return f"{noted} in the medium: count tips at the next look."
    return f"{number} look{'s' if number != 1 else ''}, {tips_looks} of them with tips in the medium."


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table for the wire: rows of plain values, None for what is unknown or without end."""
    return [{str(name): _plain(value) for name, value in row.items()} for row in table.to_dict("records")]


def _plain(value: object) -> object:
    if isinstance(value, (float, np.floating)):
        return _or_none(float(value))
    return int(value) if isinstance(value, np.integer) else value


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None
