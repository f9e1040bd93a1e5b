"""The workshop page, on an invented answer."""

import json
from pathlib import Path
from typing import Any

import pytest

from dashboard.pages import Ask
from dashboard.pages.workshop import NO_WORKSHOP, show

DATA = Path(__file__).parents[1] / "data" / "workshop.json"


def text_of(component: Any) -> str:
    """All words of a component tree."""
    if component is None:
        return ""
    if isinstance(component, str | int | float):
        return str(component)
    if isinstance(component, list | tuple):
        return " ".join(text_of(child) for child in component)
    return text_of(getattr(component, "children", None))


def words(**changes: Any) -> str:
    answer = json.loads(DATA.read_text(encoding="utf-8")) | changes
    ask = Ask(now_ms=lambda: answer["at_ms"], wall=lambda _: {}, health=lambda _: {}, workshop=lambda _: answer)
    return text_of(show(ask))


def test_every_sensor_says_where_it_stands_and_when_it_was_heard():
    page = words()
    assert "third step, stairwell" in page
    assert "silent 2 Mar 12:00" in page
    assert "no place yet" in page
    assert "24.6 °C" in page


def test_an_unread_message_shows_its_topic_its_reason_and_its_text():
    page = words()
    assert "glasshouse/door/air arrived 12:56, 140 more like it" in page
    assert "No sensor claims this topic." in page
    assert '{"level": 31.' in page
    assert "time unknown" in page


def test_messages_that_had_to_make_room_are_told():
    assert "145 kept, 12 older ones had to make room" in words(unread_dropped=12)


def test_an_empty_workshop_teaches():
    page = words(sensors=[], unread=[], findings=[])
    assert "No sensor is known yet" in page
    assert "Every message that arrived was understood and used." in page
    assert "Nothing needs attention here." in page


@pytest.mark.parametrize("answer", [{}, None])
def test_an_answer_that_fails_is_a_sentence(answer, caplog):
    ask = Ask(now_ms=lambda: 0, wall=lambda _: {}, health=lambda _: {}, workshop=lambda _: answer)
    assert NO_WORKSHOP in text_of(show(ask))
    assert caplog.records
