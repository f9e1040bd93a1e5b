"""Processes are started again when they die, and stopped together."""

import os
import signal
import sys
import threading
from pathlib import Path

from ingest.supervisor import keep_running

SLEEPER = (
    "import pathlib, os, signal, sys, time\n"
    "folder = pathlib.Path(sys.argv[1])\n"
    "(folder / f'{sys.argv[2]}-{os.getpid()}').touch()\n"
    "signal.signal(signal.SIGTERM, lambda *_: ((folder / f'{sys.argv[2]}-stopped').touch(), sys.exit(0)))\n"
    "time.sleep(60)\n"
)


def started(folder: Path, name: str) -> list[int]:
    return [int(p.name.split("-")[1]) for p in folder.glob(f"{name}-[0-9]*")]


def test_a_killed_process_comes_back_and_the_others_never_stop(tmp_path: Path) -> None:
    commands = {name: [sys.executable, "-c", SLEEPER, str(tmp_path), name] for name in ("one", "two")}
    stop = threading.Event()
    killed: list[int] = []

    def on_beat() -> None:
        if not killed and started(tmp_path, "one") and started(tmp_path, "two"):
            killed.extend(started(tmp_path, "one"))
            os.kill(killed[0], signal.SIGKILL)
        if len(started(tmp_path, "one")) == 2:
            stop.set()

    restarts = keep_running(commands, stop, on_beat=on_beat, beat_s=0.05)

    assert restarts == {"one": 1, "two": 0}
    assert len(started(tmp_path, "two")) == 1
    assert (tmp_path / "one-stopped").exists()
    assert (tmp_path / "two-stopped").exists()


def test_one_that_hangs_is_killed_and_comes_back(tmp_path: Path) -> None:
    stop = threading.Event()

    def is_well() -> bool:
        return len(started(tmp_path, "one")) != 1  # the first one never is

    def on_beat() -> None:
        if len(started(tmp_path, "one")) == 2:
            stop.set()

    restarts = keep_running(
        {"one": [sys.executable, "-c", SLEEPER, str(tmp_path), "one"]},
        stop,
        on_beat=on_beat,
        beat_s=0.05,
        is_well={"one": is_well},
        look_every_s=0.05,
        hangs_after_s=1.0,
    )

    assert restarts == {"one": 1}


def test_the_end_is_told_before_anyone_is_stopped(tmp_path: Path) -> None:
    stop, told = threading.Event(), []

    def on_beat() -> None:
        if started(tmp_path, "one"):
            stop.set()

    keep_running(
        {"one": [sys.executable, "-c", SLEEPER, str(tmp_path), "one"]},
        stop,
        on_beat=on_beat,
        on_end=lambda: told.append((tmp_path / "one-stopped").exists()),
        beat_s=0.05,
    )

    assert told == [False]
    assert (tmp_path / "one-stopped").exists()
