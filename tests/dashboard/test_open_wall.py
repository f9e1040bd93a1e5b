"""The wall without a password: it can be read, and nothing else can be read or changed."""

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.pages import Ask
from dashboard.serve import door_of
from dashboard.signin import Access
from ingest.home import open_home

DATA = Path(__file__).parents[1] / "data"
PASSWORD = "a wet spring, nine pots"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)
AT_MS = 1_772_542_800_000
REFRESH = {
    "output": "wall-answer.data",
    "outputs": {"id": "wall-answer", "property": "data"},
    "inputs": [{"id": "wall-tick", "property": "n_intervals", "value": 0}],
    "changedPropIds": ["wall-tick.n_intervals"],
    "state": [{"id": "wall-have", "property": "data", "value": {}}],
}


def routed(path: str) -> dict[str, Any]:
    return {
        "output": "..page.children...shown.data..",
        "outputs": [{"id": "page", "property": "children"}, {"id": "shown", "property": "data"}],
        "inputs": [{"id": "url", "property": "pathname", "value": path}],
        "changedPropIds": ["url.pathname"],
        "state": [{"id": "shown", "property": "data", "value": None}],
    }


def visitor_of(*, open_wall: bool) -> FlaskClient:
    ask = Ask(
        now_ms=lambda: AT_MS,
        wall=lambda _at_ms: json.loads((DATA / "wall-24-pots.json").read_text(encoding="utf-8")),
        health=lambda _at_ms: {"status": "ok"},
        workshop=lambda _at_ms: json.loads((DATA / "workshop.json").read_text(encoding="utf-8")),
        changes={"notes": lambda _at_ms, _body: {"changed": True}},
    )
    return create_app(ask, Access(b"k" * 32, HASH, open_wall=open_wall), "the glasshouse").server.test_client()


@pytest.fixture
def visitor() -> FlaskClient:
    return visitor_of(open_wall=True)


def token(client: FlaskClient) -> dict[str, str]:
    client.get("/")
    cookie = client.get_cookie("_csrf_token")
    assert cookie is not None
    return {"X-CSRFToken": cookie.value}


def frame_of(client: FlaskClient) -> str:
    return client.get("/").text


def asked(client: FlaskClient, body: dict[str, Any]) -> Any:
    return client.post("/_dash-update-component", json=body, headers=token(client))


@pytest.mark.parametrize("path", ["/", "/near", "/near/east-window", "/pot/window%20left"])
def test_the_wall_opens_without_a_password(visitor, path):
    assert visitor.get(path, headers={"Accept": "text/html"}).status_code == 200
    assert asked(visitor, routed(path)).status_code == 200


def test_the_wall_is_refreshed_without_a_password(visitor):
    answer = asked(visitor, REFRESH)
    assert answer.status_code == 200
    assert "window left" in answer.text


def test_a_visitor_is_offered_the_door_and_no_other_page(visitor):
    frame = frame_of(visitor)
    assert '"/sign-in"' in frame
    assert '"/sign-out"' not in frame
    assert '"/workshop"' not in frame


@pytest.mark.parametrize("path", ["/workshop", "/story", "/nowhere", "/photos/" + "a" * 32 + ".jpg"])
def test_no_other_page_opens(visitor, path):
    assert visitor.get(path, headers={"Accept": "text/html"}).location.startswith("/sign-in?to=")
    assert asked(visitor, routed(path)).status_code == 401


@pytest.mark.parametrize(
    "body",
    [
        REFRESH | {"output": "workshop-answer.data"},
        REFRESH | {"output": "..wall-answer.data...page.children.."},
        REFRESH | {"output": ["wall-answer.data"]},
        routed("/") | {"inputs": [{"id": "url", "property": "pathname", "value": ["/workshop"]}]},
        routed("/") | {"inputs": []},
        routed("/") | {"inputs": [*routed("/")["inputs"], *routed("/workshop")["inputs"]]},
        {},
    ],
)
def test_no_request_that_is_made_up_reaches_more_than_the_wall(visitor, body):
    assert asked(visitor, body).status_code == 401


def test_nothing_can_be_changed(visitor):
    assert visitor.post("/change/notes", json={}, headers=token(visitor)).status_code == 401
    assert visitor.post("/photos", data=b"x", headers=token(visitor)).status_code == 401
    assert visitor.post("/_dash-update-component", json=REFRESH).status_code == 403  # no token: a stranger's page


def test_who_signs_in_has_the_whole_house(visitor):
    word = token(visitor)["X-CSRFToken"]
    assert visitor.post("/sign-in", data={"password": PASSWORD, "token": word, "to": "/"}).status_code == 303
    frame = frame_of(visitor)
    assert '"/workshop"' in frame
    assert '"/sign-out"' in frame
    assert visitor.post("/change/notes", json={}, headers=token(visitor)).get_json() == {"done": {"changed": True}}


def test_where_the_grower_does_not_say_so_the_wall_is_behind_the_door():
    visitor = visitor_of(open_wall=False)
    assert visitor.get("/", headers={"Accept": "text/html"}).status_code == 303
    assert visitor.get("/_dash-layout").status_code == 401
    assert visitor.post("/_dash-update-component", json=REFRESH).status_code == 403


def test_the_settings_say_whether_the_wall_is_open_and_cookies_are_kept_to_https(tmp_path: Path):
    with closing(open_home(tmp_path)) as home:
        assert (door_of(home).open_wall, door_of(home).secure_cookies) == (False, False)
    settings = "[dashboard]\nopen_wall = true\nsecure_cookies = true\n"
    (tmp_path / "dryline.toml").write_text(settings, encoding="utf-8")
    with closing(open_home(tmp_path)) as home:
        assert (door_of(home).open_wall, door_of(home).secure_cookies) == (True, True)
