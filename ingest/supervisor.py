"""Keeps the processes of one home alive: starts them, starts again what died or hangs, stops them together.

It knows commands, not rooms: what a process does, and how it shows that it is well, is no business of this file. The
processes share only the home folder, so any may die and come back without the others noticing more than a gap.
"""

import ctypes
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

log = logging.getLogger(__name__)

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
STEADY_AFTER_S = 60.0
GRACE_S = 10.0
PR_SET_PDEATHSIG = 1
LOOK_EVERY_S = 20.0
HANGS_AFTER_S = 180.0


@dataclass
class Supervised:
    """One process that should be running, how its restarts have gone, and when it was last seen well."""

    name: str
    command: Sequence[str]
    is_well: Callable[[], bool] | None = None
    well_s: float = 0.0
    look_s: float = 0.0
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    wait_s: float = FIRST_WAIT_S
    start_again_s: float = 0.0
    restarts: int = field(default=0)


def keep_running(
    commands: Mapping[str, Sequence[str]],
    stop: threading.Event,
    *,
    on_beat: Callable[[], None] = lambda: None,
    beat_s: float = 0.2,
    on_end: Callable[[], None] = lambda: None,
    environment: Mapping[str, str] | None = None,
    is_well: Mapping[str, Callable[[], bool]] | None = None,
    look_every_s: float = LOOK_EVERY_S,
    hangs_after_s: float = HANGS_AFTER_S,
) -> dict[str, int]:
    """Run the named commands until `stop` is set; returns how often each was started again.

    A process that ends is started again after a wait that doubles up to a minute and is forgotten
    once it has run for a minute. At the end all are asked to stop, last one first (so that the broker
    outlives those who talk to it), and killed only after ten seconds.

    `is_well` asks after some of them, now and then; one that has not been well for `hangs_after_s` hangs: it is
    killed and started again.
    """
    env = {**os.environ, **(environment or {})}
    family = [Supervised(name, command, (is_well or {}).get(name)) for name, command in commands.items()]
    try:
        while not stop.is_set():
            now_s = time.monotonic()
            for member in family:
                _tend(member, now_s, env)
                if _hangs(member, now_s, look_every_s, hangs_after_s):
                    log.error("%s has not been well for %.0f s and is killed", member.name, hangs_after_s)
                    _kill(member)
            on_beat()
            stop.wait(beat_s)
    finally:
        on_end()
        _stop_all(family)
    return {member.name: member.restarts for member in family}


def _tend(member: Supervised, now_s: float, env: Mapping[str, str]) -> None:
    if member.process is None:
        if now_s >= member.start_again_s:
            # preexec_fn is unsafe beside threads; the supervisor has none of its own.
            member.process = subprocess.Popen(
                member.command,
                env=dict(env),
                preexec_fn=_die_with_parent(),  # noqa: PLW1509
            )
            member.started_s = member.well_s = now_s
        return
    if member.process.poll() is None:
        if now_s - member.started_s > STEADY_AFTER_S:
            member.wait_s = FIRST_WAIT_S
        return
    log.warning("%s ended with %s; starting it again in %.0f s", member.name, member.process.returncode, member.wait_s)
    member.process = None
    member.restarts += 1
    member.start_again_s = now_s + member.wait_s
    member.wait_s = min(2 * member.wait_s, LONGEST_WAIT_S)


def _hangs(member: Supervised, now_s: float, look_every_s: float, hangs_after_s: float) -> bool:
    """Whether a running process has not been well for too long; asked only now and then."""
    if member.is_well is None or member.process is None or now_s < member.look_s:
        return False
    member.look_s = now_s + look_every_s
    if member.is_well():
        member.well_s = now_s
    return now_s - member.well_s > hangs_after_s


def _kill(member: Supervised) -> None:
    if member.process is not None:
        member.process.kill()
        member.process.wait()


def _stop_all(family: Sequence[Supervised]) -> None:
    deadline_s = time.monotonic() + GRACE_S
    for member in reversed(family):
        if member.process is None or member.process.poll() is not None:
            continue
        member.process.terminate()
        try:
            member.process.wait(max(0.1, deadline_s - time.monotonic()))
        except subprocess.TimeoutExpired:
            log.warning("%s did not stop in %.0f s and was killed", member.name, GRACE_S)
            member.process.kill()
            member.process.wait()


def _die_with_parent() -> Callable[[], None] | None:
    """On Linux a child is told when its supervisor is killed outright, so none is left behind."""
    if not sys.platform.startswith("linux"):
        return None
    libc = ctypes.CDLL(None, use_errno=True)

    def ask_for_signal() -> None:
        libc.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)

    return ask_for_signal
