"""Three ingesters share one Mosquitto's messages; one is killed again and again: nothing is lost, nothing doubled.

The processes are `dryline ingest --number N` as `dryline run` starts them, all on one home folder: they share the
messages by an MQTT 5 shared subscription and write one file, which takes a reading of a source and moment once. While
one is dead the others go on; what it had been given and not acknowledged waits for it in its session at the broker.
"""

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from ingest.home import open_home
from ingest.sensors import Sensor
from tests.brokers import PASSWORD, Running
from tests.faults.test_kill_ingester import TOPICS, Publisher, judge, kept_numbers, until

ROOT = Path(__file__).parents[2]
NUMBERS = (1, 2, 3)


class Ingester:
    """One of the processes, started as often as it is killed."""

    def __init__(self, home: Path, number: int) -> None:
        """Nothing runs yet."""
        self._home, self._number = home, number
        self._status = home / ("ingester.json" if number == 1 else f"ingester-{number}.json")
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        """Start, and return when it is connected."""
        self._status.unlink(missing_ok=True)
        command = [sys.executable, "-m", "dryline", "ingest", "--home", str(self._home), "--number", str(self._number)]
        with (self._home / "ingesters.log").open("ab") as log:
            self.process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
        until(lambda: self.told().get("connected"), "for an ingester")

    def told(self) -> dict:
        """The counters that it last told."""
        return json.loads(self._status.read_text(encoding="utf-8")) if self._status.exists() else {}

    def end(self, sign: signal.Signals) -> None:
        """Send a signal and wait for the end."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(sign)
            self.process.wait(60)


def settle_in(home: Path, broker: Running, group: str = "house", ingesters: int = len(NUMBERS)) -> None:
    """Settings and sensors of the home."""
    home.mkdir()
    (home / "secret").write_text(PASSWORD, encoding="utf-8")
    (home / "dryline.toml").write_text(
        f'[broker]\nembedded = false\nport = {broker.port}\nusername = "{broker.username}"\n'
        f'password_file = "secret"\nshared_group = "{group}"\ningesters = {ingesters}\n',
        encoding="utf-8",
    )
    house = open_home(home)
    with house.logbook.writing():
        for topic in TOPICS:
            house.logbook.put_sensor(Sensor(topic, "senml", "t", "air_temperature", "Cel"))
    house.close()


@contextmanager
def three_ingesters(folder: Path) -> Iterator[tuple[Running, list[Ingester]]]:
    """A broker and three ingesters of one home; all gone afterwards."""
    with ExitStack() as leave:
        # The broker is not killed here, so it need not save its state at every change.
        broker = Running("mosquitto", folder, extra=["autosave_on_changes false"]).start()
        leave.callback(broker.stop)
        settle_in(folder / "home", broker)
        ingesters = [Ingester(folder / "home", number) for number in NUMBERS]
        for one in ingesters:
            leave.callback(one.end, signal.SIGKILL)
            one.start()
        yield broker, ingesters


def kill_one_of_three(folder: Path, kills: int) -> None:
    chance = random.Random(kills)
    with three_ingesters(folder) as (broker, ingesters):
        publisher = Publisher(broker, 150)
        try:
            for kill in range(kills):
                victim = ingesters[kill % len(ingesters)]
                time.sleep(chance.uniform(0.1, 0.5))  # under load: the moment of the kill is what is random
                victim.end(signal.SIGKILL)
                before = len(kept_numbers(folder / "home"))
                # Nobody waits for the dead one: the others take what comes.
                until(lambda before=before: len(kept_numbers(folder / "home")) > before + 20, "for the other two")
                victim.start()
            publisher.finish()
            until(lambda: len(kept_numbers(folder / "home")) >= publisher.sent, "for the store")
        finally:
            publisher.close()
        for one in ingesters:
            one.end(signal.SIGTERM)
        shares = [one.told()["readings"] for one in ingesters]
        print(f"\nshares of the three since their last start: {shares}")
        # Who was killed last may have come back to nothing; the others had their share.
        last = (kills - 1) % len(ingesters)
        assert all(share > 0 for number, share in enumerate(shares) if number != last)
        assert not judge("kill -9 of one of three ingesters", broker, kills, publisher, kept_numbers(folder / "home"))
        log = (folder / "home" / "ingesters.log").read_text(encoding="utf-8")
        assert "Traceback" not in log, log


def test_three_ingesters_lose_and_double_nothing_when_one_is_killed(tmp_path):
    kill_one_of_three(tmp_path, 1)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_three_ingesters_lose_and_double_nothing_through_thirty_kills(tmp_path):
    kill_one_of_three(tmp_path, 30)


def test_two_homes_in_two_groups_keep_all_messages_each(tmp_path):
    with ExitStack() as leave:
        broker = Running("mosquitto", tmp_path, extra=["autosave_on_changes false"]).start()
        leave.callback(broker.stop)
        homes = [tmp_path / "north", tmp_path / "south"]
        for home in homes:
            settle_in(home, broker, group=home.name, ingesters=1)
            ingester = Ingester(home, 1)
            leave.callback(ingester.end, signal.SIGKILL)
            ingester.start()
        publisher = Publisher(broker, 150)
        leave.callback(publisher.close)
        until(lambda: publisher.sent >= 100, "for messages")
        publisher.finish()
        for home in homes:
            until(lambda home=home: len(kept_numbers(home)) >= publisher.sent, "for a store")
            assert sorted(kept_numbers(home)) == list(range(publisher.sent))


def test_an_ingester_with_a_number_refuses_to_run_alone(tmp_path):
    command = [sys.executable, "-m", "dryline", "ingest", "--home", str(tmp_path), "--number", "2"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stderr == "dryline: Several ingesters need a shared_group under [broker] in dryline.toml.\n"
