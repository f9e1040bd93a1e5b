"""The round by wet hands: ticks, undo, the server away, an absence with its sheet; on a real logbook."""

import pytest
from playwright.sync_api import expect

from tests.browser.answered import answering, freeze, too_small
from tests.browser.test_accessibility import grave
from tests.browser.test_wall import THUMB_PX

AGAIN_MS = 10_050
ROW = "[data-row='cabinet floor']"
SIZES = [(800, 1280), (360, 740)]


@pytest.fixture
def glasshouse(tmp_path):
    with answering(tmp_path) as house:
        yield house


def opened(open_page, path="/round", size=(800, 1280), theme="light"):
    page = open_page(path, size, theme)
    page.wait_for_selector(".round-tally, .round .form, .round .plain")
    freeze(page)
    return page


def tick(page, found="low", row=ROW):
    """Tap a tile and wait until the server has answered."""
    with page.expect_response("**/change/notes"):
        page.locator(row).first.get_by_role("button", name=f"found {found}").click()
    expect(page.locator(f"{row} .round-told").first).to_contain_text(f"found {found}, filled to the mark")


def test_a_tap_logs_what_was_found_and_that_it_is_full_and_no_amount(open_page, glasshouse):
    page = opened(open_page)
    tick(page, "low")
    (note,) = glasshouse.logbook.notes()
    assert (note.pot, note.kind, note.amount_ml) == ("cabinet floor", "refill", None)
    assert note.detail == {"filled_to_mark": True, "found": "low"}
    assert abs(note.time_ms - glasshouse.answer["at_ms"]) < 600_000
    expect(page.locator(f"{ROW} .round-tiles").first).to_be_hidden()
    expect(page.locator(".round-tally")).to_have_text("1 of 4 filled")


def test_a_tap_on_a_pot_that_is_eased_over_logs_the_level_and_no_mark(open_page, glasshouse):
    glasshouse.rounds["round"]["eased"] = {"cabinet floor": 18.2}
    page = opened(open_page)
    with page.expect_response("**/change/notes"):
        page.locator(ROW).first.get_by_role("button", name="found low, filled to 18 mm").click()
    expect(page.locator(f"{ROW} .round-told").first).to_contain_text("found low, filled to 18 mm")
    (note,) = glasshouse.logbook.notes()
    assert (note.kind, note.level_mm, note.amount_ml) == ("refill", 18.0, None)
    assert note.detail == {"filled_to_mark": False, "found": "low"}


def test_a_tick_is_undone_in_its_row_within_ten_seconds(open_page, glasshouse):
    page = opened(open_page)
    tick(page, "half")
    with page.expect_response("**/change/notes_withdrawn"):
        page.get_by_role("button", name="Undo: cabinet floor").click()
    expect(page.locator(f"{ROW} .round-tiles").first).to_be_visible()
    assert glasshouse.logbook.notes() == []
    tick(page, "empty")
    assert glasshouse.logbook.notes()[0].detail["found"] == "empty"


def test_every_tick_of_a_quick_hand_has_its_own_way_back(open_page, glasshouse):
    page = opened(open_page)
    tick(page, "low")
    tick(page, "empty", "[data-row='skylight']")
    with page.expect_response("**/change/notes_withdrawn"):
        page.get_by_role("button", name="Undo: cabinet floor").click()
    expect(page.locator(f"{ROW} .round-tiles").first).to_be_visible()
    assert [note.pot for note in glasshouse.logbook.notes()] == ["skylight"]


def test_after_ten_seconds_the_way_back_is_gone_and_the_tick_stays(open_page, glasshouse):
    page = opened(open_page)
    tick(page)
    page.clock.fast_forward(AGAIN_MS)
    expect(page.get_by_role("button", name="Undo: cabinet floor")).to_have_count(0)
    expect(page.locator(f"{ROW} .round-told").first).to_contain_text("found low")
    assert len(glasshouse.logbook.notes()) == 1


def test_a_ticked_pot_stays_ticked_when_the_page_is_opened_again(open_page, glasshouse):
    page = opened(open_page)
    tick(page)
    page.clock.resume()
    page.reload()
    expect(page.locator(f"{ROW} .round-told").first).to_contain_text("found low")
    expect(page.locator(f"{ROW} .round-tiles").first).to_be_hidden()


def test_a_round_left_open_is_planned_anew_and_keeps_its_ticks(open_page, glasshouse):
    page = opened(open_page)
    tick(page)
    glasshouse.rounds["round"]["visits"][0]["pots"].pop(0)
    page.clock.fast_forward(600_050)
    page.clock.resume()
    expect(page.locator(".round-tally")).to_have_text("0 of 3 filled; also filled: cabinet floor")


def test_ticks_of_a_round_without_the_server_are_kept_and_sent_later(open_page, glasshouse, watch):
    page = opened(open_page)
    watch.away = True
    page.context.set_offline(True)
    page.locator(ROW).first.get_by_role("button", name="found low").click()
    expect(page.locator(f"{ROW} .round-told").first).to_contain_text("kept on this device")
    assert glasshouse.logbook.notes() == []
    page.context.set_offline(False)
    page.clock.fast_forward(AGAIN_MS)
    expect(page.locator("#kept")).to_be_hidden()
    expect(page.locator(f"{ROW} .round-told").first).not_to_contain_text("kept on this device")
    (note,) = glasshouse.logbook.notes()
    assert note.detail["found"] == "low"


