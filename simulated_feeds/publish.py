"""Publishing the glasshouse: its past as fast as the broker takes it, then its present at any pace.

Owns the pace, and where a run ended. Everything goes through the broker; clock and sleep are handed in. It must not
know who listens.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import pandas as pd

from simulated_feeds.broker_link import Link as Link
from simulated_feeds.broker_link import NotConnectedError as NotConnectedError
from simulated_feeds.broker_link import Sender, connected
from simulated_feeds.course import Course, begun, carried_on, resumed
from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.glasshouse import SEED, demo_scenario, glasshouse
from simulated_feeds.grower import notes
from simulated_feeds.messages import Message, messages_of
from simulated_feeds.pots import World
from simulated_feeds.truth import State, Truth

LATE_MS = 120_000
Progress = Callable[[str, int, int], None]


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


@dataclass(frozen=True)
class History:
    """The truth of the past, the grower's notes of it (see `grower.notes_csv`), and the course that carries it on."""

    truth: Truth
    notes: pd.DataFrame
    course: Course


def history(plan: Plan, progress: Progress | None = None) -> History:
    """Run the past of a plan."""

    def told(done: int, total: int) -> None:
        if progress is not None:
            progress("truth", done, total)

    truth, course = begun(plan.world, plan.scenario, plan.seed, plan.start_ms, plan.live_ms, told)
    return History(truth, notes(truth, plan.world, plan.scenario, seed=plan.seed), course)


@dataclass(frozen=True)
class Kept:
    """Where a run ended: enough to take it up again."""

    plan: Plan
    base: State
    sent_until_ms: int


def kept(path: Path) -> Kept | None:
    """What the last run left at `path`, if there is any."""
    if not path.exists():
        return None
    with np.load(path) as file:
        base = State(int(file["time_ms"]), *(file[field.name] for field in fields(State)[1:]))
        start_ms, live_ms, seed = (int(file[name]) for name in ("start_ms", "live_ms", "seed"))
        plan = Plan(glasshouse(start_ms, seed), demo_scenario(start_ms), seed, start_ms, live_ms)
        return Kept(plan, base, int(file["sent_until_ms"]))


def _keep(course: Course, plan: Plan, sent_until_ms: int, path: Path | None) -> None:
    """Write where the run stands; the file is replaced as a whole, so that a broken-off run leaves a good one."""
    if path is None:
        return
    fresh = path.with_name(path.name + ".new")
    numbers = {"start_ms": plan.start_ms, "live_ms": plan.live_ms, "seed": plan.seed, "sent_until_ms": sent_until_ms}
    arrays = {field.name: np.asarray(getattr(course.base, field.name)) for field in fields(State)}
    with fresh.open("wb") as file:
        np.savez(file, **{name: np.asarray(value) for name, value in (arrays | numbers).items()})  # type: ignore[arg-type]
    fresh.replace(path)


