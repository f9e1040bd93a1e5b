"""The grower's calendar: follow-ups that are due, and the visits of the round."""

from typing import Any

from analysis.quantities import in_units, quantity
from ingest.home import Home
from ingest.logbook.calendar_feed import calendar_feed
from ingest.moments import zone_named


def answer(home: Home, at_ms: int) -> bytes:
    """The calendar as bytes of an iCalendar file (RFC 5545), its amounts in the grower's units."""
    units = home.settings.grower.units
    return calendar_feed(
        home.logbook.follow_ups(at_ms),
        _visits(home, at_ms),
        title=home.settings.dashboard.title,
        zone=zone_named(home.settings.grower.timezone),
        at_ms=at_ms,
        poured=lambda ml: str(in_units(quantity(ml, "mL"), units)),
        mixed=lambda litres: str(in_units(quantity(litres, "L", ".1f"), units)),
    )


def _visits(home: Home, at_ms: int) -> list[dict[str, Any]]:
    from dashboard.answers import round as question

    if not home.logbook.pots():
        return []
    visits = question.answer(home, at_ms)["visits"]
    return [{**visit, "pots": [_by_fives(pot) for pot in visit["pots"]]} for visit in visits if visit["pots"]]


def _by_fives(pot: dict[str, Any]) -> dict[str, Any]:
    """A pot of a visit with its amount as it can be poured."""
    ml = pot["fill_ml"]
    return {**pot, "fill_ml": None if ml is None else 5 * round(ml / 5)}
