"""The air of a shelf noted by hand on a phone: refused beside its field, kept once, and while the server is away."""

import pytest
from playwright.sync_api import expect

from tests.browser.answered import answering
from tests.browser.test_accessibility import grave
from tests.browser.test_logbook import away, back
from tests.browser.test_wall import PHONE

WARMTH = "import/spot-checks#stairwell/air_temperature"


@pytest.fixture
def glasshouse(tmp_path):
    with answering(tmp_path) as house:
        yield house


def kept(glasshouse):
    times, values = glasshouse.home.readings.read([WARMTH], 0, 2**42)[WARMTH]
    return list(zip(times.tolist(), values.tolist(), strict=True))


def test_from_the_logbook_on_a_phone_what_is_wrong_is_said_and_what_is_right_is_kept(open_page, glasshouse, watch):
    watch.away = True  # what the server refuses is an error to the browser's console, not to us
    page = open_page("/note", PHONE)
    page.get_by_role("link", name="Note the air of a shelf").click()
    page.wait_for_selector("form.form")
    assert grave(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    page.locator("[data-field='shelf'] .tile").filter(has_text="stairwell").click()
    page.get_by_label("Temperature").fill("21,5")
    page.get_by_label("Relative humidity").fill("580")
    page.get_by_role("button", name="Keep this reading").click()
    expect(page.locator("[data-field='relative_humidity_pct'] .field-fault")).to_contain_text("from 0 to 100 %")
    expect(page.get_by_label("Temperature")).to_have_value("21,5")
    assert kept(glasshouse) == []
    page.get_by_label("Relative humidity").fill("58")
    page.get_by_role("button", name="Keep this reading").dblclick()
    expect(page.locator("#undo")).to_contain_text("Kept for stairwell")
    assert [value for _, value in kept(glasshouse)] == [21.5]
    expect(page.locator("#undo button")).to_have_count(0)


def test_a_spot_check_noted_while_the_server_is_away_is_sent_when_it_is_back(open_page, glasshouse, watch):
    page = open_page("/note/air/stairwell", PHONE)
    page.get_by_label("Temperature").fill("19")
    page.get_by_label("Relative humidity").fill("70")
    away(page, watch)
    page.get_by_role("button", name="Keep this reading").click()
    expect(page.locator("#kept")).to_contain_text("Kept here, not sent yet: 1")
    expect(page.locator(".logbook-waiting")).to_contain_text("Air of stairwell")
    back(page)
    assert [value for _, value in kept(glasshouse)] == [19]
