"""One pot, two spells, and every mixture of them: the dry layer and the use as they would have been.

The picture. Something about a pot was one way before and another way since. Each *factor* (air, level, holes, cover,
medium, wick, plant, heat) owns some parameters of the column or some of its drivers; a mask over factors says which of
them have changed, and the line is followed day by day through the spell under that mixture. Where a factor has not
changed, its drivers are those of the spell before, day by day, so that their ups and downs stay in.

A plant drinks in full while enough of its roots stand in moist medium, since these make up for the dry ones; a line
that sinks past the middle of the column takes that away. So a wick that fails under a deep line is seen in use more
than in depth, and a level that falls there lessens use without anything being wrong with the plant.

Masks and draws are run side by side. What the numbers mean, and which factors to ask about, is for `causes.py`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from analysis.air import saturation_vapour_pressure_kpa
from analysis.columns import Columns, FloatArray
from analysis.dry_layer import UPTAKE_POWER, drivers, losses, transient

BoolArray = npt.NDArray[np.bool_]

FACTORS = ("dry_air", "low_reservoir", "vent_holes", "top_layer", "medium", "wick", "plant", "heat")

_MEDIUM = (
    "surface_height_mm", "column_mm", "area_mm2", "layer_thickness_mm", "layer_l1_mm", "layer_exponent",
    "layer_vapour_filled", "layer_share", "storage", "vapour_enhancement",
)  # fmt: skip
OWNS: Mapping[str, tuple[str, ...]] = {
    "dry_air": ("boundary_s_per_m", "heat_film_s_per_m", "vent_draught"),
    "low_reservoir": ("water_ml_per_mm",),
    "vent_holes": (
        "vent_count", "vent_diameter_mm", "vent_wall_mm", "vent_height_mm", "vent_vapour_filled", "vent_share",
        "gap_area_mm2", "gap_depth_mm",
    ),
    "top_layer": ("cover_mm", "cover_vapour_filled", "porous_cover_mm"),
    "medium": _MEDIUM,
    "wick": ("wick_mm_per_ml_per_day", "lowest_fed_level_mm"),
    "plant": ("uptake_ml_per_day_at_1_kpa", "uptake_share"),
    "heat": ("absorbed_w_per_m2",),
}  # fmt: skip
"""Which column parameters each factor owns. A porous cover is medium too: see `owned_by`."""

ROOTS_MAKE_UP, NO_ROOTS_BELOW, LEAST_DRUNK = 0.4, 0.75, 0.1
"""Dry share of the column up to which the other roots make up for those in it, and at which hardly any are left. That
moist roots make up for dry ones until too few are left is known of soils (Jarvis 1989, J. Hydrology 107:57, from
memory); the shares are assumed, for roots that are densest about the middle."""


@dataclass(frozen=True)
class Drivers:
    """Daily air and level of a spell (days,): NaN where unknown."""

    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray


@dataclass(frozen=True)
class Spell:
    """One stretch of days of a pot, as it was measured and noted.

    drivers: daily air and level. use_ml_per_day with its sd: the measured mean of its later half (`shown_days`), NaN
    without. Noted depths: middle, sd and the day in the spell (notes,). silent: quantities that said nothing, or the
    same, for most of it ("air", "level"). refill_days: usual days between refills, NaN when unknown. empty_hours: with
    no water at all.
    """

    drivers: Drivers
    use_ml_per_day: float = np.nan
    use_sd: float = np.nan
    noted_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    noted_sd_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    noted_day: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    silent: tuple[str, ...] = ()
    refill_days: float = np.nan
    empty_hours: float = 0.0


@dataclass(frozen=True)
class Course:
    """How the line and the use went under each mask: depth_mm and use_ml_per_day (masks, draws, days)."""

    depth_mm: FloatArray
    use_ml_per_day: FloatArray


def shown_days(days: int) -> slice:
    """The days of a spell that show where the line went: its later half, three days at least."""
    return slice(max(0, min(days // 2, days - 3)), days)


def owned_by(changed: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Parameters of each changed factor; the layers go with a cover when the medium itself did not change."""
    owns = {factor: OWNS[factor] for factor in changed}
    if "top_layer" in owns and "medium" not in owns:
        owns["top_layer"] = OWNS["top_layer"] + _MEDIUM
    return owns


def courses(
    before: Columns, since: Columns, air_before: Drivers, air_since: Drivers, factors: Sequence[str], masks: BoolArray
) -> Course:
    """The pot's course through the days since, under each mask (masks, k) over `factors` (k names).

    before, since: one pot as draws `(draw, 1)`, with equally many layers. The line starts at rest in the air before.
    Unknown days of the spell count as the mean day before it.
    """
    air = _mask_of("dry_air", factors, masks)
    warmth = _mask_of("heat", factors, masks) if "heat" in factors else air
    mixed = _mixture(before, since, owned_by(factors), factors, masks)
    return _followed(before, mixed, air_before, air_since, air, warmth, _mask_of("low_reservoir", factors, masks))


def courses_of_variants(
    before: Columns, variants: Sequence[Columns], air_before: Drivers, air_since: Drivers
) -> Course:
    """The course of each variant of the pot `(draw, 1)` through the days since, air and level being what they were."""
    on = np.ones(len(variants), bool)
    return _followed(before, _one_after_another(variants), air_before, air_since, on, on, on)


