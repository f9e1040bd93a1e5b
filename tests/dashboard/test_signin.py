"""The door: who comes in, who waits, who is a stranger."""

import stat
from collections.abc import Iterator
from dataclasses import replace
from urllib.parse import parse_qs, urlsplit

import pytest
from argon2 import PasswordHasher
from flask import Flask
from flask.testing import FlaskClient

from dashboard import signin

PASSWORD = "a wet spring, nine pots"
KEY = b"k" * 32


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture(scope="module")
def access() -> signin.Access:
    # The cheapest hash the library makes: what is tested here is the door, not how hard its lock is to pick.
    return signin.Access(KEY, PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD))


@pytest.fixture
def clock() -> Clock:
    return Clock()


def house(access: signin.Access, clock: Clock) -> Flask:
    server = Flask("house", static_folder=None)
    server.add_url_rule("/", "page", lambda: "the wall")
    server.add_url_rule("/pot/<label>", "pot", lambda label: label)
    server.add_url_rule("/change", "change", lambda: "changed", methods=["POST"])
    server.add_url_rule("/assets/wall.js", "script", lambda: "script")
    signin.guard(server, access, "the glasshouse", signin.SlowDoor(clock))
    return server


@pytest.fixture
def visitor(access, clock) -> Iterator[FlaskClient]:
    with house(access, clock).test_client() as client:
        yield client


def token(client: FlaskClient) -> str:
    cookie = client.get_cookie("_csrf_token")
    assert cookie is not None
    return cookie.value


def enter(client: FlaskClient, password: str = PASSWORD, to: str = "/") -> object:
    client.get("/sign-in")
    return client.post("/sign-in", data={"password": password, "token": token(client), "to": to})


def test_a_page_asked_without_signing_in_leads_to_the_door_and_back(visitor):
    away = visitor.get("/pot/window%20left?view=1", headers={"Accept": "text/html"})
    assert away.status_code == 303
    asked = parse_qs(urlsplit(away.location).query)["to"][0]
    assert asked == "/pot/window left?view=1"
    assert enter(visitor, to=asked).location == "/pot/window%20left?view=1"
    assert visitor.get("/pot/window%20left").text == "window left"


@pytest.mark.parametrize("path", ["/", "/assets/wall.js", "/pot/x"])
def test_nothing_but_the_door_opens_without_a_password(visitor, path):
    assert visitor.get(path).status_code == 401
    assert visitor.post("/change", headers={"X-CSRFToken": token(visitor)}).status_code == 401


def test_the_right_password_opens_pages_callbacks_and_assets(visitor):
    assert enter(visitor).status_code == 303
    assert visitor.get("/").text == "the wall"
    assert visitor.get("/assets/wall.js").text == "script"
    assert visitor.post("/change", headers={"X-CSRFToken": token(visitor)}).text == "changed"


def test_a_wrong_password_says_so_and_opens_nothing(visitor):
    wrong = enter(visitor, "not it")
    assert wrong.status_code == 403
    assert "That is not the password." in wrong.text
    assert "The command dryline password, on the machine itself, sets another." in wrong.text
    assert visitor.get("/").status_code == 401


def test_after_five_wrong_tries_even_the_right_password_waits_and_the_wait_doubles(visitor, clock):
    for _ in range(6):
        enter(visitor, "not it")
    held = enter(visitor)
    assert held.status_code == 429
    assert "Try again in 5 seconds" in held.text
    clock.now_s += 5.1
    assert enter(visitor, "not it").status_code == 403
    assert "Try again in 10 seconds" in enter(visitor).text
    clock.now_s += 10.1
    assert enter(visitor).status_code == 303


def test_the_wait_is_bounded_and_so_is_the_memory_of_addresses(clock):
    door = signin.SlowDoor(clock)
    for _ in range(80):
        door.wrong("192.0.2.1")
    assert door.wait_s("192.0.2.1") == 900.0
    for number in range(3000):
        door.wrong(f"2001:db8::{number:x}")
    assert len(door._tries) <= 1000
    assert door.wait_s("192.0.2.1") == 900.0


def test_a_change_without_the_sessions_token_is_refused(visitor):
    enter(visitor)
    assert visitor.post("/change").status_code == 403
    assert visitor.post("/change", headers={"X-CSRFToken": "x" * 32}).status_code == 403


def test_a_change_from_another_site_is_refused_even_with_the_token(visitor):
    enter(visitor)
    foreign = {"X-CSRFToken": token(visitor), "Origin": "http://elsewhere.example"}
    assert visitor.post("/change", headers=foreign).status_code == 403
    own = {"X-CSRFToken": token(visitor), "Origin": "http://localhost"}
    assert visitor.post("/change", headers=own).text == "changed"


