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
from dashboard.answers.situation import situation_at
from ingest.backup import scheduled_backup
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS

log = logging.getLogger(__name__)

LOOK_EVERY_S = 10.0
#: A day is packed once its stragglers have had time to come.
SEAL_AFTER_MS = DAY_MS + 6 * HOUR_MS


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
    alerting = Alerting(home)
    chores: list[tuple[float, Callable[[], object]]] = [
        (LOOK_EVERY_S, lambda: situation_at(home, now_ms())),
        (60.0, lambda: alerting.turn(now_ms())),
        (3600.0, lambda: home.readings.seal(now_ms() - SEAL_AFTER_MS)),
        (86400.0, lambda: home.readings.prune(home.settings.readings.keep_raw_days, now_ms())),
        (600.0, lambda: _backup(home, now_ms())),
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


def _backup(home: Home, at_ms: int) -> None:
    settings = home.settings.backup
    if settings.folder is not None:
        folder = home.folder / settings.folder
        scheduled_backup(home.folder, folder, settings.every_hours, at_ms, logbook_url=home.settings.logbook.url)
