"""A house left alone: months of messages at high speed through a real broker, a real ingester and the daily care.

What is asserted: memory stays flat once everything has been used, the database stays bounded by its retention, nothing
is lost or doubled, and of what was pruned the hourly air of every shelf is still there. The short form is seven weeks,
the long form a year. The figures are printed.
"""

import json
import os
import resource
import signal
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from dashboard.answers import pots
from dashboard.answers.refresh import refresh
from dashboard.care import SEAL_AFTER_MS
from ingest.home import Home, open_home
from ingest.readings import DAY_MS, HOUR_MS
from ingest.sensors import Placement, Sensor
from ingest.subscriber import now_ms
from tests.brokers import Running
from tests.dashboard.answers.window_home import SETUP
from tests.faults.test_kill_ingester import Ingester, until

KEEP_RAW_DAYS = 30
PRUNE_EVERY_DAYS = 5
#: What a process may grow by between the first weeks and the end. A leak of 1 kB a message would be ten times this.
FLAT_MB = 30.0


@dataclass
class Seen:
    """Memory of the ingester and of this process (which cares for the home), and the database, day by day."""

    ingester_mb: list[float] = field(default_factory=list)
    care_mb: list[float] = field(default_factory=list)
    database_mb: list[float] = field(default_factory=list)
    raw: list[int] = field(default_factory=list)


def memory_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def soaked_home(folder: Path, shelves: list[str], start_ms: int) -> Home:
    folder.mkdir()
    (folder / "dryline.toml").write_text(f"[readings]\nkeep_raw_days = {KEEP_RAW_DAYS}\n", encoding="utf-8")
    home = open_home(folder)
    with home.logbook.writing():
        for shelf in shelves:
            home.logbook.put_shelf({"label": shelf, "air": "gentle"})
            placed = (Placement(start_ms, None, shelf),)
            home.logbook.put_sensor(Sensor(f"air/{shelf}", "senml", "t", "air_temperature", "Cel", placed=placed))
            home.logbook.put_sensor(Sensor(f"air/{shelf}", "senml", "h", "relative_humidity", "%RH", placed=placed))
        home.logbook.put_pot({"label": "window left", "likes": "airy", "roots": "thick"})
        home.logbook.describe_setup("window left", SETUP | {"shelf": shelves[0]}, start_ms)
    return home


def day_of(start_ms: int, a_day: int, number: int) -> list[str]:
    """The messages of one shelf on one day."""
    moments = range(start_ms, start_ms + DAY_MS, DAY_MS // a_day)
    return [
        json.dumps(
            [
                {"n": "t", "u": "Cel", "v": 20 + (moment // HOUR_MS + number) % 7, "t": moment / 1000},
                {"n": "h", "u": "%RH", "v": 55 + (moment // HOUR_MS + number) % 11, "t": moment / 1000},
            ]
        )
        for moment in moments
    ]


def soak(folder: Path, days: int, shelf_count: int, a_day: int) -> tuple[Seen, Home, int]:
    shelves = [f"shelf {number}" for number in range(shelf_count)]
    start_ms = now_ms() // DAY_MS * DAY_MS - days * DAY_MS
    seen, sent = Seen(), 0
    with ExitStack() as stack:
        home = stack.enter_context(closing(soaked_home(folder / "home", shelves, start_ms)))
        broker = Running("embedded", folder).start()
        stack.callback(broker.stop)
        topics = [f"air/{shelf}" for shelf in shelves]
        ingester = Ingester(broker, folder, store=str(home.folder / "readings.db"), topics=topics, fields=["t", "h"])
        ingester.start()
        assert ingester.process is not None
        stack.callback(ingester.end, signal.SIGTERM)
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.max_queued_messages_set(0)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        stack.callback(client.loop_stop)
        stack.callback(client.disconnect)
        kept = 0
        for day in range(days):
            day_ms = start_ms + day * DAY_MS
            for number, topic in enumerate(topics):
                for body in day_of(day_ms, a_day, number):
                    client.publish(topic, body, qos=1)
                    sent += 1
            kept += 2 * a_day * shelf_count
            until(lambda enough=kept: home.readings.size().readings >= enough, "for the day's readings")
            refresh(home, day_ms + DAY_MS)
            home.readings.seal(day_ms + DAY_MS - SEAL_AFTER_MS)
            if day % PRUNE_EVERY_DAYS == 0:
                kept -= home.readings.prune(KEEP_RAW_DAYS, day_ms + DAY_MS)
                pots.answer(home, day_ms + DAY_MS)
                seen.ingester_mb.append(memory_mb(ingester.process.pid))
                seen.care_mb.append(memory_mb(os.getpid()))
                seen.database_mb.append((home.folder / "readings.db").stat().st_size / 2**20)
                seen.raw.append(home.readings.size().readings)
        for shelf in shelves:
            facts = home.readings.read_hourly(shelf, start_ms, start_ms + days * DAY_MS)
            assert len(facts) == days * 24
            assert facts["temperature_c"].notna().all()
        assert home.readings.unread_count().kept == 0
        assert home.readings.integrity() == []
    return seen, home, sent


def judge(seen: Seen, sent: int, days: int, a_day_in_all: int) -> None:
    settled = len(seen.raw) // 2
    grown = {
        name: max(series[settled:]) - max(series[: settled + 1])
        for name, series in (("ingester", seen.ingester_mb), ("care", seen.care_mb))
    }
    memory = ", ".join(
        f"{name} {series[-1]:.0f} MB (grew by {grown[name]:.1f})"
        for name, series in (("ingester", seen.ingester_mb), ("care", seen.care_mb))
    )
    database = f"database {seen.database_mb[-1]:.1f} MB (at half time {seen.database_mb[settled]:.1f})"
    print(f"\nsoak: {days} days, {sent} messages; {memory}; {database}, raw readings {seen.raw[-1]}")
    assert max(grown.values()) < FLAT_MB
    assert max(seen.raw) <= a_day_in_all * (KEEP_RAW_DAYS + PRUNE_EVERY_DAYS + 1)


def test_seven_weeks_leave_memory_flat_and_the_database_bounded(tmp_path: Path):
    seen, _, sent = soak(tmp_path, 49, 4, 24)
    judge(seen, sent, 49, 2 * 4 * 24)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_year_leaves_memory_flat_and_the_database_bounded(tmp_path: Path):
    seen, _, sent = soak(tmp_path, 365, 10, 96)
    judge(seen, sent, 365, 2 * 10 * 96)
    assert seen.database_mb[-1] < 1.2 * seen.database_mb[len(seen.raw) // 2] + 2.0
