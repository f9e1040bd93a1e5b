"""The wall as a tablet shows it: far and near, upright and sideways, day and night, with the server there and away."""

import copy
import io
import re
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

PX_PER_MM = 149 / 25.4  # a 10.1-inch panel of 1280 x 800: 149 pixels an inch
CAP_PX = 14 * PX_PER_MM
THUMB_PX = 15 * PX_PER_MM
BOTH_WAYS = [(1280, 800), (800, 1280)]
PHONE = (360, 740)
REFRESH_MS = 10_000
INK = 90  # of 255: a row of pixels that differ by more holds a stroke


def let_pass(page: Any, glasshouse: Any, ms: int = REFRESH_MS) -> None:
    """Let time pass in the browser until the server was asked once more and the answer is painted."""
    with page.expect_response(lambda response: "_dash-update-component" in response.url) as answered:
        page.clock.fast_forward(ms + 50)
    answered.value.finished()
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def keep_still(page: Any) -> None:
    """Show a copy of the wall that turns no pages while its letters are measured."""
    page.evaluate(
        """() => {
            const wall = document.getElementById("wall"), still = wall.cloneNode(true);
            still.id = "still";
            wall.after(still);
            wall.style.display = "none";
        }"""
    )


def cap_height_px(page: Any, index: int) -> int:
    """Rows of ink of a capital H set in a line of the still far view, counted in a picture."""
    line = page.locator("#still .far-fit").nth(index)
    page.evaluate(
        """index => document.querySelectorAll("#still .far-fit").forEach((line, i) => {
            line.style.visibility = i === index ? "visible" : "hidden";
            line.parentElement.style.borderColor = "transparent";
            if (i === index) { line.textContent = "H"; line.style.transform = ""; }
        })""",
        index,
    )
    picture = np.asarray(Image.open(io.BytesIO(line.screenshot())).convert("L")).astype(float)
    return int((np.ptp(picture, axis=1) > INK).sum())


def said_in_turn(page, wanted, where):
    """Those of the wanted words that the far view says on one of its pages.

    A slow machine may turn a page between two of our looks, so the round is gone through more than once.
    """
    seen = set()
    for _ in range(4 * max(1, page.locator(".far-pages i").count())):
        text = " ".join(page.locator(where).all_inner_texts()).replace("\n", " ")
        seen |= {word for word in wanted if word in text}
        if seen == wanted:
            break
        page.clock.run_for(9_000)
    return seen


@pytest.mark.parametrize("size", BOTH_WAYS)
def test_the_far_view_says_how_many_which_where_and_what_in_letters_for_three_metres(open_page, size):
    page = open_page("/", size)
    wanted = {"3", "need", "you", "east-window", "window left fill", "1 sensor silent"}
    assert wanted <= said_in_turn(page, wanted, ".far")
    keep_still(page)
    lines = page.locator("#still .far-fit").count()
    assert lines >= 4
    for index in range(lines):
        assert cap_height_px(page, index) >= CAP_PX - 1


def test_more_needs_than_fit_come_in_turn_and_none_is_left_out(open_page, glasshouse):
    for shelf in glasshouse.answer["shelves"]:
        for pot in shelf["pots"][3:]:
            need = {"pot": pot["label"], "shelf": shelf["label"], "kind": "fill", "says": "Fill it.", "since_ms": 1}
            glasshouse.answer["needs"].append(need)
    page = open_page("/")
    wanted = {need["pot"] for need in glasshouse.answer["needs"] if need["kind"] != "sensor_silent"}
    assert said_in_turn(page, wanted, ".far-pot .far-text") == wanted


def test_when_nothing_is_needed_the_far_view_says_so_and_what_comes_next(open_page, glasshouse):
    glasshouse.answer["needs"] = []
    glasshouse.answer["silent"] = []
    words = open_page("/").locator(".far").inner_text()
    assert "no pot needs you" in words
    assert "next window left" in words
    assert "silent" not in words


