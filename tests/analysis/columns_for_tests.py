"""Columns of known constants for tests of the dry layer: no holes, plant or wick loss unless a test asks for them."""

from typing import Any

import numpy as np

from analysis.columns import Columns
from analysis.setups import column_parameters

DRY_FLOOR_MM = 1e-6
"""A level just above the floor: H of the science notes is then the height of the surface."""


def bare_columns(medium: str = "expanded_clay", pots: int = 1, **changes: Any) -> Columns:
    """Pots of one medium over water, 100 mm high, 113 cm2 open (12 cm across), and nothing else."""
    setup = {
        "pot": {"top_diameter_mm": 120, "height_mm": 100},
        "surface_height_mm": 100,
        "layers": [{"thickness_mm": 100, "mix": medium}],
        "vents": "none",
        "wick": "one",
    }
    plain = column_parameters([setup] * pots).changed(
        wick_mm_per_ml_per_day=0.0, lowest_fed_level_mm=0.0, uptake_ml_per_day_at_1_kpa=0.0, column_mm=500.0
    )
    return plain.changed(**changes)


def depth_mm(columns: Columns, vpd_kpa: float, temperature_c: float = 22.0) -> float:
    """Resting depth of the first pot."""
    from analysis.dry_layer import steady

    return float(np.ravel(steady(columns, vpd_kpa, temperature_c, DRY_FLOOR_MM).dry_depth_mm)[0])
