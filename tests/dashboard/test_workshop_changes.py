"""What the workshop changes: kept, taken back, and refused in one sentence with nothing written."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.home import Home
from ingest.moments import ms_of_text
from ingest.readings import Reading, UnreadMessage
from ingest.sensors import Placement, Sensor
from tests.dashboard.workshop_home import HOUR_MS, NOW_MS, Send, bare_sender, furnished, undo

DAY = "2026-03-10T09:00"  # Lisbon keeps UTC in March
DAY_MS = ms_of_text("2026-03-10T09:00:00Z")
LEVEL = Sensor("t/level", "number", "", "reservoir_level", "mm", placed=(Placement(DAY_MS, None, "east-window"),))


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = furnished(tmp_path)
    yield made
    made.close()


@pytest.fixture
def send(home: Home) -> Send:
    return bare_sender(home)


def shelf(home: Home, label: str) -> dict[str, Any]:
    return next(one.given() for one in home.logbook.shelves() if one.label == label)


def everything(home: Home) -> str:
    return home.logbook.export_setup()


# --- shelves and pots


def test_a_shelf_is_entered_described_anew_and_both_are_taken_back(home: Home, send: Send) -> None:
    before = everything(home)
    _, entered = send("shelf", {"shelf": {"label": "attic", "air": "still"}})
    was = shelf(home, "attic")
    _, described = send("shelf", {"shelf": {"label": "attic", "air": "draughty"}, "was": was})
    assert shelf(home, "attic") == {"label": "attic", "air": "draughty"}
    undo(send, described)
    assert shelf(home, "attic") == was
    undo(send, entered)
    assert everything(home) == before


def test_two_people_describe_one_shelf_and_the_second_is_told(home: Home, send: Send) -> None:
    was = shelf(home, "stairwell")
    assert send("shelf", {"shelf": {"label": "stairwell", "air": "still"}, "was": was})[0] == 200
    status, said = send("shelf", {"shelf": {"label": "stairwell", "heat": "lamp"}, "was": was})
    assert status == 409
    assert "Somebody else has changed the shelf stairwell" in said["faults"][0]["says"]
    assert shelf(home, "stairwell") == {"label": "stairwell", "air": "still"}


@pytest.mark.parametrize(
    ("name", "body", "where", "says"),
    [
        ("shelf", {"shelf": {}}, "label", "Give the shelf a label"),
        ("shelf", {"shelf": {"label": "stairwell"}}, "label", "There is already a shelf “stairwell”"),
        ("shelf", {"shelf": {"label": "x", "air": "windy"}}, "air", "“windy” is not one of its words"),
        ("shelf", {"shelf": {"label": "x", "hours_per_day": 40}}, "hours_per_day", "from 0 to 24"),
        ("pot_added", {"pot": {"label": "new"}, "setup": {}}, "shelf", "Say on which shelf"),
        ("pot_added", {"pot": {"label": "Window Left"}, "setup": {"shelf": "stairwell"}}, "label", "“window left”"),
        ("pots_after_type", {"labels": []}, "labels", "Write a label for each new pot"),
        ("pots_changed", {"pots": ["window left"]}, "", "Nothing was filled in"),
        ("setup", {"pot": "window left", "setup": {"shelf": "stairwell"}, "from": "tomorrow"}, "from", "not a time"),
        ("setup", {"pot": "nowhere", "setup": {"shelf": "stairwell"}}, "", "There is no pot “nowhere”"),
        ("sensor_placed", {"source": "t/none#", "at": "stairwell"}, "", "There is no sensor “t/none#”"),
        ("pot_type", {"setup": {"gap": "wide"}}, "label", "Give the pot type a label"),
        ("together", {"changes": [["backup", {}]]}, "", "There is no such change."),
        ("side_by_side", {"sources": []}, "sources", "Tick the sensors"),
    ],
)
def test_what_cannot_be_taken_is_said_beside_its_field(
    home: Home, send: Send, name: str, body: dict[str, Any], where: str, says: str
) -> None:
    before = everything(home)
    status, said = send(name, body)
    assert status in (404, 422)
    fault = said["faults"][0]
    assert fault["where"].endswith(where)
    assert says in fault["says"]
    assert everything(home) == before


def test_a_pot_is_entered_with_its_set_up_and_taken_back(home: Home, send: Send) -> None:
    before = everything(home)
    setup = {"shelf": "stairwell", "pot": {"size_cm": 12}, "vents": "few", "wick": {"strands": 2}, "gap": ""}
    status, said = send("pot_added", {"pot": {"label": "new", "plant": ""}, "setup": setup, "from": DAY})
    assert (status, said["done"]["go"]) == (200, "/workshop/pot/new")
    (kept,) = home.logbook.setups("new")
    assert kept == {"from_ms": DAY_MS, "to_ms": None, **{key: setup[key] for key in ("shelf", "pot", "vents", "wick")}}
    undo(send, said)
    assert everything(home) == before


def test_pots_are_made_after_a_type_copied_changed_together_and_taken_back(home: Home, send: Send) -> None:
    send("pot_type", {"label": "netted", "about": {"likes": "airy"}, "setup": {"vents": "many"}})
    made = {"type": "netted", "labels": ["one", "two"], "shelf": "stairwell", "from": DAY, "about": {"batch": "spring"}}
    send("pots_after_type", made)
    send("pots_copied", {"label": "one", "labels": ["three"], "from": DAY})
    labels = ["one", "two", "three"]
    assert [home.logbook.pot(label).batch for label in labels] == ["spring"] * 3
    before = everything(home)
    change = {"vents": "few", "top_layer": {"kind": "pebbles", "thickness_mm": 20}}
    changed = {"pots": labels, "change": change, "about": {"isolated_until": "2026-04-01"}, "from": "2026-03-12T09:00"}
    status, said = send("pots_changed", changed)
    assert (status, said["done"]["says"]) == (200, "3 pots are changed.")
    assert [home.logbook.setups(label)[-1]["vents"] for label in labels] == ["few"] * 3
    assert str(home.logbook.pot("two").isolated_until) == "2026-04-01"
    undo(send, said)
    assert everything(home) == before


def test_one_unknown_pot_among_many_changes_none(home: Home, send: Send) -> None:
    before = everything(home)
    status, _ = send("pots_changed", {"pots": ["window left", "ghost"], "about": {"likes": "airy"}})
    assert status == 404
    assert everything(home) == before


def test_a_set_up_is_described_from_a_day_corrected_and_withdrawn(home: Home, send: Send) -> None:
    first = everything(home)
    _, said = send("setup", {"pot": "window left", "setup": {"shelf": "stairwell", "vents": "many"}, "from": DAY})
    assert [one["shelf"] for one in home.logbook.setups("window left")] == ["east-window", "stairwell"]
    was = {"shelf": "stairwell", "vents": "many"}
    corrected = {"pot": "window left", "setup": {"shelf": "stairwell", "vents": "few"}, "from_ms": DAY_MS, "was": was}
    _, mended = send("setup", corrected)
    assert home.logbook.setups("window left")[-1]["vents"] == "few"
    assert send("setup", corrected | {"setup": {"shelf": "east-window"}})[0] == 409
    undo(send, mended)
    assert home.logbook.setups("window left")[-1]["vents"] == "many"
    blind = {"pot": "window left", "setup": {"shelf": "east-window"}, "from": DAY}
    assert "open that one to correct it" in send("setup", blind)[1]["faults"][0]["says"]
    undo(send, said)
    assert everything(home) == first


def test_a_pot_and_a_shelf_get_other_labels_and_back(home: Home, send: Send) -> None:
    before = everything(home)
    _, pot = send("pot_renamed", {"label": "window left", "new_label": "window right"})
    _, place = send("shelf_renamed", {"label": "east-window", "new_label": "south window"})
    assert home.logbook.setups("window right")[0]["shelf"] == "south window"
    undo(send, place)
    undo(send, pot)
    assert everything(home) == before


# --- sensors


def test_a_sensor_is_moved_put_away_swapped_and_each_is_taken_back(home: Home, send: Send) -> None:
    home.logbook.put_sensor(LEVEL)
    home.logbook.put_sensor(Sensor("t/level-2", "number", "", "reservoir_level", "mm"))
    before = everything(home)
    _, moved = send("sensor_placed", {"source": LEVEL.source, "at": "/window left", "from": "2026-03-12T09:00"})
    assert home.logbook.sensor(LEVEL.source).placed[-1].at == "east-window/window left"
    _, away = send("sensor_put_away", {"source": LEVEL.source, "from": "2026-03-14T09:00"})
    assert home.logbook.sensor(LEVEL.source).placed[-1].to_ms is not None
    undo(send, away)
    _, swapped = send("sensor_swapped", {"source": LEVEL.source, "by": "t/level-2#", "from": "2026-03-16T09:00"})
    assert home.logbook.sensor("t/level-2#").placed[0].at == "east-window/window left"
    undo(send, swapped)
    assert home.logbook.sensor("t/level-2#").placed == ()
    undo(send, moved)
    assert everything(home) == before


def test_a_sensor_at_two_pots_at_once_is_refused_with_a_sentence(home: Home, send: Send) -> None:
    home.logbook.put_sensor(LEVEL)
    send("sensor_placed", {"source": LEVEL.source, "at": "/third step", "from": "2026-03-15T09:00"})
    at_once = {"source": LEVEL.source, "at": "/window left", "from": "2026-03-12T09:00", "to": "2026-03-17T09:00"}
    before = everything(home)
    status, said = send("sensor_placed", at_once)
    assert status == 422
    assert "would overlap the one that begins at 2026-03-15T09:00:00Z" in said["faults"][0]["says"]
    assert everything(home) == before


def test_a_sensor_is_described_anew_and_taken_out_and_both_are_taken_back(home: Home, send: Send) -> None:
    home.logbook.put_sensor(LEVEL)
    before = everything(home)
    was = {"quantity": "reservoir_level", "unit": "mm"}
    new = {"label": "the strip", "quantity": "reservoir_level", "unit": "cm", "interval_s": 900}
    _, said = send("sensor", {"source": LEVEL.source, "sensor": new, "was": was})
    assert home.logbook.sensor(LEVEL.source).label == "the strip"
    assert send("sensor", {"source": LEVEL.source, "sensor": was, "was": was})[0] == 409
    undo(send, said)
    _, said = send("sensor_withdrawn", {"source": LEVEL.source})
    assert home.logbook.sensors() == []
    undo(send, said)
    assert everything(home) == before


# --- messages that nobody uses

AIR = b'[{"bn":"","n":"temp","u":"Cel","v":21.5},{"n":"hum","u":"%RH","v":48}]'


def arrived(home: Home, *hours_ago: float, topic: str = "t/new", body: bytes = AIR) -> int:
    """Keep a message for each of these ages; the number of the newest comes back."""
    kept = [UnreadMessage(topic, body, NOW_MS - round(age * HOUR_MS), "no sensor claims it") for age in hours_ago]
    home.readings.append([], [], kept)
    return home.readings.unread(1)[0].id


def test_one_tap_makes_the_sensors_and_what_was_kept_is_read_and_vanishes(home: Home, send: Send) -> None:
    number = arrived(home, 5, 3, 1)
    streams = [{"use": True, "payload": "senml", "field": "temp"}, {"use": True, "payload": "senml", "field": "hum"}]
    status, said = send("messages_claimed", {"id": number, "at": "east-window", "streams": streams})
    assert (status, said["done"]["says"]) == (200, "2 sensors at east-window; 3 messages read.")
    assert home.readings.unread_count().kept == 0
    times_ms, values = home.readings.read(["t/new#temp"], 0, NOW_MS + 1)["t/new#temp"]
    assert (times_ms.tolist(), values.tolist()) == ([NOW_MS - age * HOUR_MS for age in (5, 3, 1)], [21.5] * 3)
    sensor = home.logbook.sensor("t/new#hum")
    assert (sensor.quantity, sensor.unit) == ("relative_humidity", "%RH")
    assert sensor.placed == (Placement(NOW_MS - 5 * HOUR_MS, None, "east-window"),)
    undo(send, said)
    assert home.logbook.sensors() == []


def test_times_without_a_zone_are_read_in_the_one_that_was_said(home: Home, send: Send) -> None:
    number = arrived(home, 1, topic="n/8", body=b'{"humidity": 48, "ts": "2026-03-20T10:00:00"}')
    stream = {"use": True, "payload": "json", "field": "/humidity"}
    claim = {"id": number, "at": "stairwell", "streams": [stream], "time_zone": "Asia/Kolkata"}
    assert send("messages_claimed", claim)[0] == 200
    times_ms, _ = home.readings.read(["n/8#/humidity"], 0, NOW_MS)["n/8#/humidity"]
    assert times_ms.tolist() == [ms_of_text("2026-03-20T04:30:00Z")]
    assert home.logbook.sensor("n/8#/humidity").placed[0].from_ms == ms_of_text("2026-03-20T04:30:00Z")


def test_a_number_that_says_nothing_of_itself_needs_a_word(home: Home, send: Send) -> None:
    number = arrived(home, 1, topic="n/7", body=b"412")
    stream = {"use": True, "payload": "number", "field": ""}
    status, said = send("messages_claimed", {"id": number, "at": "/window left", "streams": [stream]})
    assert (status, said["faults"][0]["where"]) == (422, "streams.0.quantity")
    told = stream | {"quantity": "reservoir_level", "unit": "mm"}
    assert send("messages_claimed", {"id": number, "at": "/window left", "streams": [told]})[0] == 200
    assert home.logbook.sensor("n/7#").placed[0].at == "east-window/window left"


def test_a_water_level_is_not_taken_for_a_shelf(home: Home, send: Send) -> None:
    number = arrived(home, 1, topic="n/level", body=b"48")
    body = {"id": number, "streams": [{"use": True, "payload": "number", "field": ""}]}
    status, said = send("messages_claimed", body | {"at": "east-window"})
    assert (status, said["faults"][0]["where"]) == (422, "at")
    assert "choose the pot" in said["faults"][0]["says"]
    assert (home.logbook.sensors(), home.readings.unread_count().kept) == ([], 1)
    assert send("messages_claimed", body | {"at": "/window left"})[0] == 200


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"at": "east-window", "streams": []}, "Tick at least one value"),
        ({"at": "nowhere", "streams": [{"use": True, "payload": "senml", "field": "temp"}]}, "no shelf “nowhere”"),
        ({"at": "east-window", "streams": [{"use": True, "payload": "json", "field": "/no"}]}, "does not hold"),
        ({"at": "east-window", "id": 99, "streams": []}, "no longer kept"),
    ],
)
def test_a_claim_that_cannot_be_taken_leaves_the_message_kept(
    home: Home, send: Send, body: dict[str, Any], says: str
) -> None:
    number = arrived(home, 1)
    _, said = send("messages_claimed", {"id": number, **body})
    assert says in said["faults"][0]["says"]
    assert home.readings.unread_count().kept == 1
    assert home.logbook.sensors() == []


def test_a_topic_claimed_meanwhile_is_not_claimed_twice(home: Home, send: Send) -> None:
    number = arrived(home, 2, 1)
    home.logbook.put_sensor(Sensor("t/new", "senml", "temp", "air_temperature", "Cel"))
    streams = [{"use": True, "payload": "senml", "field": "temp"}]
    _, said = send("messages_claimed", {"id": number, "at": "stairwell", "streams": streams})
    assert "is there already" in said["faults"][0]["says"]


def test_claimed_messages_are_read_again_and_rubbish_is_forgotten(home: Home, send: Send) -> None:
    arrived(home, 2)
    arrived(home, 1, topic="t/rubbish", body=b"?")
    home.logbook.put_sensor(Sensor("t/new", "senml", "temp", "air_temperature", "Cel"))
    assert send("messages_replayed")[1]["done"]["says"] == "one message read; one message left."
    forgotten = {"topic": "t/rubbish", "reason": "no sensor claims it"}
    assert send("messages_forgotten", forgotten)[1]["done"]["says"] == "one message forgotten."
    assert home.readings.unread_count().kept == 0


# --- calibration


def test_poured_amounts_are_looked_at_then_kept_then_taken_back(home: Home, send: Send) -> None:
    home.logbook.put_sensor(LEVEL)
    home.readings.append([Reading(LEVEL.source, NOW_MS - 30_000, 300.0)])
    assert send("raw_now", {"source": LEVEL.source})[1]["done"]["says"] == "It says 300, 30 seconds ago."
    poured = [(100, 0), (200, 90), (300, 90), (405, 90)]
    body = {
        "source": LEVEL.source,
        "by": "poured",
        "fill_ml": 450,
        "fill_mark_mm": 50,
        "points": [{"raw": raw, "poured_ml": ml} for raw, ml in poured] + [None],
    }
    look = send("calibration", body)[1]["done"]["look"]
    assert look["sentences"][0] == "4 points; the line through them misses the measurements by 0.0\u00a0mm."
    assert home.logbook.sensor(LEVEL.source).calibration == ()
    name, keep = look["keep"]
    _, said = send(name, keep)
    assert home.logbook.sensor(LEVEL.source).calibration == ((100, 0), (200, 10), (300, 20), (405, 30))
    assert send(name, keep)[0] == 409  # somebody, here we ourselves, calibrated meanwhile
    undo(send, said)
    assert home.logbook.sensor(LEVEL.source).calibration == ()


def test_two_heights_calibrate_a_sensor_that_reports_centimetres(home: Home, send: Send) -> None:
    home.logbook.put_sensor(Sensor("t/cm", "number", "", "reservoir_level", "cm"))
    points = [{"raw": 10, "value": 0}, {"raw": 20, "value": 50}]
    send("calibration", {"source": "t/cm#", "by": "values", "points": points, "keep": True})
    assert home.logbook.sensor("t/cm#").calibration == ((10, 0), (20, 5))  # in its own unit


@pytest.mark.parametrize(
    ("points", "where", "says"),
    [
        ([{"raw": 1, "value": 2}], "points.1.raw", "two measurements or more"),
        ([{"raw": 1, "value": 2}, {"raw": 1, "value": 3}], "", "the same raw number"),
        ([{"raw": 1, "value": 2}, {"raw": 2}], "value", "what it was in truth"),
    ],
)
def test_a_calibration_that_says_nothing_is_refused(
    home: Home, send: Send, points: list[dict[str, float]], where: str, says: str
) -> None:
    home.logbook.put_sensor(LEVEL)
    _, said = send("calibration", {"source": LEVEL.source, "by": "values", "points": points, "keep": True})
    assert said["faults"][0]["where"].endswith(where)
    assert says in said["faults"][0]["says"]


def air_night(home: Home) -> tuple[int, int]:
    """Two thermometers, one 0.8 degrees high, and a hygrometer over salt that reads 4 % low, for ten hours."""
    start, end = NOW_MS - 12 * HOUR_MS, NOW_MS - 2 * HOUR_MS
    for name, quantity, unit in (
        ("a", "air_temperature", "Cel"),
        ("b", "air_temperature", "Cel"),
        ("h", "relative_humidity", "%RH"),
    ):
        home.logbook.put_sensor(Sensor(f"t/{name}", "number", "", quantity, unit))
    times = np.arange(start, end, 600_000)
    warmth = 20.0 + np.sin(np.arange(times.size) / 9.0)
    readings = [
        Reading(f"t/{name}#", int(at), float(value))
        for name, values in (("a", warmth), ("b", warmth + 0.8), ("h", np.full(times.size, 71.5)))
        for at, value in zip(times, values, strict=True)
    ]
    home.readings.append(readings)
    return start, end


def test_a_night_side_by_side_gives_the_offset_of_the_one_that_is_not_believed(home: Home, send: Send) -> None:
    start, end = air_night(home)
    body = {"sources": ["t/a#", "t/b#"], "from_ms": start, "to_ms": end, "reference": "t/a#"}
    look = send("side_by_side", body)[1]["done"]["look"]
    assert look["sentences"][1].startswith("t/b: reads 0.8\u00a0degrees high")
    _, said = send(*look["keep"])
    assert home.logbook.sensor("t/b#").calibration == ((0.0, pytest.approx(-0.8)), (100.0, pytest.approx(99.2)))
    undo(send, said)
    assert [home.logbook.sensor(source).calibration for source in ("t/a#", "t/b#")] == [(), ()]


def test_a_night_of_temperature_beside_humidity_is_no_comparison(home: Home, send: Send) -> None:
    start, end = air_night(home)
    _, said = send("side_by_side", {"sources": ["t/a#", "t/h#"], "from_ms": start, "to_ms": end})
    assert "that measure the same" in said["faults"][0]["says"]


def test_salt_tells_what_a_hygrometer_is_off_by_and_names_its_source(home: Home, send: Send) -> None:
    start, end = air_night(home)
    body = {"source": "t/h#", "temperature": "t/a#", "from_ms": start, "to_ms": end}
    look = send("over_salt", body)[1]["done"]["look"]
    assert "Greenspan 1977" in look["sentences"][1]
    assert "it reads 4.0 % RH too low" in look["sentences"][0]  # 75.5 % at 20 degrees by the same source
    send(*look["keep"])
    assert home.logbook.sensor("t/h#").calibration[0][1] == pytest.approx(4.0, abs=0.1)
    by_hand = {key: value for key, value in body.items() if key != "temperature"} | {"temperature_c": 25}
    assert "75.3 % RH" in send("over_salt", by_hand)[1]["done"]["look"]["sentences"][0]
