"""The cover guide by hand: the map, a pot's options, taking an advice and taking it back; on a real logbook."""

import pytest
from playwright.sync_api import expect

from tests.browser.answered import answering, freeze
from tests.browser.test_accessibility import grave

POT = "/guide/top%20left"


@pytest.fixture
def glasshouse(tmp_path):
    with answering(tmp_path) as house:
        yield house


def opened(open_page, path="/guide", size=(1280, 800), theme="light"):
    page = open_page(path, size, theme)
    page.wait_for_selector("#guide-map svg.map, #guide .plain, #guide .guide-first")
    return page


def test_the_map_shows_the_ground_of_an_option_and_says_what_it_means_shelf_by_shelf(open_page):
    page = opened(open_page)
    said = page.locator(".map-says")
    expect(said).to_contain_text("heated-rack")
    expect(said).to_contain_text("mostly too dry as they are")
    before = page.locator(".map-moist").get_attribute("d")
    page.get_by_role("button", name="pebbles 20 mm", exact=True).click()
    expect(page.get_by_role("button", name="pebbles 20 mm", exact=True)).to_have_attribute("aria-pressed", "true")
    assert page.locator(".map-moist").get_attribute("d") != before
    expect(said).to_contain_text("with pebbles 20 mm")
    page.get_by_role("button", name="heated-rack").click()
    expect(page.locator("#map-ask")).to_contain_text("hatched is not known: drawn for a middling pot on heated-rack")
    assert page.locator(".map-shelf").count() == 1
    assert page.locator(".map-month").count() >= 2
    assert "heated-rack" in page.locator("svg.map").get_attribute("aria-label")


def test_the_map_lies_over_air_movement_as_well(open_page):
    page = opened(open_page)
    axis, looks = page.locator("#guide-map .map-axis").first, page.locator("#guide-map .map-seen").count()
    expect(axis).to_have_text("holes in the wall of the pot")
    page.get_by_role("button", name="air movement").click()
    expect(axis).to_have_text("how the air moves on the shelf")
    expect(page.locator("#guide-map .map-tick").filter(has_text="draughty")).to_have_count(1)
    assert page.locator("#guide-map .map-shelf").count() == 4
    assert page.locator("#guide-map .map-seen").count() == looks
    page.get_by_role("button", name="holes", exact=True).click()
    expect(axis).to_have_text("holes in the wall of the pot")


def test_notes_differ_by_shape_and_every_pot_has_its_section(open_page):
    page = opened(open_page)
    assert page.locator("circle.map-seen-moist").count() >= 1
    assert page.locator("path.map-seen-dry").count() >= 1
    assert page.locator("path.map-seen-too-dry").count() >= 1
    assert page.locator(".guide-pot svg.cut").count() == 9
    assert page.evaluate("typeof window.Plotly") == "undefined"


def test_from_the_list_to_a_pot_and_back(open_page):
    page = opened(open_page)
    page.locator(".guide-pot").first.click()
    expect(page).to_have_title("What top left needs · the glasshouse")
    expect(page.locator(".guide-first")).to_have_text("Pebbles 10 mm")
    page.wait_for_selector("#guide-cut svg.cut-large")
    page.locator(".option summary").first.click()
    expect(page.locator(".option details[open] p").first).to_be_visible()
    page.go_back()
    expect(page.locator(".guide-pot")).to_have_count(9)
    page.wait_for_selector("#guide-map svg.map")


def test_an_advice_is_taken_by_one_button_and_taken_back(open_page, glasshouse):
    page = opened(open_page, POT)
    freeze(page)
    with page.expect_response("**/change/advice_taken"):
        page.get_by_role("button", name="I have done this").click()
    expect(page.locator(".guide-taken")).to_contain_text("Kept: top left, pebbles 10 mm. Look at it again in two weeks")
    before, after = glasshouse.logbook.setups("top left")
    assert after["top_layer"] == {"kind": "pebbles", "thickness_mm": 10.0, "replaces_medium": False}
    assert before["to_ms"] == after["from_ms"] == glasshouse.answer["at_ms"]
    assert [due.pot for due in glasshouse.logbook.follow_ups(glasshouse.answer["at_ms"])] == ["top left"]
    with page.expect_response("**/change/note_withdrawn"):
        page.locator("#undo").get_by_role("button", name="Undo").click()
    expect(page.get_by_role("button", name="I have done this")).to_be_enabled()
    assert len(glasshouse.logbook.setups("top left")) == 1


def test_without_the_server_nothing_is_taken_and_the_page_says_so(open_page, glasshouse, watch):
    page = opened(open_page, POT)
    watch.away = True
    page.context.set_offline(True)
    page.get_by_role("button", name="I have done this").click()
    expect(page.locator(".guide-taken")).to_contain_text("cannot be reached; nothing was kept")
    expect(page.get_by_role("button", name="I have done this")).to_be_enabled()
    assert len(glasshouse.logbook.setups("top left")) == 1


def test_a_map_without_any_air_is_a_sentence(open_page, glasshouse):
    glasshouse.guide["map"]["shelves"] = [shelf | {"seasons": []} for shelf in glasshouse.guide["map"]["shelves"]]
    page = open_page("/guide")
    expect(page.locator("#guide-map")).to_contain_text("The map needs the air of one shelf")


@pytest.mark.parametrize("path", ["/guide", POT])
def test_a_phone_never_scrolls_sideways(open_page, path):
    page = opened(open_page, path, (360, 740))
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= 360


@pytest.mark.parametrize(
    ("path", "size", "theme"),
    [
        ("/guide", (1280, 800), "light"),
        ("/guide", (800, 1280), "dim"),
        (POT, (1280, 800), "dim"),
    ],
)
def test_the_guide_has_no_serious_violation(open_page, path, size, theme):
    page = opened(open_page, path, size, theme)
    page.wait_for_selector("#guide-map svg.map")
    page.locator("#guide details summary").first.click()
    assert grave(page) == []
