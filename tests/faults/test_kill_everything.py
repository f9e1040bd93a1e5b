"""kill -9 of the embedded broker and the ingester at one moment: what only the broker's memory held is lost, no more.

This is what `dryline check` tells and why docs/broker.md sends daily use to Mosquitto. The figure is measured and
printed: how many acknowledged messages were lost. What is asserted is that nothing was lost but the last of each topic:
what had reached the disk stays, and stays once.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ingest.broker import free_port
from tests.brokers import Running, wait_for_port
from tests.faults.test_kill_ingester import (
    CLIENT_ID,
    PATIENCE_S,
    TOPICS,
    Ingester,
    Publisher,
    drained_to,
    judge,
    kept_numbers,
    until,
)

BROKER = f"""
import sys, threading
from ingest.broker import Listener, run
from ingest.subscriber import Link
port = int(sys.argv[1])
run(Listener(port=port), stop=threading.Event(), keep_for=Link(port=port, client_id={CLIENT_ID!r}))
"""
ROOT = Path(__file__).parents[2]
A_SECOND = 300


class Everything:
    """Broker and ingester in one process group, so that one signal ends both."""

    def __init__(self, folder: Path) -> None:
        """Nothing runs yet."""
        port = free_port()
        self.broker = Running("embedded", folder, port=port, publish_port=port)
        self.ingester = Ingester(self.broker, folder)
        self._process: subprocess.Popen | None = None

    def start(self) -> None:
        """Start both and wait until the ingester is connected."""
        self._process = subprocess.Popen(
            [sys.executable, "-c", BROKER, str(self.broker.port)],
            cwd=ROOT,
            process_group=0,
        )
        wait_for_port(self.broker.port, self._process)
        self.ingester.start(process_group=self._process.pid)

    def kill(self) -> None:
        """kill -9 of both at once."""
        assert self._process is not None
        os.killpg(self._process.pid, signal.SIGKILL)
        for process in (self._process, self.ingester.process):
            process.wait(PATIENCE_S)
        self._process = None

    def end(self) -> None:
        """End whatever still runs."""
        if self._process is not None:
            self.kill()


def by_topic(numbers: set[int]) -> list[set[int]]:
    return [{number for number in numbers if number % len(TOPICS) == topic} for topic in range(len(TOPICS))]


def kill_everything(folder: Path, kills: int) -> None:
    chance = random.Random(kills)
    house = Everything(folder)
    house.start()
    publisher = Publisher(house.broker, A_SECOND)
    lost: set[int] = set()
    began = 0
    try:
        for _ in range(kills):
            more = len(publisher.acknowledged) + 50
            until(lambda enough=more: len(publisher.acknowledged) >= enough, "for messages")
            time.sleep(chance.uniform(0.0, 0.3))  # under load: the moment of the kill is what is random
            house.kill()
            until(lambda: not publisher.connected, "for the publisher to notice")
            told, kept = publisher.acknowledged, set(kept_numbers(folder))
            for sent_of, kept_of in zip(by_topic(told), by_topic(kept), strict=True):
                gone = sent_of - kept_of - lost
                # Of what was sent since both ran, all that is gone came after all that is kept of its topic.
                tail = {number for number in gone if number >= began}
                assert not tail or min(tail) > max(kept_of, default=-1)
                lost |= gone
            house.start()
            began = publisher.sent
        publisher.finish()
        kept_now = drained_to(house.ingester, len(publisher.acknowledged - lost))
        assert judge("kill -9 of everything", house.broker, kills, publisher, kept_now) == lost
        print(f"lost in all {len(lost)} of {len(publisher.acknowledged)}: {1000 * len(lost) / A_SECOND / kills:.0f} ms"
              " of messages a kill")  # fmt: skip
    finally:
        publisher.close()
        house.end()


def test_a_kill_of_everything_loses_no_more_than_what_was_not_on_disk(tmp_path: Path):
    kill_everything(tmp_path, 2)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_fifty_kills_of_everything_lose_no_more_than_what_was_not_on_disk(tmp_path: Path):
    kill_everything(tmp_path, 50)
