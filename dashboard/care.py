"""What the dashboard does for the home while nobody asks: keeps answers current, tells alerts, packs days, backs up.

Owns when each of these is due, in one thread. A failure is logged and tried again; it never ends the thread
or the screens.
"""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from dashboard.alerts import Alerting
from dashboard.answers import guide
from dashboard.answers.alerts import of_pots
from dashboard.answers.pot_days import keep_days
from dashboard.answers.situation import Situation, recent_situation, situation_at
from dashboard.answers.wall import pots_shown
from ingest.backup import scheduled_backup
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS

log = logging.getLogger(__name__)

#: A note should be on the screens within seconds; a look that finds nothing new costs two milliseconds.
LOOK_EVERY_S = 2.0
#: A day is packed once its stragglers have had time to come.
SEAL_AFTER_MS = DAY_MS + 6 * HOUR_MS
#: A sleeping node may send its last hours at once; what is older than this came by a back-fill or an import.
LATE_AFTER_MS = 6 * HOUR_MS
#: A node whose clock is wrong may send old hours for ever.
LATE_AT_MOST_EVERY_MS = 5 * 60_000
#: How long no more of it must have come in.
LATE_SETTLED_MS = 10_000


@contextmanager
def cared_for(home: Home, now_ms: Callable[[], int]) -> Iterator[None]:
    """Care for a home while the block runs."""
    stop = threading.Event()
    thread = threading.Thread(target=_care, args=(home, now_ms, stop), name="care", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(timeout=30)


def _care(home: Home, now_ms: Callable[[], int], stop: threading.Event) -> None:
    alerting, keeping = Alerting(home), Keeping(home)
    chores: list[tuple[float, Callable[[], object]]] = [
        (LOOK_EVERY_S, lambda: keeping.turn(now_ms())),
        (60.0, lambda: alerting.turn(now_ms())),
        (3600.0, lambda: home.readings.seal(now_ms() - SEAL_AFTER_MS)),
        (86400.0, lambda: home.readings.prune(home.settings.readings.keep_raw_days, now_ms())),
        (600.0, lambda: _backup(home, now_ms())),
        (600.0, lambda: _advise(home, now_ms())),
    ]
    due_s = [0.0] * len(chores)
    while not stop.is_set():
        for number, (every_s, chore) in enumerate(chores):
            if time.monotonic() < due_s[number]:
                continue
            try:
                chore()
            except Exception:
                log.exception("care of the home failed; it is tried again")
            due_s[number] = time.monotonic() + every_s
        stop.wait(1.0)


class Keeping:
    """Keeps the situation current, and the facts of days that are over.

    It is gathered with each new hour and each change in the logbook, and once readings of hours long past, of which a
    back-fill or an import brings many, have stopped coming in.
    """

    def __init__(self, home: Home) -> None:
        self._home = home
        self._late = 0
        self._late_ms = 0
        self._caught_up_ms = 0
        self._kept: Situation | None = None

    def turn(self, at_ms: int) -> None:
        """One look."""
        late = late_hours(self._home, at_ms)
        if late != self._late:
            self._late, self._late_ms = late, at_ms
        settled = late > 0 and at_ms - self._late_ms >= LATE_SETTLED_MS
        anew = settled and at_ms - self._caught_up_ms >= LATE_AT_MOST_EVERY_MS
        situation = situation_at(self._home, at_ms, anew=anew)
        if anew:
            self._caught_up_ms = at_ms
        if situation is not None and situation is not self._kept:
            # What the wall asks every few seconds is reckoned before anybody waits for it.
            pots_shown(situation)
            of_pots(situation)
            keep_days(self._home, situation)
            self._kept = situation


def late_hours(home: Home, at_ms: int) -> int:
    """How many hours of all sources, long past, were changed by readings that no fact knows of yet."""
    return sum(int((hours < at_ms - LATE_AFTER_MS).sum()) for hours in home.readings.touched().hours.values())


def _advise(home: Home, at_ms: int) -> None:
    """The guide takes seconds: it is reckoned before somebody opens its page."""
    situation = recent_situation(home, at_ms)
    if situation is not None:
        guide.told(home, situation)


def _backup(home: Home, at_ms: int) -> None:
    settings = home.settings.backup
    if settings.folder is not None:
        folder = home.folder / settings.folder
        scheduled_backup(home.folder, folder, settings.every_hours, at_ms, logbook_url=home.settings.logbook.url)
