"""The screens in a real browser, on a year of sixty pots: cold load of the wall, refreshes, a day of kiosk, a story.

The browser and the server share this machine with whatever else runs on it; a tablet is imitated by slowing the
browser's processor six times. The aims are those that the screens were planned by, in seconds and bytes.
"""

import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd
from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.answers import story
from dashboard.answers.situation import situation_at
from dashboard.app import create_app
from dashboard.listening import listening
from dashboard.pages import Ask
from dashboard.pages.story import tell
from dashboard.serve import asks_of
from dashboard.signin import Access
from ingest.home import Home
from ingest.readings import DAILY_COLUMNS, DAY_MS
from tests import nursery
from tests.benchmarks.table import Growth, Row, seconds
from tests.browser.conftest import CHROMIUM, FLAGS

POTS, DAYS, NOTES = 60, 365, 1500
CHANGED = 5
REFRESHES = 60
REFRESH_MS = 10_000
KIOSK_REFRESHES = 8640  # a day of one every ten seconds
WARMED_UP = 200  # refreshes after which the page has seen all that it keeps
LOADS = 5
SLOWER = 6
NOW_MS = nursery.END_MS

#: Notes when every tile of the view was there and the frame after it was shown, and when Dash had begun.
WATCH_TILES = """() => {
    const beginning = setInterval(() => {
        if (!document.querySelector("#wall[data-live]")) return;
        clearInterval(beginning);
        window.begun_ms = performance.now();
    }, 4);
    const looking = setInterval(() => {
        const tiles = document.querySelectorAll("[data-pot]");
        if (!tiles.length || tiles.length !== document.querySelectorAll("[data-pot] svg.cut").length) return;
        clearInterval(looking);
        requestAnimationFrame(() => requestAnimationFrame(() => { window.painted_ms = performance.now(); }));
    }, 4);
}"""
#: One refresh, from the tick of the clock to the frame after the tiles were repainted.
REFRESH = """async number => {
    const begun = performance.now();
    await new Promise(done => {
        const watching = new MutationObserver(() => { watching.disconnect(); done(); });
        watching.observe(document.getElementById("wall"), { childList: true, subtree: true, attributes: true });
        dash_clientside.set_props("wall-tick", { n_intervals: 1000 * number });  // never the count of its own ticks
    });
    await new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)));
    return performance.now() - begun;
}"""
#: Waits for the change that was watched for, then watches for the next one inside the wall's shelves.
NEXT_CHANGE = """async () => {
    await window.changed;
    window.changed = new Promise(done => {
        const watching = new MutationObserver(() => { watching.disconnect(); done(); });
        watching.observe(document.querySelector("#wall .shelves"), { childList: true, subtree: true });
    });
}"""


class Wall:
    """The wall of a home. `changing`: five pots differ at every look, as in a busy hour. `alone`: the home is asked no
    more, so that a long day of refreshes is the browser's work alone; then ten seconds pass from look to look.
    """

    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._looks = 0
        self._last: dict[str, Any] | None = None
        self.changing = False
        self.alone = False

    def __call__(self, at_ms: int) -> dict[str, Any]:
        if self._last is None or not self.alone:
            answer = self._ask.wall(at_ms)
            shelves = [{**shelf, "pots": [dict(pot) for pot in shelf["pots"]]} for shelf in answer["shelves"]]
            self._last = {**answer, "shelves": shelves}
        if self.changing:
            self._looks += 1
            self._change(self._last)
        if self.alone:
            self._last["at_ms"] += REFRESH_MS
        return self._last

    def _change(self, answer: dict[str, Any]) -> None:
        low = float(self._looks % 7)
        for pot in [pot for shelf in answer["shelves"] for pot in shelf["pots"]][:CHANGED]:
            pot["days_left"] = {"p10": low, "p50": low + 3.0, "p90": low + 9.0}
            pot["level_mm"] = 20.0 + low
            pot["dry_layer_mm"] = {"p10": low, "p50": low + 5.0, "p90": low + 9.0}


def rows(scale: float = 1.0) -> tuple[Sequence[Row], Sequence[Growth]]:
    """All rows; the scale shortens the history and the day of the kiosk."""
    days = max(40, round(DAYS * scale))
    with tempfile.TemporaryDirectory() as folder:
        home = nursery.build(Path(folder), pots=POTS, days=days, notes=max(60, round(NOTES * scale)))
        with closing(home):
            situation_at(home, NOW_MS)  # as the care of the home keeps it
            ask = replace(asks_of(home), now_ms=lambda: NOW_MS)
            wall = Wall(ask)
            shown = replace(ask, wall=wall)
            found = [*_story(home, shown, days)]
            with _visited(shown) as (address, browser, app):
                found += _cold(browser, address)
                wall.changing = True
                found += _refreshes(browser, address, app)
                wall.alone = True
                found += _kiosk(browser, address, max(100, round(KIOSK_REFRESHES * scale)))
    return found, []


