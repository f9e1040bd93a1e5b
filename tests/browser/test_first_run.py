"""The first run by hand: from an empty wall to the first pot on it, and a password that closes the running server."""

from dataclasses import dataclass, replace

import pytest
from playwright.sync_api import expect

from dashboard.access import following
from dashboard.app import create_app
from dashboard.listening import listening
from dashboard.serve import asks_of
from tests.browser.test_workshop import AIR, House, arrive, go, house_of
from tests.dashboard.workshop_home import NOW_MS


@dataclass
class NewHouse(House):
    """The server follows the password of its home."""

    def serving(self):
        assert self.home is not None
        ask = replace(asks_of(self.home), now_ms=lambda: NOW_MS)
        app = create_app(ask, self.access, "the glasshouse", following(self.home.folder, self.access))
        return listening(app.server, "127.0.0.1", self.port)


@pytest.fixture
def glasshouse(tmp_path):
    made = house_of(tmp_path, "")
    house = NewHouse(made.answer, made.access, home=made.home)
    with house.serving() as port:
        house.port = port
        yield house
    house.home.close()


def test_the_empty_wall_leads_to_the_first_shelf_sensor_and_pot(open_page, glasshouse):
    page = open_page("/")
    page.get_by_role("link", name="Begin").click()
    expect(page).to_have_title("Begin · the glasshouse")
    page.get_by_label("Called").fill("east window")
    page.locator("[data-field='shelf.air'] .tile").filter(has_text="gentle").click()
    page.get_by_role("button", name="Enter the shelf").click()
    expect(page.locator(".step-done")).to_contain_text("east window")
    page.evaluate("window.dryline.go('/near')")
    page.get_by_role("heading", name="No pots yet").wait_for()
    page.get_by_role("link", name="Begin").click()
    arrive(glasshouse, "t/new", AIR)
    page.get_by_role("link", name="Messages that wait").click()
    page.locator(".claims").get_by_role("button", name="east window").click()
    expect(page.locator("#workshop")).to_contain_text("Every message that arrived was understood and used.")
    go(page, "/start")
    page.get_by_role("link", name="Enter the first pot").click()
    page.get_by_label("Called").fill("window left")
    page.locator("[data-field='setup.shelf'] .tile").click()
    page.get_by_role("button", name="Enter the pot").click()
    page.wait_for_selector(".setups svg.cut")
    go(page, "/start")
    expect(page.locator(".step-done")).to_have_count(3)
    page.get_by_role("link", name="To the wall").click()
    page.wait_for_selector("#wall .stage")
    page.evaluate("window.dryline.go('/near')")
    page.wait_for_selector("[data-pot='window left']")


def test_a_password_set_on_the_page_closes_the_door_at_once(open_page, glasshouse, watch):
    watch.away = True  # what the server refuses is an error to the browser's console, not to us
    page = open_page("/start")
    page.get_by_label("Password", exact=True).fill("a wet spring")
    page.get_by_label("The same again").fill("a dry spring")
    page.get_by_role("button", name="Set the password").click()
    expect(page.locator("[data-field='again'] .field-fault")).to_contain_text("The two do not agree")
    page.get_by_label("The same again").fill("a wet spring")
    page.get_by_role("button", name="Set the password").click()
    page.wait_for_selector(".gate")
    page.get_by_label("Password").fill("a wet spring")
    page.get_by_role("button", name="Come in").click()
    expect(page.locator(".step-done .coded code")).to_have_text(glasshouse.address)
    stranger = page.context.browser.new_context().new_page()
    stranger.goto(glasshouse.address + "/start")
    stranger.wait_for_selector(".gate")
    stranger.context.close()
