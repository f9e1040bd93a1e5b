"""The wall stands in the page before any library runs, and stays as it is when they have begun."""

import io
import re
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, Route, expect

LIBRARIES = re.compile("/_dash-component-suites/")
PATHS = [
    ("/", (1280, 800), "light"),
    ("/near", (1280, 800), "dim"),
    ("/near", (800, 1280), "light"),
    ("/pot/top%20middle", (800, 1280), "dim"),
]
LIVE = "#wall[data-live] .stage"


@pytest.fixture
def held(browser: Any, glasshouse: Any, watch: Any) -> Iterator[Callable[..., tuple[Page, Callable[[], None]]]]:
    """`held(path, size, theme)`: a page whose libraries are on the way and do not come, and what lets them come."""
    contexts = []
    waiting: list[Route] = []

    def visit(path: str, size: tuple[int, int] = (1280, 800), theme: str = "light") -> tuple[Page, Callable[[], None]]:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        context.add_init_script(f"localStorage.setItem('dryline-theme', '{theme}')")
        contexts.append(context)
        page = context.new_page()
        watch.follow(page)
        come = threading.Event()

        def keep(route: Route) -> None:
            if come.is_set():
                route.continue_()
            else:
                waiting.append(route)

        page.route(LIBRARIES, keep)
        page.clock.install()
        page.goto(glasshouse.address + path, wait_until="commit")
        page.wait_for_selector("#wall .stage")

        def let_come() -> None:
            come.set()
            while waiting:
                waiting.pop(0).continue_()

        return page, let_come

    yield visit
    watch.away = watch.away or bool(waiting)  # what is still on the way is given up with the page
    for route in waiting:
        route.abort()
    for context in contexts:
        context.close()
    assert watch.faults == []


def picture(page: Page) -> Any:
    return np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(int)


@pytest.mark.parametrize(("path", "size", "theme"), PATHS)
def test_the_wall_is_there_before_the_libraries_and_looks_the_same_after_them(held, glasshouse, path, size, theme):
    glasshouse.answer["needs"] = glasshouse.answer["needs"][:1]  # of more than fit the far view turns the pages
    page, let_come = held(path, size, theme)
    assert page.evaluate("typeof window.React") == "undefined"
    assert page.evaluate("document.documentElement.dataset.theme") == theme
    title, before = page.title(), picture(page)
    page.evaluate("document.querySelectorAll('#wall *').forEach(node => { node.untouched = true; })")
    let_come()
    page.wait_for_selector(LIVE)
    assert page.evaluate("Array.from(document.querySelectorAll('#wall *')).every(node => node.untouched)")
    assert page.title() == title
    assert (picture(page) == before).all()


def test_a_tap_before_the_libraries_opens_the_pot_and_the_way_back_leaves_it(held):
    page, let_come = held("/near")
    page.locator("[data-pot='top middle']").click()
    expect(page.locator(".card h2")).to_have_text("top middle")
    page.go_back()
    expect(page.locator(".card")).to_have_count(0)
    page.locator("[data-pot='moss shelf']").click()
    let_come()
    page.wait_for_selector(LIVE)
    expect(page.locator(".card h2")).to_have_text("moss shelf")
    expect(page).to_have_title("moss shelf · the glasshouse")


def test_a_tap_on_another_page_before_the_libraries_is_followed_when_they_are_there(held):
    page, let_come = held("/near")
    page.locator(".pool").get_by_role("link", name="Workshop").click()
    expect(page.locator(".pot").first).to_be_visible()
    let_come()
    expect(page.locator("#workshop .list").first).to_be_visible()
    expect(page.locator("#wall")).to_be_hidden()
    page.go_back()
    page.wait_for_selector(LIVE)


def test_a_wall_whose_libraries_never_come_says_in_time_that_nothing_is_heard(held):
    page, _ = held("/near")
    page.clock.fast_forward(30_000)
    expect(page.locator(".notice-lost")).to_be_visible()


def test_a_wall_whose_first_answer_takes_long_says_so_until_it_is_there(open_page, glasshouse, monkeypatch):
    monkeypatch.setattr("dashboard.pages.wall.first", lambda _ask: None)
    page = open_page("/near")
    assert page.locator("#wall-first").count() == 0
    expect(page.locator("[data-pot]")).to_have_count(24)


def test_other_pages_carry_nothing_of_the_wall_and_wait_for_nothing(open_page):
    page = open_page("/workshop")
    assert page.locator("#wall-first, script[type='text/later'], link[data-later]").count() == 0
    expect(page.locator("#wall")).to_be_hidden()
    page.locator(".pool").get_by_role("link", name="Wall").click()
    page.wait_for_selector(LIVE)
