"""The Logbook by hand: three taps, photos, forms, the server away, two visitors at once; on a real home."""

import io
import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import expect

from dashboard.answers import logbook
from dashboard.app import create_app
from dashboard.changes import changes_of
from dashboard.changes.notes import add
from dashboard.listening import listening
from dashboard.pages import Ask
from dashboard.signin import Access
from ingest.home import Home, open_home
from ingest.logbook import Unreachable
from tests.browser.conftest import KEY, Glasshouse, read
from tests.browser.test_accessibility import grave
from tests.browser.test_wall import THUMB_PX

DAY_MS = 86_400_000
AGAIN_MS = 10_050
POT = "/logbook/window%20left"
# Clicks Undo in the page itself as soon as the offer and a sign that the tap was taken are both there: however slow
# the machine, the ten seconds cannot pass before.
UNDO = """sign => {
    const look = () => {
        const button = document.querySelector("#undo button");
        if (button && document.querySelector(sign)) {
            watching.disconnect();
            button.click();
            window.undone = (window.undone || 0) + 1;
        }
    };
    const watching = new MutationObserver(look);
    watching.observe(document.body, { childList: true, subtree: true });
}"""


@dataclass
class Book(Glasshouse):
    """The wall's collection with a real logbook behind it."""

    home: Home | None = None
    store_away: bool = False

    @property
    def logbook(self) -> Any:
        assert self.home is not None
        return self.home.logbook

    def ask(self) -> Ask:
        assert self.home is not None
        return Ask(
            now_ms=lambda: self.answer["at_ms"],
            wall=self.wall,
            health=lambda _: {"status": "ok"},
            story=self.story,
            logbook=partial(logbook.answer, self.home),
            changes={**changes_of(self.home), "notes": self.keep_notes},
            photos=self.home.folder / "photos",
        )

    def keep_notes(self, at_ms: int, body: Any) -> dict[str, Any]:
        if self.store_away:
            raise Unreachable("The logbook cannot be reached (database is locked); nothing was changed.")
        return add(self.home, at_ms, body)

    def serving(self):
        return listening(create_app(self.ask(), self.access, "the glasshouse").server, "127.0.0.1", self.port)


def entered(folder: Path, answer: dict[str, Any]) -> Home:
    """The shelves and pots of a wall's answer in the logbook of a new home."""
    lines = [f"[[shelf]]\nlabel = {json.dumps(shelf['label'])}" for shelf in answer["shelves"]]
    for shelf in answer["shelves"]:
        for pot in shelf["pots"]:
            lines.append(f"[[pot]]\nlabel = {json.dumps(pot['label'])}\nplant = {json.dumps(pot['plant'])}")
            lines.append(f"[[pot.setup]]\nfrom = 2026-01-01T00:00:00Z\nshelf = {json.dumps(shelf['label'])}")
    home = open_home(folder)
    home.logbook.import_setup("\n".join(lines))
    return home


@pytest.fixture
def glasshouse(tmp_path):
    answer = read("wall-24-pots.json")
    house = Book(answer, Access(KEY), home=entered(tmp_path, answer))
    with house.serving() as port:
        house.port = port
        yield house
    house.home.close()


def tap_three(page: Any, depth: str = "damp at the fingertip", tips: str = "growing") -> None:
    """From the pot's page: the depth, then the tips. (The pot was the first tap.)"""
    page.get_by_role("button", name=depth).click()
    page.get_by_role("button", name=tips, exact=True).click()
    page.wait_for_selector(".look-kept")


def photo(name: str = "shelf.jpg", size: tuple[int, int] = (1800, 1200)) -> dict[str, Any]:
    out = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(out, "JPEG")
    return {"name": name, "mimeType": "image/jpeg", "buffer": out.getvalue()}


def away(page: Any, watch: Any) -> None:
    """From here on the server cannot be reached."""
    watch.away = True
    page.context.set_offline(True)


def back(page: Any) -> None:
    """The server is there again, and the device has tried."""
    page.context.set_offline(False)
    page.clock.fast_forward(AGAIN_MS)
    expect(page.locator("#kept")).to_be_hidden()


# --- three taps


