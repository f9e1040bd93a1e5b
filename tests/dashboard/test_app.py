"""The frame: which page owns an address, and the headers of every answer."""

import json
import re
import threading
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app, page_at
from dashboard.pages import Ask
from dashboard.pages import wall as wall_page
from dashboard.pages.wall import NO_ANSWER, refresh
from dashboard.signin import Access

DATA = Path(__file__).parents[1] / "data" / "wall-24-pots.json"
AT_MS = 1_772_542_800_000


def broken(_at_ms: int) -> dict[str, Any]:
    raise OSError("the store is gone")


def wall(_at_ms: int) -> dict[str, Any]:
    return json.loads(DATA.read_text(encoding="utf-8"))


def well(_at_ms: int) -> dict[str, Any]:
    return {"status": "ok", "readings": 12, "newest_reading_age_s": 4.0, "unread_messages": 0}


def asks(**other: Any) -> Ask:
    return Ask(**({"now_ms": lambda: AT_MS, "wall": wall, "health": well} | other))


def client_of(ask: Ask) -> Any:
    return create_app(ask, Access(b"k" * 32), "the glasshouse").server.test_client()


@pytest.mark.parametrize(
    ("path", "name", "title"),
    [
        ("/", "wall", "Wall · the glasshouse"),
        ("/near", "wall", "Wall · the glasshouse"),
        ("/near/east-window", "wall", "Wall · the glasshouse"),
        ("/pot/window%20left", "wall", "window left · the glasshouse"),
        ("/story", "story", "Story · the glasshouse"),
        ("/story/window%20left/4", "story", "Story of window left · the glasshouse"),
        ("/workshop", "workshop", "Workshop · the glasshouse"),
        ("/nowhere", None, "Nothing here · the glasshouse"),
    ],
)
def test_an_address_opens_its_page_under_its_title(path, name, title):
    shown = page_at(path, "the glasshouse")
    assert (shown.page.name if shown.page else None, shown.title) == (name, title)


def test_a_page_whose_question_cannot_be_put_is_not_in_the_frame():
    client = client_of(asks())
    page = client.get("/").text
    assert "Wall" in page
    assert "Workshop" not in page
    assert "Story" not in page


def test_no_answer_lets_the_browser_fetch_from_another_host():
    headers = client_of(asks()).get("/").headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert not re.search(r"https?:|\*", policy)
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cache-Control"] == "no-store"


def test_the_page_itself_names_no_other_host():
    page = client_of(asks()).get("/").text
    sources = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert sources
    assert all(source.startswith(("/", "#")) and not source.startswith("//") for source in sources)


def test_health_is_told_with_the_agreed_keys():
    answer = client_of(asks()).get("/healthz")
    assert answer.status_code == 200
    assert answer.get_json() == well(AT_MS)


def test_a_broken_store_turns_health_to_failed_and_not_to_silence(caplog):
    answer = client_of(asks(health=broken)).get("/healthz")
    assert answer.status_code == 503
    assert answer.get_json()["status"] == "failed"
    assert "the store is gone" in caplog.text


def test_a_broken_store_reaches_the_wall_as_one_sentence(caplog):
    assert refresh(asks(wall=broken), {}) == {"fault": NO_ANSWER}
    assert "the store is gone" in caplog.text


def first_of(page: str) -> Any:
    """What the page brings of the wall; None where it brings nothing."""
    told = re.search(r'<script id="wall-first" type="application/json">([^<]*)</script>', page)
    return json.loads(told[1]) if told else None


@pytest.mark.parametrize("path", ["/", "/near", "/pot/window%20left"])
def test_a_page_of_the_wall_brings_what_stands_on_it(path):
    assert first_of(client_of(asks()).get(path).text) == refresh(asks(), {})


def test_no_words_of_a_label_end_the_answer_in_the_page():
    answer = wall(AT_MS)
    answer["shelves"][0]["pots"][0]["label"] = "</script><b>"
    page = client_of(asks(wall=lambda _at_ms: answer)).get("/near").text
    assert "</script><b>" not in page
    assert first_of(page)["parts"]["order"][1][0][1][0] == "</script><b>"


def test_no_other_page_brings_anything_of_the_wall():
    page = client_of(asks(workshop=lambda _: {})).get("/workshop").text
    assert first_of(page) is None
    assert "text/later" not in page


def test_a_wall_that_takes_long_is_not_waited_for(monkeypatch):
    monkeypatch.setattr(wall_page, "FIRST_S", 0.05)
    ready = threading.Event()

    def slowly(_at_ms: int) -> dict[str, Any]:
        ready.wait()
        return wall(AT_MS)

    client = client_of(asks(wall=slowly))
    page = client.get("/near")
    ready.set()
    assert page.status_code == 200
    assert first_of(page.text) is None


def test_two_apps_in_one_process_do_not_see_each_other():
    first, second = client_of(asks()), client_of(asks(health=broken))
    assert first.get("/healthz").status_code == 200
    assert second.get("/healthz").status_code == 503
