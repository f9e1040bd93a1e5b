"""The workshop page, on an invented answer."""

import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboard.pages import Ask
from dashboard.pages.workshop import NO_WORKSHOP, show
from dashboard.pages.workshop.words import table
from tests.dashboard.trees import text_of

DATA = Path(__file__).parents[1] / "data" / "workshop.json"


def words(path: str = "/workshop", **changes: Any) -> str:
    answer = json.loads(DATA.read_text(encoding="utf-8")) | changes
    ask = Ask(now_ms=lambda: answer["at_ms"], wall=lambda _: {}, health=lambda _: {}, workshop=lambda _: answer)
    return text_of(show(ask, path))


def test_every_sensor_says_where_it_stands_and_when_it_was_heard():
    page = words()
    assert "third step, stairwell" in page
    assert "silent 2 Mar 12:00" in page
    assert "no place yet" in page
    assert "24.6 °C" in page


def test_what_a_sensor_s_numbers_and_times_are_is_asked_in_words():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    ask = Ask(now_ms=lambda: answer["at_ms"], wall=lambda _: {}, health=lambda _: {}, workshop=lambda _: answer)
    page = show(ask, "/workshop/sensor/" + quote(answer["sensors"][0]["source"], safe=""))
    forms = json.dumps(page, cls=PlotlyJSONEncoder)
    for words_said in ("Unit of its numbers", "How it writes its time", "seconds or milliseconds since 1970"):
        assert words_said in forms


def test_a_sensor_that_was_put_away_says_where_it_stood_and_lies_below():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    sensor = answer["sensors"][0] | {"at": None, "state": "unplaced"}
    sensor["placed"] = [{"from_ms": sensor["from_ms"], "to_ms": answer["at_ms"] - 86_400_000, "at": "heated-rack"}]
    page = words(sensors=[sensor, *answer["sensors"][1:]])
    assert page.index("1 put away") > page.index("third step, stairwell")
    assert "stood at heated-rack until 2 Mar 13:00" in page
    assert "stands nowhere 12:59" not in page


def test_a_message_nobody_uses_says_what_it_holds_and_asks_for_its_place():
    page = words("/workshop/messages")
    assert "glasshouse/door/air 141 messages since 10:36" in page
    assert "It says air temperature 19.2 °C (temp). Which place is it?" in page
    assert '{"level": 31.' in page
    assert "No number can be read in it" in page


def test_water_is_asked_of_a_pot_and_never_of_a_shelf():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    stream = next(one for topic in answer["unread_topics"] for one in topic["streams"])
    level = stream | {"quantity": "reservoir_level", "unit": "mm", "shown": "48 mm", "note": ""}
    topics = [answer["unread_topics"][0] | {"streams": [level]}]
    page = words("/workshop/messages", unread_topics=topics)
    assert "Which pot is it?" in page
    assert "It belongs to a pot" not in page  # nothing else is offered, so nothing is folded away
    page = words("/workshop/messages", unread_topics=topics, pots=[], pots_by_shelf=[])
    assert "Enter the first pot , then say that this is its sensor." in page


def test_a_claimed_message_that_was_not_understood_says_why():
    page = words("/workshop/messages")
    assert "Its time is unknown: it was retained." in page
    assert "time unknown" in page


def test_messages_that_had_to_make_room_are_told():
    assert "145 kept, 12 older ones had to make room" in words("/workshop/messages", unread_dropped=12)


def test_an_empty_workshop_teaches():
    nothing: dict[str, Any] = {"sensors": [], "unread": [], "unread_topics": [], "findings": []}
    page = words(**nothing)
    assert "No sensor is known yet" in page
    assert "Nothing needs attention here." in page
    page = words("/workshop/messages", **nothing)
    assert "Every message that arrived was understood and used." in page
    assert "A new sensor needs nothing here beforehand" in page
    assert "Sensors of air differ by a degree" in words("/workshop/checks", **nothing)


def test_a_workshop_where_messages_wait_is_not_called_well():
    page = words(findings=[])
    assert "have no sensor" in page
    assert "Nothing needs attention" not in page


def test_a_sensor_that_was_never_heard_says_so_once_and_is_not_called_well():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    new = answer["sensors"][0] | {"state": "never", "last_value": None, "last_ms": None, "says": "has never been heard"}
    page = words(findings=[], sensors=[new, *answer["sensors"][1:]])
    assert "Nothing needs attention yet: 1 sensor waits for its first message." in page
    assert "never heard —" not in page
    one = words(f"/workshop/sensor/{quote(new['source'], safe='')}", sensors=[new])
    assert "It has never been heard." in one
    assert "Last —" not in one


def test_a_sensor_whose_last_value_is_too_old_to_show_still_says_when_it_spoke():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    old = answer["sensors"][0] | {"state": "silent", "last_value": None, "last_ms": answer["at_ms"] - 20 * 86_400_000}
    assert "Last heard 11 Feb 13:00." in words(f"/workshop/sensor/{quote(old['source'], safe='')}", sensors=[old])


def test_a_level_is_told_no_finer_than_it_is_known():
    answer = json.loads(DATA.read_text(encoding="utf-8"))
    level = next(sensor for sensor in answer["sensors"] if sensor["quantity"] == "reservoir_level")
    page = words(sensors=[level | {"last_value": 36.912}])
    assert "36.9 mm" in page


def test_each_cell_names_its_column_for_a_phone_that_shows_no_heads():
    cell = table(("pot", "likes"), [("window left", "airy")]).children[1].children[0].children[1]
    assert cell.to_plotly_json()["props"]["data-label"] == "likes"


def test_one_sensor_tells_its_places_and_its_calibration():
    page = words("/workshop/sensor/glasshouse%2Fheated%2Fair%23temp")
    assert "Air temperature, heated-rack. Last 24.6 °C" in page
    assert "It has none: its numbers are taken as they come." in page
    assert "There is no such sensor" in words("/workshop/sensor/nothing%23x")


def test_values_are_in_the_grower_s_units():
    page = words(units="us")
    assert "76 °F" in page
    assert "24.6 °C" not in page


def test_an_address_of_nothing_says_so():
    assert NO_WORKSHOP in words("/workshop/elsewhere")


@pytest.mark.parametrize("path", ["/workshop", "/workshop/messages", "/workshop/checks"])
@pytest.mark.parametrize("answer", [{}, None])
def test_an_answer_that_fails_is_a_sentence(path, answer, caplog):
    ask = Ask(now_ms=lambda: 0, wall=lambda _: {}, health=lambda _: {}, workshop=lambda _: answer)
    assert NO_WORKSHOP in text_of(show(ask, path))
    assert caplog.records
