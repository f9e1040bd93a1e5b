"""When a message says it was measured: the written form of a time -> milliseconds UTC, or why it cannot be.

Owns the forms a time may take (ISO 8601, Unix seconds or milliseconds, a strptime pattern, local time
without a zone) and what a believable time is. The moment of arrival is handed in; no clock is read here.

Local time without a zone runs twice through one hour each autumn. Which of the two is meant is decided so:
the times of one message keep their order, and each is the latest that neither lies after the message arrived
nor breaks that order. The hour that a spring change leaves out is read as the clock that was not put forward.
"""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

#: No reading is older than this: it is the zero of a clock that was never set, not a time.
EARLIEST_MS = 946_684_800_000  # 2000-01-01T00:00Z
#: The program did not exist before; a host clock that shows less has not been set yet.
BUILT_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
#: The limit that still holds while the host's own clock cannot be asked.
LATEST_MS = 4_102_444_800_000  # 2100-01-01T00:00Z
#: How far a sensor's clock may run ahead of the host's.
AHEAD_MS = 5 * 60 * 1000

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


class UnreadableError(ValueError):
    """What came in cannot be read; the message of this error is the one sentence that says why."""


def host_clock_is_sane(now_ms: int) -> bool:
    """Whether the host's clock can be right: not before this program was made, not past 2100."""
    return BUILT_MS <= now_ms < LATEST_MS


def latest_believable_ms(now_ms: int) -> int:
    """The last moment a reading may carry, seen from `now_ms`."""
    return now_ms + AHEAD_MS if host_clock_is_sane(now_ms) else LATEST_MS


def why_implausible(time_ms: int, now_ms: int) -> str | None:
    """A sentence on why no reading can carry this time, or None when it can."""
    if time_ms < EARLIEST_MS:
        return f"its time, {_shown(time_ms)}, is before 2000: the sender's clock was never set"
    if time_ms > latest_believable_ms(now_ms):
        return f"its time, {_shown(time_ms)}, lies in the future: the sender's clock or this host's is wrong"
    return None


def times_ms(written: Sequence[object], time_format: str | None, time_zone: str | None, arrived_ms: int) -> list[int]:
    """The written times of one message, in its order, as milliseconds UTC.

    `time_format` is None (text is ISO 8601, a number is Unix seconds or, when it could only be that,
    milliseconds), "iso", "unix_s", "unix_ms" or a strptime pattern. Raises UnreadableError.
    """
    candidates = [_candidates_ms(one, time_format, time_zone) for one in written]
    if all(len(one) == 1 for one in candidates):
        return [one[0] for one in candidates]
    return _in_order(candidates, latest_believable_ms(arrived_ms))


def _in_order(candidates: list[tuple[int, ...]], not_after_ms: int) -> list[int]:
    ascending = candidates[0][0] <= candidates[-1][0]
    resolved: list[int] = []
    bound = not_after_ms
    for one in reversed(candidates) if ascending else candidates:
        fitting = [moment for moment in one if moment <= bound]
        bound = fitting[-1] if fitting else one[0]
        resolved.append(bound)
    return resolved[::-1] if ascending else resolved


def _candidates_ms(written: object, time_format: str | None, time_zone: str | None) -> tuple[int, ...]:
    """The one moment a written time means, or both when a local clock showed it twice."""
    if isinstance(written, bool) or not isinstance(written, (int, float, str)):
        raise UnreadableError(f"its time is neither text nor a number but {_short(written)}")
    if time_format in ("unix_s", "unix_ms") or (time_format is None and not isinstance(written, str)):
        return (_unix_ms(written, time_format),)
    return _calendar_ms(str(written), time_format, time_zone)


def _unix_ms(written: int | float | str, time_format: str | None) -> int:
    try:
        number = float(written)
    except (ValueError, OverflowError):
        raise UnreadableError(f"its time {_short(written)} is not a Unix time") from None
    if not math.isfinite(number) or abs(number) > 1e15:
        raise UnreadableError(f"its time {_short(written)} is not a Unix time")
    # Seconds would put every moment after 2000 below 1e11 until the year 5138.
    in_ms = time_format == "unix_ms" or (time_format is None and abs(number) >= 1e11)
    return round(number if in_ms else number * 1000.0)


def _calendar_ms(written: str, time_format: str | None, time_zone: str | None) -> tuple[int, ...]:
    text = written.strip()
    try:
        if time_format in (None, "iso"):
            moment = datetime.fromisoformat(text)
            if len(text) <= 10:
                raise UnreadableError(f"its time {_short(written)} is a date without a time of day")
        else:
            moment = datetime.strptime(text, str(time_format))  # noqa: DTZ007 - the zone follows below
        if moment.tzinfo is not None:
            return (_to_ms(moment),)
        if time_zone is None:
            raise UnreadableError(f"its time {_short(written)} has no zone: give its sensor a time_zone")
        zone = ZoneInfo(time_zone)
        return tuple(sorted({_to_ms(_placed(moment, zone, fold)) for fold in (0, 1)}))
    except UnreadableError:
        raise
    except (ValueError, OverflowError, KeyError, OSError):
        form = "ISO 8601" if time_format in (None, "iso") else f"the form {time_format}"
        raise UnreadableError(f"its time {_short(written)} does not follow {form}") from None


def _placed(moment: datetime, zone: tzinfo, fold: int) -> datetime:
    """The moment in its zone; in the hour that spring leaves out, both folds mean the clock not put forward."""
    first = moment.replace(tzinfo=zone, fold=0)
    second = moment.replace(tzinfo=zone, fold=1)
    left_out = (first.utcoffset() or timedelta()) < (second.utcoffset() or timedelta())
    return first if left_out or fold == 0 else second


def _to_ms(moment: datetime) -> int:
    return round((moment - _EPOCH) / _MILLISECOND)


def _shown(time_ms: int) -> str:
    try:
        return (_EPOCH + timedelta(milliseconds=time_ms)).strftime("%Y-%m-%d %H:%M:%S UTC")
    except OverflowError:
        return f"{time_ms} ms"


def _short(written: object) -> str:
    text = repr(written)
    return text if len(text) <= 40 else text[:37] + "..."
