"""The columns of medium, one per pot, as plain arrays: what the dry-layer equation is told about each pot.

Owns the names, units and shapes of the column parameters, nothing else. `setups.py` fills them from what a person
said, `calibration.py` returns them again with a leading axis of draws, `dry_layer.py` computes with them.

Shapes: a field is `(pot,)` or `(draw, pot)`; a `layer_` field has the layer, counted from the top, in front:
`(layer, pot)` or `(layer, draw, pot)`. The lowest layer of a pot reaches down to the water. A pot with fewer
layers than its neighbours has layers of no thickness on top.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Columns:
    """Column parameters of many pots. Lengths and heights are above the reservoir floor unless said otherwise."""

    surface_height_mm: FloatArray  # top of whatever can wick, a porous cover included
    column_mm: FloatArray  # thickness of everything that can wick
    area_mm2: FloatArray  # open top
    layer_thickness_mm: FloatArray
    layer_l1_mm: FloatArray  # height still supplied with 1 mm a day
    layer_exponent: FloatArray  # of the flux-height law
    layer_vapour_filled: FloatArray  # m3 of air per m3 of dry bed
    storage: FloatArray  # m3 of water per m3 that the front takes or leaves as it moves
    held: FloatArray  # m3 of water per m3 in the grains when full: what an unfed column lives on
    vapour_enhancement: FloatArray  # vapour transport in a dry bed over molecular diffusion, k
    cover_mm: FloatArray  # stones that do not wick
    cover_vapour_filled: FloatArray
    porous_cover_mm: FloatArray  # the part of column_mm that is a cover
    boundary_s_per_m: FloatArray  # air film, vapour
    heat_film_s_per_m: FloatArray  # air film, heat
    absorbed_w_per_m2: FloatArray  # lamp, sun or mat, mean over the day, taken up at the surface
    vent_count: FloatArray
    vent_diameter_mm: FloatArray
    vent_wall_mm: FloatArray
    vent_height_mm: FloatArray
    vent_vapour_filled: FloatArray  # of the medium behind the holes
    vent_draught: FloatArray  # loss through holes over still diffusion
    vent_share: FloatArray  # share of the holes' loss that taxes the supply to the top, phi
    uptake_ml_per_day_at_1_kpa: FloatArray  # what the plant drinks
    uptake_share: FloatArray  # share of it that taxes the supply to the top
    wick_mm_per_ml_per_day: FloatArray  # head lost in the wick per water it carries
    lowest_fed_level_mm: FloatArray  # below this level nothing reaches the medium
    gap_area_mm2: FloatArray  # open water round the pot
    gap_depth_mm: FloatArray  # from the rim to the reservoir floor
    water_ml_per_mm: FloatArray  # of the reservoir

    # how unsure each is before any note: log-sds, but mm for the surface
    surface_sd_mm: FloatArray
    pot_log_sd: FloatArray  # l1 of this pot about its mix
    vapour_pot_log_sd: FloatArray  # of the vapour enhancement in this pot about the common one
    held_log_sd: FloatArray
    vent_log_sd: FloatArray
    uptake_log_sd: FloatArray
    wick_log_sd: FloatArray

    # (layer, medium, pot): volume share of each medium of `media`
    media: tuple[str, ...]
    layer_share: FloatArray

    says: tuple[tuple[str, ...], ...]  # per pot, what had to be guessed, one sentence each

    @property
    def pots(self) -> int:
        """How many pots."""
        return int(self.layer_share.shape[-1])

    def changed(self, **values: npt.ArrayLike) -> "Columns":
        """The same columns with some fields replaced; scalars are spread over the pots."""
        arrays = {name: np.asarray(value, dtype=np.float64) for name, value in values.items()}
        spread = {
            name: np.broadcast_to(array, np.broadcast_shapes(array.shape, np.shape(getattr(self, name))))
            for name, array in arrays.items()
        }
        return replace(self, **spread)  # type: ignore[arg-type]

    def taken(self, which: npt.ArrayLike) -> "Columns":
        """The columns of some pots, by index or mask; an index may come twice."""
        index = np.flatnonzero(which) if np.asarray(which).dtype == np.bool_ else np.asarray(which, dtype=np.int64)
        values: dict[str, object] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                values[field.name] = value[..., index] if value.shape[-1] != 1 or self.pots == 1 else value
            elif field.name == "says":
                values[field.name] = tuple(value[int(i)] for i in index)
        return replace(self, **values)  # type: ignore[arg-type]


def joined(some: Columns, more: Columns) -> Columns:
    """The columns of both, `(pot,)` each, as one: those with fewer layers get layers of no thickness on top."""
    if some.media != more.media:
        raise ValueError("the columns are of different tables of media")
    layers = max(some.layer_l1_mm.shape[0], more.layer_l1_mm.shape[0])
    values: dict[str, object] = {"says": some.says + more.says}
    for field in fields(Columns):
        if isinstance(getattr(some, field.name), np.ndarray):
            parts = [_at_full_width(columns, field.name, layers) for columns in (some, more)]
            values[field.name] = np.concatenate(parts, axis=-1)
    return replace(some, **values)  # type: ignore[arg-type]


def _at_full_width(columns: Columns, name: str, layers: int) -> FloatArray:
    """A field with one value a pot, and with layers of no thickness on top of those that are there."""
    value: FloatArray = getattr(columns, name)
    value = np.broadcast_to(value, (*value.shape[:-1], columns.pots))
    missing = layers - value.shape[0] if name.startswith("layer_") else 0
    if missing <= 0:
        return value
    on_top = np.repeat(value[:1], missing, axis=0)
    return np.concatenate((np.zeros_like(on_top) if name == "layer_thickness_mm" else on_top, value))