def test_a_tick_that_was_kept_can_be_taken_back_before_it_is_sent(open_page, glasshouse, watch):
    page = opened(open_page)
    watch.away = True
    page.context.set_offline(True)
    page.locator(ROW).first.get_by_role("button", name="found full").click()
    expect(page.locator(f"{ROW} .round-told").first).to_contain_text("kept on this device")
    page.get_by_role("button", name="Undo: cabinet floor").click()
    expect(page.locator(f"{ROW} .round-tiles").first).to_be_visible()
    expect(page.locator("#kept")).to_be_hidden()
    page.context.set_offline(False)
    tick(page, "half")
    (note,) = glasshouse.logbook.notes()
    assert note.detail["found"] == "half"


def test_a_pot_that_is_not_on_the_list_can_be_ticked_as_well(open_page, glasshouse):
    page = opened(open_page)
    page.get_by_text("Filled one that is not on the list?").click()
    tick(page, "half", "[data-row='window left']")
    assert glasshouse.logbook.notes()[0].pot == "window left"
    expect(page.locator(".round-tally")).to_have_text("0 of 4 filled; also filled: window left")


def test_a_refusal_stands_in_the_row_and_nothing_is_kept(open_page, glasshouse, watch):
    watch.away = True  # the browser logs the refusal's status
    for shelf in glasshouse.answer["shelves"]:
        shelf["pots"] = [pot | {"label": "ghost"} if pot["label"] == "window left" else pot for pot in shelf["pots"]]
    page = opened(open_page)
    page.get_by_text("Filled one that is not on the list?").click()
    with page.expect_response("**/change/notes"):
        page.locator("[data-row='ghost']").get_by_role("button", name="found low").click()
    expect(page.locator("[data-row='ghost'] .round-fault")).to_contain_text("There is no pot “ghost”")
    expect(page.locator("[data-row='ghost'] .round-tiles")).to_be_visible()
    assert glasshouse.logbook.notes() == []


@pytest.mark.parametrize("size", SIZES)
def test_whatever_is_touched_on_a_round_is_as_wide_as_a_wet_thumb(open_page, size):
    page = opened(open_page, size=size)
    tick(page)
    page.get_by_text("Filled one that is not on the list?").click()
    touched = (
        "#round .round-tiles:not([hidden]) button, #round .round-told button, .round-tabs a, .round-more > summary"
    )
    assert too_small(page, touched, THUMB_PX - 0.9) == []
    assert page.locator("#round .round-tiles:visible button").count() == 4 * 23
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= size[0]
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_the_plan_of_an_absence_never_scrolls_a_phone_sideways(open_page):
    page = opened(open_page, "/round/away/2026-03-06/2026-03-27", (360, 740))
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= 360


@pytest.mark.parametrize(
    ("path", "size", "theme"),
    [
        ("/round", (1280, 800), "light"),
        ("/round", (800, 1280), "dim"),
        ("/round/away/2026-03-06/2026-03-27", (800, 1280), "light"),
    ],
)
def test_the_round_has_no_serious_violation(open_page, path, size, theme):
    page = open_page(path, size, theme)
    page.wait_for_selector(".round-tally, .sheet")
    assert grave(page) == []


def test_an_absence_is_planned_noted_and_its_sheet_fills_one_page(open_page, glasshouse):
    page = open_page("/round/away")
    page.get_by_label("The day you leave").fill("2026-03-06")
    page.get_by_label("The day you are back").fill("2026-03-27")
    page.get_by_role("button", name="Plan it").click()
    page.wait_for_selector(".sheet")
    freeze(page)
    assert page.url.endswith("/round/away/2026-03-06/2026-03-27")
    printed = page.pdf(format="A4", print_background=True)
    assert printed.count(b"/Type /Page\n") == 1
    with page.expect_response("**/change/absence_noted"):
        page.get_by_role("button", name="Note that I am away").click()
    (note,) = glasshouse.logbook.notes()
    assert note.kind == "absence"
    with page.expect_response("**/change/note_withdrawn"):
        page.locator("#undo").get_by_role("button", name="Undo").click()
    assert glasshouse.logbook.notes() == []


def test_days_the_wrong_way_round_are_refused_beside_the_field(open_page, glasshouse, watch):
    watch.away = True  # the browser logs the refusal's status
    page = opened(open_page, "/round/away")
    page.get_by_label("The day you leave").fill("2026-03-27")
    page.get_by_label("The day you are back").fill("2026-03-06")
    page.get_by_role("button", name="Plan it").click()
    expect(page.locator("[data-field='to'] .field-fault")).to_have_text(
        "You come back before you leave: give a later day."
    )
    expect(page.get_by_label("The day you leave")).to_have_value("2026-03-27")


def test_visits_have_addresses_and_back_is_the_browsers(open_page):
    page = opened(open_page)
    page.clock.resume()
    page.get_by_role("link", name="Wed 11 Mar").click()
    expect(page.locator("#round h1").first).to_have_text("Round on Wed 11 Mar")
    page.go_back()
    expect(page.locator("#round h1").first).to_have_text("Round tomorrow, Wed 4 Mar")
    expect(page).to_have_title("Round · the glasshouse")
