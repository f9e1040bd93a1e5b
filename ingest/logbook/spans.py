"""Intervals that may not overlap: what opening or taking away one does to its neighbours.

Pure: set-ups of a pot and placements of a sensor both keep to it. Half-open `[from_ms, to_ms)`, open end = None.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.logbook.refusals import Overlap, Refused
from ingest.moments import text_of


@dataclass(frozen=True)
class Span:
    """A row that is in force for a while."""

    id: int
    from_ms: int
    to_ms: int | None


@dataclass(frozen=True)
class Opening:
    """What opening a new span does: which one it closes, where it ends, and which rest of the closed one resumes."""

    closes: int | None
    to_ms: int | None
    resumes: tuple[int, int | None] | None


def opening(spans: Sequence[Span], from_ms: int, to_ms: int | None, what: str) -> Opening:
    """How a span from `from_ms` fits among its neighbours, or `Overlap`.

    Without an end it lasts as long as the span it cuts into, or until the next one begins. With an end inside the
    span it cuts into, that one resumes afterwards.
    """
    if to_ms is not None and to_ms <= from_ms:
        raise Refused(f"{what} cannot end ({text_of(to_ms)}) before it begins ({text_of(from_ms)}).")
    cut = next((s for s in spans if s.from_ms <= from_ms and (s.to_ms is None or from_ms < s.to_ms)), None)
    following = min((s.from_ms for s in spans if s.from_ms > from_ms), default=None)
    if cut is not None and cut.from_ms == from_ms:
        raise Overlap(f"{what} already has an entry that begins at {text_of(from_ms)}.")
    if to_ms is None:
        return Opening(cut.id if cut else None, cut.to_ms if cut else following, None)
    if following is not None and to_ms > following:
        raise Overlap(f"{what} until {text_of(to_ms)} would overlap the one that begins at {text_of(following)}.")
    resumes = (to_ms, cut.to_ms) if cut and (cut.to_ms is None or to_ms < cut.to_ms) else None
    return Opening(cut.id if cut else None, to_ms, resumes)


def extended_by_removal(spans: Sequence[Span], removed: Span) -> Span | None:
    """The neighbour before, lasting as long as the removed span did; None when nothing touches it."""
    before = next((s for s in spans if s.to_ms == removed.from_ms), None)
    return Span(before.id, before.from_ms, removed.to_ms) if before else None
