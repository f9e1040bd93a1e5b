"""SenML against the examples and rules of RFC 8428 (with RFC 8798 and RFC 9100).

Source of every expected value: RFC 8428 working-group source (last draft) and its example files, sections 4 and 5;
the resolved forms are exact, so no tolerance is needed beyond a double's own for times with a fraction (1 microsecond).
Secondary units: RFC 8798, as listed in public SenML library documentation; the feature bits of versions: RFC 9100,
from memory. Times relative to "now" are checked against a moment of reception chosen here.
"""

import json

import pytest

from ingest import senml
from ingest.message_times import UnreadableError
from ingest.payloads import decode
from ingest.sensors import Sensor, in_canonical_units, why_unusable

NOW_S = 1_800_000_000.0
OW = "urn:dev:ow:10e2073a0108006"

# (id, pack, [(name, unit, value, absolute time)]); None as a time stands for "now".
EXAMPLES = [
    (
        "single point",
        '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
        [(f"{OW}3", "Cel", 23.1, None)],
    ),
    (
        "two points, t=0",
        (
            '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","t":0,"u":"V","v":120.1},'
            '{"n":"current","t":0,"u":"A","v":1.2}]'
        ),
        [(f"{OW}3:voltage", "V", 120.1, None), (f"{OW}3:current", "A", 1.2, None)],
    ),
    (
        "base time with negative offsets",
        (
            '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
            '{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
            '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
        ),
        [
            (f"{OW}:voltage", "V", 120.1, 1276020076.001),
            (f"{OW}:current", "A", 1.2, 1276020071.001),
            (f"{OW}:current", "A", 1.3, 1276020072.001),
            (f"{OW}:current", "A", 1.4, 1276020073.001),
            (f"{OW}:current", "A", 1.5, 1276020074.001),
            (f"{OW}:current", "A", 1.6, 1276020075.001),
            (f"{OW}:current", "A", 1.7, 1276020076.001),
        ],
    ),
    (
        "humidity stream",
        '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"%RH","v":21.2},{"t":10,"v":21.3},{"t":20,"v":21.4}]',
        [
            (f"{OW}3", "%RH", 21.2, 1320067464.0),
            (f"{OW}3", "%RH", 21.3, 1320067474.0),
            (f"{OW}3", "%RH", 21.4, 1320067484.0),
        ],
    ),
    (
        "unit override",
        (
            '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"%RH","v":20},{"u":"lon","v":24.30621},'
            '{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"t":150,"u":"%EL","v":98}]'
        ),
        [
            (f"{OW}3", "%RH", 20.0, 1320067464.0),
            (f"{OW}3", "lon", 24.30621, 1320067464.0),
            (f"{OW}3", "lat", 60.07965, 1320067464.0),
            (f"{OW}3", "%RH", 20.3, 1320067524.0),
            (f"{OW}3", "%EL", 98.0, 1320067614.0),
        ],
    ),
    (
        "base name replaced, base time kept",
        (
            '[{"bn":"2001:db8::2/","bt":1320078429,"n":"temperature","u":"Cel","v":25.2},{"n":"humidity","u":"%RH","v":30},'
            '{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]'
        ),
        [
            ("2001:db8::2/temperature", "Cel", 25.2, 1320078429.0),
            ("2001:db8::2/humidity", "%RH", 30.0, 1320078429.0),
            ("2001:db8::1/temperature", "Cel", 12.3, 1320078429.0),
            ("2001:db8::1/humidity", "%RH", 67.0, 1320078429.0),
        ],
    ),
    (
        "data types",
        (
            '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},'
            '{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]'
        ),
        [
            (f"{OW}3:temp", "Cel", 23.1, None),
            (f"{OW}3:label", None, "Machine Room", None),
            (f"{OW}3:open", None, False, None),
            (f"{OW}3:nfv-reader", None, b"hi \n", None),
        ],
    ),
    (
        "base-only first record",
        (
            '[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},'
            '{"n":"fan","u":"/","v":0}]'
        ),
        [
            (f"{OW}3:temp", "Cel", 23.1, None),
            (f"{OW}3:heat", "/", 1.0, None),
            (f"{OW}3:fan", "/", 0.0, None),
        ],
    ),
]


@pytest.mark.parametrize(("pack", "expected"), [case[1:] for case in EXAMPLES], ids=[case[0] for case in EXAMPLES])
def test_an_example_of_the_standard_resolves_as_the_standard_says(pack, expected):
    resolved = senml.records(json.loads(pack))
    assert [(one.name, one.unit, one.value) for one in resolved] == [one[:3] for one in expected]
    for one, (_, _, _, time_s) in zip(resolved, expected, strict=True):
        assert senml.moment_s(one.time_s, NOW_S) == pytest.approx(NOW_S if time_s is None else time_s, abs=1e-6)


def test_times_are_relative_below_two_to_the_28_and_absolute_from_there_on():
    assert senml.RELATIVE_BELOW_S == 268_435_456
    assert senml.moment_s(268_435_455.0, NOW_S) == NOW_S + 268_435_455.0
    assert senml.moment_s(268_435_456.0, NOW_S) == 268_435_456.0  # 1978-07-04T21:24:16Z, the smallest
    assert senml.moment_s(-5.0, NOW_S) == NOW_S - 5.0


def test_the_rule_of_relative_times_is_applied_to_the_sum_of_base_time_and_time():
    # Neither 268435450 nor 10 is absolute by itself; their sum is.
    (one,) = senml.records([{"bn": "a", "bt": 268_435_450, "t": 10, "v": 1}])
    assert senml.moment_s(one.time_s, NOW_S) == 268_435_460.0