def test_from_the_wall_a_pot_is_inspected_and_the_way_back_is_the_browsers(open_page, glasshouse):
    page = open_page("/near")
    page.locator("[data-pot='window left']").click()
    page.locator(".card").get_by_role("link", name="Inspect").click()
    page.wait_for_selector(".logbook-cut svg.cut")
    tap_three(page, "could not see", "did not look")
    expect(page).to_have_title("window left, logbook · the glasshouse")
    page.go_back()
    page.wait_for_selector(".card")
    assert glasshouse.logbook.notes()[0].how == "cannot_see"


def test_each_tap_can_be_undone(open_page, glasshouse):
    page = open_page("/logbook")
    page.evaluate(UNDO, "[data-depth]")
    page.get_by_role("link", name="window left").click()
    page.wait_for_function("() => window.undone === 1")
    page.wait_for_selector(".logbook-shelf")
    page.get_by_role("link", name="window left").click()
    page.wait_for_selector("[data-depth]")
    page.evaluate(UNDO, "[data-tips]")
    page.get_by_role("button", name="damp at the top").click()
    page.wait_for_function("() => window.undone === 2")
    expect(page.locator("#step")).to_have_text("How deep is it dry?")
    page.get_by_role("button", name="damp under one stone").click()
    page.wait_for_selector("[data-tips]")
    page.evaluate(UNDO, ".look-kept")
    page.get_by_role("button", name="stalled").click()
    expect(page.locator(".entry-back")).to_have_count(1)  # the note is withdrawn and stays readable
    assert glasshouse.logbook.notes() == []
    assert len(glasshouse.logbook.notes(withdrawn=True)) == 1


def test_after_ten_seconds_the_offer_to_undo_is_gone(open_page, glasshouse):
    page = open_page(POT)
    tap_three(page)
    page.clock.fast_forward(10_050)
    expect(page.locator("#undo")).to_be_hidden()
    assert len(glasshouse.logbook.notes()) == 1


@pytest.mark.parametrize("size", [(1280, 800), (800, 1280), (360, 740)])
def test_whatever_is_touched_in_an_inspection_is_as_wide_as_a_wet_thumb(open_page, size):
    page = open_page("/logbook", size)

    def small(where: str) -> list[str]:
        return page.evaluate(
            """([where, least]) => Array.from(document.querySelectorAll(where))
                .map(node => [node.textContent.trim(), node.getBoundingClientRect()])
                .filter(([, box]) => box.width > 0 && Math.min(box.width, box.height) < least)
                .map(([text, box]) => text + " " + box.width + " x " + box.height)""",
            [where, THUMB_PX - 0.9],
        )

    assert small(".pot-tile") == []
    page.get_by_role("link", name="window left").click()
    page.wait_for_selector("[data-depth]")
    assert small(".look button, .look a, .logbook-head a, #undo button") == []
    page.get_by_role("button", name="damp at the top").click()
    page.wait_for_selector("[data-tips]")
    assert small(".look button, .look a, .logbook-head a, #undo button") == []
    page.get_by_role("button", name="new tips").click()
    page.wait_for_selector(".look-kept")
    assert small(".look button, .look a, .look label, .logbook-head a, #undo button") == []


def test_the_keyboard_alone_makes_an_inspection(open_page, glasshouse):
    page = open_page(POT)
    page.locator("[data-depth='1']").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#step")).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.locator("[data-tips='0']")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#step")).to_have_text("Kept")
    assert glasshouse.logbook.notes()[0].tips_growing == 1


# --- photos


def test_a_photo_of_the_camera_stands_in_the_history_and_opens(open_page, glasshouse):
    page = open_page(POT)
    tap_three(page)
    page.locator("[data-shot]").set_input_files(photo())
    small = page.locator(".entry .shot img")
    expect(small).to_have_count(1)
    small.scroll_into_view_if_needed()
    page.wait_for_function("() => document.querySelector('.entry .shot img').naturalWidth > 0")
    assert {note.kind for note in glasshouse.logbook.notes()} == {"inspection", "photo"}
    large = page.request.get(glasshouse.address + page.locator(".entry .shot").get_attribute("href"))
    with Image.open(io.BytesIO(large.body())) as shown:
        assert max(shown.size) == 1600


