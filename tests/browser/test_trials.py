"""The trials page by hand: the pairs with their sections, a trial begun and taken back; on a real logbook."""

import pytest
from playwright.sync_api import expect

from tests.browser.answered import answering, freeze
from tests.browser.test_accessibility import grave


@pytest.fixture
def glasshouse(tmp_path):
    with answering(tmp_path) as house:
        yield house


def opened(open_page, size=(1280, 800), theme="light"):
    page = open_page("/trials", size, theme)
    page.wait_for_selector(".trial svg.cut")
    return page


def test_a_trial_is_begun_by_one_tap_and_taken_back(open_page, glasshouse):
    page = opened(open_page)
    freeze(page)
    with page.expect_response("**/change/trial_begun"):
        page.get_by_role("button", name="pebbles 10 mm on window left").click()
    expect(page.locator("#undo")).to_contain_text("window middle stays as it is")
    (note,) = glasshouse.logbook.notes()
    assert (note.kind, note.text) == ("cover", "Trial beside window middle: pebbles 10\u00a0mm on window left only.")
    with page.expect_response("**/change/note_withdrawn"):
        page.locator("#undo").get_by_role("button", name="Undo").click()
    assert glasshouse.logbook.notes() == []
    assert len(glasshouse.logbook.setups("window left")) == 1


def test_both_pots_of_a_pair_are_drawn_and_have_a_door_to_their_look(open_page):
    page = opened(open_page)
    assert page.locator(".trial").first.locator("svg.cut").count() == 2
    page.get_by_role("link", name="Look at rail end").click()
    page.wait_for_url("**/logbook/rail%20end")


@pytest.mark.parametrize(("size", "theme"), [((800, 1280), "dim"), ((360, 740), "light")])
def test_the_trials_have_no_serious_violation_and_never_scroll_sideways(open_page, size, theme):
    page = opened(open_page, size, theme)
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= size[0]
    assert grave(page) == []
