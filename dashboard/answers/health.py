"""`GET /healthz`: whether the house is alive, in four figures that cost next to nothing to find."""

from typing import Any

from ingest.home import Home

#: With no reading for this long, something between the sensors and the store has stopped.
STANDSTILL_S = 6 * 3600.0


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """`{status, readings, newest_reading_age_s, unread_messages}`; `degraded`: no reading for hours."""
    newest_ms = max((time_ms for time_ms, _ in home.readings.latest().values()), default=None)
    age_s = None if newest_ms is None else (at_ms - newest_ms) / 1000.0
    status = "degraded" if age_s is not None and age_s > STANDSTILL_S else "ok"
    return {
        "status": status,
        "readings": home.readings.size().readings,
        "newest_reading_age_s": age_s,
        "unread_messages": home.readings.unread_count().kept,
    }
