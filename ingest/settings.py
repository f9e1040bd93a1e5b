"""What `dryline.toml` may say: every key has a default, and a misspelt key is refused with the nearest valid one.

Secrets never stand in the file; keys that end in `_file` name a file that holds one.
"""

import difflib
import tomllib
from pathlib import Path
from typing import Literal
from zoneinfo import available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
EVERY_DAY: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class SettingsError(ValueError):
    """The settings file cannot be used; the message is one sentence that says what to change."""


class Section(BaseModel):
    """One table of the file."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Broker(Section):
    """Where messages come from.

    The embedded broker listens on loopback; on `network_host` too where that is named, to those who give `username`
    and the password, with TLS where there are `tls_cert` and `tls_key`.
    """

    embedded: bool = True
    host: str = "127.0.0.1"
    port: int = Field(default=1883, ge=1, le=65535)
    username: str | None = None
    password_file: Path | None = None
    tls_ca: Path | None = None
    shared_group: str | None = Field(default=None, pattern=r"^[^/#+]+$")
    ingesters: int = Field(default=1, ge=1, le=16)
    topics: tuple[str, ...] = ("#",)
    network_host: str | None = None
    network_port: int = Field(default=8883, ge=1, le=65535)
    tls_cert: Path | None = None
    tls_key: Path | None = None

    @model_validator(mode="after")
    def _several_share(self) -> "Broker":
        if self.ingesters > 1 and (self.embedded or self.shared_group is None):
            raise ValueError("several ingesters need embedded = false (Mosquitto) and a shared_group")
        return self


class Dashboard(Section):
    """Where the screens are served. Any host but loopback needs a password.

    `open_wall`: the wall alone may be read without it. `secure_cookies`: for a dashboard behind https.
    """

    host: str = "127.0.0.1"
    port: int = Field(default=8050, ge=1, le=65535)
    title: str = "dryline"
    open_wall: bool = False
    secure_cookies: bool = False


class ReadingsKept(Section):
    """How long raw readings are kept; hourly and daily facts are kept for ever."""

    keep_raw_days: int = Field(default=3650, ge=30)


class Influx(Section):
    """A time-series server for long history; absent means none."""

    url: str | None = None
    database: str = "dryline"
    token_file: Path | None = None


class Analysis(Section):
    """Where figures are computed: a Dask scheduler (`tcp://host:8786`); absent means this machine."""

    cluster: str | None = Field(default=None, pattern=r"^(tcp|tls|ws|wss|ucx|inproc)://\S+$")


class LogbookAt(Section):
    """Where the logbook is kept; absent means a file in the home folder."""

    url: str | None = None


class Grower(Section):
    """The person: how often they can come, on which days, and how they read numbers."""

    visits_per_week: int = Field(default=2, ge=1, le=7)
    weekdays: tuple[Weekday, ...] = EVERY_DAY
    timezone: str = "UTC"
    units: Literal["metric", "us"] = "metric"

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        if name not in available_timezones():
            near = difflib.get_close_matches(name, available_timezones(), 1)
            hint = f"; the nearest is {near[0]}" if near else ""
            raise ValueError(f"{name} is not a time zone of the tz database{hint}")
        return name

    @field_validator("weekdays")
    @classmethod
    def _at_least_one_day(cls, days: tuple[Weekday, ...]) -> tuple[Weekday, ...]:
        if not days:
            raise ValueError("name at least one weekday on which the grower can come")
        return tuple(day for day in EVERY_DAY if day in days)


class Alerts(Section):
    """Where alerts go beside the wall, and when they stay quiet (local time, `22:00-07:00`).

    `topic` is where they stand as retained messages: under `dryline/`, which the ingester never takes for sensors.
    Too cold and too hot are common practice for mixed epiphytic orchids, no source: set what your plants bear.
    """

    urls_file: Path | None = None
    topic: str = Field(default="dryline/alerts", pattern=r"^dryline(/[^/#+\x00]+)+$")
    too_cold_c: float = Field(default=10.0, ge=-20, le=30)
    too_hot_c: float = Field(default=35.0, ge=15, le=60)
    quiet_hours: str | None = Field(default=None, pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$")


class Backup(Section):
    """A second place for copies, and how often one is made there."""

    folder: Path | None = None
    every_hours: int = Field(default=24, ge=1)


class Settings(Section):
    """The whole file."""

    broker: Broker = Broker()
    dashboard: Dashboard = Dashboard()
    readings: ReadingsKept = ReadingsKept()
    influx: Influx = Influx()
    analysis: Analysis = Analysis()
    logbook: LogbookAt = LogbookAt()
    grower: Grower = Grower()
    alerts: Alerts = Alerts()
    backup: Backup = Backup()


def read_settings(path: Path) -> Settings:
    """The settings in a file; the defaults where there is none.

    Raises:
        SettingsError: not TOML, an unknown key (named with the nearest valid one) or a value that does not fit.
    """
    if not path.exists():
        return Settings()
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except ValidationError as error:
        raise SettingsError(f"{path.name}: {_first_fault(error)}") from None
    except (ValueError, RecursionError) as error:  # no TOML, no UTF-8, a number of thousands of digits, nested for ever
        raise SettingsError(f"{path.name} is not valid TOML: {error}.") from None


def _first_fault(error: ValidationError) -> str:
    fault = error.errors()[0]
    key = ".".join(str(part) for part in fault["loc"])
    if fault["type"] == "extra_forbidden":
        return f"there is no key {key}{_nearest(fault['loc'])}"
    return f"{key}: {fault['msg'].removeprefix('Value error, ')}."


def _nearest(loc: tuple[int | str, ...]) -> str:
    """The nearest valid key in the same table, or else anywhere in the file."""
    table, name = loc[:-1], str(loc[-1])
    section = Settings.model_fields.get(str(table[0])) if table else None
    annotation = section.annotation if section else Settings
    here = list(annotation.model_fields) if isinstance(annotation, type) and issubclass(annotation, Section) else []
    near = difflib.get_close_matches(name, here, 1, cutoff=0.5)
    if near:
        return f"; did you mean {'.'.join([*map(str, table), near[0]])}?"
    everywhere = {
        key: f"{outer}.{key}"
        for outer, field in Settings.model_fields.items()
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section)
        for key in field.annotation.model_fields
    }
    near = difflib.get_close_matches(name, everywhere, 1, cutoff=0.5)
    return f"; did you mean {everywhere[near[0]]}?" if near else f"; valid here: {', '.join(here)}."