def _followed(
    before: Columns, columns: Columns, air_before: Drivers, air_since: Drivers,
    new_vapour: BoolArray, new_warmth: BoolArray, new_level: BoolArray,
) -> Course:  # fmt: skip
    """Follow columns `(courses * draw, 1)` day by day; the masks (courses,) say whose drivers each course has.

    Vapour and warmth of the air come apart where heat is a factor of its own: a lamp that warms the shelf dries its air
    without taking vapour out of it.
    """
    count, draws, days = len(new_level), before.layer_l1_mm.shape[-2], len(air_since.vpd_kpa)
    vapour = _series(_vapour_kpa(air_before), _vapour_kpa(air_since), new_vapour, draws)
    temperature = _series(air_before.temperature_c, air_since.temperature_c, new_warmth, draws)
    vpd = np.maximum(saturation_vapour_pressure_kpa(temperature) - vapour, 0.0)
    level = _series(air_before.level_mm, air_since.level_mm, new_level, draws)
    rest = (
        np.full((1, draws, 1), float(np.nanmean(series)))
        for series in (air_before.vpd_kpa, air_before.temperature_c, air_before.level_mm)
    )
    first = np.tile(transient(repeated(before, 1), *rest, step_hours=24.0)[-1], (count, 1))
    depth = transient(columns, vpd, temperature, level, initial_mm=first, step_hours=24.0)
    uptake = _uptake_ml_per_day(columns, vpd, depth, first)
    if uptake is not None:
        depth = transient(columns, vpd, temperature, level, initial_mm=first, step_hours=24.0, uptake_ml_per_day=uptake)
    asked = drivers(columns, vpd, temperature, level, uptake_ml_per_day=uptake)
    loss = losses(columns, asked, depth, vpd, temperature, level).loss_ml_per_day
    shape = (days, count, draws)
    return Course(np.moveaxis(depth.reshape(shape), 0, -1), np.moveaxis(loss.reshape(shape), 0, -1))


def _uptake_ml_per_day(
    columns: Columns, vpd_kpa: FloatArray, depth_mm: FloatArray, first_mm: FloatArray
) -> FloatArray | None:
    """What the plant drinks as the line moves through its roots, like depth_mm; None where no line is that deep.

    The columns' own uptake is that of the line before.
    """
    moist = [_roots_in_moist(mm / columns.column_mm) for mm in (depth_mm, first_mm)]
    if (moist[0] >= 1.0).all() and (moist[1] >= 1.0).all():
        return None
    own = columns.uptake_ml_per_day_at_1_kpa * np.maximum(vpd_kpa, 0.0) ** UPTAKE_POWER
    return np.asarray(own * moist[0] / moist[1])


def _roots_in_moist(dry_share: FloatArray) -> FloatArray:
    """How much of its usual water a plant gets while this share of its column is dry."""
    left: FloatArray = np.clip((NO_ROOTS_BELOW - dry_share) / (NO_ROOTS_BELOW - ROOTS_MAKE_UP), LEAST_DRUNK, 1.0)
    return left


def _vapour_kpa(air: Drivers) -> FloatArray:
    return np.asarray(saturation_vapour_pressure_kpa(air.temperature_c)) - air.vpd_kpa


def _one_after_another(variants: Sequence[Columns]) -> Columns:
    whole = [repeated(variant, 1) for variant in variants]
    names = [each.name for each in fields(Columns) if isinstance(getattr(whole[0], each.name), np.ndarray)]
    values: dict[str, object] = {
        name: np.concatenate([getattr(variant, name) for variant in whole], axis=-2)
        for name in names
        if name != "layer_share"
    }
    return replace(whole[0], **values)  # type: ignore[arg-type]


def repeated(columns: Columns, times: int) -> Columns:
    """The draws of a pot `(draw, 1)` written down several times, one block after the other `(times * draw, 1)`."""
    draws = columns.layer_l1_mm.shape[-2]
    values: dict[str, object] = {}
    for each in fields(columns):
        value = getattr(columns, each.name)
        if isinstance(value, np.ndarray) and each.name != "layer_share":
            layers = value.shape[:1] if each.name.startswith("layer_") else ()
            full = np.broadcast_to(value, (*layers, draws, 1))
            values[each.name] = np.tile(full, (*(1,) * len(layers), times, 1))
    return replace(columns, **values)  # type: ignore[arg-type]


def _mixture(
    before: Columns, since: Columns, owns: Mapping[str, tuple[str, ...]], factors: Sequence[str], masks: BoolArray
) -> Columns:
    old, new = repeated(before, len(masks)), repeated(since, len(masks))
    draws = before.layer_l1_mm.shape[-2]
    values: dict[str, object] = {}
    for i, factor in enumerate(factors):
        on = np.repeat(masks[:, i], draws)[:, None]
        for name in owns[factor]:
            if name != "layer_share":  # media are carried by the layers' own constants
                values[name] = np.where(on, getattr(new, name), getattr(old, name))
    return replace(old, **values)  # type: ignore[arg-type]


def _mask_of(factor: str, factors: Sequence[str], masks: BoolArray) -> BoolArray:
    return masks[:, list(factors).index(factor)] if factor in factors else np.zeros(len(masks), bool)


def _series(old: FloatArray, new: FloatArray, on: BoolArray, draws: int) -> FloatArray:
    """Days of a driver under each mask (days, masks * draws, 1); unknown days are the mean day before.

    A driver that has not changed goes on as it did in the last days before, about the mean of the whole spell before: a
    level that happened to stand high in its last week is not taken for the usual one.
    """
    usual = float(np.nanmean(old))
    was = np.resize(np.where(np.isfinite(old), old, usual)[-len(new) :], len(new))
    was = np.maximum(was + usual - was[shown_days(len(new))].mean(), 0.0)
    since = np.where(np.isfinite(new), new, usual)
    return np.where(np.repeat(on, draws)[None, :, None], since[:, None, None], was[:, None, None])