@contextmanager
def _visited(ask: Ask) -> Iterator[tuple[str, Browser, Any]]:
    app = create_app(ask, Access(b"k" * 32), "the glasshouse")
    with listening(app.server, "127.0.0.1", 0) as port, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield f"http://127.0.0.1:{port}", browser, app
        browser.close()


# --- cold load


def _cold(browser: Browser, address: str) -> list[Row]:
    _load(browser, address, 1)  # the server compresses its libraries once
    plain = [_load(browser, address, 1) for _ in range(LOADS)]
    machine = _load_of_machine()
    slow = [_load(browser, address, SLOWER) for _ in range(LOADS)]
    painted, slowly = (statistics.median(load.painted_s for load in loads) for loads in (plain, slow))
    begun, begun_slowly = (statistics.median(load.begun_s for load in loads) for loads in (plain, slow))
    busy = statistics.median(load.busy_s for load in plain)
    megabytes = max(load.transferred for load in plain) / 1e6
    what = f"cold load of the wall, {POTS} pots, all tiles of the view painted"
    slower = f"{what}, processor {SLOWER} times slower"
    return [
        Row(what, seconds(painted), *machine, "", "at most 1.0 s", painted <= 1.0),
        Row(slower, seconds(slowly), *_load_of_machine(), "", "at most 3 s", slowly <= 3.0),
        Row("until the libraries behind the painted wall have begun", seconds(begun), *machine, "", "", None),
        Row("the same, slower", seconds(begun_slowly), *_load_of_machine(), "", "", None),
        Row("processor of the page's own thread for all of it", seconds(busy), "", "", "", "", None),
        Row("transferred for all of it", f"{megabytes:.2f} MB", "", "", "", "at most 0.6 MB", megabytes <= 0.6),
    ]


def _load_of_machine() -> tuple[str, str]:
    """How many wanted a processor in the last minute: seconds of the clock mean little beside others at work."""
    return f"processes that wanted one of {os.cpu_count()} cores meanwhile", f"{os.getloadavg()[0]:.0f}"


@dataclass(frozen=True)
class Loaded:
    """A load of the wall: until all was painted, until Dash had begun behind it, how long the page's own thread had a
    processor until then, and bytes on the wire.
    """

    painted_s: float
    begun_s: float
    busy_s: float
    transferred: float


def _load(browser: Browser, address: str, slower: int) -> Loaded:
    """One cold load by a new visitor."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    devtools = context.new_cdp_session(page)
    arrived: list[float] = []
    devtools.on("Network.loadingFinished", lambda event: arrived.append(event["encodedDataLength"]))
    devtools.send("Network.enable")
    devtools.send("Performance.enable", {"timeDomain": "threadTicks"})
    if slower > 1:
        devtools.send("Emulation.setCPUThrottlingRate", {"rate": slower})
    page.add_init_script(f"({WATCH_TILES})()")
    page.goto(address + "/near")
    page.wait_for_function("() => window.painted_ms !== undefined && window.begun_ms !== undefined", timeout=120_000)
    painted_s, begun_s = (float(page.evaluate(f"window.{when}_ms")) / 1000 for when in ("painted", "begun"))
    metrics = {metric["name"]: metric["value"] for metric in devtools.send("Performance.getMetrics")["metrics"]}
    context.close()
    return Loaded(painted_s, begun_s, metrics["TaskDuration"], sum(arrived))


# --- refreshes


def _refreshes(browser: Browser, address: str, app: Any) -> list[Row]:
    page = _near(browser, address)
    answers: list[Any] = []

    def heard(response: Any) -> None:  # its body is read later: a handler must not wait
        answers.append(response)

    page.on("response", heard)
    took = [float(page.evaluate(REFRESH, number)) / 1000 for number in range(1, REFRESHES + 1)]
    refreshes = [one for one in answers if "_dash-update-component" in one.url and _is_refresh(one)]
    largest = max(len(one.body()) for one in refreshes)
    server = _server_s(app, refreshes[-1].request.post_data_json)
    machine = _load_of_machine()
    page.context.close()
    late = statistics.quantiles(took, n=20)[-1]
    what = f"refresh of the wall when {CHANGED} of {POTS} pots changed"
    return [
        Row(what, f"{largest:,} bytes", "", "", "", "at most 3 kB", largest <= 3000),
        Row(f"{what}, processor of the server", seconds(server), "", "", "", "at most 20 ms", server <= 0.020),
        Row(f"{what}, to painted, 95th percentile", seconds(late), *machine, "", "at most 60 ms", late <= 0.060),
    ]


def _is_refresh(response: Any) -> bool:
    return bool(response.request.post_data_json["output"] == "wall-answer.data")


def _near(browser: Browser, address: str, *, by_a_clock: bool = False) -> Page:
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    if by_a_clock:
        page.clock.install()
    page.goto(address + "/near")
    page.wait_for_selector("#wall[data-live] [data-pot] svg.cut")
    return page


def _server_s(app: Any, asked: dict[str, Any]) -> float:
    """Processor seconds of the server for one refresh, from the request to the answer's last byte."""
    client = app.server.test_client()
    client.get("/healthz", base_url="http://localhost")
    headers = {"X-CSRFToken": client.get_cookie("_csrf_token").value, "Content-Type": "application/json"}
    body = json.dumps(asked)

    def ask() -> None:
        answer = client.post("/_dash-update-component", base_url="http://localhost", data=body, headers=headers)
        assert answer.status_code == 200, answer.text

    return _median_s(ask, 30)


