"""Every look at a pot beside what led up to it, and what this collection's roots have shown of their rooting depth.

Owns the bringing together of notes, set-ups and the course for `analysis.outcomes` and `analysis.rooting`. The dryness
that counts as too dry in an exposure is that of the usual rooting depth: what roots truly stand is learned from it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.calibration import Draws
from analysis.dry_layer import critical_vpd_kpa
from analysis.held_series import FloatArray, IntArray
from analysis.options import change_in_words, depth_above_medium_mm
from analysis.outcomes import inspections_with_exposure, tips_in_the_medium
from analysis.quantities import quantity
from analysis.rooting import PRIOR_MM, RootingDepth, pots_draws_mm, rooting_depths
from dashboard.answers import lines as dry_lines
from dashboard.answers.lines import STEP_HOURS
from dashboard.answers.section import section_build
from dashboard.answers.situation import Situation
from dashboard.answers.standing import Description, StandingPot, columns_of
from ingest.readings import HOUR_MS

SEED = 20260305
FLAGS = ("resting", "tips_not_in_medium")


@dataclass(frozen=True)
class Rooting:
    """What roots stand: by group (roots, likes), each pot's group in order, and the counted tips it rests on."""

    depths: Mapping[tuple[str, str], RootingDepth]
    groups: tuple[tuple[str, str], ...]
    tips: pd.DataFrame

    def of(self, index: int) -> RootingDepth:
        """The rooting depth of a pot's group."""
        return self.depths[self.groups[index]]


@lru_cache(maxsize=2)
def looks_of(situation: Situation) -> pd.DataFrame:
    """Inspections of standing pots, a row each, with exposure (`analysis.outcomes`) and the set-up of that moment."""
    pots, notes = situation.standing.pots, situation.notes
    labels = [pot.label for pot in pots]
    looks = notes[(notes["kind"] == "inspection") & notes["pot"].isin(labels)].reset_index(drop=True)
    details = [detail or {} for detail in looks["detail"]]
    for flag in FLAGS:
        looks[flag] = [bool(detail.get(flag)) for detail in details]
    about = {pot.label: pot.about for pot in pots}
    looks["roots"] = [str(about[label].get("roots") or "fine") for label in looks["pot"]]
    looks["likes"] = [str(about[label].get("likes") or "even") for label in looks["pot"]]
    seen = sorted(set(looks["pot"]))
    return inspections_with_exposure(looks, _hours(situation, seen), _setups(situation, seen))


@lru_cache(maxsize=2)
def rooting_of(situation: Situation) -> Rooting:
    """The rooting depth of every group that stands, learned from tips where notes allow."""
    pots = situation.standing.pots
    groups = tuple((str(pot.about.get("roots") or "fine"), str(pot.about.get("likes") or "even")) for pot in pots)
    tips = tips_in_the_medium(looks_of(situation))
    return Rooting(rooting_depths(tips, groups), groups, tips)


def rooting_draws_mm(situation: Situation, count: int) -> FloatArray:
    """Draws of each pot's own rooting depth, (draw, pot)."""
    found = rooting_of(situation)
    named = [(pot.label, *group) for pot, group in zip(situation.standing.pots, found.groups, strict=True)]
    return pots_draws_mm(dict(found.depths), found.tips, named, count, np.random.default_rng(SEED))


def at_the_mode(situation: Situation, pots: IntArray) -> Draws:
    """One draw of some pots: the likeliest constants, for set-ups that they had or could have."""
    posterior, draws = situation.posterior, situation.draws
    return replace(draws, shared=posterior.shared_mean[None], own=posterior.pot_mean[None][:, pots])


def changes_of(situation: Situation) -> pd.DataFrame:
    """Recorded changes of set-ups in the words of the guide's options: pot, time_ms, change."""
    rows = [
        (pot.label, int(after["from_ms"]), words)
        for pot in situation.standing.pots
        for before, after in pairwise(pot.setups)
        for words in change_in_words(before, after)
    ]
    return pd.DataFrame(rows, columns=["pot", "time_ms", "change"]).astype({"time_ms": np.int64})


