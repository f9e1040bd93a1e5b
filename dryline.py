"""The command line: one short function a command; each imports its room when called.

Exit codes: 0 fine, 1 the answer is "no" or something needs attention, 2 wrong use. An error is one sentence
on stderr that says what to do; a traceback is a bug.
"""

import errno
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from datetime import tzinfo

    from ingest.home import Home
    from ingest.logbook.logbook import Imported


class Commands(TyperGroup):
    """The list of commands without the heading of its only option, so that it fits a small terminal."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Commands only."""
        self.format_commands(ctx, formatter)


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Where the dry line stands in every wick-fed pot, and what to do about it.",
)

# The matrices here are small: threads of the linear algebra library only get in each other's way. Before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HomeFolder = Annotated[
    Path | None, typer.Option("--home", envvar="DRYLINE_HOME", help="The folder of databases, photos and dryline.toml.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Machine-readable, with stable keys.")]
AtTime = Annotated[str | None, typer.Option("--at", metavar="TIME", help="Answer as of a past moment (ISO 8601).")]
Cluster = Annotated[
    str | None, typer.Option("--cluster", metavar="tcp://HOST:PORT", help="A Dask scheduler that computes.")
]
Port = Annotated[int | None, typer.Option("--port", min=1, max=65535, help="The dashboard's port.")]


#: How often systemd hears of us; its watchdog may wait for minutes.
BEAT_EVERY_S = 5.0


class WrongUse(Exception):  # noqa: N818 - what happened reads better alone
    """One sentence on stderr, exit code 2."""


def main() -> None:
    """Run the command line."""
    logging.basicConfig(level=logging.WARNING, format="dryline: %(message)s")
    if sys.stderr.isatty() and not SERVICES & set(sys.argv[1:2]):
        threading.Thread(target=_tell_that_it_works, daemon=True).start()
    try:
        code = app(standalone_mode=False)
    except typer.Abort:
        sys.exit(130)
    except Exception as error:
        _rest()
        sentence = _sentence(error)
        if sentence is None:
            raise
        print(sentence, file=sys.stderr)
        sys.exit(2)
    finally:
        _rest()
    sys.exit(code)


#: Commands that last, or show their own progress.
SERVICES = frozenset(("run", "broker", "ingest", "dashboard", "simulate", "demo", "password"))
#: After how long a person at a terminal is told that something goes on.
TELL_AFTER_S = 2.0
_resting = threading.Event()


def _tell_that_it_works() -> None:
    begun_s = time.monotonic()
    wait_s = TELL_AFTER_S
    while not _resting.wait(wait_s):
        print(f"at work, {time.monotonic() - begun_s:.0f} s", end="\r", file=sys.stderr, flush=True)
        wait_s = 1.0


def _rest() -> None:
    """Nothing more is told of work, and what follows begins on a clean line."""
    if not _resting.is_set() and sys.stderr.isatty():
        print("\x1b[2K", end="\r", file=sys.stderr, flush=True)
    _resting.set()


def _sentence(error: Exception) -> str | None:
    """What is told to the person; None for an error that is a bug."""
    if hasattr(error, "format_message"):  # the command line's own: a misspelt command, a missing argument
        text = str(error.format_message())
        return text if text.startswith("Usage:") else f"dryline: {text}"
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"dryline: {where}{error.strerror or error}."
    return f"dryline: {error}" if isinstance(error, _refusals()) else None


#: What is told to the person in one sentence instead of as a traceback, by the room that raises it.
REFUSALS = (
    ("dashboard.answers.computing", "ClusterAway"),
    ("dashboard.answers.explain", "WrongSpell"),
    ("dashboard.answers.situation", "UnknownPot"),
    ("dashboard.answers.two_spells", "TooLittleHistory"),
    ("dashboard.signin", "ListeningRefusedError"),
    ("dashboard.signin", "PasswordRefusedError"),
    ("ingest.broker", "BrokerError"),
    ("ingest.logbook.refusals", "Refused"),
    ("ingest.readings", "StoreError"),
    ("ingest.settings", "SettingsError"),
    ("simulated_feeds.broker_link", "NotConnectedError"),
)


def _refusals() -> tuple[type[Exception], ...]:
    """The refusals of the rooms that are loaded; no other can have been raised, and none is loaded for this."""
    loaded = [(sys.modules[room], name) for room, name in REFUSALS if room in sys.modules]
    return (WrongUse, *(getattr(room, name) for room, name in loaded))


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