def back_fill(
    sender: Sender, plan: Plan, truth: Truth, *, bare_numbers: bool = True, progress: Progress | None = None
) -> bool:
    """Send the past in order; True when the broker has it all, False when told to stop before."""
    due = messages_of(truth, plan.scenario, plan.seed, timeless_from_ms=plan.live_ms if bare_numbers else None)
    past = [message for message in due if message.arrived_ms < plan.live_ms]
    for number, message in enumerate(past):
        if not sender.send(message):
            return False
        if progress is not None and number % 500 == 0:
            progress("history", number, len(past))
    all_there = sender.drained()
    if progress is not None:
        progress("history", len(past), len(past))
    return all_there


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

    At speed 1 the simulated clock is `clock`; at another speed it starts where the past ended and runs so much faster.
    Bare numbers are sent only where simulated and real time are one; a bare number that is late is not sent at all.
    `on_notes` gets the grower's new notes. With `state_path` the course can be taken up again (`run`).
    """
    bare = speed == 1.0 if bare_numbers is None else bare_numbers
    begun_at = clock()
    sent_until = plan.live_ms if sent_until_ms is None else sent_until_ms
    origin_ms = sent_until
    ahead = _Ahead(course, [], pd.DataFrame({"time_ms": []}), sent_until)
    while not sender.stop.is_set():
        now = round(clock() * 1000) if speed == 1.0 else origin_ms + round((clock() - begun_at) * 1000.0 * speed)
        now = now if until_ms is None else min(now, until_ms)
        if now > ahead.until_ms:
            ahead = _looked_ahead(ahead.course, plan, sent_until, now, bare)
            _keep(ahead.course, plan, sent_until, state_path)
        if not _send_due(sender, ahead.messages, now):
            return
        if now > sent_until:
            fresh = ahead.notes[(ahead.notes["time_ms"] > sent_until) & (ahead.notes["time_ms"] <= now)]
            sent_until = now
            if on_notes is not None and len(fresh):
                on_notes(fresh.reset_index(drop=True))
                _keep(ahead.course, plan, sent_until, state_path)
        if until_ms is not None and now >= until_ms:
            break
        sleep(tick_s)
    sender.drained(5.0)
    _keep(ahead.course, plan, sent_until, state_path)


@dataclass(frozen=True)
class _Ahead:
    """The near future: messages still to be sent, notes still to be told, up to `until_ms`."""

    course: Course
    messages: list[Message]
    notes: pd.DataFrame
    until_ms: int


def _looked_ahead(course: Course, plan: Plan, sent_until_ms: int, now_ms: int, bare: bool) -> _Ahead:
    course = carried_on(course, now_ms)
    until_ms = course.known_until_ms
    known = messages_of(
        course.truth,
        plan.scenario,
        plan.seed,
        timeless_from_ms=plan.live_ms if bare else None,
        # a day and a half back, so that sensors that send on change have found their last value
        since_ms=sent_until_ms - 3 * DAY_MS // 2,
    )
    due = [message for message in known if sent_until_ms < message.arrived_ms <= until_ms]
    return _Ahead(course, due, notes(course.truth, plan.world, plan.scenario, seed=plan.seed), until_ms)


def _send_due(sender: Sender, messages: list[Message], now_ms: int) -> bool:
    """Send and remove what is due; a bare number that is late is dropped. False when asked to stop."""
    due = next((at for at, message in enumerate(messages) if message.arrived_ms > now_ms), len(messages))
    for message in messages[:due]:
        if not (message.timeless and now_ms - message.arrived_ms > LATE_MS) and not sender.send(message):
            return False
    del messages[:due]
    return True


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
    past: History | None = None,
    state_path: Path | None = None,
) -> None:
    """Publish the past, then the present. With a `state_path` that exists, take up where the last run ended (its own
    plan counts then). `past` is the plan's history where the caller has it already.

    Raises NotConnectedError. The notes of the past are not handed to `on_notes`: they are in `past`. At another speed
    than 1 the simulated clock must stay behind the listener's, or its messages come from the future.
    """
    stop = stop or threading.Event()
    bare = speed == 1.0
    earlier = None if state_path is None else kept(state_path)
    if earlier is not None:
        plan, sent = earlier.plan, earlier.sent_until_ms
    if earlier is not None and sent >= plan.live_ms:
        past = None
        course = resumed(plan.world, plan.scenario, plan.seed, earlier.base, max(sent, earlier.base.time_ms))
    else:
        # a past that was broken off is told again: whoever listens keeps each reading once
        past = past if past is not None and earlier is None else history(plan, progress)
        course = past.course
    with connected(link, stop) as sender:
        if past is not None:
            _keep(course, plan, plan.start_ms, state_path)
            if not back_fill(sender, plan, past.truth, bare_numbers=bare, progress=progress):
                return
            sent = plan.live_ms
            _keep(course, plan, sent, state_path)
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
