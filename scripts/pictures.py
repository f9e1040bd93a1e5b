"""Take pictures of every screen from a running demo into docs/pictures: both orientations, both themes, a phone.

Start `make demo` in another terminal first, and wait until its wall stands. Which pot is opened is read off the wall:
the one that needs the grower most, else the first. The first run is taken from an empty home that this script serves.
"""

import argparse
import io
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import quote
from urllib.request import urlopen

from PIL import Image
from playwright.sync_api import Browser, Error, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
PICTURES = Path(__file__).parents[1] / "docs" / "pictures"
ADDRESS = "http://127.0.0.1:8050"
READY = (
    "#wall .stage, .story-graph .main-svg, #workshop [data-shown], "
    ".logbook h1, .round-tally, .round-first, #guide-map svg.map, "
    ".trials-honest, main.plain"
)
SETTLE_MS = 400
LONGEST_MS = 120_000  # the guide weighs every change for every pot the first time
SIZES = {"tablet": (1280, 800), "upright": (800, 1280), "phone": (360, 740)}
THEMES = ("light", "dim")


@dataclass(frozen=True)
class Picture:
    """One file: what is shown, how large and in which light."""

    name: str
    path: str
    size: str
    theme: str

    @property
    def file(self) -> Path:
        return PICTURES / f"{self.name}-{self.size}-{self.theme}.png"


def pictures(pages: dict[str, str]) -> Iterator[Picture]:
    """Every page on the tablet both ways in both lights, and on the phone by day."""
    for name, path in pages.items():
        for size in ("tablet", "upright"):
            for theme in THEMES:
                yield Picture(name, path, size, theme)
        yield Picture(name, path, "phone", "light")


def take(browser: Browser, address: str, picture: Picture) -> None:
    width, height = SIZES[picture.size]
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_init_script(f"localStorage.setItem('dryline-theme', '{picture.theme}')")
    page = context.new_page()
    page.goto(address + picture.path)
    page.wait_for_selector(READY, timeout=LONGEST_MS)
    page.wait_for_timeout(SETTLE_MS)
    shot = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    # Flat colours: 128 of them look the same and take a third of the room in the repository.
    shot.quantize(128, dither=Image.Dither.NONE).save(picture.file, optimize=True)
    context.close()


def pages_of(browser: Browser, address: str) -> dict[str, str]:
    """The pages that this dashboard has, by the name of their picture."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(address + "/near")
    page.wait_for_selector("[data-pot]", timeout=LONGEST_MS)
    needy = page.locator(".pot-needy").first
    tile = needy if needy.count() else page.locator("[data-pot]").first
    pot = quote(tile.get_attribute("data-pot") or "", safe="")
    found = {"wall-far": "/", "wall-near": "/near", "pot": f"/pot/{pot}"}
    for link in page.locator(".pool a[data-page]").all():
        name = link.get_attribute("data-page") or ""
        if name not in ("wall", ""):
            found[name] = f"/story/{pot}" if name == "story" else (link.get_attribute("href") or "/")
    found |= _rooms_of(page, address)
    found["guide-pot"] = f"/guide/{pot}"
    today = datetime.now().astimezone().date()
    leave, back = (today + timedelta(days=days) for days in (3, 24))
    found["round-away"] = f"/round/away/{leave}/{back}"
    page.close()
    return found


def _rooms_of(page: Page, address: str) -> dict[str, str]:
    """The workshop's rooms after the first, and its pages of one pot, one sensor and a new pot."""
    page.goto(address + "/workshop")
    rooms = page.locator(".rooms a")
    rooms.first.wait_for()
    paths = [link.get_attribute("href") or "" for link in rooms.all()]
    found = {f"workshop-{path.rpartition('/')[2]}": path for path in paths if path != "/workshop"}
    sensor = page.locator("#workshop a[href^='/workshop/sensor/']").first
    sensor.wait_for()
    return found | {"workshop-sensor": sensor.get_attribute("href") or "", "workshop-new-pot": "/workshop/pots/new"}


@contextmanager
def empty_home() -> Iterator[str]:
    """The address of a house in which nothing has been entered yet."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "dryline", "dashboard", "--home", folder, "--port", str(port)]
        house = subprocess.Popen(command, cwd=PICTURES.parents[1], env=os.environ, stderr=subprocess.DEVNULL)
        try:
            address = f"http://127.0.0.1:{port}"
            _wait_until_it_answers(address, house)
            yield address
        finally:
            house.terminate()
            house.wait()


def _wait_until_it_answers(address: str, house: "subprocess.Popen[bytes]") -> None:
    while house.poll() is None:
        try:
            with urlopen(f"{address}/start"):
                return
        except OSError:
            time.sleep(0.2)
    raise Error("the empty home could not be served.")


def main() -> int:
    reader = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    reader.add_argument("--address", default=ADDRESS, help=f"where the demo answers (default {ADDRESS})")
    address = reader.parse_args().address.rstrip("/")
    PICTURES.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            for picture in pictures(pages_of(browser, address)):
                take(browser, address, picture)
                print(picture.file.relative_to(PICTURES.parents[1]))
            with empty_home() as start:
                for picture in pictures({"start": "/start"}):
                    take(browser, start, picture)
                    print(picture.file.relative_to(PICTURES.parents[1]))
        except Error as error:
            print(
                f"No picture from {address}: {error.message.splitlines()[0]} Is `make demo` running?", file=sys.stderr
            )
            return 1
        finally:
            browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
