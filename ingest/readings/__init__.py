"""Where readings are kept: one protocol that every store passes the same tests for, and its plain types.

A series belongs to its *source*, `topic#field`. Place, unit and calibration are applied when a
series is read, by the caller; nothing here knows a shelf, a pot or a unit. Raw values are never altered.
"""

from typing import NamedTuple


class Reading(NamedTuple):
    """One raw number from one source at one moment (milliseconds since the epoch, UTC)."""

    source: str
    time_ms: int
    value: float


class SensorFailure(NamedTuple):
    """A source said, or its value shows, that it does not measure: `unavailable`, `-127`, all ones."""

    source: str
    time_ms: int
    code: str


class UnreadMessage(NamedTuple):
    """A message that no sensor claims, or that could not be understood; kept whole, with its reason."""

    topic: str
    body: bytes
    arrived_ms: int
    reason: str
    retained: bool = False
