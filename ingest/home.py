"""The home folder: the one thing that the processes of a house share.

Owns where in the folder each store lives and how the settings reach the broker link; opens a store only
when it is first asked for, so that a command which needs one does not wait for the other.
"""

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from platformdirs import user_data_path

from ingest.open_file import OpenFile
from ingest.settings import Settings, SettingsError, read_settings

if TYPE_CHECKING:
    from ingest.broker import Listener
    from ingest.logbook.logbook import Logbook
    from ingest.readings.sqlite import SqliteReadings
    from ingest.subscriber import Link

#: Where the first ingester leaves its counters: from its first start on, both stores are there.
INGESTER_STATUS = "ingester.json"


class Home:
    """One house: its folder, its settings and its two stores."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.settings: Settings = read_settings(folder / "dryline.toml")
        self._files: dict[str, OpenFile] = {}

    @cached_property
    def readings(self) -> "SqliteReadings":
        """Where readings are kept: in the folder, with their long history on a server where the settings name one."""
        from ingest.readings.sqlite import SqliteReadings

        path, influx = self._place_of("readings.db"), self.settings.influx
        if influx.url is None:
            return SqliteReadings(path)
        from ingest.readings.influx import InfluxReadings
        from ingest.readings.influx_server import InfluxServer

        secret = self._secret("influx.token_file", influx.token_file)
        return InfluxReadings(path, InfluxServer(influx.url, influx.database, secret))

    @cached_property
    def logbook(self) -> "Logbook":
        """Where shelves, pots, set-ups, sensors and notes are kept."""
        from ingest.logbook.logbook import Logbook

        return Logbook(self.settings.logbook.url or f"sqlite:///{self._place_of('logbook.db')}")

    def link(self, number: int = 1) -> "Link":
        """How the ingester of that number (there may be several in a shared group) reaches the broker.

        Raises:
            SettingsError: the password file cannot be read.
        """
        from ingest.subscriber import Link, default_client_id

        broker = self.settings.broker
        return Link(
            host="127.0.0.1" if broker.embedded else broker.host,
            port=broker.port,
            client_id=default_client_id(broker.shared_group, number),
            topics=broker.topics,
            shared_group=broker.shared_group,
            username=broker.username,
            password=self._secret("broker.password_file", broker.password_file),
            tls_ca=str(self.folder / broker.tls_ca) if broker.tls_ca else None,
        )

    def listeners(self) -> tuple["Listener", ...]:
        """Where the embedded broker listens: this host, and the network where the settings say so.

        Raises:
            SettingsError: the password file cannot be read.
        """
        from ingest.broker import Listener

        broker = self.settings.broker
        password = self._secret("broker.password_file", broker.password_file)
        users = {broker.username: password} if broker.username and password else {}
        here = Listener(port=broker.port, users=users)
        if broker.network_host is None:
            return (here,)
        certificate, key = (self.folder / file if file else None for file in (broker.tls_cert, broker.tls_key))
        outside = Listener(broker.network_host, broker.network_port, None, users, certificate, key)
        return here, outside

    def alert_addresses(self) -> list[tuple[int, str]]:
        """The lines of the alerts' file of addresses that hold one, with their numbers; they hold secrets.

        Raises:
            SettingsError: the file cannot be read.
        """
        text = self._secret("alerts.urls_file", self.settings.alerts.urls_file) or ""
        lines = enumerate(map(str.strip, text.splitlines()), start=1)
        return [(number, line) for number, line in lines if line and not line.startswith("#")]

    def secrets(self) -> list[str]:
        """Every secret of the settings that can be read: what must never stand in a log, an export or a backup."""
        broker, influx = self.settings.broker.password_file, self.settings.influx.token_file
        doors: list[Callable[[], Sequence[str | None]]] = [
            lambda: [address for _, address in self.alert_addresses()],
            lambda: [self._secret("broker.password_file", broker)],
            lambda: [self._secret("influx.token_file", influx)],
            lambda: [urlsplit(self.settings.logbook.url or "").password],
        ]
        found: list[str] = []
        for read in doors:
            with suppress(SettingsError):  # who needs a file that is not there says so
                found += [secret for secret in read() if secret]
        return found

    def _secret(self, key: str, file: Path | None) -> str | None:
        """What a file that a setting names holds; a relative name is looked for in the home folder."""
        if file is None:
            return None
        try:
            return (self.folder / file).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise SettingsError(f"{key}: {file} cannot be read: {error.strerror}.") from None

    def _place_of(self, name: str) -> Path:
        """Where a store's file is, or is to be made; but a new, empty one in the place of a lost one hides the loss."""
        refuse_lost(self.folder, name)
        return self.folder / name

    def lost_files(self) -> list[str]:
        """Which files of the stores are no longer the ones that stand in the folder under their name.

        An open file that was moved or deleted goes on being read, so what is shown looks well, and nothing more is
        written to it. The first call remembers what stands there.
        """
        lost = []
        for name in ("readings.db", "logbook.db"):
            file = self._files.get(name)
            if file is None or file.may_be_made:
                self._files[name] = OpenFile(self.folder / name)
            elif file.trouble():
                lost.append(name)
        return lost

    def close(self) -> None:
        """Let go of the stores that were opened."""
        for name in ("readings", "logbook"):
            if name in self.__dict__:
                self.__dict__.pop(name).close()


def refuse_lost(folder: Path, name: str) -> None:
    """Raise unless a store's file is in the home, or never was.

    Raises:
        Refused: it is missing, and what lies there tells that it was there before.
    """
    # In this order: another process may be making the file, and what it leaves beside it, at this moment.
    left = [trace for trace in (f"{name}-wal", INGESTER_STATUS) if (folder / trace).exists()]
    if left and not (folder / name).exists():
        from ingest.logbook.refusals import Refused

        raise Refused(
            f"{name} is no longer in {folder}: put it back, or restore a backup. "
            f"(To begin anew without it, take away {' and '.join(left)}.)"
        )


def open_home(folder: Path | None = None) -> Home:
    """The home in a folder (default: `DRYLINE_HOME`, else the user's data folder), made if it is not there.

    Raises:
        SettingsError: the folder cannot be made or its settings cannot be used.
    """
    chosen = folder or (
        Path(os.environ["DRYLINE_HOME"]) if os.environ.get("DRYLINE_HOME") else user_data_path("dryline")
    )
    try:
        chosen.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(f"The home folder {chosen} cannot be made: {error.strerror}.") from None
    if next(chosen.glob(".restoring-*"), None) is not None:
        from ingest.backup import finish_restore

        finish_restore(chosen)
    return Home(chosen)