def _hours(situation: Situation, labels: list[str]) -> pd.DataFrame:
    """The course of the pots that were looked at, hour by hour: each step's figures stand for its hours."""
    pots = situation.standing.pots
    index = np.array([place for place, pot in enumerate(pots) if pot.label in labels], dtype=np.int64)
    course = situation.course
    level = np.stack([water.level_mm for water in situation.waters], axis=1)[:, index]
    figures = {
        "vpd_kpa": course.vpd_kpa[:, index],
        "critical_vpd_kpa": _critical(situation, index, level),
        "level_mm": level,
        "dry_depth_mm": _likeliest_line_mm(situation)[:, index] if index.size else level,
    }
    hour_ms = (course.end_ms[:, None] - HOUR_MS * np.arange(STEP_HOURS, 0, -1)).ravel()
    hours = hour_ms.size
    return pd.DataFrame(
        {"pot": np.repeat([pots[place].label for place in index], hours), "hour_ms": np.tile(hour_ms, index.size)}
        | {name: np.repeat(series, STEP_HOURS, axis=0).T.ravel() for name, series in figures.items()}
    )


def _likeliest_line_mm(situation: Situation) -> FloatArray:
    """The line of every pot along the whole course with the likeliest constants and levels, (step, pot)."""
    every = np.arange(len(situation.standing.pots), dtype=np.int64)
    mode = replace(at_the_mode(situation, every), stray=np.zeros((1, every.size)))
    told = [replace(water, level_sd_mm=np.zeros_like(water.level_sd_mm)) for water in situation.waters]
    whole = slice(0, situation.course.end_ms.size)
    return dry_lines.lines(situation.standing, situation.course, situation.columns, told, mode, whole)[:, 0]


def _critical(situation: Situation, index: IntArray, level_mm: FloatArray) -> FloatArray:
    """The dryness at which each pot's line would rest at the usual rooting depth, (step, pot), set-ups as they were."""
    course = situation.course
    mode = at_the_mode(situation, index)
    found = np.full(level_mm.shape, np.nan)
    for number, spell in enumerate(course.spells):
        steps = course.spell == number
        columns = mode.under(situation.columns[number].taken(index))
        cover = np.array([depth_above_medium_mm(spell[place]) for place in index])
        warmth = course.temperature_c[steps][:, index]
        found[steps] = critical_vpd_kpa(
            columns, PRIOR_MM + cover, warmth[:, None], level_mm[steps][:, None]
        )[:, 0]  # fmt: skip
    return found


def _setups(situation: Situation, labels: list[str]) -> pd.DataFrame:
    """Set-ups of the pots that were looked at, as a table: shelf and its air, cover, holes."""
    shelves = situation.standing.shelves
    chosen = [(pot, setup) for pot in situation.standing.pots if pot.label in labels for setup in pot.setups]
    columns = columns_of([setup for _, setup in chosen], tuple(pot for pot, _ in chosen), shelves)
    rows = [
        {
            "pot": pot.label,
            "from_ms": int(setup["from_ms"]),
            "to_ms": setup.get("to_ms"),
            "shelf": setup["shelf"],
            "air": (shelves.get(setup["shelf"]) or {}).get("air"),
            "cover": cover_in_words(section_build(setup, columns, place)["cover"]),
            "cover_kind": str((setup.get("top_layer") or {}).get("kind", "none")),
            "holes": float(columns.vent_count[place]),
        }
        for place, (pot, setup) in enumerate(chosen)
    ]
    names = ["pot", "from_ms", "to_ms", "shelf", "air", "cover", "cover_kind", "holes"]
    return pd.DataFrame(rows, columns=names).astype({"from_ms": np.int64})


def cover_in_words(cover: Description) -> str:
    """A cover for a table: "none", "pebbles 20 mm", to the nearest 5 mm."""
    kind, thickness_mm = cover.get("kind", "none"), float(cover.get("thickness_mm") or 0.0)
    if kind == "none" or thickness_mm == 0.0:
        return "none"
    in_place = " in place of medium" if cover.get("replaces_medium") else ""
    return f"{str(kind).replace('_', ' ')} {quantity(5 * round(thickness_mm / 5), 'mm')}{in_place}"


def labels_of(pots: tuple[StandingPot, ...]) -> dict[str, int]:
    """The place of each pot by its label."""
    return {pot.label: place for place, pot in enumerate(pots)}