def test_a_sign_in_form_from_another_site_is_refused(visitor):
    visitor.get("/sign-in")
    refused = visitor.post(
        "/sign-in", data={"password": PASSWORD, "token": token(visitor)}, headers={"Origin": "http://elsewhere.example"}
    )
    assert refused.status_code == 403


@pytest.mark.parametrize(
    "to", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/sign-out"]
)
def test_signing_in_never_leads_to_another_site(visitor, to):
    assert enter(visitor, to=to).location == "/"


def test_signing_out_ends_the_session(visitor):
    enter(visitor)
    assert visitor.post("/sign-out", data={"token": token(visitor)}).status_code == 303
    assert visitor.get("/").status_code == 401


def test_a_real_hash_opens_to_its_password_and_to_no_other(clock):
    with house(signin.with_password(signin.Access(KEY), PASSWORD), clock).test_client() as client:
        assert enter(client, PASSWORD + "s").status_code == 403
        assert enter(client).status_code == 303


def test_a_new_password_ends_the_sessions_of_the_old_one(visitor, access, clock):
    enter(visitor)
    cookie = visitor.get_cookie("dryline").value
    with house(signin.with_password(access, "another password"), clock).test_client() as later:
        later.set_cookie("dryline", cookie)
        assert later.get("/").status_code == 401


def test_a_session_outlives_a_restart_of_the_server(visitor, access, clock):
    enter(visitor)
    cookie = visitor.get_cookie("dryline").value
    with house(access, clock).test_client() as later:
        later.set_cookie("dryline", cookie)
        assert later.get("/").text == "the wall"


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(visitor):
    cookies = visitor.get("/sign-in").headers.getlist("Set-Cookie")
    session = next(cookie for cookie in cookies if cookie.startswith("dryline="))
    assert "HttpOnly" in session
    assert "SameSite=Lax" in session


def test_behind_https_no_cookie_travels_in_clear(access, clock):
    with house(replace(access, secure_cookies=True), clock).test_client() as client:
        cookies = client.get("/sign-in").headers.getlist("Set-Cookie")
    assert cookies
    assert all("Secure" in cookie for cookie in cookies)


def test_without_a_password_only_this_machines_own_names_are_answered(clock):
    with house(signin.Access(KEY), clock).test_client() as client:
        assert client.get("/", headers={"Host": "127.0.0.1:8050"}).text == "the wall"
        assert client.get("/", headers={"Host": "[::1]:8050"}).text == "the wall"
        rebound = client.get("/", headers={"Host": "elsewhere.example"})
    assert rebound.status_code == 421
    assert rebound.text == "This dashboard answers only under localhost."


def test_a_form_shows_what_was_asked_as_text_and_never_as_markup(visitor):
    page = visitor.get("/sign-in?to=/pot/%22%3E%3Cscript%3E1%3C/script%3E").text
    assert "<script>1" not in page
    assert "&lt;script&gt;" in page


def test_listening_beyond_this_machine_without_a_password_is_refused_in_one_sentence():
    with pytest.raises(
        signin.ListeningRefusedError, match=r"0\.0\.0\.0 without a password.*run `dryline password` first"
    ):
        signin.check_listening("0.0.0.0", signin.Access(KEY))
    signin.check_listening("127.0.0.1", signin.Access(KEY))
    signin.check_listening("::1", signin.Access(KEY))


def test_with_a_password_it_may_listen_anywhere(access):
    signin.check_listening("0.0.0.0", access)


def test_a_password_is_kept_as_a_hash_that_only_the_owner_can_read(tmp_path):
    signin.set_password(tmp_path, PASSWORD)
    kept = (tmp_path / "password_hash").read_text(encoding="ascii")
    assert kept.startswith("$argon2id$")
    assert PASSWORD not in kept
    for name in ("password_hash", "session_key"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_a_short_password_is_refused_with_its_length(tmp_path):
    with pytest.raises(signin.PasswordRefusedError, match="at least 8 characters; this one has 5"):
        signin.set_password(tmp_path, "spore")
    assert not (tmp_path / "password_hash").exists()


def test_the_session_key_of_a_home_stays_the_same(tmp_path):
    assert signin.read_access(tmp_path).session_key == signin.read_access(tmp_path).session_key


def test_neither_key_nor_hash_shows_when_the_access_is_printed(access):
    assert "argon2" not in repr(access)
    assert repr(KEY)[2:10] not in repr(access)


def test_a_damaged_hash_lets_nobody_in(clock):
    with house(signin.Access(KEY, "not a hash"), clock).test_client() as client:
        assert enter(client).status_code == 403
