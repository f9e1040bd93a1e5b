"""Follow-ups and visits as an iCalendar feed (RFC 5545) that a phone can subscribe to.

Pure: what is due goes in, bytes come out. Every entry is a whole day in the grower's time zone; an entry keeps its UID
when it is moved, so a phone moves it too.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta, tzinfo
from typing import Any

from icalendar import Calendar, Event

from ingest.logbook.follow_ups import FollowUp
from ingest.moments import moment_of


def calendar_feed(
    follow_ups: Sequence[FollowUp],
    visits: Sequence[Mapping[str, Any]],
    *,
    title: str,
    zone: tzinfo,
    at_ms: int,
) -> bytes:
    """The feed. `visits` are those of the round, in words: `{"date": "2026-04-02", "says", "pots": [a line a pot]}`.

    What is overdue stands on today, since a phone does not show yesterday.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//dryline//logbook//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", title)
    today = moment_of(at_ms).astimezone(zone).date()
    for follow_up in follow_ups:
        day = max(today, moment_of(follow_up.due_ms).astimezone(zone).date())
        uid = f"follow-up-{follow_up.note_id}-{follow_up.step}@dryline"
        calendar.add_component(_event(uid, day, follow_up.says, "", at_ms))
    for visit in visits:
        day = date.fromisoformat(str(visit["date"]))
        calendar.add_component(_event(f"round-{day}@dryline", day, visit["says"], "\n".join(visit["pots"]), at_ms))
    return bytes(calendar.to_ical())


def _event(uid: str, day: date, summary: str, description: str, at_ms: int) -> Event:
    event = Event()
    event.add("uid", uid)
    event.add("dtstamp", moment_of(at_ms))
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", summary)
    if description:
        event.add("description", description)
    # It does not make the day a busy one.
    event.add("transp", "TRANSPARENT")
    return event
