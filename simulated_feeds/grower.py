"""The invented grower: what is seen, and what is written down, of the truth.

Owns inspections with their errors, the states of root tips, and the notes of refills, flushes and changes, as a
DataFrame in the columns of the notes CSV. What a grower does to the pots is part of the truth (`truth.usual_rounds`,
scenario). It must not know how the logbook keeps notes.

How depths are seen (invented): the eye errs by 2 mm (sd) where the top is damp or one stone is dry, 2.5 mm at a
fingertip's depth, 3.5 mm deeper, and 2.5 times as much in 3 of 100 looks. The interval written down is twice that to
either side of what was seen, in whole mm; below 3 mm "damp at top" is written, an interval of 0 to 0. In 6 of 100
looks nothing can be seen.
"""

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from simulated_feeds.events import DAY_MS, Event, Scenario
from simulated_feeds.instruments import level_at
from simulated_feeds.noise import Floats, normal, one_normal, one_uniform, uniform
from simulated_feeds.pots import Pot, World
from simulated_feeds.truth import Ints, Truth, usual_rounds

COLUMNS = (
    "time",
    "pot",
    "kind",
    "dry_layer_low_mm",
    "dry_layer_high_mm",
    "how",
    "tips_growing",
    "tips_stalled",
    "tips_dried",
    "tips_rotted",
    "tips_new",
    "level_mm",
    "mass_g",
    "amount_ml",
    "why",
    "text",
    "detail",
)
DAMP_BELOW_MM = 3.0
EYE_MM = {"one_stone": 2.0, "fingertip": 2.5, "deeper": 3.5}


def depth_at(truth: Truth, pot: Ints, time_ms: Ints) -> Floats:
    """True dry depth of these pots (indices) at these moments."""
    step = np.clip(np.searchsorted(truth.time_ms, time_ms), 0, len(truth.time_ms) - 1)
    return np.asarray(truth.dry_depth_mm[step, pot])


def seen_depths(true_mm: Floats, pot: Ints, time_ms: Ints, seed: int) -> pd.DataFrame:
    """What a person writes down of true depths: `dry_layer_low_mm`, `dry_layer_high_mm`, `how`."""
    minute = time_ms // 60_000
    error = normal(seed, "eye", pot, minute) * np.where(uniform(seed, "slip of the eye", pot, minute) < 0.03, 2.5, 1.0)
    eye = np.where(true_mm < 12.0, EYE_MM["one_stone"], np.where(true_mm < 25.0, EYE_MM["fingertip"], EYE_MM["deeper"]))
    seen = true_mm + eye * error
    hidden = uniform(seed, "cannot see", pot, minute) < 0.06
    how = np.where(seen < 12.0, "one_stone", np.where(seen < 25.0, "fingertip", "deeper"))
    half = 2.0 * np.array([EYE_MM[word] for word in how.tolist()])
    low, high = np.maximum(np.round(seen - half), 0.0), np.round(seen + half)
    damp = seen < DAMP_BELOW_MM
    low, high, how = np.where(damp, 0.0, low), np.where(damp, 0.0, high), np.where(damp, "damp_at_top", how)
    return pd.DataFrame(
        {
            "dry_layer_low_mm": np.where(hidden, np.nan, low),
            "dry_layer_high_mm": np.where(hidden, np.nan, high),
            "how": np.where(hidden, "cannot_see", how),
        }
    )


def inspections(truth: Truth, world: World, pot: Ints, time_ms: Ints, seed: int) -> pd.DataFrame:
    """Inspections of these pots (indices) at these moments, with tips, as rows of notes."""
    seen = seen_depths(depth_at(truth, pot, time_ms), pot, time_ms, seed)
    tips = pd.DataFrame(
        [
            _tips(truth, world.pots[one], one, int(moment), seed)
            for one, moment in zip(pot.tolist(), time_ms.tolist(), strict=True)
        ],
        columns=["tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new", "level_mm"],
    )
    frame = pd.concat([seen, tips], axis=1)
    frame["time_ms"] = time_ms
    frame["pot"] = [truth.pots[one] for one in pot.tolist()]
    frame["kind"] = "inspection"
    return _in_columns(frame)


