"""A message that nobody uses is offered with all that could be read in it, and every offer can be taken."""

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.payloads import decode
from ingest.proposals import proposals
from ingest.sensors import Sensor, why_unusable

NOW = 1_800_000_000_000


def offered(topic, body):
    return [(one.payload, one.field, one.quantity, one.unit) for one in proposals(topic, body)]


def test_several_quantities_of_one_senml_pack_are_offered_together():
    body = b'[{"bn":"x:","n":"temp","u":"Cel","v":21},{"n":"hum","u":"%RH","v":55},{"n":"x","u":"V","v":3}]'
    assert offered("shelf", body) == [
        ("senml", "temp", "air_temperature", "Cel"),
        ("senml", "hum", "relative_humidity", "%RH"),
        ("senml", "x", None, "V"),
    ]


def test_several_quantities_of_one_json_object_are_offered_together_with_their_time():
    found = proposals("shelf", b'{"temperature":21.5,"humidity":55,"battery":90,"rssi":-70,"ts":1790000000,"id":"x"}')
    assert [(one.field, one.quantity, one.unit) for one in found] == [
        ("/temperature", "air_temperature", "Cel"),
        ("/humidity", "relative_humidity", "%RH"),
        ("/battery", "battery", "%"),
        ("/rssi", None, None),
    ]
    assert {(one.time_field, one.time_format) for one in found} == {("/ts", "unix_s")}


def test_an_array_is_offered_as_a_whole():
    (one,) = proposals(
        "shelf", b'{"r":[{"at":"2026-03-01T09:00:00","temp_f":70},{"at":"2026-03-01T10:00:00","temp_f":71}]}'
    )
    assert (one.field, one.time_field, one.time_format, one.unit) == ("/r/*/temp_f", "/r/*/at", "iso", "°F")
    assert "no zone" in one.note


@pytest.mark.parametrize(
    ("topic", "body", "expected"),
    [
        ("house/shelf/temperature", b"21.4", ("number", "", "air_temperature", "Cel")),
        ("pot/online", b"offline", ("number", "", "online", "")),
        ("pot/float", b"ON", ("number", "", "reservoir_low", "")),
        ("pot/weight", b"1250", ("number", "", "pot_mass", "g")),
        ("pot", b"12", ("number", "", None, None)),
    ],
)
def test_a_bare_value_is_guessed_by_its_topic(topic, body, expected):
    assert offered(topic, body) == [expected]


def test_a_percentage_under_the_senml_ratio_sign_is_offered_by_its_place_with_a_note():
    (one,) = proposals("pot", b'[{"n":"level","u":"%","v":45}]')
    assert (one.payload, one.field, one.quantity, one.unit) == ("json", "/0/v", "reservoir_level", "mm")
    assert "ratio from 0 to 1" in one.note
    assert "calibration from % to mm" in one.note


@pytest.mark.parametrize("body", [b"", b"hello", b"\xff", b"{", b"[" * 3000, b"{}", b"[]", b"x" * 300_000])
def test_what_holds_no_number_is_offered_as_nothing(body):
    assert proposals("shelf", body) == []


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=4),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["temp", "n", "v", "u", "t", "level", "a/b", "~"]), inner, max_size=4)
        ),
        max_leaves=15,
    )
)
@settings(max_examples=150, deadline=None, derandomize=True)
def test_every_offer_with_a_quantity_is_a_sensor_that_can_be_read(document):
    body = orjson.dumps(document)
    for one in proposals("shelf", body):
        if one.quantity is None:
            continue
        sensor = Sensor(
            "shelf",
            one.payload,
            one.field,
            one.quantity,
            one.unit,
            time_field=one.time_field,
            time_format=one.time_format,
        )
        assert why_unusable(sensor) is None
        decoded = decode(body, [sensor], NOW)
        assert decoded.reason is None or "no field" not in decoded.reason
