"""Publishing: everything crosses a real broker in order, the present keeps pace, and a run can be taken up again."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pandas as pd
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import EmbeddedBroker, Listener, free_port
from simulated_feeds.broker_link import Link, NotConnectedError
from simulated_feeds.events import DAY_MS
from simulated_feeds.messages import messages_of
from simulated_feeds.publish import History, Plan, demo_plan, history, kept, run
from simulated_feeds.truth import export_truth

HOUR_MS = 3_600_000
NOW_MS = 1_790_003_000_000


@dataclass
class Clock:
    """A clock whose sleep is instant."""

    now_s: float
    slept: int = 0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += 60.0 * seconds
        self.slept += 1


@dataclass
class Listening:
    """Everything that arrived; `until` waits for a message that a test sends itself, after all the others."""

    client: mqtt.Client
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)

    def until_all_arrived(self) -> list[tuple[str, bytes]]:
        self.client.publish("the/end", b"", qos=1)
        assert self.ended.wait(60.0)
        return list(self.heard)


@pytest.fixture(scope="module")
def broker() -> Iterator[Link]:
    port = free_port()
    with EmbeddedBroker(Listener(port=port)):
        yield Link(port=port)


@pytest.fixture
def listening(broker: Link) -> Iterator[Listening]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    listener = Listening(client)
    subscribed = threading.Event()

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == "the/end":
            listener.ended.set()
        elif not message.retain:
            listener.heard.append((message.topic, bytes(message.payload)))

    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.subscribe([("glasshouse/#", 1), ("the/end", 1)])
    assert subscribed.wait(10.0)
    yield listener
    client.disconnect()
    client.loop_stop()


@pytest.fixture(scope="module")
def plan() -> Plan:
    return demo_plan(NOW_MS, days=2)


@pytest.fixture(scope="module")
def past(plan: Plan) -> History:
    return history(plan)


def test_the_past_crosses_the_broker_whole_and_in_order(
    broker: Link, listening: Listening, plan: Plan, past: History
) -> None:
    steps: list[tuple[str, int, int]] = []
    run(broker, plan, live=False, past=past, progress=lambda *step: steps.append(step))
    heard = [message for message in listening.until_all_arrived() if message[0] != "glasshouse/stairwell/online"]
    due = messages_of(past.truth, plan.scenario, plan.seed, timeless_from_ms=plan.live_ms)
    sent = [(message.topic, message.body) for message in due if message.arrived_ms < plan.live_ms]
    assert len(sent) > 1500
    assert heard == sent
    assert steps[-1] == ("history", len(sent), len(sent))


def test_the_present_follows_at_the_clocks_pace_and_a_later_run_takes_it_up_without_repeating(
    broker: Link, listening: Listening, plan: Plan, past: History, tmp_path: Path
) -> None:
    state = tmp_path / "glasshouse.npz"
    told: list[pd.DataFrame] = []
    clock = Clock(plan.live_ms / 1000.0)

    def go(until_ms: int) -> None:
        run(broker, plan, past=past, until_ms=until_ms, clock=clock, sleep=clock.sleep, state_path=state,
            on_notes=told.append)  # fmt: skip

    go(plan.live_ms + 7 * HOUR_MS)
    assert clock.slept == pytest.approx(7 * 60, abs=2)
    first = kept(state)
    assert first is not None
    assert first.sent_until_ms == plan.live_ms + 7 * HOUR_MS
    go(plan.live_ms + 30 * HOUR_MS)
    heard = [message for message in listening.until_all_arrived() if b"line" not in message[1]]
    # messages without a time may be alike; one with a time may not come twice
    timed = [message for message in heard if message[1][:1] in (b"[", b"{")]
    assert len(timed) == len(set(timed))
    topics = {topic for topic, _ in heard}
    assert {"glasshouse/window/temperature", "glasshouse/stairwell/node", "glasshouse/rack/air"} <= topics
    rack = sum(topic == "glasshouse/rack/air" for topic, _ in heard)
    assert rack == pytest.approx((48 + 30) * 6, rel=0.05)
    notes = pd.concat(told)
    assert notes["time_ms"].is_monotonic_increasing
    assert not notes.duplicated(["time_ms", "pot", "kind"]).any()
    assert (notes["time_ms"] > plan.live_ms).all()


def test_at_another_speed_only_the_logs_speak(broker: Link, listening: Listening, plan: Plan, past: History) -> None:
    clock = Clock(1_000.0)
    run(broker, plan, past=past, speed=60.0, until_ms=plan.live_ms + 4 * HOUR_MS, clock=clock, sleep=clock.sleep)
    topics = {topic for topic, _ in listening.until_all_arrived()}
    assert "glasshouse/window/temperature/log" in topics
    assert "glasshouse/window/temperature" not in topics
    assert clock.now_s - 1_000.0 == pytest.approx(4 * 60, abs=61)


def test_it_stops_when_told_to(broker: Link, plan: Plan, past: History) -> None:
    stop = threading.Event()
    worker = threading.Thread(
        target=run, args=(broker, plan), kwargs={"past": past, "stop": stop, "sleep": lambda s: stop.wait(s) and None}
    )
    worker.start()
    stop.set()
    worker.join(60.0)
    assert not worker.is_alive()


def test_a_past_that_was_broken_off_is_told_again_by_the_same_plan(
    broker: Link, listening: Listening, plan: Plan, past: History, tmp_path: Path
) -> None:
    stop, state = threading.Event(), tmp_path / "glasshouse.npz"

    def broken_off(_what: str, done: int, _total: int) -> None:
        if done >= 500:
            stop.set()

    run(broker, plan, live=False, past=past, stop=stop, progress=broken_off, state_path=state)
    left = kept(state)
    assert left is not None
    assert left.sent_until_ms == plan.start_ms
    later = demo_plan(NOW_MS + 5 * HOUR_MS, days=2)
    run(broker, later, live=False, state_path=state)
    again = kept(state)
    assert again is not None
    assert (again.plan.start_ms, again.sent_until_ms) == (plan.start_ms, plan.live_ms)
    due = messages_of(past.truth, plan.scenario, plan.seed, timeless_from_ms=plan.live_ms)
    sent = {(message.topic, message.body) for message in due if message.arrived_ms < plan.live_ms}
    assert sent <= set(listening.until_all_arrived())


def test_without_a_broker_it_says_so_in_one_sentence(plan: Plan, past: History) -> None:
    with pytest.raises(NotConnectedError, match=r"No broker answers at 127\.0\.0\.1:\d+ .*: start one"):
        run(Link(port=free_port()), plan, past=past)


def test_the_truth_can_be_written_and_read(past: History, tmp_path: Path) -> None:
    export_truth(past.truth, tmp_path / "truth.npz")
    with np.load(tmp_path / "truth.npz") as read:
        np.testing.assert_array_equal(read["dry_depth_mm"], past.truth.dry_depth_mm)
        assert read["pots"].tolist() == list(past.truth.pots)
    export_truth(past.truth, tmp_path / "truth.csv")
    table = pd.read_csv(tmp_path / "truth.csv")
    assert len(table) == 48 * 24
    assert table["dry_depth_mm"].to_numpy()[-1] == pytest.approx(past.truth.dry_depth_mm[-1, -1], abs=0.001)
    with pytest.raises(ValueError, match=r"written as \.npz or \.csv"):
        export_truth(past.truth, tmp_path / "truth.xls")


def test_the_history_ends_at_the_last_half_hour() -> None:
    plan = demo_plan(NOW_MS, days=5)
    assert plan.live_ms <= NOW_MS < plan.live_ms + HOUR_MS // 2
    assert plan.live_ms - plan.start_ms == 5 * DAY_MS
