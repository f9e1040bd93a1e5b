"""A small invented home that was looked at often: tips counted, a cover laid, a pot repotted, feeds and a flush."""

from pathlib import Path
from typing import Any

import numpy as np

from ingest.home import Home
from tests.dashboard.answers.small_home import DAY_MS, HUMIDITY, WARMTH, home_with, march, told

NOW_MS = march(29, 12.0)
SETUP: dict[str, Any] = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 110, "grain": "medium", "mix": {"expanded_clay": 1.0}}],
    "headroom_mm": 35,
    "vents": {"count": 12, "diameter_mm": 8},
    "wick": {"strands": 1, "material": "microfibre"},
}
WETTER = {"layers": [{"thickness_mm": 110, "grain": "fine", "mix": {"sphagnum_moss": 1.0}}]}
POTS = ("window left", "window right", "window second", "window fourth", "stair top")


def bare(folder: Path) -> Home:
    """Five pots without a note: four in measured air, one on a shelf without any."""
    home = home_with(folder)
    with home.logbook.writing():
        for label in POTS:
            home.logbook.put_pot({"label": label, "plant": "Oncidium hybrid", "likes": "even", "roots": "fine"})
            shelf = "stairwell" if label == "stair top" else "east-window"
            home.logbook.describe_setup(label, {**SETUP, "shelf": shelf}, march(1))
    time_ms = np.arange(march(1), NOW_MS, 3_600_000)
    # drier from week to week, so that notes are made in more than one climate
    humidity = 70.0 - 1.2 * (time_ms - time_ms[0]) / DAY_MS
    home.readings.append(told(WARMTH, *((int(ms), 22.0) for ms in time_ms)))
    home.readings.append(told(HUMIDITY, *zip(time_ms.tolist(), humidity.tolist(), strict=True)))
    return home


def look(home: Home, pot: str, day: float, depth_mm: float, **seen: object) -> None:
    """An inspection with a depth, give or take 2 mm, and whatever else was seen."""
    depth = {"dry_layer_low_mm": max(depth_mm - 2, 0), "dry_layer_high_mm": depth_mm + 2, "how": "fingertip"}
    home.logbook.add_note({"time_ms": march(1, 24 * (day - 1)), "pot": pot, "kind": "inspection", **depth, **seen})


def build(folder: Path) -> Home:
    """The home with its notes up to the moment of the answers."""
    home = bare(folder)
    log = home.logbook
    with log.writing():
        for day in (4, 8, 12, 16, 20, 24, 28):
            look(home, "window left", day, 8 + 0.7 * day, tips_growing=max(5 - day // 6, 0), tips_dried=day // 7)
            look(home, "window right", day, 12 if day < 10 else 4, tips_growing=4, tips_new=day // 14)
        for day in (6, 14, 20, 26):
            look(home, "window second", day, 14 if day < 10 else 3,
                 tips_growing=2, tips_rotted=int(day > 12), tips_new=int(day > 22))  # fmt: skip
        log.change_setup("window right", {"top_layer": {"kind": "pebbles", "thickness_mm": 20}}, march(10))
        log.change_setup("window second", WETTER, march(10))
        log.add_note({"time_ms": march(10), "pot": "window second", "kind": "repot"})
        log.change_setup("window fourth", WETTER, march(22))
        log.add_note({"time_ms": march(22), "pot": "window fourth", "kind": "repot"})
        for day in (5, 15, 25):
            for pot in POTS:
                log.add_note({"time_ms": march(day), "pot": pot, "kind": "refill", "amount_ml": 150})
        log.add_note({"time_ms": march(3), "pot": "window left", "kind": "flush"})
        for day in (5, 15, 25):
            feed = {"amount_ml": 300, "detail": {"grams_per_litre": 2.0}}
            log.add_note({"time_ms": march(day, 1), "pot": "window left", "kind": "feed", **feed})
    return home
