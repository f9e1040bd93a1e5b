"""The doors through which strangers' bytes come in, each as one function, with good examples to bend.

A door takes bytes and returns whether it took them in; a refusal must be one of the project's own, in a sentence. Used
by `fuzz.py` (mutations of the examples) and by `fuzz_by_coverage.py` (guided by which lines were reached).
"""

import io
import json
import math
import shutil
import tempfile
import tomllib
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import orjson
from PIL import Image

from dashboard.changes import CHANGES
from dashboard.signin import LONGEST_BODY
from ingest.backup import restore
from ingest.home import Home, open_home
from ingest.logbook.photos import keep_photo
from ingest.logbook.refusals import Refused
from ingest.payloads import decode
from ingest.readings_csv import import_readings
from ingest.sensors import Sensor, claims, in_canonical_units
from ingest.settings import SettingsError, read_settings

NOW_MS = 1_790_000_000_000
SENML = b'[{"bn":"a:","bt":1790000000,"n":"temp","u":"Cel","v":21.5},{"n":"hum","u":"%RH","v":60.25,"t":-10}]'
READ_BY = [
    Sensor("t", "senml", "a:temp", "air_temperature", "Cel"),
    Sensor("t", "number", "", "reservoir_level", "mm"),
    Sensor("t", "number", "", "reservoir_low", ""),
    Sensor("t", "json", "/air/0/c", "air_temperature", "Cel", time_field="/at"),
    Sensor("t", "json", "/readings/*/v", "pot_mass", "kg", time_field="/readings/*/t", time_format="unix_s"),
    Sensor(
        "t", "json", "/v", "battery", "/", time_field="/when", time_format="%d.%m.%Y %H:%M", time_zone="Europe/Rome"
    ),
]
MESSAGES = (
    SENML,
    b"21.5",
    b"on",
    b'{"air":[{"c":21.5}],"at":"2026-09-01T00:00:00Z"}',
    b'{"readings":[{"v":1,"t":1780000000},{"v":2,"t":1780000060}]}',
)
NOTES = (
    b'time,pot,kind,level_mm,tips_new,how,text,detail\n2026-03-01T09:00:00Z,window left,refill,12.5,3,deeper,"a;b",\n'
)
READINGS = b"time,place,quantity,value,unit\n2026-03-01T09:00:00Z,stairwell/window left,reservoir_level,12.5,mm\n"
SETUP = b"""
[[shelf]]
label = "east"
[[sensor]]
topic = "a"
payload = "senml"
field = "b"
quantity = "battery"
unit = "%"
calibration = [[0, 0.0], [1023, 118.0]]
placed = [{from = 2026-03-01T00:00:00Z, at = "stairwell"}]
[[pot]]
label = "window right"
[[pot.setup]]
from = 2026-03-01T09:00:00Z
shelf = "stairwell"
layers = [{thickness_mm = 110, mix = {expanded_clay = 0.5, pumice = 0.5}}]
vents = {count = 12}
"""
SETTINGS = b"""
[broker]
embedded = false
port = 1883
shared_group = "house"
[grower]
weekdays = ["mon", "sat"]
timezone = "Europe/Lisbon"
[alerts]
quiet_hours = "22:00-07:00"
too_cold_c = 8.5
"""
SENSOR = json.dumps(
    {
        "topic": "a/b",
        "payload": "json",
        "field": "/air/*/c",
        "quantity": "air_temperature",
        "unit": "degF",
        "calibration": [[0, 0.0], [1023, 118.0]],
        "time_field": "/air/*/t",
        "time_format": "%Y-%m-%d %H:%M",
        "time_zone": "Europe/Rome",
        "interval_s": 600.0,
        "height_mm": None,
        "online_topic": "a/online",
        "label": "clip",
    }
).encode()


#: What screens ask to be changed, by the change's name. Those that write elsewhere or tell others are left out.
ASKED: tuple[dict[str, Any], ...] = (
    {"notes": {"notes": [{"time_ms": NOW_MS, "pot": "window left", "kind": "text", "text": "new leaf"}]}},
    {"note_corrected": {"id": 1, "version": 1, "changes": {"text": "newer leaf"}}},
    {"note_withdrawn": {"id": 1, "version": 1}},
    {"follow_up_done": {"note_id": 1, "step": "repeat"}},
    {"pot": {"pot": {"label": "window right", "likes": "airy", "roots": "thick"}}},
    {"shelf": {"shelf": {"label": "east", "air": "gentle"}}},
    {"pot_type": {"label": "tall", "setup": {"layers": [{"thickness_mm": 110, "mix": "unknown"}]}}},
    {"shelf_renamed": {"label": "east", "to": "west"}},
    {"sensor": {"sensor": json.loads(SENSOR)}},
    {"sensor_withdrawn": {"source": "a/b#/air/*/c"}},
)


