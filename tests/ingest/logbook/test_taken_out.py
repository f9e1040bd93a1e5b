"""What was entered by mistake can be taken out again, as long as nothing rests on it; on both databases."""

import pytest

from ingest.logbook import Refused, Unknown
from ingest.sensors import Placement, Sensor
from tests.ingest.conftest import march

AIR = Sensor(
    "glasshouse/9/air", "senml", "temp", "air_temperature", "Cel", placed=(Placement(march(1), None, "attic"),)
)


def test_a_sensor_is_taken_out_with_its_placements_and_its_shelf_afterwards(book):
    book.put_shelf({"label": "attic"})
    book.put_sensor(AIR)
    with pytest.raises(Refused, match=r"The shelf “attic” cannot be taken out: a pot, a sensor or another shelf"):
        book.withdraw_shelf("attic")
    book.withdraw_sensor(AIR.source)
    book.withdraw_shelf("attic")
    assert AIR.source not in [sensor.source for sensor in book.sensors()]
    assert "attic" not in [shelf.label for shelf in book.shelves()]
    with pytest.raises(Unknown):
        book.withdraw_sensor(AIR.source)


def test_a_shelf_that_a_pot_stood_on_or_that_lends_its_air_stays(book):
    book.put_shelf({"label": "attic"})
    book.put_shelf({"label": "loft", "air_from": "attic"})
    with pytest.raises(Refused, match="another shelf"):
        book.withdraw_shelf("attic")
    book.put_shelf({"label": "loft"})
    book.put_pot({"label": "visitor"})
    book.describe_setup("visitor", {"shelf": "attic"}, march(1))
    with pytest.raises(Refused, match="a pot"):
        book.withdraw_shelf("attic")
    book.withdraw_pot("visitor")
    book.withdraw_shelf("attic")


def test_a_pot_of_which_something_was_noted_stays(book):
    book.put_pot({"label": "visitor"})
    book.describe_setup("visitor", {"shelf": "east-window"}, march(1))
    (number,) = book.add_notes([{"pot": "visitor", "kind": "flush", "time_ms": march(2)}])
    with pytest.raises(Refused, match="log that it died or is gone"):
        book.withdraw_pot("visitor")
    book.withdraw_note(number, 1)
    with pytest.raises(Refused, match="log that it died or is gone"):
        book.withdraw_pot("visitor")  # its history stays readable
    assert [setup["shelf"] for setup in book.setups("visitor")] == ["east-window"]


def test_a_pot_type_is_taken_out_and_its_pots_keep_their_set_ups(book):
    book.put_pot_type({"label": "netted", "vents": "many", "likes": "airy"})
    book.new_pots("netted", ["one", "two"], "east-window", march(1))
    book.withdraw_pot_type("netted")
    assert "netted" not in [one.label for one in book.pot_types()]
    assert [book.pot(label).type for label in ("one", "two")] == [None, None]
    assert book.setups("one")[0]["vents"] == "many"
