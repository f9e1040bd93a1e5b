"""Moments as people write them, and as the store keeps them: milliseconds since 1970 in UTC.

Knows time zones, knows no clock: whoever needs "now" is given one.
"""

from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)
EARLIEST_MS = 0
LATEST_MS = 7_258_118_400_000  # 2200-01-01: later than that is a slip of the pen


def zone_named(name: str) -> tzinfo:
    """The time zone of that name; ValueError says which name it was."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"there is no time zone {name!r}; write one like 'Europe/Lisbon'.") from error


def ms_of(moment: datetime, zone: tzinfo | None = None) -> int:
    """A datetime as milliseconds. One without an offset needs a zone to be read in."""
    if moment.tzinfo is None:
        if zone is None:
            raise ValueError(f"{moment.isoformat()} says no time zone; end it with 'Z' or an offset, or name a zone.")
        moment = _in_zone(moment, zone)
    ms = (moment - _EPOCH) // _MILLISECOND
    if not EARLIEST_MS <= ms < LATEST_MS:
        raise ValueError(f"{moment.isoformat()} is not between 1970 and 2200.")
    return ms


def _in_zone(moment: datetime, zone: tzinfo) -> datetime:
    local = moment.replace(tzinfo=zone)
    # An hour that the clocks skip does not exist, and does not survive the way to UTC and back.
    if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != moment:
        raise ValueError(f"{moment.isoformat()} does not exist in that zone: the clocks skip it.")
    if local.utcoffset() != local.replace(fold=1).utcoffset():
        raise ValueError(f"{moment.isoformat()} happens twice in that zone: write its offset from UTC.")
    return local


def ms_of_text(text: str, zone: tzinfo | None = None) -> int:
    """ISO 8601 text (`2026-03-01T09:00:00Z`, `2026-03-01 09:00`) as milliseconds."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise ValueError(f"{text!r} is not a time like 2026-03-01T09:00:00Z.") from error
    return ms_of(moment, zone)


def midnights(start_ms: int, end_ms: int, zone: tzinfo) -> NDArray[np.int64]:
    """Local midnights from the one at or before the start to the last at or before the end: edges of whole local days.

    A day on which the clocks change has 23 or 25 hours; where they skip midnight itself, it begins at what follows.
    """
    first = datetime.fromtimestamp(start_ms / 1000, zone).date()
    last = datetime.fromtimestamp(end_ms / 1000, zone).date()
    days = (first + timedelta(days=day) for day in range((last - first).days + 1))
    edges = [datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC) for day in days]
    return np.array([(edge - _EPOCH) // _MILLISECOND for edge in edges], dtype=np.int64)


def moment_of(ms: int) -> datetime:
    """Milliseconds as a datetime in UTC, exact to the millisecond."""
    return _EPOCH + ms * _MILLISECOND


def text_of(ms: int) -> str:
    """Milliseconds as ISO 8601 in UTC; the fraction is written only where there is one."""
    moment = moment_of(ms).replace(tzinfo=None)
    return moment.isoformat(timespec="seconds" if ms % 1000 == 0 else "milliseconds") + "Z"


def texts_of(ms: NDArray[np.int64]) -> NDArray[np.str_]:
    """`text_of` for a whole array (n,) at once."""
    seconds = np.datetime_as_string(ms.astype("datetime64[ms]").astype("datetime64[s]"))
    exact = np.datetime_as_string(ms.astype("datetime64[ms]"))
    return np.char.add(np.where(ms % 1000 == 0, seconds, exact), "Z")
