"""A small invented home of eight pots, each lacking something else, with four weeks of readings made by hand."""

from pathlib import Path
from typing import Any

import numpy as np

from ingest.home import Home, open_home
from ingest.sensors import Placement, Sensor
from tests.dashboard.answers.small_home import DAY_MS, HOUR_MS, air_sensor, march, told

NOW_MS = march(29, 10.5)
DIED_MS = NOW_MS - 14 * DAY_MS
FULL_MS = NOW_MS - DAY_MS
#: Between two fillings the level sensor sees a pot lose this much.
FALL_MM_PER_DAY, ML_PER_MM = 1.25, 9.0

SETUP: dict[str, Any] = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 110, "grain": "medium", "mix": {"expanded_clay": 0.5, "lava_rock": 0.5}}],
    "vents": {"count": 12, "diameter_mm": 8},
    "wick": {"strands": 2, "material": "microfibre"},
    "gap": "none",
}
POTS: dict[str, dict[str, Any]] = {
    "measured": {},
    "noted full": {},
    "never noted": {},
    "unknown mix": {"layers": [{"thickness_mm": 110, "mix": "unknown"}]},
    "no reservoir": {"reservoir": None},
    "shelf without sensor": {"shelf": "cellar"},
    "shelf that borrows": {"shelf": "north-window"},
    "shelf gone silent": {"shelf": "stairwell"},
}
LEVEL = Sensor("t/level", "number", "", "reservoir_level", "mm", interval_s=3600.0,
               placed=(Placement(march(1), None, "east-window/measured"),))  # fmt: skip
AIRS = [
    air_sensor(f"{name}-{shelf}", quantity, shelf, interval_s=3600.0)
    for shelf in ("east-window", "stairwell")
    for name, quantity in (("t", "air_temperature"), ("rh", "relative_humidity"))
]


def level_mm(time_ms: np.ndarray) -> np.ndarray:
    """Filled to 50 mm on the 1st and every tenth day, with half a millimetre of noise that is always the same."""
    days = (time_ms - march(1)) / DAY_MS % 10
    return 50.0 - FALL_MM_PER_DAY * days + np.random.default_rng(1).normal(0.0, 0.3, time_ms.size)


def build(folder: Path, *, until_ms: int = NOW_MS) -> Home:
    """The home with all its readings and notes up to a moment."""
    home = open_home(folder)
    with home.logbook.writing():
        for shelf in ("east-window", "stairwell", "cellar"):
            home.logbook.put_shelf({"label": shelf, "air": "gentle"})
        home.logbook.put_shelf({"label": "north-window", "air": "gentle", "air_from": "east-window"})
        for label, other in POTS.items():
            home.logbook.put_pot({"label": label, "plant": "Cattleya hybrid", "likes": "airy", "roots": "thick"})
            setup = {key: value for key, value in (SETUP | other).items() if value is not None}
            home.logbook.describe_setup(label, setup, march(1))
        for sensor in [*AIRS, LEVEL]:
            home.logbook.put_sensor(sensor)
    add_readings(home, march(1), until_ms)
    for label in POTS:
        if label != "never noted":
            home.logbook.add_note({"time_ms": FULL_MS, "pot": label, "kind": "refill"})
    return home


def add_readings(home: Home, start_ms: int, until_ms: int) -> None:
    """Hourly readings of everything; the sensors of the stairwell fall silent a fortnight before the end."""
    time_ms = np.arange(start_ms, until_ms, HOUR_MS)
    swing = np.sin(2 * np.pi * time_ms / DAY_MS)
    for sensor in AIRS:
        value = 21.0 + 3.0 * swing if sensor.quantity == "air_temperature" else 55.0 - 10.0 * swing
        stands = time_ms < (DIED_MS if "stairwell" in sensor.topic else until_ms)
        home.readings.append(told(sensor, *zip(time_ms[stands].tolist(), value[stands].tolist(), strict=True)))
    home.readings.append(told(LEVEL, *zip(time_ms.tolist(), level_mm(time_ms).tolist(), strict=True)))