@pytest.mark.parametrize("theme", ["light", "dim"])
@pytest.mark.parametrize("size", BOTH_WAYS)
def test_24_pots_stand_in_the_near_view_without_scrolling(open_page, size, theme):
    page = open_page("/near", size, theme)
    boxes = [tile.bounding_box() for tile in page.locator("[data-pot]").all()]
    assert len(boxes) == 24
    pool = page.locator(".pool").bounding_box()
    for box in boxes:
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size[0] + 1
        assert box["y"] + box["height"] <= pool["y"] + 1
        assert min(box["width"], box["height"]) >= THUMB_PX
    cut_off = page.evaluate(
        """() => Array.from(document.querySelectorAll(".pot-days, .pot-fact, .shelf-now, .shelf-air h2"))
            .filter(node => node.scrollWidth > node.clientWidth + 1 && getComputedStyle(node).display !== "inline")
            .map(node => node.textContent)"""
    )
    assert cut_off == []
    heights = page.locator("[data-pot] svg.cut").evaluate_all(
        "all => all.map(svg => svg.getBoundingClientRect().height)"
    )
    assert min(heights) >= 84


@pytest.mark.parametrize("size", BOTH_WAYS)
def test_a_level_of_days_ago_is_told_whole(open_page, glasshouse, size):
    glasshouse.pot("third step").update(sensor_state="stale", level_mm=36, level_age_s=3 * 86_400)
    told = open_page("/near", size).locator("[data-pot='third step'] .pot-stale")
    assert told.inner_text() == "36 mm, 3 days"
    assert told.locator(".whole").last.evaluate("node => node.getClientRects().length") == 1
    assert told.evaluate("node => node.scrollWidth <= node.clientWidth && node.scrollHeight <= node.clientHeight + 1")


@pytest.mark.parametrize("size", [*BOTH_WAYS, PHONE])
def test_the_note_under_the_shelves_is_whole_and_clear_of_the_wick(open_page, size):
    page = open_page("/near", size)
    note = page.locator(".stage-note")
    assert note.evaluate("node => node.scrollWidth <= node.clientWidth && node.scrollHeight <= node.clientHeight + 1")
    crossed = page.evaluate(
        """() => {
            const words = document.createRange();
            words.selectNodeContents(document.querySelector(".stage-note"));
            const link = document.querySelector(".pool a[aria-current='page']");
            const at = link.getBoundingClientRect(), wick = getComputedStyle(link, "::before");
            const top = at.top + link.clientTop + parseFloat(wick.top), middle = at.left + at.width / 2;
            return Array.from(words.getClientRects())
                .some(line => line.bottom > top + 1 && line.left < middle + 5 && line.right > middle - 5);
        }"""
    )
    assert not crossed


@pytest.mark.parametrize("size", [*BOTH_WAYS, PHONE])
def test_an_opened_pot_shows_its_drawing_and_all_its_doors_at_once(open_page, size):
    page = open_page("/near", size)
    page.evaluate("document.getElementById('wall').dataset.pages = 'logbook story guide'")
    if size == PHONE:
        page.locator(".shelf-tabs a", has_text="heated-rack").click()
    page.locator("[data-pot='top middle']").click()
    page.wait_for_selector(".card")
    card, pool = page.locator(".card").bounding_box(), page.locator(".pool").bounding_box()
    doors = [door.bounding_box() for door in page.locator(".card-doors .door").all()]
    assert len(doors) == 4
    assert max(door["y"] + door["height"] for door in doors) <= pool["y"]
    drawing = page.locator(".card-cut svg").bounding_box()
    assert drawing["y"] - card["y"] < 60
    assert drawing["y"] + drawing["height"] <= pool["y"]


