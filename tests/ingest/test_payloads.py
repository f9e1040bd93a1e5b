"""Bytes on a topic become readings, failures or one sentence; whatever the bytes, nothing is raised."""

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.payloads import MOST_BYTES, MOST_VALUES, Decoded, decode
from ingest.readings import Reading, SensorFailure
from ingest.sensors import Sensor

NOW = 1_800_000_000_000
TEMP = Sensor("t", "senml", "temp", "air_temperature", "Cel")
HUM = Sensor("t", "senml", "hum", "relative_humidity", "%RH")
BARE = Sensor("t", "number", "", "air_temperature", "Cel")
LOW = Sensor("t", "number", "", "reservoir_low", "")
ONLINE = Sensor("t", "number", "", "online", "")
JSON = Sensor("t", "json", "/a/c", "air_temperature", "Cel")
TIMED = Sensor("t", "json", "/c", "air_temperature", "Cel", time_field="/at", time_format="unix_s")
COUNTS = Sensor("t", "number", "", "reservoir_level", "mm", calibration=((0.0, 0.0), (1023.0, 118.0)))


def values(decoded):
    return [(one.time_ms, one.value) for one in decoded.readings]


def test_a_senml_pack_serves_each_sensor_of_its_topic():
    body = (
        b'[{"bn":"x:","bt":1790000000,"n":"temp","u":"Cel","v":21.5},{"n":"hum","u":"%RH","v":55},{"n":"id","vs":"a"}]'
    )
    decoded = decode(body, [TEMP, HUM], NOW)
    assert decoded == Decoded(
        [Reading("t#temp", 1_790_000_000_000, 21.5), Reading("t#hum", 1_790_000_000_000, 55.0)], [], None
    )


def test_a_field_that_is_missing_while_another_is_there_is_no_fault():
    decoded = decode(b'[{"n":"temp","u":"Cel","v":21.5}]', [TEMP, HUM], NOW)
    assert (len(decoded.readings), decoded.reason) == (1, None)


def test_a_message_without_any_of_the_fields_says_which_were_looked_for():
    assert decode(b'[{"n":"x","v":1}]', [TEMP, HUM], NOW).reason == "it has no field 'temp' and no field 'hum'"


def test_a_senml_time_relative_to_now_is_counted_from_the_arrival():
    assert values(decode(b'[{"n":"temp","v":21,"t":-90}]', [TEMP], NOW)) == [(NOW - 90_000, 21.0)]


def test_two_devices_in_one_pack_are_told_apart_by_the_whole_name():
    body = b'[{"bn":"a/","n":"temp","v":20},{"bn":"b/","n":"temp","v":25}]'
    assert "two devices in it have a field 'temp'" in decode(body, [TEMP], NOW).reason
    whole = Sensor("t", "senml", "b/temp", "air_temperature", "Cel")
    assert values(decode(body, [whole], NOW)) == [(NOW, 25.0)]


def test_a_stated_unit_that_is_not_the_declared_one_is_refused_because_raw_values_carry_no_unit():
    decoded = decode(b'[{"n":"temp","u":"K","v":294}]', [TEMP], NOW)
    assert decoded.reason == "it is in 'K' but its sensor is set up for 'Cel': set the sensor to 'K'"
    same_in_other_words = Sensor("t", "senml", "temp", "air_temperature", "°C")
    assert values(decode(b'[{"n":"temp","u":"Cel","v":21}]', [same_in_other_words], NOW)) == [(NOW, 21.0)]


@pytest.mark.parametrize(("body", "value"), [(b"21.5", 21.5), (b" -3 \n", -3.0), (b"+2e1", 20.0), (b".5", 0.5)])
def test_a_bare_number_is_read(body, value):
    assert values(decode(body, [BARE], NOW)) == [(NOW, value)]


@pytest.mark.parametrize(
    ("word", "value"),
    [("ON", 1), ("off", 0), ("true", 1), ("False", 0), ("closed", 1), ("open", 0), ("low", 1), ("ok", 0), ("1", 1)],
)
def test_a_bare_word_is_read_where_the_quantity_is_yes_or_no(word, value):
    assert values(decode(word.encode(), [LOW], NOW)) == [(NOW, value)]


def test_a_switch_wired_the_other_way_round_is_turned_by_its_calibration():
    turned = Sensor("t", "number", "", "reservoir_low", "", calibration=((0.0, 1.0), (1.0, 0.0)))
    assert values(decode(b"open", [turned], NOW)) == [(NOW, 0.0)]  # raw stays raw


def test_json_is_read_by_pointer_with_its_own_time():
    assert values(decode(b'{"a":{"c":20.5}}', [JSON], NOW)) == [(NOW, 20.5)]
    assert values(decode(b'{"c":"20.5","at":1790000000}', [TIMED], NOW)) == [(1_790_000_000_000, 20.5)]