def _tips(truth: Truth, pot: Pot, column: int, time_ms: int, seed: int) -> list[float]:
    """Tips by state, from the true exposure: depth over the last week, wetness over the last ten days."""
    now = int(np.searchsorted(truth.time_ms, time_ms, side="right"))
    per_day = round(DAY_MS / (truth.time_ms[1] - truth.time_ms[0]))
    week = truth.dry_depth_mm[max(now - 7 * per_day, 0) : max(now, 1), column]
    ten = slice(max(now - 10 * per_day, 0), max(now, 1))
    lift = truth.surface_mm[ten, column] - truth.level_mm[ten, column]
    soaked = float(np.mean((truth.dry_depth_mm[ten, column] < 1.0) & (lift < 80.0)))
    beyond = float(week.mean()) - pot.hidden.rooting_depth_mm
    arrested = 1.0 / (1.0 + np.exp(-beyond / 3.0))
    rots = soaked * {"airy": 0.25, "even": 0.12, "wetter": 0.04}[pot.likes]
    day = time_ms // DAY_MS
    count = 3 + int(4 * one_uniform(seed, "tips", pot.label, day // 30))
    state = uniform(seed, "tip", pot.label, day, np.arange(count))
    rotted = int(np.sum(state < rots))
    stopped = int(np.sum((state >= rots) & (state < rots + (1.0 - rots) * arrested)))
    dried = stopped if beyond > 5.0 else 0
    fresh = int(3.0 * one_uniform(seed, "new tips", pot.label, day) * (1.0 - arrested))
    gauge = np.nan
    if one_uniform(seed, "gauge", pot.label, day) < 0.5:
        true_level = level_at(truth, column, np.array([time_ms], dtype=np.int64))[0]
        gauge = max(round(true_level + 1.2 * one_normal(seed, "gauge error", pot.label, day)), 0.0)
    return [count - rotted - stopped, stopped - dried, dried, rotted, fresh, gauge]


def _in_columns(frame: pd.DataFrame) -> pd.DataFrame:
    frame = frame.copy()
    frame["time"] = pd.to_datetime(frame["time_ms"], unit="ms", utc=True).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    for column in COLUMNS:
        if column not in frame:
            frame[column] = None
    return frame[[*COLUMNS, "time_ms"]]


def notes(
    truth: Truth,
    world: World,
    scenario: Scenario,
    *,
    seed: int,
    inspected_per_visit: int = 5,
) -> pd.DataFrame:
    """All notes of the run: inspections at visits, refills, flushes, feeds, changes and absences, sorted by time.

    Columns of the notes CSV (with `detail`), and `time_ms`. About a fifth of the refills is not noted; of the others
    most say no amount (filled to the mark), some the mL poured.
    """
    start, end = truth.start.time_ms, int(truth.time_ms[-1])
    visits = usual_rounds(world, scenario, seed, start, (end - start) / DAY_MS).time_ms
    pots: list[int] = []
    times: list[int] = []
    for visit in visits.tolist():
        order = np.argsort(uniform(seed, "whom to look at", visit // DAY_MS, np.arange(len(world.pots))))
        for place, pot in enumerate(order[:inspected_per_visit].tolist()):
            moment = visit - 60_000 * (inspected_per_visit - place) * 2  # looked at before the can comes out
            if start < moment < end:
                pots.append(pot)
                times.append(moment)
    frames = []
    if pots:
        frames.append(inspections(truth, world, np.array(pots, dtype=np.int64), np.array(times, dtype=np.int64), seed))
    rows = _refill_notes(truth, seed) + _flush_notes(truth) + _feed_notes(visits, world)
    rows += [row for event in scenario.events if start <= event.at_ms < end for row in _event_note(event)]
    if rows:
        frames.append(_in_columns(pd.DataFrame(rows)))
    if not frames:
        return _in_columns(pd.DataFrame({"time_ms": np.empty(0, dtype=np.int64)}))
    merged = pd.DataFrame([row for frame in frames for row in frame.to_dict("records")], columns=[*COLUMNS, "time_ms"])
    return merged.sort_values("time_ms", kind="stable", ignore_index=True)


def _refill_notes(truth: Truth, seed: int) -> list[dict[str, Any]]:
    rows = []
    refills = truth.refills
    for row in range(len(refills.time_ms)):
        pot, moment = truth.pots[int(refills.pot[row])], int(refills.time_ms[row])
        care = one_uniform(seed, "noted", pot, moment // DAY_MS)
        if care > 0.8:
            continue
        minutes = int(6.0 * one_uniform(seed, "noted when", pot, moment // DAY_MS))
        note: dict[str, Any] = {"time_ms": moment + minutes * 60_000, "pot": pot, "kind": "refill"}
        if care < 0.3:
            said = refills.ml[row] * (1.0 + 0.05 * one_normal(seed, "jug", pot, moment // DAY_MS))
            note["amount_ml"] = float(max(round(said / 5.0) * 5, 5))
        else:
            note["detail"] = json.dumps({"filled_to_mark": True, "found": _found(refills.level_before_mm[row], truth)})
        rows.append(note)
    return rows


def _found(level_mm: float, truth: Truth) -> str:
    words = ((1.0, "empty"), (15.0, "low"), (32.0, "half"))
    return next((word for upto, word in words if level_mm < upto), "full")


def _flush_notes(truth: Truth) -> list[dict[str, Any]]:
    flushes = truth.flushes
    return [
        {
            "time_ms": int(flushes.time_ms[row]),
            "pot": truth.pots[int(flushes.pot[row])],
            "kind": "flush",
            "amount_ml": float(flushes.ml[row]),
        }
        for row in range(len(flushes.time_ms))
    ]


def _feed_notes(visits: Ints, world: World) -> list[dict[str, Any]]:
    """Everything is fed at half strength at the first visit of each fortnight."""
    rows = []
    fortnight = visits // (14 * DAY_MS)
    for place in np.nonzero(np.diff(fortnight) > 0)[0] + 1:
        moment = int(visits[place]) + 20 * 60_000
        rows += [
            {"time_ms": moment, "pot": pot.label, "kind": "feed", "detail": '{"strength": 0.5}'} for pot in world.pots
        ]
    return rows


KIND_OF_CHANGE = {
    "top_layer": "cover",
    "vents": "holes",
    "wick": "wick",
    "shelf": "move",
    "layers": "repot",
    "pot": "repot",
}


def _event_note(event: Event) -> Sequence[dict[str, Any]]:
    if event.kind == "absence" and event.until_ms is not None:
        return [{"time_ms": event.at_ms, "kind": "absence", "detail": json.dumps({"until_ms": event.until_ms})}]
    if event.kind == "setup" and event.noted:
        kinds = [KIND_OF_CHANGE[key] for key in event.values if key in KIND_OF_CHANGE]
        return [{"time_ms": event.at_ms, "pot": event.pot, "kind": kinds[0], "text": event.name}] if kinds else []
    return []


def notes_csv(frame: pd.DataFrame) -> str:
    """The notes as CSV text."""
    table = frame[list(COLUMNS)].copy()
    for column in ("tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new"):
        table[column] = table[column].astype("Int64")
    return table.to_csv(index=False, lineterminator="\n")
