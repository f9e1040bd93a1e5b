"""Small invented homes for tests of the answers: a shelf or two, air sensors, a few days of readings."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from ingest.home import Home, open_home
from ingest.moments import ms_of_text
from ingest.readings import Reading
from ingest.sensors import Placement, Sensor

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
MINUTE_MS = 60_000


def march(day: int, hour: float = 0.0) -> int:
    """A moment in March 2026, UTC."""
    return ms_of_text(f"2026-03-{day:02d}T00:00:00Z") + round(hour * HOUR_MS)


def air_sensor(name: str, quantity: str, at: str, **more: object) -> Sensor:
    """A thermometer or a hygrometer on a shelf since 1 March."""
    unit = {"air_temperature": "Cel", "relative_humidity": "%RH"}[quantity]
    placed = (Placement(march(1), None, at),)
    return Sensor(**{"topic": f"t/{name}", "payload": "number", "field": "", "quantity": quantity, "unit": unit,
                     "placed": placed, "interval_s": 600.0} | more)  # fmt: skip


WARMTH = air_sensor("warmth", "air_temperature", "east-window")
HUMIDITY = air_sensor("humidity", "relative_humidity", "east-window")


def home_with(folder: Path, sensors: Iterable[Sensor] = (WARMTH, HUMIDITY)) -> Home:
    """Two shelves and these sensors."""
    home = open_home(folder)
    with home.logbook.writing():
        home.logbook.put_shelf({"label": "east-window", "air": "gentle"})
        home.logbook.put_shelf({"label": "stairwell", "air": "draughty"})
        for sensor in sensors:
            home.logbook.put_sensor(sensor)
    return home


def told(sensor: Sensor, *rows: tuple[int, float]) -> list[Reading]:
    """Readings of a sensor from (moment, value)."""
    return [Reading(sensor.source, time_ms, value) for time_ms, value in rows]


def every(minutes: float, start_ms: int, end_ms: int, value: float) -> list[tuple[int, float]]:
    """One value again and again."""
    return [(int(ms), value) for ms in np.arange(start_ms, end_ms, round(minutes * MINUTE_MS))]
