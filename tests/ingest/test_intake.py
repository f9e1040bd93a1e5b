"""From messages to batches: claims, unread messages, humidity held at 100 %, and replay."""

import pytest

from ingest.failure_codes import HELD_AT_100, HELD_MS
from ingest.intake import Intake, Message, replay
from ingest.readings import SensorFailure, UnreadMessage
from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Sensor

NOW = 1_800_000_000_000
HOUR = 3_600_000
RH = Sensor("rh", "number", "", "relative_humidity", "%RH")
EVER = (0, 10**14)


@pytest.fixture
def store(tmp_path):
    opened = SqliteReadings(tmp_path / "readings.db")
    yield opened
    opened.close()


def intake(*sensors):
    made = Intake(lambda: sensors)
    assert made.refresh()
    assert not made.refresh()
    return made


def hourly(taker, values, start_ms=NOW):
    return taker.batch(Message("rh", str(value).encode(), start_ms + n * HOUR) for n, value in enumerate(values))


def test_humidity_held_at_100_for_a_day_is_a_failure_from_then_on():
    batch = hourly(intake(RH), [100] * 30)
    assert len(batch.readings) == 24
    assert batch.failures == [SensorFailure("rh#", NOW + n * HOUR, HELD_AT_100) for n in range(24, 30)]
    assert batch.failures[0].time_ms - batch.readings[0].time_ms == HELD_MS


def test_a_wet_night_is_no_failure_and_a_sensor_that_comes_down_is_believed_again():
    taker = intake(RH)
    assert hourly(taker, [100] * 20 + [97] + [100] * 20).failures == []
    late = hourly(taker, [100] * 10 + [60, 61], NOW + 41 * HOUR)
    assert len(late.failures) == 6  # at 100 % since hour 21, so held from hour 45 to 50
    assert [one.value for one in late.readings[-2:]] == [60, 61]


def test_a_late_reading_at_100_does_not_lengthen_the_spell():
    taker = intake(RH)
    hourly(taker, [60, 100])
    assert hourly(taker, [100], NOW - 48 * HOUR).failures == []
    assert hourly(taker, [100], NOW + 2 * HOUR).failures == []


def test_a_spell_at_100_goes_on_through_a_restart(store):
    first = hourly(intake(RH), [100] * 26)
    store.append(first.readings, first.failures)
    again = intake(RH)
    again.remember(store.failures())
    assert len(hourly(again, [100], NOW + 26 * HOUR).failures) == 1
    assert hourly(again, [70], NOW + 27 * HOUR).failures == []


def test_replay_reads_what_a_new_sensor_claims_and_leaves_the_rest(store):
    waiting = [
        UnreadMessage("rh", b"55", NOW, "no sensor claims this topic"),
        UnreadMessage("rh", b"56", NOW + 1, "no sensor claims this topic", time_known=False),
        UnreadMessage("rh", b"250", NOW + 2, "no sensor claims this topic"),
        UnreadMessage("other", b"57", NOW + 3, "no sensor claims this topic"),
    ]
    store.append([], [], waiting)
    assert replay(store, [RH], NOW) == 1
    times, values = store.read(["rh#"], *EVER)["rh#"]
    assert (times.tolist(), values.tolist()) == ([NOW], [55.0])
    assert sorted(one.body for one in store.unread()) == [b"250", b"56", b"57"]
    assert replay(store, [RH], NOW) == 0  # and doing it again changes nothing


def test_a_replay_that_was_cut_off_before_it_forgot_is_repeated_without_doubling(store):
    store.append([], [], [UnreadMessage("rh", b"55", NOW, "no sensor claims this topic")])
    forget, store.forget_unread = store.forget_unread, lambda ids: None
    replay(store, [RH], NOW)
    store.forget_unread = forget
    assert replay(store, [RH], NOW) == 1
    assert len(store.read(["rh#"], *EVER)["rh#"][0]) == 1


def test_a_message_of_which_a_part_is_bad_gives_its_good_part_and_stays_unread(store):
    both = [Sensor("t", "json", f"/{name}", "air_temperature", "Cel") for name in "ab"]
    batch = intake(*both).batch([Message("t", b'{"a":20,"b":999}', NOW)])
    assert [one.source for one in batch.readings] == ["t#/a"]
    assert "cannot be" in batch.unread[0].reason


def test_a_fault_of_our_own_costs_one_message_and_not_the_batch(caplog):
    broken = Sensor("bad", "senml", "x", "air_temperature", "Cel")
    taker = intake(broken, RH)
    object.__setattr__(broken, "payload", "a kind that nobody wrote")
    batch = taker.batch([Message("bad", b"[]", NOW), Message("rh", b"50", NOW)])
    assert len(batch.readings) == 1
    assert "a fault in this program" in batch.unread[0].reason
    assert "could not be read" in caplog.text
