"""The dashboard as a process: binds the questions to a home, listens, and stops when asked.

Owns the one clock of the dashboard. Knows no page.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from analysis.quantities import in_units
from dashboard import signin
from dashboard.access import following
from dashboard.answers import calendar, collection, guide, health, house, logbook, story, trials, wall, workshop
from dashboard.answers import round as round_answer
from dashboard.answers.situation import recent_situation
from dashboard.app import create_app
from dashboard.care import cared_for
from dashboard.changes import changes_of
from dashboard.downloads import Downloads
from dashboard.listening import listening
from dashboard.pages import Answer, Ask
from ingest.backup import backup
from ingest.home import Home


def now_ms() -> int:
    """The host's clock."""
    return time.time_ns() // 1_000_000


def asks_of(home: Home) -> Ask:
    """The questions of the screens, put to one home."""

    def told(question: Callable[..., Answer]) -> Callable[..., Answer]:
        return _in_units_of(home, partial(question, home))

    return Ask(
        now_ms=now_ms,
        wall=told(wall.answer),
        health=partial(health.answer, home),
        story=told(story.answer),
        workshop=told(workshop.answer),
        logbook=told(logbook.answer),
        round=told(round_answer.answer),
        guide=told(_recent_guide),
        trials=told(trials.answer),
        collection=told(collection.answer),
        pot_record=told(collection.pot),
        house=told(house.answer),
        changes={name: _in_units_of(home, change) for name, change in changes_of(home).items()},
        photos=home.folder / "photos",
        downloads=downloads_of(home),
    )


def _in_units_of(home: Home, question: Callable[..., Answer]) -> Callable[..., Answer]:
    """The question with what its sentences say of lengths, volumes and temperatures in the grower's units."""
    units = home.settings.grower.units
    if units == "metric":  # sentences are made so; the no-break spaces that mark a quantity are right in print
        return question

    def told(*asked: Any) -> Answer:
        return dict(in_units(question(*asked), units))

    return told


def _recent_guide(home: Home, at_ms: int) -> Answer:
    """The guide of the situation at hand: a screen need not wait for the next one."""
    situation = recent_situation(home, at_ms)
    return guide.answer(home, at_ms) if situation is None else guide.told_at_once(home, situation, at_ms)


def downloads_of(home: Home) -> Downloads:
    """The files that leave the dashboard, of one home."""
    return Downloads(
        home.folder,
        home.settings.dashboard.host,
        home.logbook.pots,
        lambda file: backup(home.folder, file, logbook_url=home.settings.logbook.url),
        partial(calendar.answer, home),
    )


def door_of(home: Home) -> signin.Access:
    """Who may come in, as the home's files and its settings say."""
    wanted = home.settings.dashboard
    return replace(signin.read_access(home.folder), secure_cookies=wanted.secure_cookies, open_wall=wanted.open_wall)


def serve(home: Home, *, port: int, stop: threading.Event) -> None:
    """Serve the screens until `stop` is set.

    Raises:
        ListeningRefusedError: the settings name a host that other machines reach, and there is no password.
        OSError: the port is taken.
    """
    host = home.settings.dashboard.host
    access = door_of(home)
    signin.check_listening(host, access)
    app = create_app(asks_of(home), access, home.settings.dashboard.title, following(home.folder, access))
    with listening(app.server, host, port), cared_for(home, now_ms):
        stop.wait()
