"""A grower's whole day on one real home, two visitors at once; and every page of it read in US units.

Nothing here is an invented answer: what a tap keeps changes what the analysis says next.
"""

import json
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from playwright.sync_api import Page, expect

from dashboard.app import create_app
from dashboard.care import Keeping
from dashboard.listening import listening
from dashboard.serve import asks_of
from dashboard.signin import Access
from ingest.home import Home
from ingest.readings import UnreadMessage
from tests.browser.conftest import KEY, Glasshouse
from tests.browser.test_logbook import photo, tap_three
from tests.dashboard.answers.looked_at_home import NOW_MS, build

MINUTE_MS = 60_000
POT = "window right"
PHONE = (360, 740)
AIR = b'[{"bn":"","n":"temp","u":"Cel","v":12.5},{"n":"hum","u":"%RH","v":48}]'
NOTED = """() => {
    const plot = document.querySelector("#story-graph .js-plotly-plot");
    const noted = plot && plot.data && plot.data.find(one => one.name === "noted");
    return noted ? noted.x.length : -1;
}"""
READ = """() => {
    document.querySelectorAll("details").forEach(one => { one.open = true; });
    const of = ["aria-label", "placeholder", "title", "alt"];
    const named = Array.from(document.querySelectorAll(of.map(one => `[${one}]`).join(",")));
    return [
        document.body.innerText,
        ...named.flatMap(node => of.map(one => node.getAttribute(one)).filter(Boolean)),
        ...Array.from(document.querySelectorAll("svg text, option"), node => node.textContent),
    ].join("\\n");
}"""
#: A length, a volume or a temperature that stayed metric, with the words round it.
METRIC = re.compile(r".{0,50}(?:\d\s?(?:mm|cm|mL|L)\b|°C|\bm[mL]\b).{0,30}")
US = """
[grower]
units = "us"
"""


class House(Glasshouse):
    """The home behind the server; the clock goes on from the moment for which it was made."""

    home: Home
    began_s: float

    def now_ms(self) -> int:
        return NOW_MS + round(1000 * (time.monotonic() - self.began_s))

    def serving(self) -> Any:
        self.began_s = time.monotonic()
        ask = replace(asks_of(self.home), now_ms=self.now_ms)
        return listening(create_app(ask, self.access, "the glasshouse").server, "127.0.0.1", self.port)


@pytest.fixture
def settings() -> str:
    return ""


@pytest.fixture
def glasshouse(tmp_path: Path, settings: str) -> Iterator[House]:
    (tmp_path / "dryline.toml").write_text(settings, encoding="utf-8")
    house = House({}, Access(KEY))
    house.home = build(tmp_path)
    messages = [UnreadMessage("t/stair", AIR, NOW_MS - n * 10 * MINUTE_MS, "no sensor claims it") for n in (3, 2, 1)]
    house.home.readings.append([], [], messages)
    with house.serving() as port:
        house.port = port
        yield house
    house.home.close()


def _go(page: Page, path: str, until: str) -> None:
    page.evaluate("path => window.dryline.go(path)", path)
    page.wait_for_selector(until)


