"""The air of a shelf from the screens: what a hygrometer showed, kept as two readings like rows of an imported file."""

from typing import Any

from analysis.air import HOLDS_C
from analysis.quantities import in_units, quantity, span
from dashboard.answers.shelf_air import air_source
from dashboard.changes.bodies import Body, answered, moment, number, word
from dashboard.changes.notes import refuse_if_to_come
from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused, named, nearest
from ingest.readings_csv import keep_spot_check

MINUTE_MS = 60_000
MENDED = "It cannot be taken back: to mend it, note the same minute again."
COUNTS = "It counts in guide and round once its hour is over."


def note(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """Keep what a hygrometer showed on `shelf`: `temperature_c` and `relative_humidity_pct`, at `time` or now.

    Kept to the minute, so that one sent twice is one, and a slip is mended by noting that minute again.
    """
    shelf = _shelf(home, body)
    temperature_c = number(body, "temperature_c", "Write the temperature as a number.")
    if not HOLDS_C[0] <= temperature_c <= HOLDS_C[1]:
        says = f"Dry air is told from {span(*HOLDS_C, '°C')}: {quantity(temperature_c, '°C', 'g')} cannot be used."
        raise Refused(Fault("temperature_c", str(in_units(says, home.settings.grower.units))))
    humidity_pct = number(body, "relative_humidity_pct", "Write the humidity as a number.")
    if not 0 <= humidity_pct <= 100:
        raise Refused(Fault("relative_humidity_pct", f"Humidity lies from 0 to 100 %: {humidity_pct:g} % is none."))
    time_ms = moment(home, body, "time", at_ms)
    refuse_if_to_come(home, at_ms, time_ms)
    if time_ms < 0:
        raise Refused(Fault("time", "That is before 1970."))
    keep_spot_check(shelf, time_ms // MINUTE_MS * MINUTE_MS, temperature_c, humidity_pct, home.logbook, home.readings)
    shown = f"{quantity(temperature_c, '°C', 'g')} and {humidity_pct:g} %"
    return answered(f"Kept for {shelf}: {shown}. {COUNTS} {MENDED}")


def _shelf(home: Home, body: Body) -> str:
    """The shelf that is meant; one whose air is told by another shelf is refused, since it would be so no more."""
    shelf = word(body, "shelf", "Choose the shelf.")
    shelves = {one.label: one.given() for one in home.logbook.shelves()}
    if shelf not in shelves:
        raise Refused(Fault("shelf", f"There is no shelf {named(shelf)}; {nearest(shelf, shelves)}"))
    source = air_source(shelf, shelves, home.logbook.sensors())
    if source not in (None, shelf):
        says = f"{shelf} borrows the air of {source}: note the air of that shelf, or end the borrowing in the Workshop."
        raise Refused(Fault("shelf", says))
    return shelf