@pytest.mark.parametrize("size", BOTH_WAYS)
def test_80_pots_come_shelf_by_shelf(open_page, glasshouse, size):
    for shelf in glasshouse.answer["shelves"]:
        for number in range(14):
            more = copy.deepcopy(shelf["pots"][number % 6])
            more["label"] = f"{more['label']} {number}"
            shelf["pots"].append(more)
    page = open_page("/near", size)
    assert page.locator(".shelf-tabs a").count() == 4
    assert page.locator("[data-pot]").count() == 20
    pool = page.locator(".pool").bounding_box()
    bottoms = [box["y"] + box["height"] for box in (tile.bounding_box() for tile in page.locator("[data-pot]").all())]
    assert max(bottoms) <= pool["y"] + 1
    page.get_by_role("link", name="stairwell").click()
    assert page.url.endswith("/near/stairwell")
    page.wait_for_selector("[data-pot='third step']")
    assert page.locator(".strip-count b").inner_text() == "3"


@pytest.mark.parametrize("size", BOTH_WAYS)
def test_whatever_is_touched_on_the_wall_is_as_wide_as_a_wet_thumb(open_page, size):
    page = open_page("/near", size)
    page.locator("[data-pot='top middle']").click()
    page.wait_for_selector(".card")
    small = page.evaluate(
        """least => Array.from(document.querySelectorAll("#wall a, #wall button, .pool a, .pool button"))
            .map(node => [node.textContent.trim(), node.getBoundingClientRect()])
            .filter(([, box]) => box.width > 0 && Math.min(box.width, box.height) < least)
            .map(([text, box]) => text + " " + box.width + " x " + box.height)""",
        THUMB_PX - 0.9,
    )
    assert small == []


def test_a_refresh_repaints_the_pots_that_changed_and_leaves_the_others_alone(open_page, glasshouse):
    page = open_page("/near")
    page.evaluate(
        """() => document.querySelectorAll("[data-pot]").forEach(tile => { tile.firstChild.untouched = true; })"""
    )
    glasshouse.pot("rail end")["days_left"] = {"p10": 21.0, "p50": 23.0, "p90": 26.0}
    let_pass(page, glasshouse)
    assert page.locator("[data-pot='rail end'] .pot-days").inner_text() == "21–26"
    touched = page.evaluate(
        """() => Array.from(document.querySelectorAll("[data-pot]"))
            .filter(tile => !tile.firstChild.untouched).map(tile => tile.dataset.pot)"""
    )
    assert touched == ["rail end"]


def test_a_refresh_of_five_pots_is_at_most_three_kilobytes(open_page, glasshouse):
    page = open_page("/near")
    for label in ("rail end", "top left", "landing", "banister", "glass left"):
        glasshouse.set_dry(label, 3.0, 8.0, 14.0)
    with page.expect_response(lambda response: "_dash-update-component" in response.url) as answered:
        page.clock.fast_forward(REFRESH_MS + 50)
    body = answered.value.body()
    assert b"banister" in body
    assert b"window left" not in body
    assert len(body) <= 3000


def test_the_wall_goes_on_after_the_server_was_restarted_under_it(browser, glasshouse):
    house = type(glasshouse)(copy.deepcopy(glasshouse.answer), glasshouse.access)
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.clock.install()
    with house.serving() as port:
        house.port = port
        page.goto(house.address + "/near")
        page.wait_for_selector("#wall[data-live] [data-pot]")
    with page.expect_event("requestfailed"):
        page.clock.fast_forward(REFRESH_MS + 50)
    page.clock.fast_forward(20_000)
    page.wait_for_selector(".notice-lost")
    assert page.locator(".notice-lost").is_visible()
    house.pot("rail end")["days_left"] = {"p10": 21.0, "p50": 23.0, "p90": 26.0}
    with house.serving():
        let_pass(page, house)
        page.wait_for_selector(".notice-lost", state="detached")
        assert page.locator("[data-pot='rail end'] .pot-days").inner_text() == "21–26"
    page.context.close()