def test_pointers_escape_as_rfc_6901_section_3_says():
    # The members "a/b" and "m~n" of the example document of RFC 6901, section 5.
    for field, expected in (("/a~1b", 1.0), ("/m~0n", 8.0), ("/ ", 7.0), ("/c%d", 2.0)):
        sensor = Sensor("t", "json", field, "air_temperature", "Cel")
        body = b'{"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\\\j":5,"k\\"l":6," ":7,"m~n":8}'
        assert values(decode(body, [sensor], NOW)) == [(NOW, expected)]


def test_arrays_are_read_element_by_element_each_with_its_time():
    sensor = Sensor("t", "json", "/r/*/c", "air_temperature", "Cel", time_field="/r/*/at")
    body = b'{"r":[{"at":1790000000,"c":20},{"at":1790000900},{"at":1790001800,"c":21}]}'
    assert values(decode(body, [sensor], NOW)) == [(1_790_000_000_000, 20.0), (1_790_001_800_000, 21.0)]
    beside = Sensor("t", "json", "/c", "air_temperature", "Cel", time_field="/at", time_format="unix_ms")
    assert values(decode(b'{"c":[20,21],"at":[1790000000000,1790000000001]}', [beside], NOW)) == [
        (1_790_000_000_000, 20.0),
        (1_790_000_000_001, 21.0),
    ]


@pytest.mark.parametrize(
    "body", [b'{"c":[20,21]}', b'{"c":[20,21],"at":[1790000000]}', b'{"c":20}', b'{"c":[20,21],"at":1790000000}']
)
def test_values_that_do_not_all_have_a_time_are_refused_rather_than_paired_by_guess(body):
    assert "not every value in it has its own time" in decode(body, [TIMED], NOW).reason


def test_one_bad_value_of_a_batch_is_named_and_the_others_are_kept():
    body = json.dumps([{"n": "hum", "v": value, "t": 1_790_000_000 + value} for value in (50, 250, 51)]).encode()
    decoded = decode(body, [HUM], NOW)
    assert [one.value for one in decoded.readings] == [50.0, 51.0]
    assert decoded.reason == "relative_humidity is 250 %, which cannot be: believed are -2 to 105 %"


@pytest.mark.parametrize("word", ["unavailable", "Unknown", "null", "none"])
def test_a_failure_word_marks_the_sensor_as_failed(word):
    assert decode(word.encode(), [BARE], NOW) == Decoded([], [SensorFailure("t#", NOW, word.lower())], None)


@pytest.mark.parametrize(
    ("sensor", "body", "code"),
    [
        (JSON, b'{"a":{"c":null}}', "null"),
        (JSON, b'{"a":{"c":"unavailable"}}', "unavailable"),
        (BARE, b"-127.00", "-127"),
        (BARE, b"85.0", "85.0 at power-up"),
        (Sensor("t", "number", "", "air_temperature", "°F"), b"-196.6", "-127"),
        (COUNTS, b"1023", "all ones"),
        (COUNTS, b"65535", "all ones"),
        (Sensor("t", "number", "", "relative_humidity", "%RH"), b"65535", "all ones"),
    ],
)
def test_a_failure_code_marks_the_sensor_as_failed_instead_of_piling_up(sensor, body, code):
    assert decode(body, [sensor], NOW) == Decoded([], [SensorFailure(sensor.source, NOW, code)], None)


def test_all_ones_of_ten_bits_is_a_value_of_a_converter_with_twelve():
    wide = Sensor("t", "number", "", "reservoir_level", "mm", calibration=((0.0, 0.0), (4000.0, 118.0)))
    assert values(decode(b"1023", [wide], NOW)) == [(NOW, 1023.0)]
    assert decode(b"4095", [wide], NOW).failures == [SensorFailure("t#", NOW, "all ones")]


