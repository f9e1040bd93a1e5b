"""Bent examples through every door, in a process with a bound on its memory and a clock on every case.

`python -m tests.faults.fuzz [--cases N] [--seed N] [DOOR ...]` prints a line a door: cases, taken in, refused, how much
memory grew. Whatever a door does other than taking in or refusing in a sentence ends it with the bytes that did it.
"""

import argparse
import faulthandler
import random
import resource
import signal
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

from tests.faults.doors import Door, doors

#: A case that takes this long hangs. The slowest honest one takes less than a second on a slow machine.
HANGS_AFTER_S = 60
#: What the process may take altogether, libraries included.
MOST_BYTES = 3 * 2**30
#: What it may grow by after the first tenth of the cases: caches fill, leaks go on.
MOST_GROWTH_MB = 150
PIECES = [
    b"\x00",
    b'"',
    b"'",
    b";",
    b"\t",
    b"\n",
    b"\r",
    b"[",
    b"]]",
    b"{",
    b"}",
    b"=",
    b"#",
    b"%",
    b"..",
    b"null",
    b"true",
]
PIECES += ["\ufeff".encode(), "\U0001f98b".encode(), b"\xed\xb2\x80", b"\xff\xfe", b"2026-02-30", b"0000-00-00T00:00Z"]
PIECES += [b"1e999", b"-1", b"nan", b"9" * 400, b"1" * 5000, b"[" * 2000, b"a." * 500, b"/" * 300, b"label"]


def bent(chance: random.Random, example: bytes) -> bytes:
    """An example with pieces put in, cut out or doubled and bytes flipped; now and then just bytes."""
    if chance.random() < 0.05:
        return chance.randbytes(chance.randrange(300))
    body = bytearray(example)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        start = chance.randint(0, len(body))
        end = min(len(body), start + chance.randint(0, 12))
        what = chance.random()
        if what < 0.4:
            body[start:end] = chance.choice(PIECES)
        elif what < 0.6:
            body[start:end] = bytes(body[start:end]) * 2
        elif what < 0.7:
            del body[start:end]
        elif body:
            body[chance.randrange(len(body))] = chance.randrange(256)
    return bytes(body)


def memory_mb() -> float:
    """What the process holds at this moment."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def fuzz(name: str, door: Door, cases: int, seed: int) -> str:
    """Knock with so many cases; returns the line that tells how it went."""
    chance = random.Random(f"{seed} {name}")
    taken, settled_mb = 0, 0.0
    for case in range(cases):
        body = bent(chance, chance.choice(door.examples))
        signal.alarm(HANGS_AFTER_S)
        try:
            taken += door.knock(body)
        except BaseException:
            print(f"{name}: case {case} broke it: {body[:2000]!r}", file=sys.stderr)
            raise
        signal.alarm(0)
        if case == cases // 10:
            settled_mb = memory_mb()
    grown_mb = max(memory_mb() - settled_mb, 0.0)
    assert grown_mb < MOST_GROWTH_MB, f"{name}: the memory grew by {grown_mb:.0f} MB"
    return f"{name}: {cases} cases, {taken} taken in, {cases - taken} refused, memory grew by {grown_mb:.0f} MB"


def hangs(_sign: int, _frame: Any) -> None:
    """The alarm of a case."""
    traceback.print_stack()
    raise TimeoutError(f"a case took longer than {HANGS_AFTER_S} s")


def main() -> None:
    """Fuzz the doors that are named, or all."""
    faulthandler.enable()
    parser = argparse.ArgumentParser(prog="python -m tests.faults.fuzz")
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("doors", nargs="*")
    asked = parser.parse_args()
    signal.signal(signal.SIGALRM, hangs)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    with tempfile.TemporaryDirectory() as folder:
        known = doors(Path(folder))
        for name in asked.doors or known:
            print(fuzz(name, known[name], asked.cases, asked.seed), flush=True)


if __name__ == "__main__":
    main()
