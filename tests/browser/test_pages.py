"""Story, workshop and the door in a real browser."""

import copy
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from dashboard.signin import WRONG, Access, with_password


def test_the_story_opens_from_the_wall_in_two_taps_and_back_leads_home(open_page):
    page = open_page("/near")
    page.locator("[data-pot='top middle']").click()
    page.get_by_role("link", name="Story", exact=True).first.click()
    page.wait_for_selector(".story-graph .main-svg")
    expect(page).to_have_title("Story of top middle · the glasshouse")
    assert "Drier air did most of it" in page.locator("#story").inner_text()
    assert page.locator("#story-cut svg.cut").count() == 1
    assert page.locator(".pool a[aria-current='page']").inner_text() == "Story"
    page.go_back()
    page.wait_for_selector(".card")


def test_every_page_is_one_tap_from_every_other(open_page):
    page = open_page("/workshop")
    for name, mark in (("Story", "#story h1"), ("Wall", "#wall .far"), ("Workshop", "#workshop .list")):
        page.locator(".pool").get_by_role("link", name=name).click()
        page.wait_for_selector(mark)


def test_a_span_has_an_address_and_the_figure_follows(open_page):
    page = open_page("/story/top%20middle")
    page.get_by_role("link", name="4 weeks").click()
    expect(page.locator(".story-spans a[aria-current]")).to_have_text("4 weeks")
    assert page.url.endswith("/story/top%20middle/4")


@pytest.mark.parametrize("size", [(360, 740), (1280, 800)])
def test_what_led_up_to_each_look_unfolds_by_keyboard_and_fits(open_page, size):
    page = open_page("/story/top%20middle", size)
    page.wait_for_selector(".story-graph .main-svg")
    looks = page.locator(".looks")
    led_up = looks.get_by_text("for 402 of 576 hours drier than this pot bears")
    expect(led_up).to_be_hidden()
    looks.locator("summary").focus()
    page.keyboard.press("Enter")
    expect(led_up).to_be_visible()
    assert looks.locator("summary").bounding_box()["height"] >= 44
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= size[0]


def test_the_story_prints_on_one_page_and_offers_a_picture(open_page):
    page = open_page("/story/top%20middle")
    page.wait_for_selector(".story-graph .main-svg")
    assert page.locator(".modebar-btn[data-title*='png' i]").count() == 1
    printed = page.pdf(format="A4", landscape=False, print_background=True)
    assert printed.count(b"/Type /Page\n") == 1


def test_an_unknown_pot_has_no_story_and_says_so(open_page):
    assert "There is no pot called ghost." in open_page("/story/ghost").locator("#story").inner_text()


def test_the_wall_fetches_no_plotting_library(open_page):
    page = open_page("/near")
    scripts = page.evaluate("Array.from(document.scripts).map(script => script.src)")
    assert any("wall.js" in name for name in scripts)
    assert not [name for name in scripts if "plotly" in name]
    assert page.evaluate("typeof window.Plotly") == "undefined"


@pytest.mark.parametrize("path", ["/story", "/story/top%20middle", "/workshop"])
def test_a_phone_never_scrolls_sideways(open_page, path):
    page = open_page(path, (360, 740))
    page.wait_for_selector(".story-graph .main-svg, .story-pots, .list")
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= 360


def test_behind_the_door_the_wall_opens_with_the_password_and_goes_on_asking(browser, glasshouse):
    house = replace(glasshouse, answer=copy.deepcopy(glasshouse.answer), port=0)
    house.access = with_password(Access(b"k" * 32), "a wet spring, nine pots")
    with house.serving() as port:
        house.port = port
        page = browser.new_context().new_page()
        page.goto(house.address + "/near")
        page.get_by_label("Password").fill("not it")
        page.get_by_role("button", name="Come in").click()
        expect(page.get_by_role("alert")).to_have_text(WRONG)
        page.get_by_label("Password").fill("a wet spring, nine pots")
        page.keyboard.press("Enter")
        page.wait_for_selector("[data-pot]")
        assert page.url.endswith("/near")
        page.get_by_role("link", name="Sign out").click()
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_selector("#password")
        page.goto(house.address + "/near")
        page.wait_for_selector("#password")
        page.context.close()
