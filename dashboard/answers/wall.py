"""What the wall shows: every shelf with its air, every pot with its section, and who needs the grower, worst first."""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from dashboard.answers.alerts import OF_POTS, Alert, in_order, name_of, standing_alerts, standing_since
from dashboard.answers.check import disk_free_pct, house_findings
from dashboard.answers.pots import pots_of
from dashboard.answers.section import section_build
from dashboard.answers.shelf_air import AirNow, airs_now
from dashboard.answers.situation import Situation, recent_situation
from dashboard.answers.water import level_noted
from ingest.home import Home

#: Which state of a pot comes first on the strip.
URGENCY = ("fill", "drinks_less", "too_dry", "too_wet", "look")
TIPS = ("growing", "stalled", "dried", "rotted", "new")


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """The wall of a home; the shape stands in `assets/wall.js` and the screens' tests."""
    situation = recent_situation(home, at_ms)
    airs = airs_now(home, situation.sensors if situation else home.logbook.sensors(), at_ms)
    alerts = in_order(standing_alerts(home, situation, at_ms, airs))
    pots = [] if situation is None else pots_shown(situation)
    silent = [one for one in alerts if one["kind"] in ("sensor_silent", "sensor_failed")]
    return {
        "at_ms": at_ms,
        "time_zone": home.settings.grower.timezone,
        "units": home.settings.grower.units,
        "shelves": _shelves(airs, pots),
        "needs": _needs(pots, alerts, standing_since(home), at_ms if situation is None else situation.at_ms),
        "silent": [_quiet_sensor(one) for one in silent],
        "unread_messages": home.readings.unread_count().kept,
        "disk_free_pct": disk_free_pct(home),
        "house": [
            {"kind": one["kind"], "says": one["says"]}
            for one in house_findings(home, at_ms)
            if one["kind"] != "disk_nearly_full"  # told by how much is free
        ],
    }


def _quiet_sensor(alert: Alert) -> dict[str, Any]:
    at = f"{alert['shelf']}/{alert['pot']}" if alert["pot"] else alert["shelf"]
    return {"label": alert["label"], "at": at, "since_ms": alert["since_ms"]}


def _shelves(airs: Mapping[str, AirNow], pots: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {
            "label": label,
            "temperature_c": air.temperature_c,
            "relative_humidity_pct": air.relative_humidity_pct,
            "vpd_kpa": air.vpd_kpa,
            "vpd_day_kpa": air.vpd_day_kpa,
            "air_state": air.state,
            "air_age_s": air.age_s,
            "sensor_state": air.sensor_state,
            "spot_check": air.spot_check or None,
            "pots": [pot for pot in pots if pot["shelf"] == label],
        }
        for label, air in airs.items()
    ]


@lru_cache(maxsize=2)
def pots_shown(situation: Situation) -> list[dict[str, Any]]:
    """The answer of `dryline pots`, with what the wall draws beside it; remembered with the situation, since a wall
    asks every few seconds and nothing of it changes before the next one: take it and leave it as it is."""
    shown = []
    for index, pot in enumerate(pots_of(situation)):
        standing, water = situation.standing.pots[index], situation.waters[index]
        section = {
            "build": section_build(standing.setup, situation.standing.columns, index),
            "level_mm": pot["level_mm"],
            "dry_layer_mm": pot["dry_layer_mm"],
            "tips": last_tips(situation, standing.label),
            "rests_on": pot["rests_on"],
            "rooting_depth_mm": pot["rooting_depth_mm"],
        }
        age_ms = water.told.level_age_ms
        shown.append(
            {
                **pot,
                "label": standing.label,
                "plant": standing.plant,
                "sensor_state": water.sensor_state,
                "level_noted": level_noted(water, situation.vessels[index]) if pot["level_mm"] is None else None,
                "level_age_s": None if age_ms is None else age_ms / 1000.0,
                "rooting_depth_mm": pot["rooting_depth_mm"],
                "section": section,
            }
        )
    return shown


def last_tips(situation: Situation, label: str) -> dict[str, int] | None:
    """Root tips as the last inspection counted them; None where none ever did."""
    notes = situation.notes
    looks = notes[(notes["pot"] == label) & (notes["kind"] == "inspection")]
    counts = looks[[f"tips_{state}" for state in TIPS]].dropna(how="all")
    if counts.empty:
        return None
    last = counts.iloc[-1].fillna(0)
    return {state: int(last[f"tips_{state}"]) for state in TIPS}


def _needs(
    pots: list[dict[str, Any]], alerts: list[Alert], since: Mapping[str, int], told_ms: int
) -> list[dict[str, Any]]:
    """Who needs the grower, worst first; of one kind the one with the least water first. A pot's state is one
    need; what is due or wrong with a sensor there is another.

    since: when each alert began to stand, by its name; what no alert tells stands since it was told.
    """

    def stands_since(kind: str, label: str) -> int:
        return since.get(name_of(kind, label, f"pot {label}"), told_ms)

    asking = [pot for pot in pots if pot["state"] in URGENCY]
    asking.sort(key=lambda pot: (URGENCY.index(pot["state"]), (pot["days_left"] or {"p50": 99.0})["p50"]))
    of_pots = [
        {"pot": pot["label"], "shelf": pot["shelf"], "kind": pot["state"], "says": pot["says"],
         "since_ms": stands_since(pot["state"], pot["label"])}
        for pot in asking
    ]  # fmt: skip
    said = {one["pot"] for one in of_pots}
    others = [
        {
            "pot": one["pot"],
            "shelf": one["shelf"],
            "kind": one["kind"],
            "says": one["says"],
            "since_ms": one["since_ms"] or since.get(one["id"], told_ms),
        }
        for one in alerts
        if one["kind"] not in OF_POTS or one["pot"] not in said
    ]
    # Pots of which nothing can be said ask through their shelf: it is the air that is missing.
    unknown = {pot["shelf"]: pot["says"] for pot in pots if pot["state"] == "unknown"}
    return [*of_pots, *others] + [
        {"pot": None, "shelf": shelf, "kind": "look", "says": says, "since_ms": told_ms}
        for shelf, says in unknown.items()
    ]
