"""Words, moments and small parts that every room of the workshop shares. Knows no answer."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from dash import html

QUANTITIES = {
    "air_temperature": "air temperature",
    "relative_humidity": "humidity",
    "reservoir_level": "water level",
    "reservoir_low": "float switch",
    "pot_mass": "mass",
    "air_speed": "air speed",
    "battery": "battery",
    "online": "online",
}
PASSING = "passing"  # the class of a line that changes with every message, and need not be shown anew for it
UNITS = {"Cel": "°C", "%RH": "%", "1": ""}
MM_PER_INCH = 25.4
CANONICAL = {
    "air_temperature": "°C",
    "relative_humidity": "%",
    "reservoir_level": "mm",
    "pot_mass": "g",
    "air_speed": "m/s",
    "battery": "%",
}


def amount(value: float, quantity: str, units: str) -> str:
    """A value in its quantity's own unit, as the grower reads it."""
    if units == "us" and quantity == "air_temperature":
        return f"{value * 1.8 + 32:.0f} °F"
    if units == "us" and quantity == "reservoir_level":
        return f"{value / MM_PER_INCH:.2g} in"
    told = round(value, 1) if quantity == "reservoir_level" else value  # no level is known to a hundredth of a mm
    return f"{told:.4g} {CANONICAL.get(quantity, '')}".strip()


def thickness(mm: float, units: str) -> str:
    """A length of millimetres, as the grower reads it."""
    return f"{mm / MM_PER_INCH:.2g} in" if units == "us" else f"{mm:g} mm"


class Clock:
    """Moments as the grower reads them: the time today, else the day with its month as a word."""

    def __init__(self, zone: str, now_ms: int) -> None:
        """`zone` is a name of the tz database."""
        self._zone = ZoneInfo(zone)
        self._now = self._local(now_ms)

    def _local(self, time_ms: int) -> datetime:
        return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(self._zone)

    def __call__(self, time_ms: int | None) -> str:
        """In words."""
        if time_ms is None:
            return "—"
        local = self._local(time_ms)
        clock = f"{local:%H:%M}"
        if local.date() == self._now.date():
            return clock
        year = "" if local.year == self._now.year else f" {local.year}"
        return f"{local.day} {local:%b}{year} {clock}"

    def field(self, time_ms: int) -> str:
        """As a field for a local time holds it."""
        return f"{self._local(time_ms):%Y-%m-%dT%H:%M}"


def address(*steps: str) -> str:
    """A page of the workshop."""
    return "/".join(["/workshop", *(quote(step, safe="") for step in steps)])


def inner(**more: str) -> dict[str, Any]:
    """Attributes of a link that the frame follows without a reload."""
    return {"data-in": "", **more}


def link(words: str, *steps: str, first: bool = False) -> Any:
    """A door to another page of the workshop."""
    return html.A(words, href=address(*steps), className="door door-first" if first else "door", **inner())


def place(at: str | None) -> str:
    """A pot before its shelf, as people say it."""
    if at is None:
        return "no place yet"
    shelf, _, pot = at.partition("/")
    return f"{pot}, {shelf}" if pot else shelf


def sensor_name(sensor: Mapping[str, Any]) -> str:
    """A sensor as people call it."""
    return sensor["label"] or " ".join(filter(None, (sensor["topic"], sensor["field"])))


def table(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> Any:
    """Plain rows under their heads; a phone shows each row as a block."""
    head = html.Tr([html.Th(words, scope="col") for words in heads])
    body = [html.Tr([_cell(words, cell) for words, cell in zip(heads, row, strict=True)]) for row in rows]
    return html.Table([html.Thead(head), html.Tbody(body)], className="list")


def _cell(head: str, content: Any) -> Any:
    named: dict[str, Any] = {"data-label": head} if head else {}
    return html.Td(content, **named)


def fold(words: str, *content: Any, is_open: bool = False) -> Any:
    """A part of a page that is opened when it is wanted."""
    opened: dict[str, Any] = {"open": True} if is_open else {}
    return html.Details([html.Summary(html.H3(words)), html.Div(list(content))], className="fold", **opened)


def places(pots_by_shelf: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Shelves and pots to choose from; a pot is named alone, wherever it stands."""
    shelves = [(row["shelf"], f"{row['shelf']}, the shelf's air") for row in pots_by_shelf if row["shelf"]]
    return shelves + [(f"/{pot}", pot) for row in pots_by_shelf for pot in row["pots"]]


def shelves_with_pots(pots_by_shelf: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """For a field of many pots."""
    return [{"label": row["shelf"] or "no shelf yet", "pots": row["pots"]} for row in pots_by_shelf if row["pots"]]