@pytest.mark.parametrize(
    ("pack", "values"),
    [
        ([{"bn": "a", "bv": 20, "v": 1.5}, {"v": 2.5}], [21.5, 22.5]),
        ([{"bn": "a", "bv": 20}, {"t": 1}], [20.0]),  # base value alone: the missing value counts as zero
        ([{"bn": "a", "bs": 100, "s": 5}], [None]),  # a sum alone is allowed and is no value
    ],
)
def test_value_is_base_value_plus_value_and_a_missing_one_counts_as_zero(pack, values):
    assert [one.value for one in senml.records(pack)] == values


def test_sum_is_base_sum_plus_sum():
    (one,) = senml.records([{"bn": "a", "bs": 100, "s": 5}])
    assert one.total == 105.0


@pytest.mark.parametrize("version", [1, 5, 10, 26])
def test_versions_up_to_10_and_the_one_that_announces_secondary_units_are_understood(version):
    assert len(senml.records([{"n": "a", "v": 1, "bver": version}])) == 1


@pytest.mark.parametrize(
    ("pack", "sentence"),
    [
        ([{"n": "a", "v": 1, "bver": 11}], "version is 11, which is not understood"),
        ([{"n": "a", "v": 1, "bver": 58}], "version is 58, which is not understood"),
        ([{"n": "a", "v": 1, "bver": 10}, {"n": "b", "v": 1, "bver": 5}], "state different versions"),
        ([{"n": "a", "v": 1, "bver": 0}], "not a whole number from 1 up"),
        ([{"n": "a", "v": 1, "must_": 1}], "'must_', which must be understood and is not"),
        ([{"n": "a", "v": 1, "vs": "b"}], "more than one value"),
        ([{"n": "a"}], "neither a value nor a sum"),
        ([{"n": "-a", "v": 1}], "not allowed"),
        ([{"n": "a b", "v": 1}], "not allowed"),
        ([{"v": 1}], "not allowed"),
        ([{"n": "a", "v": "1"}], "'v' has a value of the wrong type"),
        ([{"n": "a", "v": True}], "'v' has a value of the wrong type"),
        ([{"n": "a", "vb": 1}], "'vb' has a value of the wrong type"),
        ([{"n": 1, "v": 1}], "'n' has a value of the wrong type"),
        ([{"n": "a", "vd": "?"}], "not base64url"),
        ({"n": "a", "v": 1}, "a pack is a JSON array"),
        ([1], "every record of a pack is a JSON object"),
    ],
)
def test_a_pack_that_breaks_a_rule_is_refused_in_one_sentence(pack, sentence):
    with pytest.raises(UnreadableError, match=sentence):
        senml.records(pack)


def test_an_unknown_label_that_needs_no_understanding_is_passed_over():
    (one,) = senml.records([{"n": "a", "v": 1, "colour": "teal"}])
    assert one.value == 1.0


# Units: the registry of RFC 8428 section 12.1 and RFC 8798, as far as a quantity of ours can be told in them.
UNITS = [
    ("air_temperature", "Cel", 23.1, 23.1),
    ("air_temperature", "K", 296.25, 23.1),
    ("relative_humidity", "%RH", 55.0, 55.0),
    ("relative_humidity", "/", 0.55, 55.0),
    ("relative_humidity", "/100", 55.0, 55.0),
    ("reservoir_level", "m", 0.042, 42.0),
    ("reservoir_level", "cm", 4.2, 42.0),
    ("reservoir_level", "mm", 42.0, 42.0),
    ("pot_mass", "kg", 1.25, 1250.0),
    ("pot_mass", "g", 1250.0, 1250.0),
    ("air_speed", "m/s", 0.15, 0.15),
    ("air_speed", "mm/h", 540_000.0, 0.15),
    ("battery", "%EL", 98.0, 98.0),
]


@pytest.mark.parametrize(("quantity", "unit", "raw", "expected"), UNITS)
def test_a_unit_of_the_registry_converts_as_its_definition_says(quantity, unit, raw, expected):
    sensor = Sensor("shelf", "senml", "x", quantity, unit)
    assert why_unusable(sensor) is None
    body = json.dumps([{"n": "x", "u": unit, "v": raw}]).encode()
    decoded = decode(body, [sensor], 1_800_000_000_000)
    assert (decoded.reason, [one.value for one in decoded.readings]) == (None, [raw])
    # Exact by definition; the tolerance is a few roundings of a double.
    assert in_canonical_units(sensor, [raw])[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("unit", ["Pa", "hPa", "l", "m3", "W/m2", "lx", "S/m", "lat", "ppm?"])
def test_a_unit_that_tells_no_quantity_of_ours_is_refused_for_every_quantity(unit):
    for quantity in ("air_temperature", "reservoir_level", "pot_mass", "air_speed"):
        assert "has no unit" in str(why_unusable(Sensor("shelf", "senml", "x", quantity, unit)))


def test_percent_sign_means_a_ratio_and_a_percentage_under_it_is_flagged_not_guessed():
    pack = b'[{"n":"level","u":"%","v":45}]'
    for declared in ("%", "/", "%RH"):
        decoded = decode(pack, [Sensor("t", "senml", "level", "relative_humidity", declared)], 1_800_000_000_000)
        assert decoded.readings == []
        assert "means a ratio from 0 to 1 and not a percentage" in decoded.reason
    ratio = decode(
        b'[{"n":"level","u":"%","v":0.45}]',
        [Sensor("t", "senml", "level", "relative_humidity", "/")],
        1_800_000_000_000,
    )
    assert [one.value for one in ratio.readings] == [0.45]
