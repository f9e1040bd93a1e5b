"""A glasshouse whose round, guide and trials are invented answers, and whose logbook is real: what a tap keeps is read
back from it."""

import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from dashboard.answers import logbook
from dashboard.app import create_app
from dashboard.changes import changes_of
from dashboard.listening import listening
from dashboard.pages import Ask
from dashboard.signin import Access
from ingest.home import Home, open_home
from tests.browser.conftest import KEY, Glasshouse, read

AHEAD_S = 120  # the clock is stopped at a moment that a slow machine cannot have passed meanwhile


@dataclass
class Answered(Glasshouse):
    """The answers can be changed by a test; the home is empty but for shelves and pots."""

    home: Home | None = None
    guide: dict[str, Any] = field(default_factory=lambda: read("guide.json"))
    trials: dict[str, Any] = field(default_factory=lambda: read("trials.json"))
    rounds: dict[str, Any] = field(default_factory=lambda: read("round.json"))

    @property
    def logbook(self) -> Any:
        assert self.home is not None
        return self.home.logbook

    def round(self, _at_ms: int, span: tuple[int, int] | None) -> dict[str, Any]:
        return {**self.rounds["round"], "away": self.rounds["away"] if span else None}

    def serving(self) -> Any:
        assert self.home is not None
        ask = Ask(
            now_ms=lambda: self.answer["at_ms"],
            wall=self.wall,
            health=lambda _: {"status": "ok"},
            logbook=partial(logbook.answer, self.home),
            round=self.round,
            guide=lambda _: self.guide,
            trials=lambda _: self.trials,
            changes=changes_of(self.home),
        )
        return listening(create_app(ask, self.access, "the glasshouse").server, "127.0.0.1", self.port)


def entered(folder: Path, answer: dict[str, Any]) -> Home:
    """The shelves and pots of a wall's answer in the logbook of a new home."""
    lines = [f"[[shelf]]\nlabel = {json.dumps(shelf['label'])}" for shelf in answer["shelves"]]
    for shelf in answer["shelves"]:
        for pot in shelf["pots"]:
            lines.append(f"[[pot]]\nlabel = {json.dumps(pot['label'])}")
            lines.append(f"[[pot.setup]]\nfrom = 2026-01-01T00:00:00Z\nshelf = {json.dumps(shelf['label'])}")
    home = open_home(folder)
    home.logbook.import_setup("\n".join(lines))
    return home


@contextmanager
def answering(folder: Path) -> Iterator[Answered]:
    """The glasshouse of the wall's answer, served over an empty logbook in a folder."""
    answer = read("wall-24-pots.json")
    house = Answered(answer, Access(KEY), home=entered(folder, answer))
    with closing(house.home), house.serving() as port:
        house.port = port
        yield house


def freeze(page: Any) -> None:
    """From here on the page's clock stands still until it is moved: ten seconds to undo last as long as we like."""
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + AHEAD_S)


def too_small(page: Any, where: str, least_px: float) -> list[str]:
    """What is shown there and is narrower or lower than a thumb."""
    return page.evaluate(
        """([where, least]) => Array.from(document.querySelectorAll(where))
            .map(node => [node.textContent.trim(), node.getBoundingClientRect()])
            .filter(([, box]) => box.width > 0 && Math.min(box.width, box.height) < least)
            .map(([text, box]) => text + " " + box.width + " x " + box.height)""",
        [where, least_px],
    )
