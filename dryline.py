"""The command line: one short function a command; each imports its room when called.

Exit codes: 0 fine, 1 the answer is "no" or something needs attention, 2 wrong use. An error is one sentence
on stderr that says what to do; a traceback is a bug.
"""

import logging
import os
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

# The matrices here are small: threads of the linear algebra library only get in each other's way. Before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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
    from dashboard.signin import ListeningRefusedError, PasswordRefusedError
    from ingest.broker import BrokerError
    from ingest.logbook.refusals import Refused
    from ingest.readings import StoreError
    from ingest.settings import SettingsError
    from simulated_feeds.publish import NotConnectedError

    return (
        WrongUse,
        SettingsError,
        Refused,
        StoreError,
        BrokerError,
        NotConnectedError,
        ListeningRefusedError,
        PasswordRefusedError,
    )


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
    from ingest.broker import Listener
    from ingest.broker import run as serve

    with _opened(home) as house:
        serve(Listener(port=house.settings.broker.port), stop=_until_asked_to_stop())


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


@app.command()
def simulate(
    home: HomeFolder = None,
    days: Annotated[int, typer.Option(min=1, max=730, help="Days of history to begin with.")] = 120,
    seed: Annotated[int | None, typer.Option(help="Another invented glasshouse.")] = None,
    speed: Annotated[
        float, typer.Option(min=0.1, help="Pace of the present; not 1: the last 30 days, then stop.")
    ] = 1.0,
) -> None:
    """Publish the invented glasshouse to the broker: history, then live."""
    from simulated_feeds import publish
    from simulated_feeds.glasshouse import SEED, setup_toml
    from simulated_feeds.grower import notes_csv

    with _opened(home) as house:
        began_ms = _simulated_until_ms(house)
        live = speed == 1.0
        # At another pace the simulated clock must never run ahead of the host's: messages from the future are refused.
        plan = publish.demo_plan(began_ms if live else began_ms - 30 * 86_400_000, days, SEED if seed is None else seed)
        state = house.folder / "glasshouse.npz"
        past = None
        if not state.exists():
            past = publish.history(plan, _progress)
            setup = setup_toml(plan.start_ms, plan.live_ms, seed=plan.seed, scenario=plan.scenario, bare_numbers=live)
            house.logbook.import_setup(setup)
            house.logbook.import_notes(notes_csv(past.notes))
        broker = house.settings.broker
        publish.run(
            publish.Link(host="127.0.0.1" if broker.embedded else broker.host, port=broker.port),
            plan,
            speed=speed,
            until_ms=None if live else began_ms,
            past=past,
            progress=_progress,
            on_notes=lambda notes: house.logbook.import_notes(notes_csv(notes)),
            stop=_until_asked_to_stop(),
            state_path=state,
        )


def _progress(what: str, done: int, of: int) -> None:
    """One line that is written over on a terminal, else a line a tenth."""
    share = 100 * done // max(of, 1)
    if sys.stderr.isatty():
        print(f"{what}: {share:3d} %", end="\n" if done == of else "\r", file=sys.stderr, flush=True)
    elif share % 10 == 0:
        print(f"{what}: {share} %", file=sys.stderr, flush=True)


def _simulated_until_ms(house: "Home") -> int:
    """Where the simulated past of a home ends: the moment it was first asked for, kept for later starts."""
    mark = house.folder / "glasshouse.began"
    if not mark.exists():
        mark.write_text(str(_now_ms()), encoding="utf-8")
    return int(mark.read_text(encoding="utf-8"))


@app.command()
def demo(home: HomeFolder = None, port: Port = None) -> None:
    """Everything at once on an invented glasshouse; prints the address."""
    import tempfile

    with tempfile.TemporaryDirectory(prefix="dryline-demo-") as scratch:
        folder = home or Path(scratch)
        chosen = _demo_settings(folder, port)
        command = [sys.executable, "-m", "dryline"]
        family = {
            name: [*command, what, "--home", str(folder)]
            for name, what in {
                "broker": "broker",
                "ingester": "ingest",
                "dashboard": "dashboard",
                "glasshouse": "simulate",
            }.items()
        }
        from ingest.supervisor import keep_running

        keep_running(family, _until_asked_to_stop(), on_beat=_announcing(chosen))


def _demo_settings(folder: Path, port: int | None) -> int:
    """Write settings with free ports where there are none yet; returns the dashboard's port."""
    from ingest.broker import free_port
    from ingest.settings import read_settings
    from simulated_feeds.glasshouse import TIME_ZONE

    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "dryline.toml"
    if not file.exists():
        text = f'[broker]\nport = {free_port()}\n[dashboard]\nport = {port or 8050}\ntitle = "The glasshouse"\n'
        file.write_text(f'{text}[grower]\nvisits_per_week = 2\ntimezone = "{TIME_ZONE}"\n', encoding="utf-8")
    return read_settings(file).dashboard.port


def _announcing(port: int) -> Callable[[], None]:
    """Says the address once, as soon as the dashboard answers."""
    from urllib.error import URLError
    from urllib.request import urlopen

    address = f"http://127.0.0.1:{port}/"
    told: list[str] = []

    def announce() -> None:
        if told:
            return
        try:
            urlopen(f"{address}healthz", timeout=0.5).close()
        except (URLError, OSError):
            return
        told.append(address)
        print(f"dryline is at {address}   (Ctrl-C ends it; all data here are invented)", flush=True)

    return announce


# --- in and out ---


@app.command()
def password(home: HomeFolder = None) -> None:
    """Set the password that other machines need."""
    from dashboard.signin import set_password

    with _opened(home) as house:
        set_password(house.folder, typer.prompt("Password", hide_input=True, confirmation_prompt=True))
    print("The password is set; sessions that were open are signed out.")


if __name__ == "__main__":
    main()
