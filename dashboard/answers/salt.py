"""What evaporation left behind in each pot since its last flush: when to flush, and whether to feed or pour plain.

Owns the reading of feeds, refills and flushes for `analysis.salts`. Where neither a feed nor a flush was ever noted of
a pot, nothing is said of its salt but that.
"""

from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from analysis.reservoir import water_ml
from analysis.salts import (
    SaltState,
    burnt_tips_say,
    mean_strength_g_per_l,
    rota,
    salt_state,
    strength_g_per_l,
)
from dashboard.answers.exposures import rooting_of
from dashboard.answers.lines import STEP_MS
from dashboard.answers.situation import Situation
from dashboard.answers.use_ahead import use_ahead
from ingest.readings import DAY_MS

TURNS = 4
BURNT_WITHIN_DAYS = 60
UNTOLD_STRENGTH = "How strong the feed was is not noted: plain water until it is."
NEVER_NOTED = (np.nan, np.nan)


@lru_cache(maxsize=2)
def salts_of(situation: Situation) -> tuple[dict[str, Any], ...]:
    """Every pot's salt, in the order of the standing pots: what is due, the rota of its next refills, a sentence."""
    return tuple(_salt(situation, index) for index in range(len(situation.standing.pots)))


def _salt(situation: Situation, index: int) -> dict[str, Any]:
    pot, notes = situation.standing.pots[index], situation.notes
    mine = notes[notes["pot"] == pot.label]
    since_ms, since = _washed(situation, index, mine)
    strength, next_feed = _strengths(mine, since_ms)
    held_ml = _held_ml(situation, index)
    use = float(np.median(use_ahead(situation).use_ml_per_day[:, index, :7].mean(axis=1)))
    state = salt_state(_gone_ml(situation, index, since_ms), strength, held_ml, use, since=since)
    known = bool(np.isfinite(next_feed).all() and np.isfinite(use))
    turns = rota(TURNS, use, next_feed, held_ml) if known else []
    if state.due in ("now", "soon") and turns:
        turns = ["plain", *turns[1:]]  # feed waits for the flush
    return {
        "pot": pot.label,
        "shelf": pot.shelf,
        "due": state.due,
        "since_ms": since_ms,
        "grams": _pair(state.grams),
        "grams_per_litre": _pair(state.grams_per_litre),
        "due_in_days": _pair(state.due_in_days),
        "rota": turns,
        "tips_say": _tips_say(situation, index, mine, state),
        "says": f"{state.says} {UNTOLD_STRENGTH}" if turns and _is_untold(mine) else state.says,
    }


def _washed(situation: Situation, index: int, mine: pd.DataFrame) -> tuple[int, str]:
    """When the medium was last free of salt: the last flush or repot, else when the pot was first described."""
    washed = mine[mine["kind"].isin(("flush", "repot"))].sort_values("time_ms")
    if washed.empty:
        return int(situation.standing.pots[index].setups[0]["from_ms"]), "it was set up (no flush is noted)"
    return int(washed["time_ms"].iloc[-1]), f"the {washed['kind'].iloc[-1]}"


def _is_untold(mine: pd.DataFrame) -> bool:
    """Whether nobody noted how strong the last feed was."""
    feeds = mine[mine["kind"] == "feed"]
    return bool(len(feeds)) and _strength(feeds["detail"].iloc[-1]) == strength_g_per_l()


def _strengths(mine: pd.DataFrame, since_ms: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Mean strength of all that was poured since then, and of the last feed; NaN where nothing was ever noted."""
    feeds = mine[mine["kind"] == "feed"]
    if feeds.empty and not (mine["kind"] == "flush").any():
        return NEVER_NOTED, NEVER_NOTED
    last = _strength(feeds["detail"].iloc[-1]) if len(feeds) else (0.0, 0.0)
    poured = mine[mine["kind"].isin(("feed", "refill")) & (mine["time_ms"] > since_ms)]
    each = [
        _strength(detail) if kind == "feed" else (0.0, 0.0)
        for kind, detail in zip(poured["kind"], poured["detail"], strict=True)
    ]
    low, high = np.array([one[0] for one in each]), np.array([one[1] for one in each])
    return mean_strength_g_per_l(poured["amount_ml"].to_numpy(np.float64), low, high), last


def _strength(detail: object) -> tuple[float, float]:
    told = detail if isinstance(detail, dict) else {}
    return strength_g_per_l(
        grams_per_litre=told.get("grams_per_litre"),
        ec_ms_per_cm=told.get("ec_ms_per_cm"),
        label_share=told.get("strength"),
    )


def _held_ml(situation: Situation, index: int) -> float:
    """Water that the pot holds when filled: the reservoir to its mark, and the grains of its medium."""
    columns, vessel = situation.standing.columns, situation.vessels[index]
    in_grains = columns.held[index] * columns.area_mm2[index] * columns.column_mm[index] * 1e-3
    return float(water_ml(vessel, vessel.fill_mark_mm)) + float(in_grains)


def _gone_ml(situation: Situation, index: int, since_ms: int) -> tuple[float, float]:
    """Water that evaporated since then, as a range: what set-up and air make of it, times the pot's thirst."""
    end_ms, expected = situation.course.end_ms, situation.expected_ml_per_day[:, index]
    inside = end_ms > since_ms
    modelled = float(np.nansum(expected[inside])) * STEP_MS / DAY_MS if np.isfinite(expected).any() else np.nan
    low, high = np.quantile(use_ahead(situation).thirsts.multiplier[:, index], [0.05, 0.95])
    return (modelled * float(low), modelled * float(high))


def _tips_say(situation: Situation, index: int, mine: pd.DataFrame, state: SaltState) -> str:
    """Why tips dried, where the last look of late counted dried ones; else ""."""
    looks = mine[(mine["kind"] == "inspection") & (mine["time_ms"] > situation.at_ms - BURNT_WITHIN_DAYS * DAY_MS)]
    dried = looks["tips_dried"].dropna()
    if dried.empty:
        return ""
    rooting_mm = rooting_of(situation).of(index).value_mm
    return burnt_tips_say(int(dried.iloc[-1]), float(np.mean(situation.expects_mm()[:, index] > rooting_mm)), state)


def _pair(values: tuple[float, float]) -> list[float | None] | None:
    """Low and high; None where nothing is known, a None end where there is none."""
    if np.isnan(values).any():
        return None
    return [float(value) if np.isfinite(value) else None for value in values]
