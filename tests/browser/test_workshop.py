"""The workshop by hand, on a real home: claim a sensor, replay, calibrate, enter pots, two people at once."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from playwright.sync_api import expect

from dashboard.app import create_app
from dashboard.listening import listening
from dashboard.serve import asks_of
from dashboard.signin import Access
from ingest.home import Home
from ingest.readings import Reading, UnreadMessage
from ingest.sensors import Placement, Sensor
from tests.browser.conftest import KEY, Glasshouse
from tests.browser.test_accessibility import grave
from tests.dashboard.workshop_home import HOUR_MS, NOW_MS, SETUP, furnished

AIR = b'[{"bn":"","n":"temp","u":"Cel","v":21.5},{"n":"hum","u":"%RH","v":48}]'
LEVEL = Sensor(
    "t/level", "number", "", "reservoir_level", "mm", placed=(Placement(NOW_MS - 48 * HOUR_MS, None, "stairwell"),)
)
LEVEL_PAGE = "/workshop/sensor/" + quote(LEVEL.source, safe="")


@dataclass
class House(Glasshouse):
    """A real home behind the server."""

    home: Home | None = None

    def serving(self):
        assert self.home is not None
        ask = replace(asks_of(self.home), now_ms=lambda: NOW_MS)
        return listening(create_app(ask, self.access, "the glasshouse").server, "127.0.0.1", self.port)


def house_of(folder: Path, setup: str = SETUP) -> House:
    return House({}, Access(KEY), home=furnished(folder, setup))


@pytest.fixture
def glasshouse(tmp_path):
    house = house_of(tmp_path)
    with house.serving() as port:
        house.port = port
        yield house
    house.home.close()


# What was said after a change is gone in ten seconds, which a slow machine may need to look: it is written down.
LISTEN = """() => {
    window.said = [];
    new MutationObserver(() => {
        const bar = document.querySelector("#undo");
        if (bar && bar.textContent) window.said.push(bar.textContent);
    }).observe(document.body, { childList: true, subtree: true, characterData: true });
}"""


@pytest.fixture
def open_page(open_page):
    """A visitor whose page remembers what it said."""

    def visit(*where: Any, **how: Any) -> Any:
        page = open_page(*where, **how)
        page.evaluate(LISTEN)
        return page

    return visit


def said(page: Any, words: str) -> None:
    """Wait until the page has said something."""
    page.wait_for_function("words => window.said.some((one) => one.includes(words))", arg=words)


def arrive(house: House, topic: str, body: bytes, count: int = 1) -> None:
    messages = [UnreadMessage(topic, body, NOW_MS - n * HOUR_MS, "no sensor claims it") for n in range(count, 0, -1)]
    house.home.readings.append([], [], messages)


def test_a_bare_number_is_claimed_for_a_pot_by_saying_what_it_measures(open_page, glasshouse, watch):
    watch.away = True  # what the server refuses is an error to the browser's console, not to us
    arrive(glasshouse, "n/7", b"412")
    page = open_page("/workshop/messages")
    page.get_by_role("button", name="Make the sensor").click()
    expect(page.locator("[data-field='at'] .field-fault")).to_be_visible()
    page.get_by_text("Use a number 412").click()
    page.locator("[data-field='at'] .tile").filter(has_text="window left").click()
    page.get_by_role("button", name="Make the sensor").click()
    quantity = page.locator("[data-field='streams.0.quantity']")
    expect(quantity.locator(".field-fault")).to_have_text("Say what this number measures.")
    quantity.locator(".tile").filter(has_text="water level").click()
    page.locator("input[name='streams.0.unit']").fill("mm")
    page.get_by_role("button", name="Make the sensor").click()
    expect(page.locator("#workshop")).to_contain_text("Every message that arrived was understood and used.")
    (sensor,) = glasshouse.home.logbook.sensors()
    assert (sensor.quantity, sensor.placed[0].at) == ("reservoir_level", "east-window/window left")


def test_claimed_messages_are_read_again_by_a_button(open_page, glasshouse):
    arrive(glasshouse, "t/new", AIR, 2)
    page = open_page("/workshop/messages")
    for field, quantity, unit in (("temp", "air_temperature", "Cel"), ("hum", "relative_humidity", "%RH")):
        glasshouse.home.logbook.put_sensor(Sensor("t/new", "senml", field, quantity, unit))
    page.get_by_role("button", name="Read again what is claimed by now").click()
    said(page, "2 messages read; 0 messages left.")
    expect(page.locator("#workshop")).to_contain_text("Every message that arrived was understood and used.")


def test_a_calibration_is_looked_at_before_it_is_kept(open_page, glasshouse):
    glasshouse.home.logbook.put_sensor(LEVEL)
    glasshouse.home.readings.append([Reading(LEVEL.source, NOW_MS - 60_000, 300.0)])
    page = open_page(LEVEL_PAGE)
    page.get_by_text("Calibration", exact=True).click()
    page.get_by_role("button", name="What does it say just now?").click()
    said(page, "It says 300, 60 seconds ago.")
    page.locator("[data-field='by'] .tile").filter(has_text="the height on a ruler").click()
    for row, (raw, value) in enumerate(((100, "0"), (300, "25,5"))):
        page.locator(f"input[name='points.{row}.raw']").fill(str(raw))
        page.locator(f"input[name='points.{row}.value']").fill(value)
    page.get_by_role("button", name="Look at it first").click()
    expect(page.locator(".found")).to_contain_text("2 points; the line through them misses the measurements by 0.0 mm.")
    assert glasshouse.home.logbook.sensor(LEVEL.source).calibration == ()
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator("#workshop")).to_contain_text("Now: 100 means 0 mm, 300 means 25.5 mm")


def test_a_sensor_at_two_pots_at_once_is_refused_with_a_sentence_and_nothing_typed_is_lost(
    open_page, glasshouse, watch
):
    watch.away = True  # the console, again
    glasshouse.home.logbook.put_sensor(LEVEL)
    glasshouse.home.logbook.place_sensor(LEVEL.source, "stairwell/third step", NOW_MS - 24 * HOUR_MS)
    before = glasshouse.home.logbook.export_setup()
    page = open_page(LEVEL_PAGE)
    page.get_by_text("Place or move it").click()
    page.locator("[data-field='at'] .tile").filter(has_text="window left").click()
    page.get_by_label("Since").first.fill("2026-03-18T20:00")
    page.get_by_label("Until").fill("2026-03-20T10:00")
    page.get_by_role("button", name="Place it").click()
    expect(
        page.locator(".form-fault, .field-fault").filter(has_text="would overlap the one that begins at")
    ).to_be_visible()
    expect(page.get_by_label("Until")).to_have_value("2026-03-20T10:00")
    assert glasshouse.home.logbook.export_setup() == before


def test_a_pot_is_entered_in_words_and_stands_drawn(open_page, glasshouse):
    page = open_page("/workshop/pots/new")
    page.get_by_role("button", name="Enter the pot").click()
    expect(page.locator("[data-field='pot.label'] .field-fault")).to_have_text(
        "Give the pot a label that says where it is found: window left."
    )
    page.get_by_label("Called").fill("sill corner")
    page.locator("[data-field='setup.shelf'] .tile").filter(has_text="stairwell").click()
    page.get_by_label("Pot, trade size").fill("12")
    page.locator("[data-field='setup.vents'] .tile").filter(has_text="few").click()
    page.get_by_role("button", name="Enter the pot").click()
    page.wait_for_selector(".setups svg.cut")
    expect(page).to_have_title("sill corner · the glasshouse")
    assert page.url.endswith("/workshop/pot/sill%20corner")
    (setup,) = glasshouse.home.logbook.setups("sill corner")
    assert (setup["shelf"], setup["pot"], setup["vents"]) == ("stairwell", {"size_cm": 12}, "few")


def test_a_measure_that_cannot_be_is_said_beside_its_field_and_nothing_typed_is_lost(open_page, glasshouse, watch):
    watch.away = True  # the console, again
    page = open_page("/workshop/pots/new")
    page.get_by_label("Called").fill("sill, the corner")
    page.locator("[data-field='setup.shelf'] .tile").filter(has_text="stairwell").click()
    size = page.get_by_label("Pot, trade size")
    for typed, says in (("99999", "“99999” is too much: 100 cm is the most."), ("-12", "-12 is not a number above 0")):
        size.fill(typed)
        page.get_by_role("button", name="Enter the pot").click()
        expect(page.locator("[data-field='setup.pot.size_cm'] .field-fault")).to_contain_text(says)
        expect(size).to_have_value(typed)
    size.fill("12")
    page.locator("[data-thick]").first.fill("-3")
    page.get_by_role("button", name="Enter the pot").click()
    expect(page.locator("[data-field='setup.layers'] .field-fault")).to_contain_text("-3 is not a number above 0")
    assert "sill, the corner" not in [pot.label for pot in glasshouse.home.logbook.pots()]


def test_two_people_describe_one_shelf_and_the_second_keeps_what_was_typed(open_page, glasshouse, watch):
    watch.away = True  # the console, again
    first, second = open_page("/workshop/shelf/stairwell"), open_page("/workshop/shelf/stairwell")
    for page, air in ((first, "draughty"), (second, "still")):
        page.locator("[data-field='shelf.air'] .tile").filter(has_text=air).click()
    first.get_by_role("button", name="Keep", exact=True).click()
    said(first, "The shelf stairwell is described anew.")
    second.get_by_role("button", name="Keep", exact=True).click()
    expect(second.locator(".form-fault").first).to_contain_text("Somebody else has changed the shelf stairwell")
    expect(second.locator("input[value='still']")).to_be_checked()
    (shelf,) = [one for one in glasshouse.home.logbook.shelves() if one.label == "stairwell"]
    assert shelf.air == "draughty"


def test_many_pots_are_changed_at_once(open_page, glasshouse):
    page = open_page("/workshop/pots/many")
    for pot in ("window left", "third step"):
        page.locator("[data-field='pots'] .tile").filter(has_text=pot).click()
    page.get_by_label("Batch").fill("spring")
    page.get_by_role("button", name="Change them").click()
    said(page, "2 pots are changed.")
    assert {pot.label: pot.batch for pot in glasshouse.home.logbook.pots()} == dict.fromkeys(
        ("window left", "third step"), "spring"
    )


def test_the_house_gives_a_backup_and_another_calendar(open_page, glasshouse, watch):
    watch.away = True  # to the browser a page that turns out to be a download is one that did not load
    page = open_page("/workshop/house")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download a backup").click()
    assert download.value.suggested_filename == "dryline-2026-03-20.zip"
    old = page.locator(".coded code").nth(1).inner_text()
    page.get_by_role("button", name="Give it a new address").click()
    expect(page.locator(".coded code").nth(1)).not_to_have_text(old)


BUSY = ("/workshop", "/workshop/messages", "/workshop/pots", LEVEL_PAGE, "/workshop/checks", "/start")
CALM = (
    "/workshop/pots/new",
    "/workshop/pots/many",
    "/workshop/pot/window%20left",
    "/workshop/shelves",
    "/workshop/types",
    "/workshop/house",
)


def furnish_all(house: House) -> None:
    """Something of everything that a room can show."""
    house.home.logbook.put_sensor(LEVEL)
    house.home.logbook.put_sensor(Sensor("t/h", "number", "", "relative_humidity", "%RH"))
    arrive(house, "t/new", AIR, 2)
    arrive(house, "n/7", b"412")


def go(page: Any, room: str) -> int:
    """Walk to a room and open all of it; how wide it is comes back."""
    page.evaluate("path => window.dryline.go(path)", room)
    page.wait_for_selector(f"#workshop h1[data-shown='{room}']")
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    return page.evaluate("document.querySelector('#page').scrollWidth")


@pytest.mark.parametrize(
    ("rooms", "size", "theme"), [(BUSY, (1280, 800), "light"), (CALM, (800, 1280), "dim")], ids=["busy", "calm"]
)
def test_no_room_has_a_serious_violation(open_page, glasshouse, rooms, size, theme):
    furnish_all(glasshouse)
    page = open_page("/workshop/shelf/stairwell", size, theme)
    found = {room: ([*grave(page)] if go(page, room) <= size[0] else ["too wide"]) for room in rooms}
    assert {room: faults for room, faults in found.items() if faults} == {}


def test_no_room_scrolls_sideways_on_a_phone(open_page, glasshouse):
    furnish_all(glasshouse)
    page = open_page("/workshop/shelf/stairwell", (360, 740))
    wide = {room: width for room in (*BUSY, *CALM) if (width := go(page, room)) > 360}
    assert wide == {}
