"""Which alerts stand, and who has been told of them: each once, and of its end once.

Pure: what stands now goes in, with the memory of the last look; what each service must still hear comes out. The memory
is plain JSON, so that it outlives a restart. Knows no service and no clock.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

Alert = dict[str, Any]
Memory = dict[str, Any]

#: An alert is over once it has not stood for this long: a sensor that comes and goes must not ring each time.
OVER_AFTER_MS = 30 * 60_000


@dataclass(frozen=True)
class Owed:
    """What one service must still hear."""

    new: tuple[Alert, ...]
    over: tuple[Alert, ...]

    def __bool__(self) -> bool:
        return bool(self.new or self.over)


def nothing_yet() -> Memory:
    """The memory before the first look."""
    return {"standing": {}, "over": {}, "topics": []}


def looked(memory: Memory, alerts: Sequence[Alert], services: Collection[str], at_ms: int) -> Memory:
    """The memory after a look at what stands now; `services` are those that there are today."""
    standing = {name: dict(alert) for name, alert in memory["standing"].items()}
    over = {name: dict(alert) for name, alert in memory["over"].items()}
    for alert in alerts:
        # One that comes back before its end was told everywhere: those who never heard of the end need not hear again.
        before = standing.get(alert["id"]) or over.pop(alert["id"], None) or {"since_ms": alert["since_ms"] or at_ms}
        told = before.get("told", [])
        since_ms = before["since_ms"]
        standing[alert["id"]] = {**alert, "since_ms": since_ms, "seen_ms": at_ms, "told": list(told)}
    for name, alert in list(standing.items()):
        alert["seen_ms"] = min(alert["seen_ms"], at_ms)  # the clock may have been set back
        if at_ms - alert["seen_ms"] >= OVER_AFTER_MS:
            over[name] = standing.pop(name)
    for name, alert in list(over.items()):
        alert["told"] = [service for service in alert["told"] if service in services]
        if not alert["told"]:
            del over[name]
    return {**memory, "standing": standing, "over": over}


def owed(memory: Memory, service: str) -> Owed:
    """What a service has not heard: alerts that stand, and the end of those it was told of."""
    new = [alert for alert in memory["standing"].values() if service not in alert["told"]]
    over = [alert for alert in memory["over"].values() if service in alert["told"]]
    return Owed(tuple(new), tuple(over))


def heard(memory: Memory, service: str, told: Owed) -> Memory:
    """The memory after a service took what it was owed."""
    standing, over = dict(memory["standing"]), dict(memory["over"])
    for alert in told.new:
        standing[alert["id"]] = {**standing[alert["id"]], "told": [*standing[alert["id"]]["told"], service]}
    for alert in told.over:
        left = [other for other in over[alert["id"]]["told"] if other != service]
        over[alert["id"]] = {**over[alert["id"]], "told": left}
        if not left:
            del over[alert["id"]]
    return {**memory, "standing": standing, "over": over}


def is_quiet(at_ms: int, quiet_hours: str | None, zone: str) -> bool:
    """Whether a moment lies within `22:00-07:00` of the grower's zone; the end itself is no longer quiet."""
    if quiet_hours is None:
        return False
    first, last = quiet_hours.split("-")
    now = datetime.fromtimestamp(at_ms / 1000, ZoneInfo(zone)).strftime("%H:%M")
    return first <= now < last if first <= last else now >= first or now < last


def words(told: Owed, most: int = 20) -> tuple[str, str]:
    """Title and text of a message: what needs the grower, then what no longer does."""
    new = [_line(alert) for alert in told.new]
    over = [f"Over: {_line(alert)}" for alert in told.over]
    lines = [*new, *over]
    more = [f"And {len(lines) - most} more: see the wall."] if len(lines) > most else []
    if new:
        title = f"{len(new)} {'needs' if len(new) == 1 else 'need'} you"
    else:
        title = f"{len(over)} no longer {'needs' if len(over) == 1 else 'need'} you"
    return title, "\n".join([*lines[:most], *more])


def _line(alert: Mapping[str, Any]) -> str:
    about = alert["pot"] or (None if alert.get("label") else alert["shelf"])
    where = f" ({alert['shelf']})" if alert["pot"] and alert["shelf"] else ""
    return f"{about}{where}: {alert['says']}" if about else str(alert["says"])
