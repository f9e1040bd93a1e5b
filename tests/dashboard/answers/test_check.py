"""What `dryline check` finds, each kind by its real cause; and nothing where all is well."""

import json
import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.answers import check
from ingest.home import Home, open_home
from ingest.readings import SensorFailure, UnreadMessage
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers.small_home import DAY_MS, HUMIDITY, WARMTH, every, home_with, march, told

AT_MS = march(5)
BATTERY = Sensor("t/battery", "number", "", "battery", "%", placed=(Placement(march(1), None, "east-window"),))


@pytest.fixture
def home(tmp_path: Path):
    opened = home_with(tmp_path)
    yield opened
    opened.close()


def hear(home: Home, *sensors: Sensor, value: float = 50.0, until_ms: int = AT_MS) -> None:
    for sensor in sensors:
        home.readings.append(told(sensor, *every(10, march(4), until_ms, value)))


def kinds(home: Home, at_ms: int = AT_MS) -> list[str]:
    return [finding["kind"] for finding in check.answer(home, at_ms)["findings"]]


def only(home: Home, at_ms: int = AT_MS) -> dict:
    findings = check.answer(home, at_ms)["findings"]
    assert len(findings) == 1, findings
    return findings[0]


def test_nothing_is_found_when_all_is_well(home: Home):
    hear(home, WARMTH, HUMIDITY)
    answer = check.answer(home, AT_MS)
    assert answer["findings"] == []
    assert answer["says"] == "All well."
    assert set(answer) == {"at_ms", "findings", "told", "unread_messages", "disk_free_pct", "says"}


def test_a_sensor_that_went_silent_is_named_with_its_place_and_since_when(home: Home):
    hear(home, WARMTH)
    hear(home, HUMIDITY, until_ms=march(4, 12))
    finding = only(home)
    assert (finding["kind"], finding["at"], finding["label"]) == ("sensor_silent", "east-window", HUMIDITY.source)
    assert finding["since_ms"] == march(4, 12) - 600_000


def test_a_sensor_that_was_silent_for_weeks_is_still_named(home: Home):
    hear(home, WARMTH, HUMIDITY)
    assert kinds(home, AT_MS + 30 * DAY_MS) == ["sensor_silent", "sensor_silent"]


def test_a_sensor_is_silent_at_once_when_its_node_says_offline(tmp_path: Path):
    sensor = replace(WARMTH, online_topic="t/online")
    home = home_with(tmp_path, [sensor])
    hear(home, sensor)
    online = Sensor("t/online", "number", "", "online", "")
    home.readings.append(told(online, (march(4), 1.0)))
    assert kinds(home) == []
    home.readings.append(told(online, (AT_MS - 1000, 0.0)))
    assert kinds(home) == ["sensor_silent"]
    home.close()


def test_a_sensor_that_was_never_heard_is_given_a_day(home: Home):
    hear(home, WARMTH)
    assert kinds(home, march(1, 20)) == []
    assert "never been heard" in only(home)["says"]


def test_a_failing_sensor_is_named_with_its_code(home: Home):
    hear(home, WARMTH, HUMIDITY)
    home.readings.append(failures=[SensorFailure(HUMIDITY.source, AT_MS - 60_000, "unavailable")])
    finding = only(home)
    assert (finding["kind"], finding["since_ms"]) == ("sensor_failed", AT_MS - 60_000)
    assert "unavailable" in finding["says"]


def test_a_failure_that_ended_is_no_finding(home: Home):
    hear(home, WARMTH, HUMIDITY)
    home.readings.append(failures=[SensorFailure(HUMIDITY.source, march(4, 12) + 1, "unavailable")])
    assert kinds(home) == []


def test_a_moved_sensor_is_looked_for_where_it_stands_now(home: Home):
    home.logbook.place_sensor(WARMTH.source, "stairwell", march(3))
    hear(home, HUMIDITY)
    assert only(home)["at"] == "stairwell"


def test_a_weak_battery_is_found_before_it_is_empty(tmp_path: Path):
    home = home_with(tmp_path, [BATTERY])
    hear(home, BATTERY, value=16.0, until_ms=march(4, 12))
    assert kinds(home, march(4, 12)) == []
    hear(home, BATTERY, value=14.0)
    finding = only(home)
    assert (finding["kind"], finding["says"]) == ("battery_low", "t/battery#: battery at 14 %.")
    home.close()