def test_whatever_keeps_the_wall_from_being_true_looks_different_from_all_well_and_from_each_other(
    open_page, glasshouse
):
    glasshouse.answer["disk_free_pct"] = 2.6
    glasshouse.answer["house"] = [
        {"kind": "ingester_stopped", "says": "The ingester has not reported for a minute."},
        {"kind": "ingester_trouble", "says": "The broker does not let us in."},
    ]
    page = open_page("/near", size=(1280, 960))
    assert "3 % free" in page.locator(".notice-disk").inner_text()
    assert "Nothing is listening to the sensors" in page.locator(".notice-house").first.inner_text()
    assert "The broker does not let us in." in page.locator(".notice-house").last.inner_text()
    assert page.locator("[data-pot='third step'] .pot-silent").inner_text() == "silent"
    assert page.locator("[data-pot='cabinet back'] .pot-stale").inner_text() == "24 mm, 3 h"
    assert page.locator(".strip-silent").count() == 1
    looks = {
        page.locator(part).first.evaluate(
            """node => {
                const style = getComputedStyle(node);
                return [style.borderStyle, style.fontStyle, style.borderBottomWidth, style.textDecorationStyle].join();
            }"""
        )
        for part in (".pot-silent", ".pot-stale", ".notice-disk", ".notice-house", "[data-pot='rail end'] .pot-fact")
    }
    assert len(looks) == 5


def test_an_answer_that_fails_is_a_sentence_over_what_was_there_before(open_page, glasshouse, caplog):
    page = open_page("/near")
    answer = glasshouse.answer
    glasshouse.answer = {"at_ms": answer["at_ms"]}
    let_pass(page, glasshouse)
    assert "cannot be read just now" in page.locator(".notice-fault").inner_text()
    assert page.locator("[data-pot]").count() == 24
    glasshouse.answer = answer
    let_pass(page, glasshouse)
    page.wait_for_selector(".notice-fault", state="detached")


def test_a_card_tells_a_level_that_is_no_longer_known_with_the_day_of_its_note(open_page, glasshouse):
    noted = {"level_mm": 35.0, "time_ms": glasshouse.answer["at_ms"] - 3 * 86_400_000}
    glasshouse.pot("moss shelf").update(level_mm=None, level_noted=noted, sensor_state="none")
    page = open_page("/pot/moss shelf")
    card = page.locator(".card dl").inner_text()
    assert re.search(r"not known\s+was 35 mm on \d+ [A-Z][a-z]+", card), card


def test_a_guessed_pot_is_not_said_to_have_no_notes(open_page, glasshouse):
    glasshouse.pot("moss shelf").update(rests_on="guessed")
    page = open_page("/pot/moss shelf")
    words = page.locator(".card").inner_text() + page.locator(".stage-note").inner_text()
    assert "no notes" not in words
    assert words.count("from how it is built") == 2


def test_a_pot_opens_has_an_address_and_the_back_button_closes_it(open_page):
    page = open_page("/near")
    page.locator("[data-pot='moss shelf']").click()
    page.wait_for_selector(".card")
    assert page.url.endswith("/pot/moss%20shelf")
    expect(page).to_have_title("moss shelf · the glasshouse")
    card = page.locator(".card").inner_text()
    for words in ("The surface has not dried for nine days", "2 rotted", "water use", "measured"):
        assert words in card
    page.go_back()
    page.wait_for_selector(".card", state="detached")
    expect(page).to_have_title("Wall · the glasshouse")
    assert page.evaluate("document.activeElement.dataset.pot") == "moss shelf"


def test_the_keyboard_opens_a_pot_and_escape_leaves_it(open_page):
    page = open_page("/near")
    page.locator("[data-pot='top left']").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".card")
    page.keyboard.press("Escape")
    page.wait_for_selector(".card", state="detached")
    assert page.url.endswith("/near")


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/pot/no%20such%20pot", "No pot is called “no such pot”"),
        ("/pot/%3Cimg%20src=x%20onerror=alert(1)%3E", "No pot is called “<img src=x onerror=alert(1)>”"),
        ("/nowhere", "There is no page at this address"),
        ("/near/no-such-shelf", "heated-rack"),
    ],
)
def test_a_wrong_address_gets_a_sentence(open_page, path, words):
    assert words in open_page(path).locator("body").inner_text()


