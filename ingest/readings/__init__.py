"""Where readings are kept: one protocol that every store passes the same tests for, and its plain types.

A series belongs to its *source*, `topic#field`. Place, unit and calibration are applied when a
series is read, by the caller; nothing here knows a shelf, a pot or a unit. Raw values are never altered.

Time is whole milliseconds since the Unix epoch, UTC. Ranges are half-open, [start, end).
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
Series = tuple[IntArray, FloatArray]

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

# Facts that a store keeps; what they mean, and how they are computed, is their writer's business.
HOURLY_COLUMNS = ("temperature_c", "relative_humidity_pct", "vpd_kpa", "vpd_max_kpa", "coverage")
DAILY_COLUMNS = (
    "water_use_ml_per_day",
    "water_use_low_ml_per_day",
    "water_use_high_ml_per_day",
    "expected_use_ml_per_day",
    "refilled_ml",
    "level_mm",
    "dry_depth_p10_mm",
    "dry_depth_p50_mm",
    "dry_depth_p90_mm",
    "vpd_kpa",
    "coverage",
)


class Reading(NamedTuple):
    """One raw number from one source at one moment."""

    source: str
    time_ms: int
    value: float


class SensorFailure(NamedTuple):
    """A source said, or its value shows, that it does not measure: `unavailable`, `-127`, all ones."""

    source: str
    time_ms: int
    code: str


class FailureSpell(NamedTuple):
    """A source failed from `from_ms`, last said so at `last_ms`, and measured again at `ended_ms` (None: not yet)."""

    source: str
    from_ms: int
    last_ms: int
    ended_ms: int | None
    code: str


class UnreadMessage(NamedTuple):
    """A message that no sensor claims, or that could not be understood; kept whole, with its reason."""

    topic: str
    body: bytes
    arrived_ms: int
    reason: str
    retained: bool = False
    time_known: bool = True


class StoredUnread(NamedTuple):
    """An unread message as it is kept, with the number by which it can be forgotten."""

    id: int
    topic: str
    body: bytes
    arrived_ms: int
    reason: str
    retained: bool
    time_known: bool


class UnreadCount(NamedTuple):
    """How many unread messages are kept, their size, and how many older ones had to make room."""

    kept: int
    bytes: int
    dropped: int


class RefusedReading(NamedTuple):
    """A reading that the server of the long history will never accept, with the server's reason."""

    source: str
    time_ms: int
    value: float
    reason: str


class Touched(NamedTuple):
    """Which hours of which sources changed since facts were last written, and the mark to hand back."""

    hours: dict[str, IntArray]
    until: int


class StoreSize(NamedTuple):
    """What the store holds, and what it takes on disk (`free_bytes`: what the disk has left)."""

    readings: int
    sealed_readings: int
    sources: int
    bytes: int
    free_bytes: int


# N818 wants "Error" at the end of each name; what happened reads better alone.
class StoreError(Exception):
    """The store could not do what was asked; the message is one sentence for the person in charge."""


class StoreBusy(StoreError):  # noqa: N818
    """Another process held the store for longer than we wait; nothing was written, try again."""


class StoreFull(StoreError):  # noqa: N818
    """The disk has no room left; nothing was written, free some space and try again."""


class StoreTorn(StoreError):  # noqa: N818
    """The file is not a whole readings store: damaged, cut short, or something else."""


class StoreAway(StoreError):  # noqa: N818
    """The server that keeps the history does not answer, or does not let us in."""


class ReadingsStore(Protocol):
    """What every store of readings can do."""

    def append(
        self,
        readings: Sequence[Reading] = (),
        failures: Sequence[SensorFailure] = (),
        unread: Sequence[UnreadMessage] = (),
    ) -> None:
        """Keep all of it in one durable transaction.

        Idempotent on (source, time); the last value delivered for a moment wins. When this returns, the
        batch survives a power cut; when it raises, nothing of the batch was written.
        """

    def read(self, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """Times and values of each source in [start, end), sorted by time; empty arrays where there are none."""

    def last_before(self, sources: Sequence[str], time_ms: int) -> dict[str, tuple[int, float]]:
        """The last reading of each source strictly before a moment; a source without one is left out."""

    def first_ms(self, since_ms: int = ..., sources: Sequence[str] | None = None) -> int | None:
        """When the first reading of these sources (None: of all) since a moment was taken; None where there is none."""

    def latest(self) -> dict[str, tuple[int, float]]:
        """The newest reading of every source."""

    def failures(self, since_ms: int = 0) -> list[FailureSpell]:
        """Spells of failure that still stand or ended at or after `since_ms`, oldest first."""

    def unread(self, limit: int = 200) -> list[StoredUnread]:
        """Unread messages, newest first."""

    def unread_count(self) -> UnreadCount:
        """How many unread messages are kept and how many had to make room."""

    def forget_unread(self, ids: Iterable[int]) -> None:
        """Forget unread messages, for example after they were replayed."""

    def touched(self) -> Touched:
        """Hours whose readings changed since facts were last written."""

    def touch(self, sources: Iterable[str] | None = None) -> None:
        """Mark every hour of these sources (None: of all) as changed, so that their facts are computed anew."""

    def write_facts(
        self,
        hourly: "Sequence[pd.DataFrame]" = (),
        daily: "pd.DataFrame | None" = None,
        *,
        touched_until: int | None = None,
        derived: Mapping[str, tuple[str, bytes]] | None = None,
    ) -> None:
        """Write facts and clear the marks they answer, in one transaction.

        Each table of `hourly` has `place, hour_ms` and any of `HOURLY_COLUMNS`; `daily` has `pot, day_ms` and any of
        `DAILY_COLUMNS`. A row replaces the row of the same key; a row without a single value removes it. Tables are
        written in their order, each by itself: years of all places need not be copied together.
        Marks up to `touched_until` are cleared; an hour touched again meanwhile keeps its mark. `derived` is what
        `put_derived` takes, by key.
        """

    def read_hourly(self, place: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
        """Hourly facts of a place: `hour_ms` and `HOURLY_COLUMNS`, NaN where unknown, sorted."""

    def read_daily(self, pot: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
        """Daily facts of a pot: `day_ms` and `DAILY_COLUMNS`, NaN where unknown, sorted."""

    def put_derived(self, key: str, fingerprint: str, body: bytes) -> None:
        """Keep something computed (a calibration's draws) with the fingerprint of what it was computed from."""

    def get_derived(self, key: str) -> tuple[str, bytes] | None:
        """The fingerprint and body kept under a key, or None."""

    def size(self) -> StoreSize:
        """How much is kept, and what it takes."""

    def close(self) -> None:
        """Let go of the store; every thread's connection is closed."""
