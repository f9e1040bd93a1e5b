"""The house as its grower sees it: what is there yet, who can reach it, where its copies go, what a server refused."""

from typing import Any

from dashboard import access, calendar_secret
from dashboard.answers.check import disk_free_pct
from dashboard.reach import reach
from ingest.backup import copies_made_ms
from ingest.home import Home

MOST_REFUSED = 50


def answer(home: Home, seen_at: str, at_ms: int) -> dict[str, Any]:
    """`seen_at` is the address under which the browser came.

    `{at_ms, units, time_zone, visits_per_week, settings: {file, is_there}, address, others, says, password, calendar,
    shelves, sensors, placed, pots, unread, broker, backup: {folder, is_there, last_ms, every_hours}, disk_free_pct,
    alerts, refused: [...]}`.
    """
    password = access.read_access(home.folder).password_hash is not None
    found = reach(home.settings.dashboard.host, password, seen_at)
    sensors = home.logbook.sensors()
    copies = home.settings.backup
    return {
        "at_ms": at_ms,
        "units": home.settings.grower.units,
        "time_zone": home.settings.grower.timezone,
        "visits_per_week": home.settings.grower.visits_per_week,
        "settings": _settings(home),
        "address": found.address,
        "others": found.others,
        "says": found.says,
        "password": password,
        "calendar": f"{found.address}/calendar/{calendar_secret.read(home.folder)}.ics",
        "shelves": [shelf.label for shelf in home.logbook.shelves()],
        "sensors": len(sensors),
        "placed": sum(bool(sensor.placed) for sensor in sensors),
        "pots": [pot.label for pot in home.logbook.pots()],
        "unread": home.readings.unread_count().kept,
        "broker": _broker_says(home),
        "backup": {**_copies(home), "every_hours": copies.every_hours},
        "disk_free_pct": disk_free_pct(home),
        "alerts": home.settings.alerts.urls_file is not None,
        "refused": _refused(home),
    }


def _settings(home: Home) -> dict[str, Any]:
    """The file that holds what differs from the usual."""
    file = home.folder.resolve() / "dryline.toml"
    return {"file": str(file), "is_there": file.is_file()}


def _copies(home: Home) -> dict[str, Any]:
    """Where copies go by themselves, whether that place is there, and when the last one was made."""
    wanted = home.settings.backup.folder
    if wanted is None:
        return {"folder": None, "is_there": False, "last_ms": None}
    folder = home.folder / wanted
    made = copies_made_ms(folder)
    return {"folder": str(folder), "is_there": folder.is_dir(), "last_ms": made[-1] if made else None}


def _broker_says(home: Home) -> str:
    """Where sensors send their messages."""
    broker = home.settings.broker
    if not broker.embedded:
        return f"Messages come from the broker {broker.host}, port {broker.port}."
    if broker.network_host is not None:
        return f"Sensors send to this machine, port {broker.network_port}, as {broker.username} with their password."
    return (
        f"The broker of dryline listens on this machine alone, port {broker.port}: good for a first try. To let "
        "sensors on the network in, name network_host under [broker] in dryline.toml, or use Mosquitto; docs/broker.md "
        "tells how."
    )


def _refused(home: Home) -> list[dict[str, Any]]:
    """Readings that the server of the long history will not take; none where no server keeps it."""
    asked = getattr(home.readings, "refused", None)
    return [reading._asdict() for reading in asked(MOST_REFUSED)] if asked is not None else []
