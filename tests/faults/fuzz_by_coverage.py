"""The same doors, guided by which lines of the code each case reached: atheris, where it installs.

`python -m tests.faults.fuzz_by_coverage [--runs N] [DOOR ...]` runs each door in a process of its own, with libFuzzer's
own bounds on memory and on the time of a case. atheris has no wheel for every Python and machine, so it is no
requirement: it is fetched into a folder of its own, and where that fails one sentence says so and nothing is wrong.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
FETCHED = ROOT / "build" / "atheris"
MOST_MB = 2048
HANGS_AFTER_S = 60
DOORS = ("payload", "sensor", "notes", "setup", "readings", "settings", "photo", "backup")


def is_there() -> bool:
    """Whether atheris can be imported, fetched if it has to be."""
    sys.path.insert(0, str(FETCHED))
    try:
        import atheris  # noqa: F401
    except ImportError:
        command = [sys.executable, "-m", "pip", "install", "-q", "--target", str(FETCHED), "atheris"]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            print(f"atheris does not install here ({done.stderr.strip().splitlines()[-1]}); nothing is guided.")
        return done.returncode == 0
    return True


def guided(name: str, runs: int) -> int:
    """Run one door in this process; libFuzzer ends the process by itself."""
    sys.path.insert(0, str(FETCHED))
    import atheris

    with atheris.instrument_imports(include=["ingest"]):
        from tests.faults.doors import doors
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as corpus:
        door = doors(Path(folder))[name]
        for number, example in enumerate(door.examples):
            (Path(corpus) / str(number)).write_bytes(example)
        bounds = [f"-runs={runs}", f"-rss_limit_mb={MOST_MB}", f"-timeout={HANGS_AFTER_S}", "-max_len=20000"]
        atheris.Setup(
            [name, *bounds, "-seed=1", "-verbosity=0", "-print_final_stats=1", corpus],
            lambda body: door.knock(body) and None,
        )
        atheris.Fuzz()
    return 0


def main() -> int:
    """Every door in a process of its own; returns 1 when one of them broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.fuzz_by_coverage")
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--here", action="store_true", help="this one door in this process")
    parser.add_argument("doors", nargs="*")
    asked = parser.parse_args()
    if asked.here:
        return guided(asked.doors[0], asked.runs)
    if not is_there():
        return 0
    broken = 0
    for name in asked.doors or DOORS:
        command = [sys.executable, "-m", "tests.faults.fuzz_by_coverage", "--here", "--runs", str(asked.runs), name]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
        stats = [line for line in done.stderr.splitlines() if "number_of_executed_units" in line or "peak_rss" in line]
        told = ", ".join(line.removeprefix("stat::").replace(":", "").replace("  ", "") for line in stats)
        print(f"{name}: {'no crash' if done.returncode == 0 else 'BROKEN'}, {told}", flush=True)
        if done.returncode:
            broken = 1
            print(done.stderr[-5000:], file=sys.stderr)
    return broken


if __name__ == "__main__":
    sys.exit(main())