def test_a_form_takes_photos_and_says_beside_the_field_what_is_none(open_page, glasshouse):
    page = open_page(POT + "/text")
    page.get_by_label("Words").fill("A new spike, <script>alert(1)</script>")
    files = [photo(), {"name": "notes.txt", "mimeType": "image/png", "buffer": b"no picture"}]
    page.locator("[data-photo][multiple]").set_input_files(files)
    expect(page.locator(".photo-new .shot")).to_have_count(1)
    expect(page.locator("[data-field='photos'] .field-fault")).to_contain_text("notes.txt")
    page.get_by_role("button", name="Keep this note").click()
    page.wait_for_selector(".entry .shot")
    assert "<script>alert(1)</script>" in page.locator(".entry-text").inner_text()
    (note,) = glasshouse.logbook.notes()
    assert len(note.detail["photos"]) == 1


def test_a_look_that_says_nothing_and_a_photo_without_one_are_asked_for(open_page, glasshouse):
    for kind, where, says in (("inspection", "dry_layer_low_mm", "one thing"), ("photo", "photos", "Take a photo")):
        page = open_page(f"{POT}/{kind}")
        page.get_by_label("Who").fill("the neighbour")
        page.get_by_role("button", name="Keep this note").click()
        expect(page.locator(f"[data-field='{where}'] .field-fault")).to_contain_text(says)
        expect(page.get_by_label("Who")).to_have_value("the neighbour")
    assert glasshouse.logbook.notes() == []


@pytest.mark.parametrize(
    ("kind", "where", "says"),
    [
        ("treatment", "detail.against", "says nothing"),
        ("cover", "detail.change.top_layer.kind", "changes nothing"),
        ("holes", "detail.change.vents", "changes nothing"),
        ("wick", "detail.change.wick", "changes nothing"),
    ],
)
def test_a_treatment_or_change_that_names_nothing_is_asked_for(open_page, glasshouse, kind, where, says):
    page = open_page(f"{POT}/{kind}")
    page.get_by_label("Who").fill("the neighbour")
    page.get_by_role("button", name="Keep this note").click()
    expect(page.locator(f"[data-field='{where}'] .field-fault")).to_contain_text(says)
    page.get_by_label("More words").fill("as before")
    page.get_by_role("button", name="Keep this note").click()
    page.wait_for_selector(".entry")
    assert [note.kind for note in glasshouse.logbook.notes()] == [kind]


# --- forms


def test_what_is_wrong_stands_beside_its_field_and_what_was_typed_stays(open_page, glasshouse, watch):
    watch.away = True  # what the server refuses is an error to the browser's console, not to us
    page = open_page(POT + "/inspection")
    page.get_by_label("Dry layer, at least").fill("30")
    page.get_by_label("Dry layer, at most").fill("12,5")
    page.get_by_label("growing").fill("two")
    page.get_by_role("button", name="Keep this note").click()
    beside = page.locator("[data-field='dry_layer_high_mm'] .field-fault")
    expect(beside).to_have_text("The high end is below the low one.")
    expect(page.locator("[data-field='tips_growing'] .field-fault")).to_have_text("“two” is not a number.")
    expect(page.get_by_label("Dry layer, at most")).to_be_focused()
    page.get_by_label("Dry layer, at most").fill("-4")
    page.get_by_label("Dry layer, at least").fill("")
    page.get_by_label("growing").fill("2")
    page.get_by_role("button", name="Keep this note").click()
    expect(beside).to_contain_text("-4 is not a number from 0")  # the server's own words
    assert glasshouse.logbook.notes() == []
    page.get_by_label("Dry layer, at most").fill("12,5")
    page.get_by_role("button", name="Keep this note").click()
    page.wait_for_selector(".entry")
    (note,) = glasshouse.logbook.notes()
    assert (note.dry_layer_low_mm, note.dry_layer_high_mm, note.tips_growing) == (None, 12.5, 2)


