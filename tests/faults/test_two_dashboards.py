"""Two dashboards, each a process with a home folder of its own, on one logbook in PostgreSQL.

What is noted on one is there on the other; of two who correct the same note at once, one is told that it has changed.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.request import HTTPCookieProcessor, OpenerDirector, Request, build_opener

import pytest

from ingest.broker import free_port
from tests.postgres_cluster import postgres_programs, running_cluster

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
SETUP = """
[[shelf]]
label = "stairwell"
[[pot]]
label = "window left"
[[pot.setup]]
from = 2026-03-01T00:00:00Z
shelf = "stairwell"
"""


class Screen:
    """A browser at one of the dashboards, as far as changes go."""

    def __init__(self, port: int) -> None:
        """Wait until the dashboard answers, and take its cookie."""
        self._address = f"http://127.0.0.1:{port}/"
        self._jar = CookieJar()
        self._open: OpenerDirector = build_opener(HTTPCookieProcessor(self._jar))
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                self._open.open(f"{self._address}healthz", timeout=10).close()
                return
            except (URLError, OSError):
                assert time.monotonic() < deadline, "the dashboard does not answer"
                time.sleep(0.05)

    def change(self, name: str, **body: object) -> tuple[int, dict]:
        """Send a change; the status and what was said."""
        token = next(cookie.value for cookie in self._jar if cookie.name == "_csrf_token")
        headers = {"Content-Type": "application/json", "X-CSRFToken": token or ""}
        asked = Request(f"{self._address}change/{name}", json.dumps(body).encode(), headers)
        try:
            with self._open.open(asked, timeout=30) as answer:
                return answer.status, json.load(answer)
        except HTTPError as refusal:
            with refusal:
                return refusal.code, json.load(refusal)


@contextmanager
def dashboard(home: Path, url: str) -> Iterator[Screen]:
    """A dashboard on its own home folder and the common logbook, with a screen."""
    home.mkdir()
    (home / "dryline.toml").write_text(f'[logbook]\nurl = "{url}"\n', encoding="utf-8")
    port = free_port()
    command = [sys.executable, "-m", "dryline", "dashboard", "--home", str(home), "--port", str(port)]
    with (home / "log").open("ab") as log:
        process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log, env=os.environ)
    try:
        yield Screen(port)
    finally:
        process.terminate()
        process.wait(60)
    said = (home / "log").read_text(encoding="utf-8")
    assert "Traceback" not in said, said


def dryline(*words: str) -> str:
    command = [sys.executable, "-m", "dryline", *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=True).stdout


def test_two_dashboards_share_one_logbook(tmp_path: Path) -> None:
    programs = postgres_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    with (
        running_cluster(programs) as cluster,
        dashboard(tmp_path / "north", url := cluster.format(name="postgres")) as north,
        dashboard(tmp_path / "south", url) as south,
    ):
        setup = tmp_path / "setup.toml"
        setup.write_text(SETUP, encoding="utf-8")
        dryline("import", "setup", str(setup), "--home", str(tmp_path / "north"))

        note = {"pot": "window left", "kind": "text", "text": "pale leaf"}
        status, said = north.change("notes", notes=[note])
        assert status == 200, said
        (number,) = said["done"]["ids"]
        # The other dashboard knows the note as it was written, and may correct it.
        status, said = south.change("note_corrected", id=number, version=1, changes={"text": "pale leaf, left"})
        assert (status, said["done"]["text"]) == (200, "pale leaf, left")
        # The first one has not looked since.
        status, said = north.change("note_corrected", id=number, version=1, changes={"text": "green leaf"})
        assert status == 409
        (fault,) = said["faults"]
        assert "changed" in fault["says"]

        # Again and again both correct what both have just read: one is taken, the other is told.
        version = 2
        with ThreadPoolExecutor(2) as hands:
            for turn in range(5):
                answers = list(
                    hands.map(
                        lambda screen, turn=turn, version=version: screen.change(
                            "note_corrected", id=number, version=version, changes={"amount_ml": turn}
                        ),
                        (north, south),
                    )
                )
                assert sorted(status for status, _ in answers) == [200, 409]
                version = next(said["done"]["version"] for status, said in answers if status == 200)

        out = tmp_path / "notes.csv"
        dryline("export", "notes", str(out), "--home", str(tmp_path / "south"))
        assert "pale leaf, left" in out.read_text(encoding="utf-8")
