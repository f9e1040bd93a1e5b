"""The command line: one short function a command; each imports its room when called.

Exit codes: 0 fine, 1 the answer is "no" or something needs attention, 2 wrong use. An error is one sentence
on stderr that says what to do; a traceback is a bug.
"""

import logging
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from ingest.home import Home

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Where the dry line stands in every wick-fed pot, why it moved, and what to do.",
)

HomeFolder = Annotated[
    Path | None, typer.Option("--home", envvar="DRYLINE_HOME", help="The folder of databases, photos and dryline.toml.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Machine-readable, with stable keys.")]
AtTime = Annotated[str | None, typer.Option("--at", metavar="TIME", help="Answer as of a past moment (ISO 8601).")]
Port = Annotated[int | None, typer.Option("--port", min=1, max=65535, help="The dashboard's port.")]


class WrongUse(Exception):  # noqa: N818 - what happened reads better alone
    """One sentence on stderr, exit code 2."""


def main() -> None:
    """Run the command line."""
    logging.basicConfig(level=logging.WARNING, format="dryline: %(message)s")
    try:
        app()
    except Exception as error:
        if not isinstance(error, _refusals()):
            raise
        print(f"dryline: {error}", file=sys.stderr)
        sys.exit(2)


def _refusals() -> tuple[type[Exception], ...]:
    """What is told to the person in one sentence instead of as a traceback."""
    from ingest.logbook.refusals import Refused
    from ingest.readings import StoreError
    from ingest.settings import SettingsError

    return (WrongUse, SettingsError, Refused, StoreError)


@contextmanager
def _opened(folder: Path | None) -> "Iterator[Home]":
    from ingest.home import open_home

    home = open_home(folder)
    try:
        yield home
    finally:
        home.close()


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _moment_ms(text: str | None) -> int:
    """The moment a person named, now if none; a time without a zone is UTC."""
    if text is None:
        return _now_ms()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongUse(f"{text} is not a time; write it as 2026-03-01T09:00:00Z.") from None
    return round((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() * 1000)


def _show(answer: Mapping[str, Any], as_text: Callable[[Mapping[str, Any]], str], as_json: bool) -> None:
    import orjson

    if as_json:
        options = orjson.OPT_INDENT_2 | orjson.OPT_SERIALIZE_NUMPY
        print(orjson.dumps(answer, option=options).decode())
    else:
        print(as_text(answer))


def _until_asked_to_stop() -> threading.Event:
    """An event that Ctrl-C and a service manager's SIGTERM set."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    return stop


# --- answers ---


@app.command()
def pots(home: HomeFolder = None, at: AtTime = None, as_json: AsJson = False) -> None:
    """How every pot stands: level, water use, days left, dry layer."""
    from dashboard import tables
    from dashboard.answers import pots as question

    with _opened(home) as house:
        _show(question.answer(house, _moment_ms(at)), tables.pots_table, as_json)


@app.command()
def check(home: HomeFolder = None, as_json: AsJson = False) -> None:
    """Sensors silent, clocks wrong, unread messages, disk."""
    from dashboard import tables
    from dashboard.answers import check as question

    with _opened(home) as house:
        answer = question.answer(house, _now_ms())
    _show(answer, tables.check_list, as_json)
    raise typer.Exit(1 if answer["findings"] else 0)


# --- services ---


@app.command()
def run(home: HomeFolder = None, port: Port = None) -> None:
    """Everything in one: broker (if embedded), ingester, dashboard."""
    from ingest.supervisor import keep_running

    with _opened(home) as house:
        folder, embedded = house.folder, house.settings.broker.embedded
    command = [sys.executable, "-m", "dryline"]
    options = ["--home", str(folder)]
    family = {"ingester": [*command, "ingest", *options], "dashboard": [*command, "dashboard", *options]}
    if port is not None:
        family["dashboard"] += ["--port", str(port)]
    if embedded:
        family = {"broker": [*command, "broker", *options], **family}
    keep_running(family, _until_asked_to_stop(), on_beat=_tell_service_manager())


def _tell_service_manager() -> Callable[[], None]:
    """Ready once, then alive at every beat; silent where no service manager listens."""
    from sdnotify import SystemdNotifier

    notifier = SystemdNotifier()
    notifier.notify("READY=1")
    return lambda: notifier.notify("WATCHDOG=1")


@app.command()
def broker(home: HomeFolder = None) -> None:
    """The embedded broker alone, on this machine only."""
    from ingest.broker import serve

    with _opened(home) as house:
        serve(port=house.settings.broker.port, stop=_until_asked_to_stop())


@app.command()
def ingest(home: HomeFolder = None) -> None:
    """The ingester alone: messages from the broker into the store."""
    from dashboard.answers.check import status_file
    from ingest.subscriber import run as subscribe

    with _opened(home) as house:
        subscribe(
            house.link(),
            house.readings,
            house.logbook.sensors,
            stop=_until_asked_to_stop(),
            status_file=status_file(house),
        )


@app.command()
def dashboard(home: HomeFolder = None, port: Port = None) -> None:
    """The dashboard alone, with its hourly refresh."""
    from dashboard.serve import serve

    with _opened(home) as house:
        serve(house, port=port or house.settings.dashboard.port, stop=_until_asked_to_stop())