def _moment_ms(text: str | None, zone: tzinfo = UTC) -> int:
    """The moment a person named, now if none; a time without a zone is in `zone`."""
    if text is None:
        return _now_ms()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongUse(f"{text} is not a time; write it as 2026-03-01T09:00:00Z.") from None
    return round((moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp() * 1000)


def _show(answer: Mapping[str, Any], as_text: Callable[[Mapping[str, Any]], str], as_json: bool) -> None:
    import orjson

    from analysis.quantities import in_units

    _rest()
    answer = in_units(answer, "metric")  # as the names of columns and keys say
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


@app.command()
def alerts(
    home: HomeFolder = None,
    at: AtTime = None,
    test: Annotated[bool, typer.Option("--test", help="Send a test to everyone who would be told.")] = False,
    as_json: AsJson = False,
) -> None:
    """What needs you now, as it is told to you."""
    from dashboard import tables
    from dashboard.answers import alerts as question

    with _opened(home) as house:
        if test:
            from dashboard.alerts import send_test

            sent = send_test(house)
            _show(sent, lambda answer: str(answer["says"]), as_json)
            raise typer.Exit(1 if sent["failed"] else 0)
        answer = question.answer(house, _moment_ms(at))
    _show(answer, tables.alerts_list, as_json)
    raise typer.Exit(1 if answer["alerts"] else 0)


@app.command()
def explain(
    pot: Annotated[str, typer.Argument(help="The pot's label.")],
    home: HomeFolder = None,
    at: AtTime = None,
    since: Annotated[str | None, typer.Option(metavar="TIME", help="Since when; else found by itself.")] = None,
    until: Annotated[str | None, typer.Option(metavar="TIME", help="Until when; else the moment asked of.")] = None,
    as_json: AsJson = False,
) -> None:
    """Why a pot dried out, or stayed wet."""
    from dashboard import tables
    from dashboard.answers import explain as question

    with _opened(home) as house:
        span = [None if moment is None else _moment_ms(moment) for moment in (since, until)]
        _show(question.answer(house, pot, _moment_ms(at), *span), tables.explain_text, as_json)


@app.command()
def guide(home: HomeFolder = None, at: AtTime = None, as_json: AsJson = False) -> None:
    """Which change each pot needs in its climate, if any."""
    from dashboard import tables
    from dashboard.answers import guide as question

    with _opened(home) as house:
        _show(question.answer(house, _moment_ms(at)), tables.guide_table, as_json)


@app.command("round")
def round_(
    home: HomeFolder = None,
    at: AtTime = None,
    away: Annotated[
        str | None, typer.Option(metavar="FROM..TO", help="Plan an absence: the day you leave and are back.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Which pots to water on which day, how much, and what to mix."""
    from dashboard import tables
    from dashboard.answers import round as question

    with _opened(home) as house:
        span = None if away is None else _span_ms(away, house.settings.grower.timezone)
        _show(question.answer(house, _moment_ms(at), span), tables.round_list, as_json)


@app.command()
def trials(home: HomeFolder = None, at: AtTime = None, as_json: AsJson = False) -> None:
    """Pots that differ in one thing, and what they showed so far."""
    from dashboard import tables
    from dashboard.answers import trials as question

    with _opened(home) as house:
        _show(question.answer(house, _moment_ms(at)), tables.trials_list, as_json)


def _span_ms(text: str, zone: str) -> tuple[int, int]:
    """Two moments written FROM..TO; those without a zone are in the grower's."""
    from ingest.moments import zone_named

    first, dots, last = text.partition("..")
    if not dots:
        raise WrongUse(f"{text} is not a span; write it as 2026-03-01..2026-03-14.")
    here = zone_named(zone)
    return _moment_ms(first, here), _end_ms(last, here)


def _end_ms(text: str, zone: tzinfo) -> int:
    """When a span ends: a day that is named without a time belongs to it, as on the screen."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return _moment_ms(text, zone)
    return _moment_ms((day + timedelta(days=1)).isoformat(), zone)


# --- services ---


@app.command()
def run(home: HomeFolder = None, port: Port = None, cluster: Cluster = None) -> None:
    """Everything in one: broker (if embedded), ingester, dashboard."""
    from ingest.supervisor import keep_running

    with _logged(home, "run") as house:
        folder, embedded, ingesters = house.folder, house.settings.broker.embedded, house.settings.broker.ingesters
        page = house.settings.dashboard.host, port or house.settings.dashboard.port
        is_well = {"ingester": partial(_ingester_is_well, folder / "ingester.json")}
        is_well["dashboard"] = partial(_dashboard_is_well, *page)
    command = [sys.executable, "-m", "dryline"]
    options = ["--home", str(folder)]
    family = {"ingester": [*command, "ingest", *options], "dashboard": [*command, "dashboard", *options]}
    for number in range(2, ingesters + 1):
        family[f"ingester {number}"] = [*family["ingester"], "--number", str(number)]
    if port is not None:
        family["dashboard"] += ["--port", str(port)]
    if cluster is not None:
        family["dashboard"] += ["--cluster", cluster]
    if embedded:
        family = {"broker": [*command, "broker", *options], **family}
    told, on_end = _service_manager()
    announce = _announcing(*page, "Ctrl-C ends it")

    def on_beat() -> None:
        told()
        announce()

    keep_running(family, _until_asked_to_stop(), on_beat=on_beat, on_end=on_end, is_well=is_well)


@contextmanager
def _logged(folder: Path | None, name: str) -> "Iterator[Home]":
    """A home opened for a service, which keeps a log from its first word; answers and imports keep none."""
    from ingest.logs import keep_log

    with _opened(folder) as house:
        keep_log(house.folder, name, house.secrets())
        yield house


def _service_manager() -> tuple[Callable[[], None], Callable[[], None]]:
    """What tells systemd at each beat that we are ready and alive, and what tells it at the end; silent without one."""
    from sdnotify import SystemdNotifier

    notifier = SystemdNotifier()
    told_s = [0.0]

    def beat() -> None:
        if time.monotonic() - told_s[0] >= BEAT_EVERY_S:
            told_s[0] = time.monotonic()
            notifier.notify("READY=1\nWATCHDOG=1")

    return beat, lambda: notifier.notify("STOPPING=1")


def _ingester_is_well(file: Path) -> bool:
    """Whether the ingester has written its counters lately; one that never did has still to start."""
    return not file.exists() or time.time() - file.stat().st_mtime < 60.0


def _reached_at(host: str) -> str:
    """Where this machine finds what listens on a host; what listens everywhere also listens here."""
    return "127.0.0.1" if host in ("0.0.0.0", "::", "") else host


def _dashboard_is_well(host: str, port: int) -> bool:
    """Whether the dashboard answers at all; what it says of the home is not asked here."""
    from http.client import HTTPConnection, HTTPException

    connection = HTTPConnection(_reached_at(host), port, timeout=5)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status > 0
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()


@app.command()
def broker(home: HomeFolder = None) -> None:
    """The embedded broker alone: this machine only, unless the settings say otherwise."""
    from ingest.broker import run as serve

    with _logged(home, "broker") as house:
        serve(*house.listeners(), stop=_until_asked_to_stop(), keep_for=house.link())


@app.command()
def ingest(
    home: HomeFolder = None,
    number: Annotated[int, typer.Option(min=1, max=16, help="Which of several ingesters of this home.")] = 1,
) -> None:
    """The ingester alone: messages from the broker into the store."""
    from dashboard.answers.check import status_file
    from ingest.subscriber import run as subscribe

    stop = _until_asked_to_stop()
    name = "ingest" if number == 1 else f"ingest-{number}"
    with _logged(home, name) as house, _forwarding(house, stop) if number == 1 else nullcontext():
        if number > 1 and house.settings.broker.shared_group is None:
            raise WrongUse("Several ingesters need a shared_group under [broker] in dryline.toml.")
        status = status_file(house, number)
        subscribe(house.link(number), house.readings, house.logbook.sensors, stop=stop, status_file=status)


@contextmanager
def _forwarding(house: "Home", stop: threading.Event) -> Iterator[None]:
    """Readings go on to the server of the settings, where there is one, while the block runs."""
    if house.settings.influx.url is None:
        house.readings.forward_no_longer()
        yield
        return
    from ingest.readings.influx import keep_forwarding

    thread = threading.Thread(
        target=keep_forwarding, args=(house.readings, stop, logging.getLogger("dryline").warning), name="forwarding"
    )
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@app.command()
def dashboard(home: HomeFolder = None, port: Port = None, cluster: Cluster = None) -> None:
    """The dashboard alone, with its hourly refresh."""
    from dashboard.answers.computing import on_cluster
    from dashboard.serve import serve

    with _logged(home, "dashboard") as house, on_cluster(cluster or house.settings.analysis.cluster):
        chosen = port or house.settings.dashboard.port
        try:
            serve(house, port=chosen, stop=_until_asked_to_stop())
        except OSError as error:
            if error.errno != errno.EADDRINUSE:
                raise
            raise WrongUse(f"The port {chosen} is taken: stop what listens there, or choose one with --port.") from None


@app.command()
def simulate(
    home: HomeFolder = None,
    days: Annotated[int, typer.Option(min=1, max=730, help="Days of history to begin with.")] = 120,
    seed: Annotated[int | None, typer.Option(help="Another invented glasshouse.")] = None,
    speed: Annotated[
        float, typer.Option(min=0.1, help="Pace of the present; not 1: the last 30 days, then stop.")
    ] = 1.0,
) -> None:
    """The invented glasshouse, published to the broker."""
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
        link = house.link()
        publish.run(
            publish.Link(
                link.host, link.port, link.username, link.password, Path(link.tls_ca) if link.tls_ca else None
            ),
            plan,
            speed=speed,
            until_ms=None if live else began_ms,
            past=past,
            progress=_progress,
            on_notes=lambda notes: _log_notes(house, notes_csv(notes)),
            stop=_until_asked_to_stop(),
            state_path=state,
        )


def _log_notes(house: "Home", notes: str) -> None:
    house.logbook.import_notes(notes)


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


INVENTED = "Ctrl-C ends it; all data here are invented"


@app.command()
def demo(home: HomeFolder = None, port: Port = None) -> None:
    """Everything at once on the invented glasshouse."""
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

        keep_running(family, _until_asked_to_stop(), on_beat=_announcing("127.0.0.1", chosen, INVENTED))


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


def _announcing(host: str, port: int, says: str) -> Callable[[], None]:
    """Says the address once, as soon as the dashboard answers there, whatever it answers."""
    from urllib.error import HTTPError, URLError
    from urllib.request import urlopen

    here = _reached_at(host)
    address = f"http://{f'[{here}]' if ':' in here else here}:{port}/"
    told: list[str] = []

    def announce() -> None:
        if told:
            return
        try:
            urlopen(f"{address}healthz", timeout=0.5).close()
        except HTTPError:
            pass  # it says that something is wrong with the home, and shows that on its pages
        except (URLError, OSError):
            return
        told.append(address)
        print(f"dryline is at {address}   ({says})", flush=True)

    return announce


# --- in and out ---


import_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Take in readings, notes or a set-up.")
export_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Give out readings, notes or the set-up.")
app.add_typer(import_app, name="import")
app.add_typer(export_app, name="export")

InFileOrFolder = Annotated[Path, typer.Argument(metavar="FILE", exists=True, readable=True)]
InFile = Annotated[Path, typer.Argument(metavar="FILE", exists=True, dir_okay=False, readable=True)]
OutFileOrNone = Annotated[Path | None, typer.Argument(metavar="FILE", dir_okay=False, writable=True)]
OutFile = Annotated[Path, typer.Argument(metavar="FILE", dir_okay=False, writable=True)]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Try it, write nothing.")]
Zone = Annotated[str | None, typer.Option("--zone", help="Time zone of times that name none, as Europe/Lisbon.")]


def _zone(name: str | None) -> "tzinfo | None":
    from ingest.moments import zone_named

    try:
        return None if name is None else zone_named(name)
    except ValueError as error:
        sentence = str(error)
        raise WrongUse(sentence[0].upper() + sentence[1:]) from None


def _told(what: str, imported: "Imported", dry_run: bool) -> None:
    would = "would be " if dry_run else ""
    print(f"{imported.read} {what} read, {imported.added} {would}added.")


@import_app.command("setup")
def import_setup(file: InFile, home: HomeFolder = None, dry_run: DryRun = False, zone: Zone = None) -> None:
    """Shelves, sensors, pots and their set-ups from a TOML file."""
    with _opened(home) as house:
        done = house.logbook.import_setup(file.read_bytes(), zone=_zone(zone), keep=not dry_run, plausible=True)
    _told("entries", done, dry_run)


@import_app.command("notes")
def import_notes(file: InFile, home: HomeFolder = None, dry_run: DryRun = False, zone: Zone = None) -> None:
    """Notes from a CSV file; those that are there already are not added twice."""
    with _opened(home) as house:
        done = house.logbook.import_notes(file.read_bytes(), zone=_zone(zone), keep=not dry_run, at_ms=_now_ms())
    _told("notes", done, dry_run)


@import_app.command("readings")
def import_readings(file: InFileOrFolder, home: HomeFolder = None, dry_run: DryRun = False, zone: Zone = None) -> None:
    """Readings from a CSV file, as a source of their own, or from a folder of exported Parquet, as they were."""
    from ingest import readings_csv, readings_parquet

    with _opened(home) as house:
        if file.is_dir():
            done, sources = readings_parquet.import_months(file, house.readings, keep=not dry_run)
            _told("readings", done, dry_run)
            if unknown := sources - {sensor.source for sensor in house.logbook.sensors()}:
                print(f"{len(unknown)} of {len(sources)} sources have no sensor here yet: import the set-up too.")
            return
        done = readings_csv.import_readings(
            file.read_bytes(), file.stem, house.logbook, house.readings, zone=_zone(zone), keep=not dry_run
        )
    _told("readings", done, dry_run)


@export_app.command("setup")
def export_setup(file: OutFile, home: HomeFolder = None) -> None:
    """Shelves, sensors, pots and their set-ups as a TOML file."""
    with _opened(home) as house:
        file.write_text(house.logbook.export_setup(), encoding="utf-8")


@export_app.command("notes")
def export_notes(file: OutFile, home: HomeFolder = None) -> None:
    """All standing notes as a CSV file."""
    with _opened(home) as house:
        file.write_text(house.logbook.export_notes(), encoding="utf-8")


@export_app.command("readings")
def export_readings(
    file: OutFileOrNone = None,
    home: HomeFolder = None,
    parquet: Annotated[
        Path | None, typer.Option(metavar="FOLDER", file_okay=False, help="Whole months as Parquet, raw values too.")
    ] = None,
    since: Annotated[str | None, typer.Option(metavar="TIME", help="From when on; else all.")] = None,
    until: Annotated[str | None, typer.Option(metavar="TIME", help="Until when; else now.")] = None,
) -> None:
    """Readings of placed sensors, calibrated, as a CSV file; or all readings as Parquet, a file a month."""
    from ingest import readings_csv, readings_parquet

    if (file is None) == (parquet is None):
        raise WrongUse("Name a FILE for CSV, or --parquet FOLDER.")
    if parquet is not None:
        with _opened(home) as house:
            begin_ms = None if since is None else _moment_ms(since)
            sensors = house.logbook.sensors()
            count = readings_parquet.export_months(parquet, house.readings, sensors, begin_ms, _moment_ms(until) + 1)
        print(f"{count} readings written to {parquet}.")
        return
    assert file is not None
    with _opened(home) as house, file.open("w", encoding="utf-8", newline="") as out:
        start_ms = 0 if since is None else _moment_ms(since)
        count = readings_csv.export_readings(
            out, house.readings, house.logbook.sensors(), start_ms, _moment_ms(until) + 1
        )
    print(f"{count} readings written to {file}.")


@app.command()
def backup(file: OutFile, home: HomeFolder = None) -> None:
    """The whole home in one file, consistent while dryline runs."""
    from ingest.backup import backup as write_backup

    with _opened(home) as house:
        done = write_backup(house.folder, file, logbook_url=house.settings.logbook.url)
    size = f"{done.size_bytes / 1e6:.1f} MB" if done.size_bytes >= 1e6 else f"{done.size_bytes / 1e3:.0f} kB"
    print(f"{done.file} written, {size}.")


@app.command()
def restore(
    file: InFile,
    home: HomeFolder = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace what is there; it is kept beside.")] = False,
) -> None:
    """Put a backup back, verified before anything is touched."""
    from ingest.backup import restore as read_backup

    with _opened(home) as house:
        folder, url = house.folder, house.settings.logbook.url
    done = read_backup(file, folder, overwrite=overwrite, logbook_url=url)
    print(f"{done.file} of {done.made} is back in {folder}.")


@app.command()
def password(home: HomeFolder = None) -> None:
    """Set the password that other machines need."""
    from dashboard.signin import set_password

    with _opened(home) as house:
        set_password(house.folder, typer.prompt("Password", hide_input=True, confirmation_prompt=True))
    print("The password is set; sessions that were open are signed out.")


if __name__ == "__main__":
    main()
