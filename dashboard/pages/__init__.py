"""The pages of the dashboard: each lays out and wires one screen.

Owns what a page is and what it may ask. A page computes nothing and draws nothing itself: figures and the scripts in
`assets` draw, answers compute. Pages do not know each other.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dashboard.downloads import Downloads

Answer = dict[str, Any]


@dataclass(frozen=True)
class Ask:
    """The questions that pages may put; the answers are plain dicts that the command line prints as well.

    `now_ms` is the only clock that pages read. A question that is None has no page: the frame shows only what works.
    `story` takes the pot, the span (since, until) and the present moment; `logbook` the moment, the pot, the note and
    the days (each or None); `round` the moment and the span of an absence, or None. `collection`, `pot_record` (of a
    pot) and `house` (under the address that was seen) are the workshop's. `changes` are what a screen may do, by name;
    `photos` is the folder that keeps them, `downloads` what leaves the dashboard as a file.
    """

    now_ms: Callable[[], int]
    wall: Callable[[int], Answer]
    health: Callable[[int], Answer]
    story: Callable[[str, int, int, int], Answer] | None = None
    workshop: Callable[[int], Answer] | None = None
    logbook: Callable[[int, str | None, int | None, int | None], Answer] | None = None
    round: Callable[[int, tuple[int, int] | None], Answer] | None = None
    guide: Callable[[int], Answer] | None = None
    trials: Callable[[int], Answer] | None = None
    collection: Callable[[int], Answer] | None = None
    pot_record: Callable[[str, int], Answer] | None = None
    house: Callable[[str, int], Answer] | None = None
    changes: Mapping[str, Callable[[int, Mapping[str, Any]], Answer]] = field(default_factory=dict)
    photos: Path | None = None
    downloads: Downloads | None = None


@dataclass(frozen=True)
class Page:
    """One screen: its name in the frame, the addresses it answers and how it is built.

    `owns` says whether a path is this page's; `layout` is called once when the page opens (a page may then follow
    the address by itself); `wire` registers its callbacks, once for an app.
    """

    name: str
    label: str
    path: str
    owns: Callable[[str], bool]
    title: Callable[[str], str]
    layout: Callable[[str, str], Any]
    wire: Callable[[Any, Ask], None]

    def is_asked(self, ask: Ask) -> bool:
        """Whether the question of this page can be put."""
        return getattr(ask, self.name) is not None
