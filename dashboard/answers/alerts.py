"""What a grower must know now, one alert a thing: its subject, one sentence, and a name that stays the same while it
stands.

Pots (nearly empty, dry beyond the rooting depth now or within two days, too wet, drinking less than they should),
shelves too cold or too hot, sensors silent, failing, weak of battery or held near 100 %, follow-ups that are due, and
the house itself (disk, database, ingester, clock). Who is told of them, how, and how often is `dashboard/alerts.py`.
"""

import json
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from hashlib import blake2b
from typing import Any

import numpy as np

from analysis.quantities import quantity
from dashboard.answers import check
from dashboard.answers.drying import depth_in_two_days_mm
from dashboard.answers.exposures import rooting_of
from dashboard.answers.pots import SURE, air_is_known, pots_of
from dashboard.answers.shelf_air import AirNow, airs_now
from dashboard.answers.situation import Situation, situation_at
from ingest.home import Home
from ingest.readings import StoreTorn

Alert = dict[str, Any]

#: Which alerts come first: plants, then their shelves, what was promised to them, sensors, and the house.
ORDER = (
    "fill",
    "drinks_less",
    "too_dry",
    "too_wet",
    "too_cold",
    "too_hot",
    "follow_up",
    "sensor_failed",
    "humidity_held",
    "sensor_silent",
    "battery_low",
    "store_damaged",
    "disk_nearly_full",
    "ingester_stopped",
    "ingester_trouble",
    "clock_wrong",
)
MINUTE_MS = 60_000
OF_POTS = ("fill", "drinks_less", "too_dry", "too_wet")


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """`{at_ms, alerts: [{id, kind, pot, shelf, label, says, since_ms}], says}`, the most pressing first."""
    try:
        found = standing_alerts(home, situation_at(home, at_ms), at_ms)
    except StoreTorn as error:
        found = [_alert("store_damaged", f"{error} Restore a backup.")]
    house = check.house_findings(home, at_ms)
    found += [_alert(one["kind"], one["says"], since_ms=one["since_ms"]) for one in house]
    says = "Nothing needs you." if not found else f"{len(found)} {'needs' if len(found) == 1 else 'need'} you."
    return {"at_ms": at_ms, "alerts": in_order(found), "says": says}