def test_a_new_cover_for_many_pots_changes_the_set_up_of_each(open_page, glasshouse):
    page = open_page("/note/cover")
    page.get_by_label("Cover", exact=True).select_option("pebbles")
    expect(page.locator(".caution:visible")).to_contain_text("Never over a crown")
    page.get_by_label("Thickness of the cover").fill("20")
    page.get_by_role("button", name="Keep this note").click()
    expect(page.locator("[data-field='pots'] .field-fault")).to_have_text("Choose at least one pot.")
    for pot in ("window left", "top middle"):
        page.locator(f"input[value='{pot}']").check(force=True)
    page.get_by_role("button", name="Keep this note").click()
    page.wait_for_selector(".logbook-shelf")
    for pot in ("window left", "top middle"):
        setup = glasshouse.logbook.setup_at(pot, glasshouse.answer["at_ms"] + DAY_MS)
        assert setup["top_layer"] == {"kind": "pebbles", "thickness_mm": 20}


def test_a_whole_shelf_is_filled_by_one_tap_that_can_be_undone(open_page, glasshouse):
    page = open_page("/logbook")
    page.evaluate(UNDO, ".entry:nth-child(6)")
    page.locator("[data-fill='east-window']").click()
    expect(page.locator(".entry-back")).to_have_count(6)
    assert glasshouse.logbook.notes() == []


def test_inches_and_ounces_are_typed_and_shown_but_millimetres_are_kept(open_page, glasshouse):
    settings = glasshouse.home.settings
    grower = settings.grower.model_copy(update={"units": "us", "timezone": "America/Denver"})
    glasshouse.home.settings = settings.model_copy(update={"grower": grower})
    page = open_page(POT + "/refill")
    page.get_by_label("Poured fl oz").fill("10")
    page.get_by_label("Level after in").fill("-2")
    page.get_by_role("button", name="Keep this note").click()
    expect(page.locator("[data-field='level_mm'] .field-fault")).to_have_text("“-2” is too little: 0 in is the least.")
    page.get_by_label("Level after in").fill("2")
    page.locator("[type=datetime-local]").fill("2026-03-02T09:10")
    expect(page.locator(".field-day")).to_have_text("Monday, 2 March 2026, 09:10")
    page.get_by_role("button", name="Keep this note").click()
    page.wait_for_selector(".entry")
    (note,) = glasshouse.logbook.notes()
    assert (note.amount_ml, note.level_mm) == (295.74, 50.8)  # a US fluid ounce is 29.5735 mL (from memory)
    said = page.locator(".entry").inner_text()
    assert "Mon 2 Mar 2026, 09:10" in said.replace("Mon, ", "Mon ")
    assert "10.0 fl oz" in said
    assert "level 2 in" in said


# --- history


def test_a_note_is_corrected_withdrawn_and_put_back_and_its_history_stays(open_page, glasshouse):
    number = glasshouse.logbook.add_note(
        {"time_ms": glasshouse.answer["at_ms"] - DAY_MS, "pot": "window left", "kind": "flush", "amount_ml": 300}
    )
    page = open_page(POT)
    page.get_by_role("link", name="Correct").click()
    page.get_by_label("Poured through").fill("400")
    page.get_by_role("button", name="Correct it").click()
    page.wait_for_selector(".entry details")
    page.locator(".entry summary").click()
    assert "300 mL" in page.locator(".entry details").inner_text()
    page.locator(".entry").get_by_role("button", name="Withdraw").click()
    expect(page.locator(".entry-back")).to_have_count(1)
    page.locator(".entry").get_by_role("button", name="Put back").click()
    expect(page.locator(".entry-back")).to_have_count(0)
    assert glasshouse.logbook.note(number).amount_ml == 400
    assert len(glasshouse.logbook.note_history(number)) == 4


def test_two_tablets_that_correct_one_note_are_told_and_lose_nothing(open_page, glasshouse, watch):
    number = glasshouse.logbook.add_note(
        {"time_ms": glasshouse.answer["at_ms"] - DAY_MS, "pot": "window left", "kind": "text", "text": "as it was"}
    )
    first, second = open_page(f"/note/{number}"), open_page(f"/note/{number}")
    first.get_by_label("Words").fill("mine")
    second.get_by_label("Words").fill("yours")
    first.get_by_role("button", name="Correct it").click()
    first.wait_for_selector(".entry")
    watch.away = True  # the console, again
    second.get_by_role("button", name="Correct it").click()
    expect(second.locator(".form-fault")).to_contain_text("Somebody else has changed this note since you opened it")
    expect(second.get_by_label("Words")).to_have_value("yours")
    expect(second.locator(".stale")).to_contain_text("What you typed stands below")
    second.locator("[data-fresh]").click()
    expect(second.get_by_label("Words")).to_have_value("mine")
    assert glasshouse.logbook.note(number).text == "mine"


