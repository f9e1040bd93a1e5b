"""A few hundred bent cases through every door on each run of the tests, always the same; `make fuzz` does many more."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults import fuzz_by_coverage
from tests.faults.doors import Door, doors
from tests.faults.fuzz import fuzz

ROOT = Path(__file__).parents[2]


def test_bent_input_is_taken_in_or_refused_by_every_door(tmp_path: Path):
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.fuzz", "--cases", "150", *fuzz_by_coverage.DOORS],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    print(f"\n{done.stdout}")
    assert done.returncode == 0, done.stderr[-5000:]
    told = [line.partition(":")[0] for line in done.stdout.splitlines()]
    assert told == list(fuzz_by_coverage.DOORS)
    assert set(told) <= set(doors(tmp_path))
    assert all(" 0 taken in" not in line and " 0 refused" not in line for line in done.stdout.splitlines())


def test_a_door_that_breaks_ends_the_run_with_the_bytes_that_did_it(capsys: pytest.CaptureFixture[str]):
    def brittle(body: bytes) -> bool:
        if b"9" in body:
            raise ZeroDivisionError
        return True

    with pytest.raises(ZeroDivisionError):
        fuzz("brittle", Door(brittle, (b"number 8",)), 500, 1)
    assert "brittle: case" in capsys.readouterr().err


def test_a_door_that_keeps_what_it_was_given_is_found_out(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tests.faults.fuzz.MOST_GROWTH_MB", 20)
    hoard: list[bytes] = []

    def greedy(body: bytes) -> bool:
        hoard.append(bytes(1_000_000) + body)
        return True

    with pytest.raises(AssertionError, match="the memory grew by"):
        fuzz("greedy", Door(greedy, (b"x",)), 60, 1)
