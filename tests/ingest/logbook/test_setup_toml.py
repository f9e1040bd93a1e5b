"""Set-ups as TOML: the design's own example, the exact round trip, every fault named."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.logbook import Refused
from ingest.logbook.logbook import Imported
from ingest.sensors import Sensor
from tests.ingest.conftest import march
from tests.ingest.logbook.programs import POTS, changes, do_at_random, everything, furnish_all, setups, times

EXAMPLE = """
[[shelf]]
label = "east-window"
air = "gentle"
heat = "lamp"
hours_per_day = 12.5
air_from = "stairwell"

[[shelf]]
label = "stairwell"

[[pot_type]]
label = "clay 12 cm"
pot = {size_cm = 12}
vents = "few"

[[sensor]]
topic = "glasshouse/east/air"
payload = "senml"
field = "temp"
quantity = "air_temperature"
unit = "Cel"
calibration = [[0, 0.0], [1023, 118.0]]
placed = [{from = 2026-03-01T00:00:00Z, at = "stairwell"}, {from = 2026-03-05T00:00:00Z, at = "stairwell/window left"}]

[[pot]]
label = "window left"
plant = "Cattleya hybrid"
likes = "airy"
roots = "thick"
type = "clay 12 cm"
acquired_on = 2026-02-27

[[pot.setup]]
from = 2026-03-01T09:00:00Z
shelf = "east-window"
pot = {top_diameter_mm = 120, bottom_diameter_mm = 95, height_mm = 110}
reservoir = {area_mm2 = 9000, height_mm = 60, fill_mark_mm = 50, medium_fraction = 0.0}
surface_height_mm = 140
layers = [{thickness_mm = 110, grain = "medium", mix = {expanded_clay = 0.5, lava_rock = 0.3, pumice = 0.2}}]
top_layer = {kind = "none", thickness_mm = 0, replaces_medium = false}
headroom_mm = 15
vents = {count = 12, diameter_mm = 8, wall_mm = 1.5, height_mm = 60}
wick = {strands = 1, material = "microfibre"}
gap = "narrow"

