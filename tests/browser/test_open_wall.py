"""The wall that anyone may read, in a real browser: it paints and refreshes, and leads to the door, not past it."""

import pytest
from argon2 import PasswordHasher
from playwright.sync_api import expect

from dashboard.signin import Access

PASSWORD = "a wet spring, nine pots"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)


@pytest.fixture
def access() -> Access:
    return Access(b"k" * 32, HASH, open_wall=True)


def test_a_visitor_reads_the_wall_sees_it_change_and_finds_only_the_door(glasshouse, open_page):
    page = open_page("/near")
    expect(page.locator(".pot").first).to_be_visible()
    doors = page.locator("nav.pool a")
    expect(doors).to_have_text(["Wall", "Sign in"])
    glasshouse.answer["shelves"][0]["pots"][0]["says"] = "Changed while you looked."
    glasshouse.answer["needs"] = []
    page.clock.fast_forward(11_000)
    expect(page.get_by_text("No pot needs you")).to_be_visible()
    doors.nth(1).click()
    page.fill("#password", PASSWORD)
    page.click("text=Come in")
    expect(page.locator("nav.pool")).to_contain_text("Workshop")
    expect(page.locator("nav.pool")).to_contain_text("Sign out")
