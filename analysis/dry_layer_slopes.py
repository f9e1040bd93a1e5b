"""How the balance at the dry line, and with it the line, answers to each constant: analytic derivatives.

Owns the partial derivatives of `dry_layer.balance` in the constants, and their transport through rest and through
time (implicit function theorem). `calibration.py` fits with them. Must not know notes, priors or which constants are
shared by whom: that is handed in as weights.
"""

from dataclasses import dataclass

import numpy as np

from analysis.columns import Columns, FloatArray
from analysis.dry_layer import PENMAN_TORTUOSITY, Balance, Drivers, balance, implicit_step, net_rate, steady_depth_mm

CONSTANTS = ("vapour_enhancement", "uptake", "vents", "wick", "surface", "uptake_share", "storage")
"""The constants that are not a layer's: logarithms, but mm for the surface and the logit for the share."""


@dataclass(frozen=True)
class Weights:
    """Which parameters move which constants of each column.

    l1, exponent: `(parameter, layer, column)`, d ln constant / d parameter. other: `(parameter, len(CONSTANTS))`
    or `(parameter, len(CONSTANTS), column)`.
    """

    l1: FloatArray
    exponent: FloatArray
    other: FloatArray


def net_slopes(columns: Columns, ask: Drivers, depth_mm: FloatArray, here: Balance, weights: Weights) -> FloatArray:
    """d net / d parameter at a fixed depth, `(parameter, column)`, in mm/d; all but the storage, which is not in it."""
    layer_l1, layer_exponent, by_water = _supply_slopes(columns, ask, depth_mm, here)
    dry = ask.numerator / here.demand - ask.film_s_per_m
    cover = _cover_s_per_m(columns, ask)
    demand_by_k = here.demand**2 / ask.numerator * (dry + cover)
    inner = _inner_share_of_holes(columns)
    holes_by_k = ask.holes_mm_per_day * inner
    # through the wick: what is carried lowers the water, and a lower water raises net by this
    lowered = -by_water
    wick = ask.wick_mm_per_mm_per_day
    share = columns.uptake_share
    carried = here.demand + ask.holes_mm_per_day + ask.uptake_mm_per_day
    fed = np.where(ask.fed, 1.0, 0.0)
    other = np.stack(
        np.broadcast_arrays(
            demand_by_k + columns.vent_share * holes_by_k * fed + lowered * wick * (demand_by_k + holes_by_k) * fed,
            ask.uptake_mm_per_day * (share * fed + (1.0 - fed) + lowered * wick * fed),
            ask.holes_mm_per_day * (columns.vent_share * fed + (1.0 - fed) + lowered * wick * fed),
            lowered * wick * carried * fed,
            lowered * fed,
            ask.uptake_mm_per_day * share * (1.0 - share) * fed,
            np.zeros_like(here.net),
        )
    )
    by_other = np.einsum(
        "pc...,c...->p...",
        np.broadcast_to(_per_column(weights.other, other), (len(weights.other), *other.shape)),
        other,
    )
    by_layers = np.einsum("pl...,l...->p...", weights.l1, layer_l1) + np.einsum(
        "pl...,l...->p...", weights.exponent, layer_exponent
    )
    return np.asarray(by_other - by_layers * fed)


def _per_column(weights: FloatArray, like: FloatArray) -> FloatArray:
    return weights if weights.ndim == like.ndim + 1 else weights[..., None]


def _supply_slopes(
    columns: Columns, ask: Drivers, depth: FloatArray, here: Balance
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """d supply / d ln l1 and / d ln exponent of each layer, `(layer, column)`, and / d depth of the water."""
    wick = ask.wick_mm_per_mm_per_day
    water_depth = ask.surface_mm + wick * (here.demand + ask.holes_mm_per_day + ask.uptake_mm_per_day)
    layers = columns.layer_l1_mm.shape[0]
    l1_slopes, exponent_slopes = [], []
    by_water: FloatArray | float = 0.0
    above = np.zeros_like(columns.layer_thickness_mm[0])
    for layer in range(layers):
        n, l1 = columns.layer_exponent[layer], columns.layer_l1_mm[layer]
        top = np.maximum(water_depth - np.maximum(depth, above), 1e-9)
        below = above + columns.layer_thickness_mm[layer]
        last = layer == layers - 1
        foot = np.full_like(top, 1e-9) if last else np.maximum(water_depth - below, 1e-9)
        wet = (top > foot) & (True if last else depth < below)
        part, rest = np.where(wet, (top / l1) ** n, 0.0), np.where(wet, (foot / l1) ** n, 0.0)
        l1_slopes.append(n * (part - rest))
        exponent_slopes.append(-n * (part * np.log(top / l1) - rest * np.log(foot / l1)))
        by_water = by_water + n * (part / top - rest / foot)
        above = below
    square = here.supply**2
    return square * np.stack(l1_slopes), square * np.stack(exponent_slopes), -square * np.asarray(by_water)


def _cover_s_per_m(columns: Columns, ask: Drivers) -> FloatArray:
    """The part of the film that is stones, from the dry bed's own resistance per mm."""
    bed = ask.dry_s_per_m_per_mm[-1] * columns.layer_vapour_filled[-1]
    return np.asarray(bed * columns.cover_mm / columns.cover_vapour_filled)


def _inner_share_of_holes(columns: Columns) -> FloatArray:
    """Share of a hole's resistance that lies in the medium behind it."""
    radius = 0.5e-3 * np.maximum(columns.vent_diameter_mm, 1e-6)
    behind = 1.0 / (4.0 * columns.vapour_enhancement * PENMAN_TORTUOSITY * columns.vent_vapour_filled * radius)
    outside = 1.0 / (4.0 * radius) + 1e-3 * columns.vent_wall_mm / (np.pi * radius**2)
    return np.asarray(behind / (behind + outside))


def rest_with_slopes(columns: Columns, ask: Drivers, weights: Weights) -> tuple[FloatArray, FloatArray]:
    """The resting depth and its derivatives `(parameter, column)`; zero where the line is at a bound."""
    depth = steady_depth_mm(columns, ask)
    safe = np.clip(np.nan_to_num(depth), 0.0, np.maximum(ask.surface_mm - 1e-6, 0.0))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        here = balance(columns, ask, safe)
        slopes = -net_slopes(columns, ask, safe, here, weights) / here.net_slope
    inside = (safe > 0.0) & (safe < columns.column_mm) & ask.fed & (ask.numerator > 0.0) & np.isfinite(depth)
    return safe, np.where(inside & np.isfinite(slopes), slopes, 0.0)


def step_with_slopes(
    columns: Columns, ask: Drivers, depth_mm: FloatArray, slopes: FloatArray, weights: Weights, days: float
) -> tuple[FloatArray, FloatArray]:
    """One implicit step of the line and of its derivatives."""
    new = implicit_step(columns, ask, depth_mm, days)
    pace = days / columns.storage
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        here = balance(columns, ask, new)
        net, net_slope = net_rate(ask, here)
        source = net_slopes(columns, ask, new, here, weights)
        storage = _per_column(weights.other, np.empty((1, *new.shape)))[:, CONSTANTS.index("storage")]
        after = (slopes + pace * (source - storage * net)) / (1.0 - pace * net_slope)
    limit = np.where(ask.fed, np.minimum(columns.column_mm, ask.surface_mm - 1e-3), columns.column_mm)
    inside = (new > 0.0) & (new < limit)
    after = np.where(inside & np.isfinite(after), after, 0.0)
    return new, np.where(ask.known, after, slopes)