def standing_alerts(
    home: Home, situation: Situation | None, at_ms: int, airs: Mapping[str, AirNow] | None = None
) -> list[Alert]:
    """The alerts of pots, shelves, sensors and follow-ups; the house's own take a look at the disk besides.

    airs: the air of every shelf now, by whoever has it at hand.
    """
    pots = () if situation is None else of_pots(situation)
    shelves = _of_shelves(home, airs_now(home, home.logbook.sensors(), at_ms) if airs is None else airs)
    due = _of_follow_ups(home, home.logbook.revision(), at_ms // MINUTE_MS)
    return [*pots, *shelves, *due, *_of_sensors(home, at_ms)]


def standing_since(home: Home) -> dict[str, int]:
    """Since when each alert stands, by its name, as the teller of alerts (`dashboard/alerts.py`) has seen it."""
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        kept = json.loads((home.folder / "alerts.json").read_text(encoding="utf-8"))
        return {name: int(alert["since_ms"]) for name, alert in kept["standing"].items()}
    return {}


def in_order(alerts: Sequence[Alert]) -> list[Alert]:
    """The most pressing first, and of one kind in the order in which they were found."""
    return sorted(alerts, key=lambda alert: ORDER.index(alert["kind"]))


def dries_soon(situation: Situation, rooting_depth_mm: float | None = None) -> list[Alert]:
    """Pots that are not dry beyond the rooting depth (their own where none is given), and are expected to be within
    two days."""
    now, then = situation.expects_mm(), depth_in_two_days_mm(situation)
    found = []
    for index, pot in enumerate(situation.standing.pots):
        rooting_mm = rooting_of(situation).of(index).value_mm if rooting_depth_mm is None else rooting_depth_mm
        dry_now, dry_then = (float(np.mean(depth[:, index] > rooting_mm)) for depth in (now, then))
        if air_is_known(situation, index) and dry_now < SURE <= dry_then:
            depth = quantity(float(np.median(then[:, index])), "mm")
            says = (
                f"Expected to be dry to about {depth} within two days if nobody fills; "
                f"new tips reach only {quantity(rooting_mm, 'mm')} deep."
            )
            found.append(_alert("too_dry", says, pot=pot.label, shelf=pot.shelf))
    return found


@lru_cache(maxsize=2)
def of_pots(situation: Situation) -> tuple[Alert, ...]:
    """The alerts of pots; remembered with their situation, so take them and leave them as they are."""
    named = [
        _alert(pot["state"], pot["says"], pot=pot["pot"], shelf=pot["shelf"])
        for pot in pots_of(situation)
        if pot["state"] in OF_POTS
    ]
    known = {(alert["kind"], alert["pot"]) for alert in named}
    return (*named, *(alert for alert in dries_soon(situation) if (alert["kind"], alert["pot"]) not in known))


def _of_shelves(home: Home, airs: Mapping[str, AirNow]) -> list[Alert]:
    """Shelves whose own air is colder or warmer than the settings bear. A borrowed air is told where it is measured."""
    coldest_c, hottest_c = home.settings.alerts.too_cold_c, home.settings.alerts.too_hot_c
    found = []
    for label, air in airs.items():
        if air.temperature_c is None or air.state == "borrowed":
            continue
        now = quantity(air.temperature_c, "°C")
        if air.temperature_c < coldest_c:
            says = f"{now}, below {quantity(coldest_c, '°C')}: look at heat and windows."
            found.append(_alert("too_cold", says, shelf=label))
        if air.temperature_c > hottest_c:
            says = f"{now}, above {quantity(hottest_c, '°C')}: shade or ventilate, as your plants bear it."
            found.append(_alert("too_hot", says, shelf=label))
    return found


@lru_cache(maxsize=2)
def _of_follow_ups(home: Home, _revision: int, minute: int) -> tuple[Alert, ...]:
    """What is due in the logbook of that revision, to the minute."""
    return tuple(
        _alert("follow_up", one.says, pot=one.pot, subject=f"{one.note_id} {one.step}", since_ms=one.due_ms)
        for one in home.logbook.follow_ups(minute * MINUTE_MS)
        if one.state == "due"
    )


def _of_sensors(home: Home, at_ms: int) -> list[Alert]:
    found = []
    for one in check.sensor_findings(home, at_ms):
        shelf, slash, pot = str(one["at"] or "").partition("/")
        found.append(
            _alert(
                one["kind"],
                one["says"],
                pot=pot if slash else None,
                shelf=shelf or None,
                label=one["label"],
                subject=f"{one['label']} {one['at']}",
                since_ms=one["since_ms"],
            )
        )
    return found


def _alert(
    kind: str,
    says: str,
    *,
    pot: str | None = None,
    shelf: str | None = None,
    label: str | None = None,
    subject: str | None = None,
    since_ms: int | None = None,
) -> Alert:
    about = subject or (f"pot {pot}" if pot else f"shelf {shelf}")
    return {
        "id": name_of(kind, pot or label or shelf or "house", about),
        "kind": kind,
        "pot": pot,
        "shelf": shelf,
        "label": label,
        "says": says,
        "since_ms": since_ms,
    }


def name_of(kind: str, readable: str, about: str) -> str:
    """A name that people can read and an MQTT topic can carry: `fill-window-left-1f6b08`."""
    letters = re.sub(r"[^a-z0-9]+", "-", readable.lower()).strip("-")[:40]
    mark = blake2b(f"{kind}\0{about}".encode(), digest_size=3).hexdigest()
    return "-".join(part for part in (kind.replace("_", "-"), letters, mark) if part)
