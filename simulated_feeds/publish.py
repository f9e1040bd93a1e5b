"""Publishing the glasshouse: its past as fast as the broker takes it, then its present at any pace.

Owns the MQTT client and the pace. Everything goes through the broker (QoS 1, a bounded number of messages in flight);
clock and sleep are handed in. It must not know who listens.
"""

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import pandas as pd
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from simulated_feeds.course import Course, begun, carried_on, resumed
from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.glasshouse import FEEDS, SEED, demo_scenario, glasshouse
from simulated_feeds.grower import notes
from simulated_feeds.messages import Message, messages_of
from simulated_feeds.pots import World
from simulated_feeds.truth import Truth, load_state

IN_FLIGHT = 600
LATE_MS = 120_000
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Link:
    """Where the broker is."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    tls_ca: Path | None = None


class NotConnectedError(ConnectionError):
    """The broker does not answer; the message says what to do."""


class Sender:
    """Sends messages in order and waits while too many are on their way."""

    def __init__(self, client: mqtt.Client, stop: threading.Event) -> None:
        """`client` has its loop running."""
        self.client = client
        self.stop = stop
        self.room = threading.Semaphore(IN_FLIGHT)
        client.on_publish = self._arrived

    def _arrived(self, *_: object) -> None:
        self.room.release()

    def send(self, message: Message) -> bool:
        """Send one message; False when asked to stop."""
        while not self.room.acquire(timeout=0.2):
            if self.stop.is_set():
                return False
        self.client.publish(message.topic, message.body, qos=1, retain=message.retain)
        return True

    def drained(self, timeout_s: float = 30.0) -> bool:
        """Wait until the broker has acknowledged everything."""
        for taken in range(IN_FLIGHT):
            if not self.room.acquire(timeout=timeout_s):
                for _ in range(taken):
                    self.room.release()
                return False
        for _ in range(IN_FLIGHT):
            self.room.release()
        return True


@contextmanager
def connected(link: Link, stop: threading.Event) -> Iterator[Sender]:
    """A sender on a running connection, ended cleanly."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="glasshouse", clean_session=False)
    client.max_inflight_messages_set(IN_FLIGHT // 3)
    client.reconnect_delay_set(1, 30)
    if link.username is not None:
        client.username_pw_set(link.username, link.password)
    if link.tls_ca is not None:
        client.tls_set(ca_certs=str(link.tls_ca))
    client.will_set("glasshouse/stairwell/online", b"offline", qos=1, retain=True)
    answered = threading.Event()

    def on_connect(_client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _more: object) -> None:
        if not reason.is_failure:
            answered.set()

    client.on_connect = on_connect
    sender = Sender(client, stop)
    try:
        client.connect(link.host, link.port, keepalive=30)
    except OSError as error:
        raise NotConnectedError(
            f"No broker answers at {link.host}:{link.port} ({error}): start one, or name another host or port."
        ) from error
    client.loop_start()
    try:
        if not answered.wait(10.0):
            raise NotConnectedError(
                f"The broker at {link.host}:{link.port} does not accept the glasshouse: check its users."
            )
        yield sender
        sender.drained(5.0)
    finally:
        client.publish("glasshouse/stairwell/online", b"offline", qos=1, retain=True)
        client.disconnect()
        client.loop_stop()


@dataclass(frozen=True)
class Plan:
    """What is published: the invented home, from when, and up to when at once."""

    world: World
    scenario: Scenario
    seed: int
    start_ms: int
    live_ms: int


def demo_plan(now_ms: int, days: int = 120, seed: int = SEED) -> Plan:
    """The glasshouse with `days` of history that end at the last half hour before `now_ms`."""
    live_ms = now_ms // 1_800_000 * 1_800_000
    start_ms = live_ms - days * DAY_MS
    return Plan(glasshouse(start_ms, seed), demo_scenario(start_ms), seed, start_ms, live_ms)


def history(plan: Plan) -> tuple[Truth, pd.DataFrame, Course]:
    """The truth of the past, the grower's notes of it, and the course that carries it on."""
    truth, course = begun(plan.world, plan.scenario, plan.seed, plan.start_ms, plan.live_ms)
    return truth, notes(truth, plan.world, plan.scenario, seed=plan.seed), course


def back_fill(
    sender: Sender, plan: Plan, truth: Truth, *, bare_numbers: bool = True, progress: Progress | None = None
) -> list[Message]:
    """Send the past in order; returns what its sleepers have not sent yet."""
    due = messages_of(
        truth, plan.scenario, plan.seed, timeless_from_ms=plan.live_ms if bare_numbers else None, feeds=FEEDS
    )
    past = [message for message in due if message.arrived_ms < plan.live_ms]
    for number, message in enumerate(past):
        if not sender.send(message):
            break
        if progress is not None and number % 500 == 0:
            progress("history", number, len(past))
    sender.drained()
    if progress is not None:
        progress("history", len(past), len(past))
    return due[len(past) :]


def go_live(
    sender: Sender,
    plan: Plan,
    course: Course,
    *,
    speed: float = 1.0,
    bare_numbers: bool | None = None,
    sent_until_ms: int | None = None,
    until_ms: int | None = None,
    tick_s: float = 1.0,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], None] = time.sleep,
    on_notes: Callable[[pd.DataFrame], None] | None = None,
    state_path: Path | None = None,
) -> None:
    """Send the present as it happens until told to stop (or until the simulated moment `until_ms`).

    At speed 1 the simulated clock is `clock`; at another speed it starts at `plan.live_ms` and runs so much faster.
    Bare numbers are sent only where simulated and real time are one; a bare number that is late is not sent at all.
    `on_notes` gets the grower's new notes. With `state_path` the course can be taken up again (`run`).
    """
    bare = speed == 1.0 if bare_numbers is None else bare_numbers
    begun_at = clock()
    sent_until = plan.live_ms if sent_until_ms is None else sent_until_ms
    queue: list[Message] = []
    queued_until = sent_until
    sender.send(Message(sent_until, "glasshouse/stairwell/online", b"online", retain=True))
    while not sender.stop.is_set():
        real_ms = round(clock() * 1000)
        now = real_ms if speed == 1.0 else plan.live_ms + round((clock() - begun_at) * 1000.0 * speed)
        if until_ms is not None:
            now = min(now, until_ms)
        if now > queued_until:
            course = carried_on(course, now)
            ahead = course.known_until_ms
            # a day and a half back, so that sensors that send on change have found their last value
            known = messages_of(
                course.truth,
                plan.scenario,
                plan.seed,
                timeless_from_ms=plan.live_ms if bare else None,
                since_ms=sent_until - 3 * DAY_MS // 2,
            )
            queue = [message for message in known if sent_until < message.arrived_ms <= ahead]
            queued_until = ahead
            _keep(course, sent_until, state_path)
        fresh = [message for message in queue if message.arrived_ms <= now]
        queue = queue[len(fresh) :]
        for message in fresh:
            if not (message.timeless and now - message.arrived_ms > LATE_MS) and not sender.send(message):
                return
        if now > sent_until:
            _tell_notes(course, plan, sent_until, now, on_notes)
            sent_until = now
        if until_ms is not None and now >= until_ms:
            break
        sleep(tick_s)
    sender.drained(5.0)
    _keep(course, sent_until, state_path)