def test_a_growers_whole_day_on_a_tablet_and_a_phone(open_page, glasshouse):
    log, readings = glasshouse.home.logbook, glasshouse.home.readings
    tablet, phone = open_page("/near"), open_page("/logbook", PHONE)

    # the wall, and the story of a pot as it stands
    tablet.locator(f"[data-pot='{POT}']").click()
    tablet.locator(".card").get_by_role("link", name="Story").click()
    tablet.wait_for_selector(".story-graph .main-svg")
    looks = tablet.evaluate(NOTED)

    # at the shelf: an inspection in three taps, and a photo
    phone.locator(".pot-tile", has_text=POT).click()
    tap_three(phone)
    phone.locator("[data-shot]").set_input_files(photo())
    expect(phone.locator(".entry .shot img")).to_have_count(1)
    look, taken = (max((one for one in log.notes(POT) if one.kind == kind), key=lambda one: one.time_ms)
                   for kind in ("inspection", "photo"))  # fmt: skip
    assert (look.how, look.dry_layer_low_mm, look.dry_layer_high_mm, look.tips_growing) == ("fingertip", 10, 20, 1)
    assert len(taken.detail["photos"]) == 1
    assert "dry to 10–20 mm" in phone.locator(".entry").filter(has_text="10–20").first.inner_text()

    # the story of the other visitor has both, once the house has looked after itself
    Keeping(glasshouse.home).turn(glasshouse.now_ms())
    _go(tablet, "/near", f"[data-pot='{POT}']")
    _go(tablet, f"/story/{POT}", ".story-photos img, .story-graph .main-svg")
    tablet.wait_for_function(f"looks => ({NOTED})() === looks + 1", arg=looks)
    expect(tablet.locator("#story img")).to_have_count(1)

    # the guide's advice, taken on the tablet; the phone sees when to look again
    _go(tablet, "/guide", ".guide-pot")
    tablet.locator(".guide-rows-change .guide-pot, .guide-rows-look .guide-pot").first.click()
    tablet.wait_for_selector("#guide-cut svg.cut-large")
    advised = unquote(tablet.url.rpartition("/")[2])
    with tablet.expect_response("**/change/advice_taken"):
        tablet.locator("[data-take]").click()
    expect(tablet.locator(".guide-taken")).to_contain_text(f"Kept: {advised}")
    (done,) = (note for note in log.notes(advised) if note.why == "advice of the guide")
    _go(phone, "/logbook", ".logbook-shelf")
    if done.kind in ("cover", "holes", "wick", "move"):
        assert [due.pot for due in log.follow_ups(done.time_ms) if due.note_id == done.id] == [advised]

    # the round: one pot that is not eased over after a repot is filled and ticked off, on the phone
    _go(phone, "/round", ".round-tally")
    to_mark = phone.get_by_role("button", name="found low, filled to the mark")
    rows = phone.locator("#round [data-row]")
    filled = rows.filter(has=to_mark).first.get_attribute("data-row") or ""
    row = phone.locator(f"#round [data-row={json.dumps(filled)}]").first
    with phone.expect_response("**/change/notes"):
        row.get_by_role("button", name="found low").click()
    expect(row.locator(".round-told")).to_contain_text("found low, filled to the mark")
    assert log.notes(filled)[-1].kind == "refill"

    # a message that nobody uses: one tap says where it stands, and what was kept is read again
    _go(tablet, "/workshop/messages", ".claims")
    expect(tablet.locator(".unread")).to_contain_text("It says air temperature 12.5 °C (temp), humidity 48 % (hum)")
    tablet.locator(".claims").get_by_role("button", name="stairwell").click()
    expect(tablet.locator("#workshop")).to_contain_text("Every message that arrived was understood and used.")
    assert readings.unread_count().kept == 0
    sources = [sensor.source for sensor in log.sensors() if sensor.topic == "t/stair"]
    told = readings.read(sources, NOW_MS - 60 * MINUTE_MS, NOW_MS)
    assert {source: len(times) for source, (times, *_) in told.items()} == dict.fromkeys(sources, 3)

    Keeping(glasshouse.home).turn(glasshouse.now_ms())

    # and the wall of a third visitor knows the air of that shelf
    expect(open_page("/near").locator("#wall")).to_contain_text("12.5 °C")


@pytest.mark.parametrize("settings", [US])
def test_no_page_tells_a_metric_length_volume_or_temperature_to_who_wants_us_units(open_page, glasshouse):
    page = open_page("/near")
    left = {}
    for path, until in PAGES.items():
        if path != "/near":
            _go(page, path, until)
        found = sorted({one.group().strip() for one in METRIC.finditer(page.evaluate(READ))})
        if found:
            left[path] = found
    assert left == {}


PAGES = {
    "/near": "[data-pot]",
    f"/pot/{POT}": ".card",
    f"/story/{POT}": ".story-graph .main-svg",
    "/logbook": ".logbook-shelf",
    f"/logbook/{POT}": ".entry",
    "/note/column_test": ".form-here form, form",
    "/guide": "#guide-map svg.map",
    "/guide/window%20left": "#guide-cut svg.cut-large",
    "/round": ".round-tally",
    "/round/away/2026-04-01/2026-04-20": ".sheet",
    "/trials": ".trials-honest",
    "/workshop": ".list",
    "/workshop/messages": ".claims",
    f"/workshop/pot/{POT}": ".setups svg.cut",
    "/workshop/pots/new": "[data-field='setup.shelf']",
    "/workshop/checks": "[data-field='temperature_c']",
    "/workshop/house": "#workshop h2",
}