@dataclass(frozen=True)
class Door:
    """What takes bytes in (True) or refuses them (False), and good examples."""

    knock: Callable[[bytes], bool]
    examples: tuple[bytes, ...]


def doors(folder: Path) -> dict[str, Door]:
    """Every door, on a small home in `folder`."""
    home = open_home(folder)
    with home.logbook.writing():
        home.logbook.put_shelf({"label": "stairwell"})
        home.logbook.put_pot({"label": "window left"})
    return {
        "payload": Door(_payload, MESSAGES),
        "sensor": Door(_sensor, (SENSOR,)),
        "notes": Door(_kept_out(lambda body: home.logbook.import_notes(body, keep=False)), (NOTES,)),
        "setup": Door(_kept_out(lambda body: home.logbook.import_setup(body, keep=False)), (SETUP,)),
        "readings": Door(_kept_out(lambda body: _readings(home, body)), (READINGS,)),
        "settings": Door(lambda body: _settings(folder / "fuzzed.toml", body), (SETTINGS,)),
        "photo": Door(_kept_out(lambda body: _photo(folder / "photos", body)), _pictures()),
        "backup": Door(_kept_out(lambda body: _restore(folder, body)), (_archive(),)),
        "change": Door(_kept_out(lambda body: _change(home, body)), tuple(json.dumps(one).encode() for one in ASKED)),
    }


def _kept_out(door: Callable[[bytes], object]) -> Callable[[bytes], bool]:
    def knock(body: bytes) -> bool:
        refused: Refused | None = None
        try:
            door(body)
        except Refused as refusal:
            refused = refusal
        assert refused is None or all(fault.says.strip() for fault in refused.faults)
        return refused is None

    return knock


def _change(home: Home, body: bytes) -> None:
    """A change as a screen asks for it, by JSON whose one key is its name."""
    try:
        asked = orjson.loads(body)
        ((name, told),) = asked.items()
    except (ValueError, AttributeError) as error:
        raise Refused("What was sent cannot be read.") from error
    if name not in {known for one in ASKED for known in one} or name not in CHANGES or not isinstance(told, dict):
        raise Refused("There is no such change.")
    CHANGES[name](home, NOW_MS, told)


def _payload(body: bytes) -> bool:
    found = decode(body, READ_BY, NOW_MS)
    assert found.readings or found.failures or found.reason
    assert all(math.isfinite(one.value) and 0 < one.time_ms <= NOW_MS + 300_000 for one in found.readings)
    return bool(found.readings)


def _sensor(body: bytes) -> bool:
    """A sensor's definition as a file might give it, and then messages for it."""
    try:
        told = json.loads(body)
        told["calibration"] = tuple((float(raw), float(unit)) for raw, unit in told.get("calibration") or ())
        sensor = Sensor(**told)
        texts = (sensor.topic, sensor.payload, sensor.field, sensor.quantity, sensor.unit)
        optional = (sensor.time_field, sensor.time_format, sensor.time_zone, sensor.online_topic)
        numbers = (sensor.interval_s,)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError):
        return False  # no definition at all: the set-up file's own door refuses those
    if not all(isinstance(word, str) for word in texts) or not all(isinstance(w, str | None) for w in optional):
        return False
    if not all(isinstance(number, float | int | None) for number in numbers):
        return False
    claimed = claims([sensor])
    usable = [one for some in claimed.by_topic.values() for one in some if one == sensor]
    assert usable or any(why.strip() for some in claimed.refused.values() for why in some)
    for one in usable:
        with np.errstate(all="ignore"):
            in_canonical_units(one, np.array([0.0, 1023.0, -5.0]))
        for message in (SENML, b"21.5", b'{"air":[{"c":70,"t":"2026-03-01 09:00"}]}'):
            decode(message, [one], NOW_MS)
    return bool(usable)


def _readings(home: Home, body: bytes) -> None:
    import_readings(body, "fuzzed", home.logbook, home.readings, keep=False)


def _settings(path: Path, body: bytes) -> bool:
    path.write_bytes(body)
    try:
        read_settings(path)
    except SettingsError:
        return False
    tomllib.loads(body.decode())  # what was taken is TOML
    return True


def _photo(folder: Path, body: bytes) -> None:
    assert len(body) < LONGEST_BODY
    try:
        keep_photo(folder, io.BytesIO(body))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _restore(folder: Path, body: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=folder) as place:
        file = Path(place) / "backup.zip"
        file.write_bytes(body)
        restore(file, Path(place) / "home")


def _pictures() -> tuple[bytes, ...]:
    found = []
    for kind in ("JPEG", "PNG", "WEBP"):
        out = io.BytesIO()
        Image.linear_gradient("L").resize((24, 16)).convert("RGB").save(out, kind)
        found.append(out.getvalue())
    return tuple(found)


def _archive() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("manifest.json", json.dumps({"format": 1, "made": "2026-03-01T00:00:00Z", "sha256": {}}))
    with suppress(ValueError):
        out.seek(0)
    return out.getvalue()
