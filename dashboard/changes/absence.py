"""An absence: the dates as a person gives them, checked, planned and noted.

From the first moment of the day of leaving to the last of the day of coming back, on the grower's clock.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.changes.undoing import note_undone
from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused
from ingest.moments import ms_of_text

LONGEST_DAYS = 120


def plan(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Check the dates `from` and `to` and say where their plan stands; nothing is written."""
    span_ms(home, at_ms, body)
    return {"go": f"/round/away/{body['from']}/{body['to']}"}


def note(home: Home, at_ms: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Log the absence as a note of the whole collection."""
    from_ms, to_ms = span_ms(home, at_ms, body)
    (number,) = home.logbook.add_notes([{"time_ms": from_ms, "kind": "absence", "detail": {"until_ms": to_ms}}])
    return {"id": number, "says": "Kept: you are away then.", **note_undone(number)}


def span_ms(home: Home, at_ms: int, body: Mapping[str, Any]) -> tuple[int, int]:
    """The moments of leaving and coming back.

    Raises:
        Refused: no dates, the wrong way round, over already, or longer than can be planned.
    """
    leave, back = _day(body, "from"), _day(body, "to")
    if back < leave:
        raise Refused(Fault("to", "You come back before you leave: give a later day."))
    if (back - leave).days > LONGEST_DAYS:
        raise Refused(Fault("to", f"{LONGEST_DAYS} days is the longest absence that can be planned."))
    zone = ZoneInfo(home.settings.grower.timezone)
    from_ms = max(ms_of_text(leave.isoformat(), zone), at_ms)
    to_ms = ms_of_text((back + timedelta(days=1)).isoformat(), zone)
    if to_ms <= at_ms:
        raise Refused(Fault("to", "That absence is over: give a day that is still to come."))
    return from_ms, to_ms


def _day(body: Mapping[str, Any], key: str) -> date:
    try:
        return date.fromisoformat(str(body.get(key)))
    except ValueError:
        raise Refused(Fault(key, "Give a day.")) from None
