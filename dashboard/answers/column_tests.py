"""Column tests of the logbook as evidence on media: a clear tube of a mix, standing in water beside a hygrometer.

Owns how such a note becomes a column with its air, and the depth of its dry part. A tube has no plant, no wick and no
holes; what it tells of its mix counts in every pot that holds some of it. Must not know how the fit uses it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.calibration import column_test_depth_mm
from dashboard.answers.shelf_air import air_history
from dashboard.answers.standing import Description
from ingest.home import Home
from ingest.readings import DAY_MS, HOUR_MS, FloatArray
from ingest.sensors import Sensor

TUBE_MM, TUBE_SHARE = 300.0, 0.08
"""Taller than any mix here is damp. A shorter tube lets more vapour out and is damp a little less high: by this share
of the height either way (what the equation gives for tubes of 150 to 400 mm)."""
TUBE_ACROSS_MM = 50.0
USUAL_WATER_MM = 20.0
USUAL_DAYS = 4.0
USUAL_VPD_KPA, USUAL_C = 0.9, 20.0
"""The air of a room of which nothing is known; a damp height depends little on it."""
WIDEST_MM = 30.0
"""Half the interval of a damp height of which only one end was told (assumed)."""


@dataclass(frozen=True)
class Tube:
    """One test: the tube as a set-up, when it was read, how deep it was dry (mm), and its air by step `(step,)`."""

    setup: Description
    time_ms: int
    low_mm: float
    high_mm: float
    vpd_kpa: FloatArray
    temperature_c: FloatArray

    @property
    def water_mm(self) -> float:
        """The water it stood in."""
        return float(self.setup["reservoir"]["fill_mark_mm"])


def tubes_of(
    home: Home,
    notes: pd.DataFrame,
    shelves: Mapping[str, Description],
    sensors: Sequence[Sensor],
    steps: int,
    step_hours: int,
) -> tuple[Tube, ...]:
    """Every column test of the notes that tells a damp height, with the air of the steps before it."""
    rows = notes[notes["kind"] == "column_test"]
    found = (
        _tube(home, int(time_ms), detail or {}, shelves, sensors, steps, step_hours)
        for time_ms, detail in zip(rows["time_ms"], rows["detail"], strict=True)
    )
    return tuple(one for one in found if one is not None)


def _tube(
    home: Home,
    time_ms: int,
    detail: Mapping[str, Any],
    shelves: Mapping[str, Description],
    sensors: Sequence[Sensor],
    steps: int,
    step_hours: int,
) -> Tube | None:
    low, high = detail.get("damp_height_low_mm"), detail.get("damp_height_high_mm")
    known = [float(one) for one in (low, high) if one is not None]
    if not known:
        return None
    low = known[0] if low is not None else max(known[0] - WIDEST_MM, 0.0)
    high = known[-1] if high is not None else low + WIDEST_MM
    damp = min(low, high) * (1.0 - TUBE_SHARE), max(low, high) * (1.0 + TUBE_SHARE)
    deep, shallow = (float(column_test_depth_mm(TUBE_MM, height)) for height in damp)
    vpd, temperature = _air(home, detail, time_ms, shelves, sensors, steps, step_hours)
    return Tube(
        {
            "shelf": detail.get("shelf"),
            "pot": {"top_diameter_mm": TUBE_ACROSS_MM, "height_mm": TUBE_MM},
            "reservoir": {"fill_mark_mm": max(float(detail.get("water_mm") or USUAL_WATER_MM), 1.0)},
            "surface_height_mm": TUBE_MM,
            "layers": [
                {"thickness_mm": TUBE_MM, "mix": detail.get("mix", "unknown"), "grain": detail.get("grain")},
            ],
            "wick": "none",
            "vents": "none",
        },
        time_ms,
        shallow,
        deep,
        vpd,
        temperature,
    )


def _air(
    home: Home,
    detail: Mapping[str, Any],
    time_ms: int,
    shelves: Mapping[str, Description],
    sensors: Sequence[Sensor],
    steps: int,
    step_hours: int,
) -> tuple[FloatArray, FloatArray]:
    """Mean air of the days of the test in its last steps; the usual where its shelf had none, NaN before the test."""
    shelf, lasted = str(detail.get("shelf") or ""), float(detail.get("days") or USUAL_DAYS)
    began_ms = time_ms - round(lasted * DAY_MS)
    air = air_history(home, shelf, shelves, sensors, began_ms // HOUR_MS * HOUR_MS, time_ms)
    used = min(steps, max(1, round(lasted * 24 / step_hours)))
    told = []
    for hourly, usual in ((air.vpd_kpa, USUAL_VPD_KPA), (air.temperature_c, USUAL_C)):
        known = hourly[np.isfinite(hourly)]
        row = np.full(steps, np.nan)
        row[steps - used :] = float(known.mean()) if known.size else usual
        told.append(row)
    return told[0], told[1]