[[pot.setup]]
from = 2026-03-20T09:00:00Z
to = 2026-03-25T09:00:00Z
shelf = "east-window"
reservoir = {fill_mark_mm = 50, fill_ml = 450}
surface_to_water_mm = 90
layers = [{mix = {expanded_clay = "mostly", pumice = "some"}}, {grain = 4.5, mix = "unknown"}]
"""


TWO_AT_ONCE = """
[[pot]]
label = "a"
[[pot.setup]]
from = 2026-03-01T00:00:00Z
to = 2026-03-09T00:00:00Z
shelf = "x"
[[pot.setup]]
from = 2026-03-08T00:00:00Z
shelf = "x"
"""


def test_the_example_goes_in_and_comes_out_as_it_was(fresh):
    logbook = fresh()
    assert logbook.import_setup(EXAMPLE) == Imported(read=9, added=9)  # of a sensor and a pot each its two spans too
    out = logbook.export_setup()
    assert [line for line in out.splitlines() if line] == [line for line in EXAMPLE.splitlines() if line]
    assert logbook.import_setup(out).added == 0


@given(
    st.dictionaries(st.sampled_from(POTS), st.dictionaries(times, setups(), min_size=1, max_size=4), min_size=1),
    changes().filter(bool),
)
@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_set_ups_come_back_from_toml_exactly(fresh, tmp_path_factory, given_setups, change):
    name = tmp_path_factory.mktemp("round").name
    one, other = fresh(f"{name}-one.db"), fresh(f"{name}-other.db")
    furnish_all(one)
    with one.writing():
        for pot, dated in given_setups.items():
            for from_ms, setup in dated.items():
                one.describe_setup(pot, setup, from_ms)
            one.change_setup(pot, change, march(15))
    text = one.export_setup()
    other.import_setup(text)
    assert other.all_setups() == one.all_setups()
    assert other.export_setup() == text
    for logbook in (one, other):
        logbook.close()


def test_a_whole_logbook_moves_house_by_its_two_files(fresh):
    one, other = fresh("one.db"), fresh("other.db")
    furnish_all(one)
    do_at_random(one, 3, 80)
    other.import_setup(one.export_setup())
    other.import_notes(one.export_notes())
    for key in ("setups", "sensors", "toml", "csv"):
        assert everything(other)[key] == everything(one)[key]


def test_a_note_moved_by_files_still_owns_the_set_up_that_it_opened(fresh):
    one, other = fresh("one.db"), fresh("other.db")
    furnish_all(one)
    one.add_note({"time_ms": march(9), "pot": POTS[0], "kind": "wick", "detail": {"change": {"wick": "several"}}})
    other.import_setup(one.export_setup())
    other.import_notes(one.export_notes())
    other.withdraw_note(other.notes()[0].id, 1)
    assert [s["from_ms"] for s in other.setups(POTS[0])] == [march(1)]


@pytest.mark.parametrize(
    ("body", "sentences"),
    [
        ("[[shelf]\n", ["The file cannot be read as TOML:"]),
        ("[[pots]]\nlabel = 'a'\n", ["there is no table “pots”; did you mean “pot”?"]),
        ("pot = 3\n", ["“pot” must be a list of tables, like [[pot]]."]),
        (
            "[[shelf]]\nlabel='a'\n[[shelf]]\nlabel='A'\n",
            ["shelf “A”: the file has it", "shelf “a”: the file has it"],
        ),
        (
            "[[pot]]\nlabel='a'\nlikess='airy'\n[[pot.setup]]\nfrom=2026-03-01\nshelf='x'\nvents={count='3'}\n",
            [
                "pot “a”, set-up 1, from: 2026-03-01T00:00:00 says no time zone",
                "pot “a”, set-up 1, vents.count: “3” is not a whole number.",
                "pot “a”: there is no key “likess”; did you mean “likes”?",
            ],
        ),
        ("[[pot]]\nlabel='a'\n[[pot.setup]]\nshelf='x'\n", ["pot “a”, set-up 1: 'from' is missing: say since when."]),
        ("[[pot]]\nlabel='a'\n[[pot.setup]]\nfrom='soon'\nshelf='x'\n", ["“soon” is not a time like"]),
        (
            TWO_AT_ONCE,
            ["pot “a”: two of its set-ups would be in force at once at 2026-03-08"],
        ),
        ("[[pot]]\nlabel='a'\ngone_ms=3\n", ["there is no key 'gone_ms'; a note of kind died or gone says it."]),
        (
            "[[pot]]\nlabel='a'\n[[pot.setup]]\nfrom=2026-03-01T00:00:00Z\nshelf='x'\n[[shelf]]\nlabel='b'\nair_from='c'\n",
            ["shelf “b”: There is no shelf “c”", "pot “a”, set-up: There is no shelf “x”"],
        ),
        (
            "[[sensor]]\ntopic='t'\npayload='senml'\nquantity='battery'\nunit='mm'\n[[shelf]]\nlabel='b'\n",
            ["battery has no unit 'mm'"],
        ),
    ],
)
def test_every_fault_of_a_set_up_file_is_named(fresh, body, sentences):
    logbook = fresh()
    with pytest.raises(Refused) as refused:
        logbook.import_setup(body)
    for sentence in sentences:
        assert sentence in str(refused.value)
    assert len(refused.value.faults) == len(sentences)
    assert (logbook.shelves(), logbook.pots()) == ([], [])


def test_an_import_adds_and_corrects_and_takes_nothing_away(fresh):
    logbook = fresh()
    logbook.import_setup(EXAMPLE)
    logbook.put_sensor(Sensor("glasshouse/other", "number", "", "battery", "%"))
    about = "[[pot]]\nlabel='window left'\nplant='Cattleya'\n"
    more = about + "[[pot.setup]]\nfrom=2026-03-10T09:00:00Z\nshelf='stairwell'\n"
    tried = logbook.import_setup(more, keep=False)
    assert (tried.added, len(logbook.setups("window left"))) == (1, 2)
    logbook.import_setup(more)
    assert [s["shelf"] for s in logbook.setups("window left")] == ["east-window", "stairwell", "east-window"]
    assert [(pot.plant, pot.likes) for pot in logbook.pots()] == [("Cattleya", "airy")]
    assert len(logbook.sensors()) == 2
    logbook.import_setup(
        '[[sensor]]\ntopic="glasshouse/east/air"\nfield="temp"\npayload="senml"\n'
        'quantity="air_temperature"\nunit="Cel"\ninterval_s=600\n'
    )
    air = logbook.sensor("glasshouse/east/air#temp")
    assert (air.interval_s, len(air.calibration), len(air.placed)) == (600, 2, 2)


def test_a_size_that_no_pot_has_is_refused_unless_it_stands_so_already(fresh):
    def body(surface_mm, mark_mm):
        return (
            '[[shelf]]\nlabel = "sill"\n[[pot]]\nlabel = "left"\n[[pot.setup]]\nfrom = 2026-03-01T00:00:00Z\n'
            f'shelf = "sill"\nsurface_height_mm = {surface_mm}\nreservoir = {{ fill_mark_mm = {mark_mm} }}\n'
        )

    logbook = fresh()
    logbook.import_setup(body(99999, 50))
    with pytest.raises(Refused) as refused:
        logbook.import_setup(body(99999, 5000), plausible=True)
    assert str(refused.value) == (
        "pot “left”, set-up 1, reservoir.fill_mark_mm: 5000 mm is too much: 2000 mm is the most."
    )
    logbook.import_setup(body(99999, 60), plausible=True)
    assert logbook.setups("left")[0]["reservoir"] == {"fill_mark_mm": 60}
