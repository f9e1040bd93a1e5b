"""The first run of an empty home: its password, who can reach it, and the way to the first pot."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.access import set_password
from dashboard.pages.workshop import show
from dashboard.pages.workshop.house import SETTINGS, SPOT_CHECKS
from dashboard.reach import own_address, reach
from dashboard.serve import asks_of
from ingest.home import Home
from ingest.readings_csv import import_readings
from ingest.settings import read_settings
from tests.dashboard.test_workshop import text_of
from tests.dashboard.workshop_home import LOCAL, NOW_MS, client_of, furnished, sender


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = furnished(tmp_path, setup="")
    yield made
    made.close()


def begin(home: Home, path: str = "/start") -> str:
    return text_of(show(replace(asks_of(home), now_ms=lambda: NOW_MS), path, "http://localhost:8050"))


def test_an_empty_home_is_led_from_shelf_to_pot(home: Home) -> None:
    page = begin(home)
    assert "2 The first shelf next" in page
    assert "Nothing has arrived yet" in page
    assert "It stands on a shelf: enter that first." in page
    home.logbook.put_shelf({"label": "east-window"})
    page = begin(home)
    assert "2 The first shelf done east-window" in page
    assert "3 The first sensor next" in page
    assert "Enter the first pot" in page
    home.logbook.put_pot({"label": "window left"})
    assert "To the wall" in begin(home)


def test_a_newcomer_reads_where_the_settings_lie_and_in_which_zone_times_are_told(home: Home) -> None:
    assert f"Times are told in {home.settings.grower.timezone}" in begin(home)
    (home.folder / "dryline.toml").unlink(missing_ok=True)
    page = begin(home, "/workshop/house")
    assert str(home.folder.resolve() / "dryline.toml") in page
    assert "start dryline again. It is not there yet" in page
    (home.folder / "dryline.toml").write_text(SETTINGS, encoding="utf-8")
    assert "It is not there yet" not in begin(home, "/workshop/house")
    assert read_settings(home.folder / "dryline.toml").grower.timezone == "Europe/Lisbon"  # what the page tells holds


def test_the_spot_checks_that_the_first_run_shows_can_be_taken_in(home: Home) -> None:
    assert "dryline import readings FILE" in begin(home)
    home.logbook.put_shelf({"label": "east window"})
    done = import_readings(SPOT_CHECKS.encode(), "checks", home.logbook, home.readings)
    assert done.added == 2
    assert {sensor.placed[0].at for sensor in home.logbook.sensors()} == {"east window"}


@pytest.mark.parametrize("path", ["/workshop/pots", "/workshop/shelves", "/workshop/types", "/workshop/pots/new"])
def test_every_empty_room_teaches_its_first_step(home: Home, path: str) -> None:
    assert any(
        words in begin(home, path)
        for words in ("A pot is entered with what you know", "A shelf is a place", "is a template", "First the shelf")
    )


def test_a_password_that_is_set_on_the_page_closes_the_running_server(home: Home) -> None:
    client = client_of(home)
    send = sender(client)
    assert client.get("/labels", base_url=LOCAL).status_code == 404  # open, and nothing to print yet
    status, said = send("first_password", {"password": "a wet spring", "again": "a wet spring"})
    assert (status, said["done"]["says"]) == (200, "The password is set. Sign in with it now.")
    assert client.get("/labels", base_url=LOCAL).status_code == 401
    assert client.get("/", base_url=LOCAL, headers={"Accept": "text/html"}).status_code == 303
    assert send("shelf", {"shelf": {"label": "attic"}})[0] == 401
    token = client.get_cookie("_csrf_token")
    assert token is not None
    form = {"password": "a wet spring", "token": token.value}
    assert client.post("/sign-in", base_url=LOCAL, data=form).status_code == 303
    assert client.get("/labels", base_url=LOCAL).status_code == 404


@pytest.mark.parametrize(
    ("body", "where", "says"),
    [
        ({}, "password", "Write a password."),
        ({"password": "short", "again": "short"}, "password", "at least 8 characters; this one has 5"),
        ({"password": "a wet spring", "again": "a dry spring"}, "again", "The two do not agree"),
    ],
)
def test_a_password_that_will_not_do_is_refused_beside_its_field(
    home: Home, body: dict[str, str], where: str, says: str
) -> None:
    status, said = sender(client_of(home))("first_password", body)
    assert (status, said["faults"][0]["where"]) == (422, where)
    assert says in said["faults"][0]["says"]
    assert not (home.folder / "password_hash").exists()


def test_a_password_that_is_there_is_not_overwritten_from_a_page(home: Home) -> None:
    client = client_of(home)
    send = sender(client)
    set_password(home.folder, "a wet spring")
    before = (home.folder / "password_hash").read_bytes()
    assert send("first_password", {"password": "another one", "again": "another one"})[0] == 401
    assert (home.folder / "password_hash").read_bytes() == before


@pytest.mark.parametrize(
    ("listens_on", "seen_at", "address", "others"),
    [
        ("127.0.0.1", "http://localhost:8050/", "http://localhost:8050", False),
        ("0.0.0.0", "http://192.168.1.7:8050/start", "http://192.168.1.7:8050", True),
        ("192.168.1.7", "http://localhost:8050/", "http://192.168.1.7:8050", True),
        ("::", "https://glasshouse.local/", "https://glasshouse.local", True),
        ("0.0.0.0", "http://[fd00::7]:8050/", "http://[fd00::7]:8050", True),
    ],
)
def test_the_address_is_one_that_others_can_use_where_there_is_one(
    listens_on: str, seen_at: str, address: str, others: bool
) -> None:
    found = reach(listens_on, True, seen_at)
    assert (found.address, found.others) == (address, others)


def test_a_dashboard_for_all_hosts_seen_at_home_shows_this_machines_own_address() -> None:
    found = reach("0.0.0.0", True, "http://localhost:8050/")
    assert found.address == f"http://{own_address()}:8050"


def test_without_a_password_the_sentence_names_it_first() -> None:
    assert "set a password first, then write host" in reach("127.0.0.1", False, LOCAL).says
    assert "set a password first" not in reach("127.0.0.1", True, LOCAL).says
