"""The grower's calendar: follow-ups that are due, and the visits of the round."""

from ingest.home import Home
from ingest.logbook.calendar_feed import calendar_feed
from ingest.moments import zone_named


def answer(home: Home, at_ms: int) -> bytes:
    """The calendar as bytes of an iCalendar file (RFC 5545)."""
    return calendar_feed(
        home.logbook.follow_ups(at_ms),
        _visits(home, at_ms),
        title=home.settings.dashboard.title,
        zone=zone_named(home.settings.grower.timezone),
        at_ms=at_ms,
    )


def _visits(home: Home, at_ms: int) -> list[dict[str, object]]:
    from dashboard.answers import round as question

    if not home.logbook.pots():
        return []
    visits: list[dict[str, object]] = question.answer(home, at_ms)["visits"]
    return [visit for visit in visits if visit["pots"]]
