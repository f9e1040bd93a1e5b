"""A large invented collection for measurements and for tests of scale: shelves of twenty pots, all with sensors.

Air and levels are made up by simple rules with fixed seeds; there is no truth behind them to be found again. Long
histories are written as sealed days at once, as a store has them after the day is over.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from ingest.home import Home, open_home
from ingest.logbook.records import NOTE_COLUMNS
from ingest.moments import text_of
from ingest.readings import DAY_MS, HOUR_MS, FloatArray, IntArray, Reading
from ingest.readings.chunks import chunk_key, encode
from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Placement, Sensor

END_MS = 1_767_225_600_000  # 2026-01-01T00:00Z: where every history ends
POTS_A_SHELF = 20
FILL_MM, FALL_MM_PER_DAY, FILL_DAYS = 50.0, 3.0, 12
MIXES: tuple[dict[str, float], ...] = (
    {"expanded_clay": 1.0},
    {"expanded_clay": 0.5, "lava_rock": 0.5},
    {"expanded_clay": 0.5, "lava_rock": 0.3, "pumice": 0.2},
    {"pumice": 1.0},
    {"porous_ceramic": 1.0},
)


def shelf_of(pot: int) -> str:
    """The shelf on which a pot stands."""
    return f"shelf {pot // POTS_A_SHELF}"


def label_of(pot: int) -> str:
    """What a pot is called."""
    return f"place {pot % POTS_A_SHELF} of {shelf_of(pot)}"


def build(
    folder: Path, *, pots: int, days: int, notes: int = 0, air_minutes: float = 5.0, level_minutes: float = 15.0
) -> Home:
    """A home whose history of so many days ends at END_MS; shelves' air and every pot's level are measured."""
    home = open_home(folder)
    start_ms = END_MS - days * DAY_MS
    sensors = [*air_sensors(-(-pots // POTS_A_SHELF), start_ms), *level_sensors(pots, start_ms)]
    with home.logbook.writing():
        for shelf in range(-(-pots // POTS_A_SHELF)):
            home.logbook.put_shelf({"label": f"shelf {shelf}", "air": ("still", "gentle", "draughty")[shelf % 3]})
        for pot in range(pots):
            home.logbook.put_pot(
                {"label": label_of(pot), "plant": "Cattleya hybrid", "likes": "airy", "roots": "thick"}
            )
            home.logbook.describe_setup(label_of(pot), setup_of(pot), start_ms)
        for sensor in sensors:
            home.logbook.put_sensor(sensor)
    for number, sensor in enumerate(sensors):
        minutes = level_minutes if sensor.quantity == "reservoir_level" else air_minutes
        keep_sealed(home.readings, sensor.source, *series_of(sensor, number, start_ms, END_MS, minutes))
    if notes:
        home.logbook.import_notes(notes_csv(pots, days, notes))
    return home


def setup_of(pot: int) -> dict[str, object]:
    """How a pot is built."""
    return {
        "shelf": shelf_of(pot),
        "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
        "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": FILL_MM},
        "surface_height_mm": 130 + pot % 3 * 5,
        "layers": [{"thickness_mm": 110, "grain": "medium", "mix": MIXES[pot % len(MIXES)]}],
        "vents": {"count": 4 * (pot % 4), "diameter_mm": 8},
        "wick": {"strands": 2, "material": "microfibre"},
        "gap": "none",
    }


def air_sensors(shelves: int, from_ms: int) -> list[Sensor]:
    """A thermometer and a hygrometer on each shelf."""
    kinds = (("t", "air_temperature", "Cel"), ("rh", "relative_humidity", "%RH"))
    return [
        Sensor(f"air/{n}/{name}", "number", "", quantity, unit, placed=(Placement(from_ms, None, f"shelf {n}"),))
        for n in range(shelves)
        for name, quantity, unit in kinds
    ]


def level_sensors(pots: int, from_ms: int) -> list[Sensor]:
    """A level sensor in each pot."""
    return [
        Sensor(
            f"level/{pot}", "number", "", "reservoir_level", "mm",
            placed=(Placement(from_ms, None, f"{shelf_of(pot)}/{label_of(pot)}"),),
        )
        for pot in range(pots)
    ]  # fmt: skip


def series_of(sensor: Sensor, number: int, start_ms: int, end_ms: int, minutes: float) -> tuple[IntArray, FloatArray]:
    """Times with up to a second of jitter, and values at the usual resolution of such a sensor."""
    rng = np.random.default_rng([20260101, number])
    times = np.arange(start_ms, end_ms, round(minutes * 60_000), dtype=np.int64)
    times += rng.integers(0, 1000, times.size)
    day = times / DAY_MS
    noise = rng.standard_normal(times.size)
    if sensor.quantity == "air_temperature":
        return times, np.round(21 + 3 * np.sin(2 * np.pi * day) + number % 7 / 3 + 0.2 * noise, 1)
    if sensor.quantity == "relative_humidity":
        return times, np.round(58 - 10 * np.sin(2 * np.pi * day) - number % 7 + noise, 1)
    phase = number % FILL_DAYS
    return times, np.round(FILL_MM - FALL_MM_PER_DAY * ((day - phase) % FILL_DAYS) + 0.3 * noise, 1)


def notes_csv(pots: int, days: int, notes: int) -> str:
    """Looks at the depth, each pot in turn, spread over the history."""
    rng = np.random.default_rng(20260102)
    moments = np.sort(rng.integers(END_MS - days * DAY_MS + 2 * DAY_MS, END_MS, notes))
    lines = [",".join(NOTE_COLUMNS)]
    for number, moment in enumerate(moments.tolist()):
        low = round(float(rng.uniform(0, 25)), 1)
        row = {
            "time": text_of(moment), "pot": label_of(number % pots), "kind": "inspection", "how": "fingertip",
            "dry_layer_low_mm": low, "dry_layer_high_mm": low + 8.0, "tips_growing": 3, "tips_dried": int(low > 18),
        }  # fmt: skip
        lines.append(",".join(str(row.get(column, "")) for column in NOTE_COLUMNS))
    return "\n".join(lines)


def keep_sealed(store: SqliteReadings, source: str, times: IntArray, values: FloatArray) -> None:
    """Write a series as sealed days, with its latest value, as appending and sealing it would leave them."""
    with store._connections.writing() as db:
        db.execute("INSERT INTO series (source) VALUES (?)", (source,))
        number = db.execute("SELECT id FROM series WHERE source = ?", (source,)).fetchone()[0]
        db.executemany("INSERT INTO chunk VALUES (?, ?, ?)", _chunks(number, times, values))
        db.execute("INSERT INTO latest VALUES (?, ?, ?)", (number, int(times[-1]), float(values[-1])))


def _chunks(series: int, times: IntArray, values: FloatArray) -> Iterator[tuple[int, int, bytes]]:
    days = times // DAY_MS
    begins = np.flatnonzero(np.diff(days, prepend=days[0] - 1))
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), times.size], strict=True):
        key = chunk_key(series, int(days[begin]))
        yield key, end - begin, encode(key, times[begin:end], values[begin:end])


def one_hour_more(home: Home, minutes: float) -> int:
    """Append the hour after END_MS of every sensor, as it comes in; its end."""
    rows: list[Reading] = []
    for number, sensor in enumerate(home.logbook.sensors()):
        times, values = series_of(sensor, number, END_MS, END_MS + HOUR_MS, minutes)
        rows += [Reading(sensor.source, *row) for row in zip(times.tolist(), values.tolist(), strict=True)]
    home.readings.append(rows)
    return END_MS + HOUR_MS