def test_follow_ups_stand_on_top_and_are_ticked_off(open_page, glasshouse):
    change = {"detail": {"change": {"shelf": "stairwell"}}}
    glasshouse.logbook.add_note(
        {"time_ms": glasshouse.answer["at_ms"] - 20 * DAY_MS, "pot": "window left", "kind": "move", **change}
    )
    page = open_page("/logbook")
    due = page.locator(".due li")
    expect(due).to_contain_text("Inspect window left: two weeks after the move.")
    due.get_by_role("button", name="In a week").click()
    expect(due).to_contain_text("put off until")
    due.get_by_role("button", name="Open again").click()
    due.get_by_role("button", name="Done").click()
    expect(page.locator(".due")).to_have_count(0)


# --- the server away


def test_notes_are_kept_on_the_device_while_the_server_is_away_and_sent_when_it_is_back(open_page, glasshouse, watch):
    page = open_page("/logbook")
    page.get_by_role("link", name="window left").click()
    away(page, watch)
    tap_three(page)
    expect(page.locator("#kept")).to_have_text("Kept here, not sent yet: 1")
    page.locator("[data-shot]").set_input_files(photo())
    expect(page.locator("#kept")).to_have_text("Kept here, not sent yet: 2")
    assert glasshouse.logbook.notes() == []
    back(page)
    notes = glasshouse.logbook.notes()
    assert [note.kind for note in notes] == ["inspection", "photo"]
    assert len(notes[1].detail["photos"]) == 1


def test_a_note_kept_on_the_device_outlives_a_reload_and_can_be_taken_out(open_page, glasshouse, watch):
    page = open_page(POT)
    away(page, watch)
    tap_three(page)
    page.route("**/change/notes", lambda route: route.abort())
    page.context.set_offline(False)
    page.goto(glasshouse.address + "/logbook")
    expect(page.locator("#kept")).to_have_text("Kept here, not sent yet: 1")
    page.locator("[data-forget]").click()
    expect(page.locator("#kept")).to_be_hidden()
    assert glasshouse.logbook.notes() == []


def test_an_undo_while_the_server_is_away_sends_nothing_later(open_page, glasshouse, watch):
    page = open_page(POT)
    away(page, watch)
    page.get_by_role("button", name="damp at the top").click()
    page.wait_for_selector("[data-tips]")
    page.evaluate(UNDO, ".look-kept")
    page.get_by_role("button", name="growing", exact=True).click()
    expect(page.locator("#step")).to_have_text("How deep is it dry?")
    expect(page.locator("#kept")).to_be_hidden()
    back(page)
    assert glasshouse.logbook.notes(withdrawn=True) == []


def test_when_the_answer_is_lost_the_note_is_sent_again_and_kept_once(open_page, glasshouse, watch):
    page = open_page(POT)
    watch.away = True
    sent = []

    def lose_the_first(route: Any) -> None:
        sent.append(route.request.post_data)
        if len(sent) == 1:
            route.fetch()  # it arrives, and its answer does not
            route.abort()
        else:
            route.continue_()

    page.route("**/change/notes", lose_the_first)
    tap_three(page)
    expect(page.locator("#kept")).to_have_text("Kept here, not sent yet: 1")
    assert len(glasshouse.logbook.notes()) == 1
    page.clock.fast_forward(AGAIN_MS)
    expect(page.locator("#kept")).to_be_hidden()
    assert len(sent) == 2
    assert len(glasshouse.logbook.notes(withdrawn=True)) == 1


def test_what_is_refused_later_is_not_lost(open_page, glasshouse, watch):
    page = open_page(POT)
    away(page, watch)
    tap_three(page)
    glasshouse.logbook.rename_pot("window left", "window far left")
    page.context.set_offline(False)
    page.clock.fast_forward(AGAIN_MS)
    expect(page.locator("#kept")).to_have_text("Kept here, could not be taken: 1")
    page.goto(glasshouse.address + "/logbook")
    expect(page.locator(".logbook-waiting")).to_contain_text("There is no pot “window left”")
    glasshouse.logbook.rename_pot("window far left", "window left")
    page.locator("[data-again]").click()
    expect(page.locator("#kept")).to_be_hidden()
    assert len(glasshouse.logbook.notes()) == 1


