"""What the logbook has said is written stays written: kill -9, two writers at once, a lock, a full disk."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from ingest.logbook import Logbook, Unreachable

ROOT = Path(__file__).parents[2]
WRITER = """
import sys
from ingest.logbook import Changed, Logbook
logbook = Logbook(sys.argv[1])
for count in range(int(sys.argv[2])):
    note = {"time_ms": count, "pot": "window left", "kind": "cover", "text": sys.argv[3],
            "detail": {"change": {"headroom_mm": count}}}
    print(logbook.add_note(note), flush=True)
    while True:
        shared = logbook.note(1)
        try:
            logbook.correct_note(1, shared.version, {"amount_ml": (shared.amount_ml or 0) + 1})
            break
        except Changed:
            pass
"""


def opened(folder: Path, busy_s: float = 30.0) -> Logbook:
    return Logbook(f"sqlite:///{folder / 'logbook.db'}", busy_s=busy_s)


@pytest.fixture
def folder(tmp_path):
    with closing(opened(tmp_path)) as logbook:
        logbook.put_shelf({"label": "stairwell"})
        logbook.put_pot({"label": "window left"})
        logbook.describe_setup("window left", {"shelf": "stairwell"}, 0)
        assert logbook.add_note({"time_ms": 0, "kind": "text", "text": "shared"}) == 1
    return tmp_path


def writer(folder: Path, count: int, name: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, f"sqlite:///{folder / 'logbook.db'}", str(count), name]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def kill_and_look(folder: Path, kills: int, capsys) -> None:
    rng, said = random.Random(1), []
    for kill in range(kills):
        process = writer(folder, 10_000, f"kill {kill}")
        said.append(int(process.stdout.readline()))
        time.sleep(rng.uniform(0, 0.25))  # the moment of the kill is the point
        process.send_signal(signal.SIGKILL)
        said += [int(line) for line in process.communicate()[0].splitlines() if line.strip()]
    with closing(opened(folder)) as logbook:
        kept = [note.id for note in logbook.notes()]
        assert len(said) == len(set(said))
        assert set(said) <= set(kept)
        assert len(kept) <= 1 + len(said) + kills  # one more at most a kill: written, but not yet said
        # A note and what it did are one: as many set-ups as change notes, and no two overlap.
        setups = logbook.setups("window left")
        assert len(setups) == len(kept)
        assert [s["to_ms"] for s in setups[:-1]] == [s["from_ms"] for s in setups[1:]]
        assert logbook.note(1).amount_ml == len(logbook.note_history(1)) - 1
    with closing(sqlite3.connect(folder / "logbook.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    with capsys.disabled():
        lost, doubled = len(set(said) - set(kept)), len(kept) - len(set(kept))
        print(f"\nlogbook: {kills} kills, {len(said)} notes said to be written, {lost} lost, {doubled} doubled")


def test_no_kill_loses_a_note_that_was_said_to_be_written(folder, capsys):
    kill_and_look(folder, 3, capsys)


@pytest.mark.long
def test_no_kill_of_fifty_loses_a_note(folder, capsys):
    kill_and_look(folder, 50, capsys)


def test_two_processes_write_at_once_and_neither_loses_a_word(folder):
    writers = [writer(folder, 15, name) for name in ("first", "second")]
    ids = [int(line) for process in writers for line in process.communicate(timeout=120)[0].splitlines()]
    assert [process.returncode for process in writers] == [0, 0]
    with closing(opened(folder)) as logbook:
        notes = logbook.notes(kinds=["cover"])
        assert sorted(note.id for note in notes) == sorted(ids)
        assert [sum(note.text == name for note in notes) for name in ("first", "second")] == [15, 15]
        assert logbook.note(1).amount_ml == 30  # thirty corrections of one note, each on top of the other
        assert len(logbook.note_history(1)) == 31
        assert len(logbook.setups("window left")) == 31


def test_a_locked_logbook_answers_in_a_sentence_and_goes_on_afterwards(folder):
    with closing(opened(folder, busy_s=0.2)) as logbook, closing(sqlite3.connect(folder / "logbook.db")) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Unreachable, match=r"cannot be reached \(database is locked\); nothing was changed"):
            logbook.add_note({"time_ms": 1, "kind": "text"})
        assert len(logbook.notes()) == 1  # reading goes on
        other.rollback()
        logbook.add_note({"time_ms": 1, "kind": "text"})
        assert len(logbook.notes()) == 2


FILLER = """
import resource, signal, sys
from ingest.logbook import Logbook, Unreachable
logbook = Logbook(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, 2_000_000))
try:
    for count in range(10_000):
        logbook.add_note({"time_ms": count, "kind": "text", "text": "x" * 15_000})
        print(count, flush=True)
except Unreachable as error:
    print(error)
"""


def test_a_full_disk_is_said_and_loses_nothing(folder):
    done = subprocess.run(
        [sys.executable, "-c", FILLER, f"sqlite:///{folder / 'logbook.db'}"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert done.returncode == 0, done.stderr
    *counted, sentence = done.stdout.splitlines()
    assert sentence.startswith("The logbook cannot be reached (")
    assert sentence.endswith("; nothing was changed.")
    with closing(opened(folder)) as logbook:
        assert len(logbook.notes()) == 1 + len(counted) > 20
        logbook.add_note({"time_ms": 1, "kind": "text", "text": "room again"})