def test_a_battery_sensor_placed_today_and_not_heard_yet_is_no_finding(tmp_path: Path):
    placed_today = replace(BATTERY, placed=(Placement(AT_MS - DAY_MS // 2, None, "east-window"),))
    home = home_with(tmp_path, [placed_today])
    assert kinds(home) == []
    home.close()


def test_a_disk_that_fills_up_is_found_before_a_write_fails(home: Home):
    free_pct = check.disk_free_pct(home)
    hear(home, WARMTH, HUMIDITY)
    assert check.answer(home, AT_MS, least_free_pct=free_pct / 2)["findings"] == []
    found = check.answer(home, AT_MS, least_free_pct=100.0)["findings"]
    assert [finding["kind"] for finding in found] == ["disk_nearly_full"]
    assert "free some space" in found[0]["says"]


def test_unread_messages_are_counted(home: Home):
    hear(home, WARMTH, HUMIDITY)
    message = UnreadMessage("t/else", b"?", AT_MS, "No sensor claims this topic.")
    home.readings.append(unread=[message, message._replace(body=b"!")])
    answer = check.answer(home, AT_MS)
    assert answer["unread_messages"] == 2
    assert answer["findings"][0]["says"].startswith("2 messages")


def test_one_unread_message_is_one_message(home: Home):
    hear(home, WARMTH, HUMIDITY)
    home.readings.append(unread=[UnreadMessage("t/else", b"?", AT_MS, "No sensor claims this topic.")])
    assert only(home)["says"].startswith("1 message ")


def test_an_ingester_that_no_longer_reports_is_found(home: Home):
    hear(home, WARMTH, HUMIDITY)
    file = check.status_file(home)
    file.write_text(json.dumps({"trouble": ""}))
    os.utime(file, (AT_MS / 1000 - 5, AT_MS / 1000 - 5))
    assert kinds(home) == []
    os.utime(file, (AT_MS / 1000 - 120, AT_MS / 1000 - 120))
    assert kinds(home) == ["ingester_stopped"]


def test_the_ingester_s_trouble_is_told_in_its_own_words(home: Home):
    hear(home, WARMTH, HUMIDITY)
    file = check.status_file(home)
    file.write_text(json.dumps({"trouble": "The broker refuses the password."}))
    os.utime(file, (AT_MS / 1000, AT_MS / 1000))
    assert only(home)["says"] == "The broker refuses the password."


def test_a_clock_that_was_never_set_is_found_first(home: Home):
    assert kinds(home, 3 * DAY_MS)[0] == "clock_wrong"


def test_a_damaged_store_is_found_by_reading_all_of_it(tmp_path: Path):
    home = home_with(tmp_path)
    hear(home, WARMTH, HUMIDITY)
    home.readings.seal(march(5))
    home.close()
    database = tmp_path / "readings.db"
    # A page in the middle that the disk lost: zeros where a sealed day or an index was.
    pages = database.stat().st_size // 4096
    with database.open("r+b") as file:
        for page in range(2, pages):
            file.seek(page * 4096)
            file.write(bytes(4096))
    damaged = open_home(tmp_path)
    try:
        found = check.answer(damaged, AT_MS)["findings"]
    finally:
        damaged.close()
    assert "store_damaged" in [finding["kind"] for finding in found]


def test_a_single_bit_that_changed_in_a_sealed_day_is_found_and_the_day_named(tmp_path: Path):
    home = home_with(tmp_path)
    hear(home, WARMTH)
    assert home.readings.seal(march(30)) > 0
    home.close()
    with closing(sqlite3.connect(tmp_path / "readings.db")) as db, db:
        key, body = db.execute("SELECT key, body FROM chunk ORDER BY key LIMIT 1").fetchone()
        db.execute("UPDATE chunk SET body = ? WHERE key = ?", (body[:-1] + bytes([body[-1] ^ 1]), key))
    changed = open_home(tmp_path)
    try:
        found = check.answer(changed, AT_MS)["findings"]
    finally:
        changed.close()
    said = [finding["says"] for finding in found if finding["kind"] == "store_damaged"]
    assert len(said) == 1
    assert said[0].startswith("The sealed day 2026-03-")
    assert said[0].endswith(f" of {WARMTH.source} is damaged.")


def test_a_file_that_is_no_database_is_one_finding(tmp_path: Path):
    home_with(tmp_path).close()
    (tmp_path / "readings.db").write_bytes(b"no database at all, " * 400)
    for beside in tmp_path.glob("readings.db-*"):
        beside.unlink()
    broken = open_home(tmp_path)
    try:
        found = check.answer(broken, AT_MS)["findings"]
    finally:
        broken.close()
    assert [finding["kind"] for finding in found] == ["store_damaged"]


def test_a_damaged_logbook_is_found_by_reading_all_of_it(tmp_path: Path):
    home = home_with(tmp_path)
    for number in range(300):
        home.logbook.add_note({"time_ms": number, "kind": "text", "text": f"note {number} " + "x" * 200})
    home.close()
    file = tmp_path / "logbook.db"
    with closing(sqlite3.connect(file)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        page, size = (db.execute(f"PRAGMA {word}").fetchone()[0] for word in ("page_count", "page_size"))
    body = bytearray(file.read_bytes())
    body[(page - 2) * size : (page - 1) * size] = bytes(size)
    file.write_bytes(body)
    damaged = open_home(tmp_path)
    try:
        found = check.answer(damaged, AT_MS)["findings"]
    finally:
        damaged.close()
    assert found[0]["kind"] == "store_damaged"
    assert found[0]["says"].startswith("The logbook")
    assert "damaged" in found[0]["says"] or "malformed" in found[0]["says"]


def test_what_the_embedded_broker_can_lose_is_told_with_what_was_measured_here(home: Home):
    told = check.answer(home, AT_MS)["told"]
    assert [one["kind"] for one in told] == ["broker_in_memory"]
    assert "docs/broker.md" in told[0]["says"]
    check.status_file(home).write_text('{"longest_wait_ms": 210}', encoding="utf-8")
    assert check.answer(home, AT_MS)["told"][0]["says"].endswith("Here no message waited longer than 0.21 s.")


def test_with_a_broker_of_its_own_nothing_is_told_of_the_embedded_one(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[broker]\nembedded = false\n", encoding="utf-8")
    assert check.answer(home_with(tmp_path), AT_MS)["told"] == []
