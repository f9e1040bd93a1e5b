"""The science report: what the analysis reaches against the simulated truth over many worlds.

Run as `python -m tests.science.report [WORLDS]`. Each section makes its own worlds and prints its own table; a section
is a function from a number of worlds to text. Success on simulated data is no evidence for real pots.
"""

import sys
from collections.abc import Callable

from tests.science import causes, dry_line, guide, looks, rounds
from tests.science.worlds import case


def dry_line_section(worlds: int) -> str:
    """Where the dry line stands: issue 3's table."""
    scores = dry_line.summary(dry_line.predictions(case(seed)) for seed in range(1, worlds + 1))
    return dry_line.report(scores, worlds)


def looks_section(worlds: int) -> str:
    """The race of looks, over a quarter of the worlds: every step of it is a calibration."""
    return looks.report(max(1, worlds // 4))


SECTIONS: tuple[Callable[[int], str], ...] = (
    dry_line_section,
    causes.report,
    guide.report,
    looks_section,
    rounds.report,
)


def main() -> None:
    """Print every section."""
    worlds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    for section in SECTIONS:
        print(section(worlds), flush=True)
        print()


if __name__ == "__main__":
    main()
