"""A real Chromium on a real server: what every browser test stands on.

A page that logs an error, loses a request or asks a foreign host fails the test that opened it, at its end, unless the
test said beforehand that the server would be away.
"""

import copy
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from dashboard.app import create_app
from dashboard.listening import listening
from dashboard.pages import Ask
from dashboard.signin import Access

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DATA = Path(__file__).parents[1] / "data"
KEY = b"k" * 32

expect.set_options(timeout=30_000)  # as long as every other wait: a slow machine is no fault


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not Path(CHROMIUM).exists():
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@dataclass
class Glasshouse:
    """What the server answers; a test changes it and sees the wall follow."""

    answer: dict[str, Any]
    access: Access
    port: int = 0
    asked: int = 0

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def pot(self, label: str) -> dict[str, Any]:
        return next(pot for shelf in self.answer["shelves"] for pot in shelf["pots"] if pot["label"] == label)

    def set_dry(self, label: str, p10: float, p50: float, p90: float) -> None:
        pot = self.pot(label)
        pot["dry_layer_mm"] = pot["section"]["dry_layer_mm"] = {"p10": p10, "p50": p50, "p90": p90}

    def wall(self, _at_ms: int) -> dict[str, Any]:
        self.asked += 1
        return copy.deepcopy(self.answer)

    def story(self, pot: str, _since_ms: int, _until_ms: int, _at_ms: int) -> dict[str, Any]:
        if pot != "top middle":
            raise ValueError(f"There is no pot called {pot}.")
        return read("story-top-middle.json")

    def serving(self) -> AbstractContextManager[int]:
        """A new server process in all but name: it knows nothing of what an older one answered."""
        ask = Ask(
            now_ms=lambda: self.answer["at_ms"],
            wall=self.wall,
            health=lambda _: {"status": "ok"},
            story=self.story,
            workshop=lambda _: read("workshop.json"),
        )
        return listening(create_app(ask, self.access, "the glasshouse").server, "127.0.0.1", self.port)


def read(name: str) -> dict[str, Any]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


@pytest.fixture
def access() -> Access:
    """The door of the house; a file of tests may bring its own."""
    return Access(KEY)


@pytest.fixture
def glasshouse(access: Access) -> Iterator[Glasshouse]:
    house = Glasshouse(read("wall-24-pots.json"), access)
    with house.serving() as port:
        house.port = port
        yield house


@dataclass
class Watch:
    """What went wrong in a page."""

    address: str
    faults: list[str] = field(default_factory=list)
    away: bool = False

    def follow(self, page: Page) -> None:
        def console(message: Any) -> None:
            if message.type in ("error", "warning") and not self.away:
                self.faults.append(f"console: {message.text}")

        def request(asked: Any) -> None:
            if not asked.url.startswith((self.address, "data:", "blob:")):
                self.faults.append(f"foreign request: {asked.url}")

        def failed(asked: Any) -> None:
            if not self.away:
                self.faults.append(f"failed: {asked.url}")

        page.on("console", console)
        page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        page.on("request", request)
        page.on("requestfailed", failed)


Open = Callable[..., Page]


@pytest.fixture
def watch(glasshouse: Glasshouse) -> Watch:
    return Watch(glasshouse.address)


@pytest.fixture
def open_page(browser: Browser, glasshouse: Glasshouse, watch: Watch) -> Iterator[Open]:
    """`open_page(path, size=(1280, 800), theme="light")`: a new visitor who looks at a path.

    Its clock is the test's: `page.clock.fast_forward` lets ten seconds pass without waiting for them.
    """
    contexts = []

    def visit(path: str, size: tuple[int, int] = (1280, 800), theme: str = "light", **more: Any) -> Page:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **more)
        context.add_init_script(f"localStorage.setItem('dryline-theme', '{theme}')")
        contexts.append(context)
        page = context.new_page()
        watch.follow(page)
        page.clock.install()
        page.goto(glasshouse.address + path)
        page.wait_for_selector("#wall[data-live] .stage, #wall[data-live] .plain, main.plain, .gate, #page main h1")
        return page

    yield visit
    for context in contexts:
        context.close()
    assert watch.faults == []