BAD = [
    (TEMP, b"", "it is empty"),
    (TEMP, b"{", "not valid JSON"),
    (TEMP, b"\xff\xfe", "not valid JSON"),
    (TEMP, b"{}", "a pack is a JSON array"),
    (TEMP, b"[[]]", "every record of a pack is a JSON object"),
    (TEMP, b'[{"n":"temp","v":NaN}]', "not valid JSON"),
    (TEMP, b'[{"n":"temp","v":Infinity}]', "not valid JSON"),
    (TEMP, b'[{"n":"temp","v":' + b"7" * 400 + b"}]", "not valid JSON"),
    (TEMP, b'[{"n":"temp","bv":1e308,"v":1e308}]', "too large"),
    (TEMP, b'[{"n":"temp","v":20,"bt":1e308,"t":1e308}]', "its time is not a number"),
    (TEMP, b'[{"n":"temp","vs":"warm"}]', "'warm' where air_temperature should be a number"),
    (TEMP, b'[{"n":"temp","vb":true}]', "true or false where air_temperature"),
    (TEMP, b'[{"n":"temp","v":20,"t":268435456}]', "before 2000"),
    (TEMP, b'[{"n":"temp","v":20,"t":7226582400}]', "in the future"),
    (TEMP, b'[{"n":"temp","v":20,"t":600}]', "in the future"),
    (TEMP, b" " * (MOST_BYTES + 1), "262,145 bytes; more than 262,144 are not read"),
    (TEMP, b"[" * 5000 + b"]" * 5000, "not valid JSON"),
    (BARE, b"nan", "'nan' where air_temperature should be a number"),
    (BARE, b"-inf", "'-inf' where"),
    (BARE, b"9" * 400, "too large"),
    (BARE, b"9" * 401, "not one number or word"),
    (BARE, b"21,5", "'21,5' where"),
    (BARE, b"1_000", "'1_000' where"),
    (BARE, "٣".encode(), "where air_temperature should be a number"),
    (BARE, b"\xff", "it is not text"),
    (BARE, b"400", "air_temperature is 400\u00a0°C, which cannot be"),
    (HUM, b'[{"n":"hum","u":"%RH","v":250}]', "relative_humidity is 250 %, which cannot be"),
    (BARE, b" ", "'' where air_temperature should be a number"),
    (LOW, b"2", "reservoir_low is 2, which is neither 0 nor 1"),
    (LOW, b"half", "'half' where reservoir_low"),
    (JSON, b"[1,2]", "no field '/a/c'"),
    (JSON, b'{"a":[1]}', "no field '/a/c'"),
    (JSON, b'{"a":{"c":{}}}', "an object where air_temperature"),
    (JSON, b'{"a":{"c":true}}', "true or false where"),
    (JSON, b'{"a":{"c":[1,2]}}', "2 values but no time for each"),
    (JSON, json.dumps({"a": {"c": [1] * (MOST_VALUES + 1)}}).encode(), "5,001 values"),
    (TIMED, b'{"c":20,"at":"soon"}', "is not a Unix time"),
    (TIMED, b'{"c":20,"at":null}', "neither text nor a number"),
    (TIMED, b'{"c":20,"at":1e300}', "is not a Unix time"),
    (TIMED, b'{"c":20,"at":0}', "before 2000"),
    (Sensor("t", "json", "/-", "air_temperature", "Cel"), b"[1]", "no field '/-'"),
    (Sensor("t", "json", "/~", "air_temperature", "Cel"), b"[1]", "not a JSON Pointer"),
]


@pytest.mark.parametrize(("sensor", "body", "part"), BAD, ids=[str(number) for number in range(len(BAD))])
def test_bad_input_ends_in_one_sentence(sensor, body, part):
    decoded = decode(body, [sensor], NOW)
    assert (decoded.readings, decoded.failures) == ([], [])
    assert part in decoded.reason
    assert "\n" not in decoded.reason
    assert len(decoded.reason) < 300


def test_without_a_known_arrival_only_what_has_its_own_time_is_read():
    bare = decode(b"21", [BARE], NOW, untimed="it was retained")
    assert bare == Decoded([], [], "time unknown: it has no time of its own and it was retained", False)
    assert len(decode(b'{"c":20,"at":1790000000}', [TIMED], NOW, untimed="it was retained").readings) == 1
    assert decode(b'[{"n":"temp","v":20,"t":-5}]', [TEMP], NOW, untimed="it was retained").time_known is False


def test_an_online_state_holds_at_arrival_whenever_it_was_said():
    assert values(decode(b"offline", [ONLINE], NOW, untimed="it was retained")) == [(NOW, 0.0)]


@pytest.mark.parametrize("clock", [5_000, 4_200_000_000_000])
def test_while_the_host_clock_is_not_sane_nothing_is_stamped_with_it(clock):
    decoded = decode(b"21", [BARE, ONLINE], clock)
    assert decoded.readings == []
    assert "this host's clock is not set" in decoded.reason
    assert decoded.time_known is False
    assert len(decode(b'{"c":20,"at":1790000000}', [TIMED], clock).readings) == 1
    assert "in the future" in decode(b'{"c":20,"at":7226582400}', [TIMED], clock).reason


SENSORS = [TEMP, HUM, BARE, LOW, JSON, TIMED, COUNTS, Sensor("t", "json", "/*/v", "pot_mass", "kg", time_field="/*/t")]
JSON_LIKE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["n", "v", "u", "t", "bn", "bt", "bver", "vb", "vs", "vd", "s", "a", "c", "at", "x_"]),
            inner,
        )
    ),
    max_leaves=25,
)


def check_total(body):
    decoded = decode(body, SENSORS, NOW)
    assert decoded.readings or decoded.failures or decoded.reason
    for one in decoded.readings:
        assert math.isfinite(one.value)
        assert isinstance(one.time_ms, int)
        assert 0 < one.time_ms <= NOW + 300_000


@given(st.binary(max_size=200))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_any_bytes_give_readings_or_a_reason(body):
    check_total(body)


@given(JSON_LIKE)
@settings(max_examples=150, deadline=None, derandomize=True)
def test_any_json_gives_readings_or_a_reason(document):
    check_total(json.dumps(document).encode())


@pytest.mark.long
@given(st.binary(max_size=2000) | JSON_LIKE.map(lambda document: json.dumps(document).encode()))
@settings(max_examples=50_000, deadline=None)
def test_any_bytes_give_readings_or_a_reason_for_long(body):
    check_total(body)
