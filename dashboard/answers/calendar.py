"""The grower's calendar: follow-ups that are due, and the visits of the round."""

from typing import Any

from analysis.quantities import in_units, quantity, span
from ingest.home import Home
from ingest.logbook.calendar_feed import calendar_feed
from ingest.moments import zone_named


def answer(home: Home, at_ms: int) -> bytes:
    """The calendar as bytes of an iCalendar file (RFC 5545), its amounts in the grower's units."""
    return calendar_feed(
        home.logbook.follow_ups(at_ms),
        in_units(_visits(home, at_ms), home.settings.grower.units),
        title=home.settings.dashboard.title,
        zone=zone_named(home.settings.grower.timezone),
        at_ms=at_ms,
    )


def _visits(home: Home, at_ms: int) -> list[dict[str, Any]]:
    from dashboard.answers import round as question

    if not home.logbook.pots():
        return []
    visits = [visit for visit in question.answer(home, at_ms)["visits"] if visit["pots"]]
    return [
        {"date": visit["date"], "says": _says(visit), "pots": [_line(pot) for pot in visit["pots"]]} for visit in visits
    ]


def _says(visit: dict[str, Any]) -> str:
    count = len(visit["pots"])
    mix = quantity(visit["litres_to_mix"], "L", ".1f")
    return f"Water {count} pot{'' if count == 1 else 's'}, mix at most {mix}"


def _line(pot: dict[str, Any]) -> str:
    """One pot of a visit: to where, and how much that takes, as it can be poured."""
    to = f"only to {quantity(pot['fill_mark_mm'], 'mm')}" if pot["eased"] else "to the mark"
    if pot["fill_ml"] is None:
        return f"{pot['pot']}: {to}"
    least, most = (5 * round(pot[key] / 5) for key in ("fill_ml", "fill_at_most_ml"))
    amount = quantity(most, "mL") if least == most else span(least, most, "mL")
    return f"{pot['pot']}: {to}, {amount}"