def test_a_label_with_markup_is_shown_as_text(open_page, glasshouse):
    glasshouse.pot("rail end")["label"] = "<b onmouseover=alert(1)>rail</b>"
    page = open_page("/near")
    assert page.locator("[data-pot] b").count() == 0
    assert "<b onmouseover" in page.locator(".shelves").inner_text()


def test_two_visitors_do_not_see_each_other(open_page, glasshouse):
    tablet, phone = open_page("/near"), open_page("/near", (360, 740))
    phone.locator("[data-pot='top left']").click()
    phone.wait_for_selector(".card")
    let_pass(tablet, glasshouse)
    assert tablet.locator(".card").count() == 0
    assert tablet.url.endswith("/near")


@pytest.mark.parametrize("size", [(640, 400), (360, 740), (400, 640)])
@pytest.mark.parametrize("path", ["/", "/near", "/pot/window%20left"])
def test_text_at_200_percent_and_a_phone_never_scroll_sideways(open_page, path, size):
    page = open_page(path, size)
    wide = page.evaluate(
        """() => Math.max(document.documentElement.scrollWidth, document.querySelector("#page").scrollWidth)"""
    )
    assert wide <= size[0]


def test_units_of_the_us_reach_every_figure(open_page, glasshouse):
    glasshouse.answer["units"] = "us"
    words = open_page("/near").locator(".shelves").inner_text()
    assert "76 °F" in words
    assert " in" in words
    assert "fl oz/day" in words
    assert "°C" not in words
    assert " mm" not in words


def test_the_theme_is_chosen_by_hand_and_stays(open_page):
    page = open_page("/near")
    theme = "document.documentElement.dataset.theme"
    assert page.evaluate(theme) == "light"
    page.get_by_role("button", name="Theme: light").click()
    page.wait_for_selector("text=Theme: dim")
    assert page.evaluate(theme) == "dim"


@pytest.mark.parametrize(("hour", "theme"), [(12, "light"), (22, "dim"), (5, "dim"), (8, "light")])
def test_left_alone_the_theme_follows_the_clock(open_page, hour, theme):
    page = open_page("/near", theme="auto")
    assert page.evaluate("hour => dryline.theme.shown('auto', hour)", hour) == theme


def held(page: Any) -> dict[str, float]:
    """What the page holds after its rubbish was collected: nodes, listeners, bytes of script memory."""
    devtools = page.context.new_cdp_session(page)
    devtools.send("HeapProfiler.collectGarbage")
    devtools.send("Performance.enable")
    metrics = {metric["name"]: metric["value"] for metric in devtools.send("Performance.getMetrics")["metrics"]}
    devtools.detach()
    return {name: metrics[name] for name in ("Nodes", "JSEventListeners", "JSHeapUsedSize")}


@pytest.mark.parametrize("times", [28, pytest.param(8640, marks=[pytest.mark.long, pytest.mark.timeout(7200)])])
def test_a_kiosk_does_not_grow_over_its_refreshes(open_page, glasshouse, times):
    page = open_page("/near")

    def refresh(times: int) -> None:
        for number in range(times):
            glasshouse.set_dry("rail end", number % 7, number % 7 + 5.0, number % 7 + 9.0)
            let_pass(page, glasshouse)

    refresh(max(14, times // 8))  # in the first hours the browser still learns how the scripts run
    before = held(page)
    refresh(times)
    after = held(page)
    assert after["JSEventListeners"] <= before["JSEventListeners"] + 2
    assert after["Nodes"] <= before["Nodes"] + 60
    assert after["JSHeapUsedSize"] <= before["JSHeapUsedSize"] + 1_500_000