def _median_s(work: Callable[[], object], runs: int) -> float:
    took = []
    for _ in range(runs):
        begun = time.process_time()
        work()
        took.append(time.process_time() - begun)
    return statistics.median(took)


# --- a day of kiosk


def _kiosk(browser: Browser, address: str, times: int) -> list[Row]:
    """The page's own clock is moved on, so that a day of its own refreshes passes in minutes; each brings five pots."""
    page = _near(browser, address, by_a_clock=True)
    page.evaluate(NEXT_CHANGE)
    for _ in range(WARMED_UP):
        _ten_seconds(page)
    before, since = _held(page), page.evaluate("Date.now()")
    for _ in range(times):
        _ten_seconds(page)
    after, hours = _held(page), (page.evaluate("Date.now()") - since) / 3_600_000
    lost = page.locator(".notice").count()
    page.context.close()
    grown = after["JSHeapUsedSize"] - before["JSHeapUsedSize"]
    nodes = after["Nodes"] - before["Nodes"]
    listeners = after["JSEventListeners"] - before["JSEventListeners"]
    flat = grown <= 1_500_000 and nodes <= 60 and listeners <= 2 and not lost
    told = f"{grown / 1e6:+.2f} MB, {nodes:+.0f} nodes, {listeners:+.0f} listeners"
    what = f"{times:,} refreshes of a kiosk ({hours:.0f} h by its own clock), what the page then holds more"
    return [Row(what, told, "", "", "", "no growth (1.5 MB, 60 nodes, 2 listeners)", flat)]


def _ten_seconds(page: Page) -> None:
    page.clock.fast_forward(REFRESH_MS)
    page.evaluate(NEXT_CHANGE)


def _held(page: Page) -> dict[str, float]:
    devtools = page.context.new_cdp_session(page)
    devtools.send("HeapProfiler.collectGarbage")
    devtools.send("Performance.enable")
    metrics = {metric["name"]: metric["value"] for metric in devtools.send("Performance.getMetrics")["metrics"]}
    devtools.detach()
    return metrics


# --- a story


def _story(home: Home, ask: Ask, days: int) -> list[Row]:
    """The story of a pot whose days were never kept, as after an import, then with the facts that a year leaves."""
    label = nursery.label_of(3)

    def open_story() -> None:
        told, section = tell(ask, f"/story/{label}/52")
        assert section is not None, told

    open_story()
    anew = _median_s(open_story, 5)
    use = story.answer(home, label, NOW_MS - days * DAY_MS, NOW_MS, NOW_MS)["use"]
    facts = pd.DataFrame({"pot": label, "day_ms": np.array(use["time_ms"]) - DAY_MS // 2})
    home.readings.write_facts(
        daily=facts.assign(**dict.fromkeys(DAILY_COLUMNS, np.nan))
        .assign(water_use_ml_per_day=use["value"], expected_use_ml_per_day=use["expected"])
        .assign(water_use_low_ml_per_day=use["low"], water_use_high_ml_per_day=use["high"])
    )
    open_story()
    took = _median_s(open_story, 5)
    what = f"story of a year ({days} days), processor of the server"
    return [
        Row(what, seconds(took), "", "", "", "at most 300 ms", took <= 0.300),
        Row(
            "the same after an import, every day of use reckoned from its readings", seconds(anew), "", "", "", "", None
        ),
    ]


if __name__ == "__main__":
    for row in rows(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)[0]:
        print(f"{row.what}: {row.ours} ({row.aim}: {row.met})")