def _tell_notes(
    course: Course, plan: Plan, after_ms: int, upto_ms: int, on_notes: Callable[[pd.DataFrame], None] | None
) -> None:
    if on_notes is None:
        return
    written = notes(course.truth, plan.world, plan.scenario, seed=plan.seed)
    fresh = written[(written["time_ms"] > after_ms) & (written["time_ms"] <= upto_ms)]
    if len(fresh):
        on_notes(fresh.reset_index(drop=True))


def _keep(course: Course, sent_until_ms: int, state_path: Path | None) -> None:
    if state_path is not None:
        course.base.save(state_path)
        state_path.with_suffix(".sent").write_text(str(sent_until_ms), encoding="utf-8")


def run(
    link: Link,
    plan: Plan,
    *,
    speed: float = 1.0,
    live: bool = True,
    until_ms: int | None = None,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], None] = time.sleep,
    progress: Progress | None = None,
    on_notes: Callable[[pd.DataFrame], None] | None = None,
    stop: threading.Event | None = None,
    state_path: Path | None = None,
) -> None:
    """Publish the past, then the present. With a `state_path` that exists, take up where the last run ended.

    Raises NotConnectedError. The notes of the past are not handed to `on_notes`: see `history`.
    """
    stop = stop or threading.Event()
    bare = speed == 1.0
    with connected(link, stop) as sender:
        if state_path is not None and state_path.exists():
            base = load_state(state_path)
            sent = int(state_path.with_suffix(".sent").read_text(encoding="utf-8"))
            course = resumed(plan.world, plan.scenario, plan.seed, base, max(sent, base.time_ms))
        else:
            truth, course = begun(plan.world, plan.scenario, plan.seed, plan.start_ms, plan.live_ms)
            back_fill(sender, plan, truth, bare_numbers=bare, progress=progress)
            sent = plan.live_ms
            _keep(course, sent, state_path)
        if live and not stop.is_set():
            go_live(
                sender,
                plan,
                course,
                speed=speed,
                bare_numbers=bare,
                sent_until_ms=sent,
                until_ms=until_ms,
                clock=clock,
                sleep=sleep,
                on_notes=on_notes,
                state_path=state_path,
            )


def topics() -> Iterable[str]:
    """The topics of the glasshouse."""
    return (feed.topic for feed in FEEDS)