def test_while_the_logbooks_database_is_locked_notes_are_kept_on_the_device(open_page, glasshouse, watch):
    page = open_page(POT)
    watch.away = True  # the console tells of a status 503
    glasshouse.store_away = True
    tap_three(page)
    expect(page.locator("#kept")).to_have_text("Kept here, not sent yet: 1")
    glasshouse.store_away = False
    page.clock.fast_forward(AGAIN_MS)
    expect(page.locator("#kept")).to_be_hidden()
    assert len(glasshouse.logbook.notes()) == 1


# --- the whole page


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/logbook/no%20such%20pot", "There is no pot “no such pot”"),
        ("/logbook/%3Cimg%20src=x%20onerror=alert(1)%3E", "There is no pot “<img src=x onerror=alert(1)>”"),
        ("/note/12345", "There is no note 12345."),
        ("/note/nonsense", "There is no kind of note called “nonsense”."),
        (POT + "/nonsense", "There is no kind of note called “nonsense”."),
    ],
)
def test_a_wrong_address_gets_a_sentence(open_page, path, words):
    page = open_page(path)
    expect(page.locator("#logbook")).to_contain_text(words)


def test_an_empty_logbook_says_how_to_begin(open_page, glasshouse, tmp_path):
    empty = tmp_path / "empty"
    glasshouse.home.close()
    glasshouse.home.folder = empty
    empty.mkdir()
    page = open_page("/logbook")
    expect(page.locator(".logbook-empty")).to_contain_text("three taps")
    expect(page.get_by_role("link", name="Enter the first pot")).to_have_attribute("href", "/start")
    expect(page.get_by_role("link", name="One note for many")).to_have_count(0)


SCREENS = [
    ("/logbook", (1280, 800), "light"),
    ("/logbook", (360, 740), "dim"),
    (POT, (800, 1280), "dim"),
    (POT, (1280, 800), "light"),
    ("/note/repot", (800, 1280), "light"),
]


@pytest.mark.parametrize(("path", "size", "theme"), SCREENS)
def test_no_part_of_the_logbook_has_a_serious_violation_or_scrolls_sideways(open_page, glasshouse, path, size, theme):
    at_ms = glasshouse.answer["at_ms"]
    look = {"time_ms": at_ms - DAY_MS, "pot": "window left", "kind": "inspection", "tips_dried": 2, "text": "limp"}
    number = glasshouse.logbook.add_note(look)
    glasshouse.logbook.correct_note(number, 1, {"text": "limp leaves"})
    glasshouse.logbook.withdraw_note(glasshouse.logbook.add_note({**look, "text": "twice"}), 1)
    glasshouse.logbook.add_note(
        {"time_ms": at_ms - 20 * DAY_MS, "pot": "window left", "kind": "holes", "detail": {"change": {"vents": "few"}}}
    )
    page = open_page(path, size, theme)
    page.wait_for_selector(".entry, form, .kind-tile")
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= size[0]
    assert grave(page) == []


@pytest.mark.parametrize(("path", "size"), [("/logbook", (640, 400)), (POT, (400, 640)), (POT + "/repot", (400, 640))])
def test_text_at_200_percent_never_scrolls_sideways(open_page, path, size):
    page = open_page(path, size)
    page.wait_for_selector(".logbook-shelf, .taps, form")
    assert page.evaluate("document.querySelector('#page').scrollWidth") <= size[0]


def test_the_newest_clock_is_the_servers(open_page, glasshouse):
    page = open_page(POT)
    page.clock.set_system_time(1_500_000_000_000)  # the tablet believes it is 2017
    page.evaluate("dryline.changed()")
    with page.expect_response(lambda response: "_dash-update-component" in response.url):
        page.evaluate("dryline.changed()")
    page.wait_for_function("at => Math.abs(dryline.change.now() - at) < 3600000", arg=glasshouse.answer["at_ms"])
    tap_three(page)
    (note,) = glasshouse.logbook.notes()
    assert abs(note.time_ms - glasshouse.answer["at_ms"]) < 3_600_000
