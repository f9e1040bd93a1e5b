"""How the balance at the dry line, and with it the line, answers to each constant: analytic derivatives.

Owns the partial derivatives of `dry_layer.balance` in the constants, and their transport through rest and through
time (implicit function theorem). `calibration.py` fits with them. Must not know notes, priors or which constants are
shared by whom: that is handed in as weights.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis.columns import Columns, FloatArray
from analysis.dry_layer import (
    DEEPEST_SUNK_MM,
    FULLNESS,
    PENMAN_TORTUOSITY,
    Balance,
    Drivers,
    balance,
    given_up,
    implicit_step,
    steady_depth_mm,
    sunk_mm,
)

CONSTANTS = ("vapour_enhancement", "uptake", "vents", "wick", "surface", "uptake_share", "storage", "held")
"""The constants that are not a layer's: logarithms, but mm for the surface and the logit for the share."""

FLOOR_MM = -30.0
"""How far below zero a moist pot's line is followed, so that "moist" is a matter of degree with a slope."""


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
    layer_l1, layer_exponent, lowered = _supply_slopes(columns, ask, depth_mm, here)
    demand_by_k, holes_by_k = _losses_by_k(columns, ask, here.demand)
    # through the wick: what is carried lowers the water, and a lower water raises net by `lowered` a mm
    wick = ask.wick_mm_per_mm_per_day
    share = columns.uptake_share
    carried = here.demand + ask.holes_mm_per_day + ask.uptake_mm_per_day
    by_constant = {
        "vapour_enhancement": demand_by_k
        + columns.vent_share * holes_by_k
        + lowered * wick * (demand_by_k + holes_by_k),
        "uptake": ask.uptake_mm_per_day * (share + lowered * wick),
        "vents": ask.holes_mm_per_day * (columns.vent_share + lowered * wick),
        "wick": lowered * wick * carried,
        "surface": lowered,
        "uptake_share": ask.uptake_mm_per_day * share * (1.0 - share),
    }
    by_layers = np.einsum("pl...,l...->p...", weights.l1, layer_l1) + np.einsum(
        "pl...,l...->p...", weights.exponent, layer_exponent
    )
    return np.asarray(_by_parameter(weights, by_constant) - by_layers)


def _by_parameter(weights: Weights, by_constant: dict[str, FloatArray]) -> FloatArray:
    """Slopes by constant, `(column,)` each, to slopes by parameter, `(parameter, column)`."""
    rows = [CONSTANTS.index(name) for name in by_constant]
    slopes = np.stack(np.broadcast_arrays(*by_constant.values()))
    return np.asarray(np.einsum("pc...,c...->p...", weights.other[:, rows], slopes))


def _losses_by_k(columns: Columns, ask: Drivers, demand: FloatArray) -> tuple[FloatArray, FloatArray]:
    """d demand and d loss through holes / d ln of the vapour enhancement."""
    in_beds = ask.numerator / demand - ask.film_s_per_m + _cover_s_per_m(columns, ask)
    return np.asarray(demand**2 / ask.numerator * in_beds), ask.holes_mm_per_day * _inner_share_of_holes(columns)


def _supply_slopes(
    columns: Columns, ask: Drivers, depth: FloatArray, here: Balance
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """d supply / d ln l1 and / d ln exponent of each layer, `(layer, column)`, and its fall as the water sinks."""
    wick = ask.wick_mm_per_mm_per_day
    water_depth = ask.surface_mm + wick * (here.demand + ask.holes_mm_per_day + ask.uptake_mm_per_day)
    layers = columns.layer_l1_mm.shape[0]
    l1_slopes, exponent_slopes = [], []
    by_water: FloatArray | float = 0.0
    above = np.zeros_like(columns.layer_thickness_mm[0])
    for layer in range(layers):
        n, l1 = columns.layer_exponent[layer], columns.layer_l1_mm[layer]
        start = depth if layer == 0 else np.maximum(depth, above)
        top = np.maximum(water_depth - start, 1e-9)
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
    return square * np.stack(l1_slopes), square * np.stack(exponent_slopes), square * np.asarray(by_water)


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


@dataclass(frozen=True)
class Line:
    """A line on its way: depth and how far the water has sunk, `(column,)`, with slopes `(parameter, column)`."""

    depth_mm: FloatArray
    slopes: FloatArray
    sunk_mm: FloatArray
    sunk_slopes: FloatArray


def line_at_rest(columns: Columns, ask: Drivers, weights: Weights) -> Line:
    """Where the line starts."""
    depth, slopes = rest_with_slopes(columns, ask, weights)
    return Line(depth, slopes, np.zeros_like(depth), np.zeros_like(slopes))


def step_with_slopes(columns: Columns, ask: Drivers, line: Line, weights: Weights, days: float) -> Line:
    """One implicit step of the line and of its derivatives."""
    fed = bool(ask.fed.all())
    sunk, sunk_slopes = line.sunk_mm, line.sunk_slopes
    if not fed:
        sunk, sunk_slopes = _sunk_with_slopes(columns, ask, line, weights, days)
        ask = replace(ask, surface_mm=ask.surface_mm + sunk)
    elif sunk.any():
        sunk, sunk_slopes = np.zeros_like(sunk), np.zeros_like(sunk_slopes)
    new = implicit_step(columns, ask, line.depth_mm, days, FLOOR_MM)
    pace = days / columns.storage
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        here = balance(columns, ask, new)
        source = net_slopes(columns, ask, new, here, weights)
        if not fed:
            lowered = _supply_slopes(columns, ask, new, here)[2]
            source = source + lowered * sunk_slopes
        storage = weights.other[:, CONSTANTS.index("storage")]
        after = (line.slopes + pace * (source - storage * here.net)) / (1.0 - pace * here.net_slope)
    inside = (new > FLOOR_MM) & (new < np.minimum(columns.column_mm, ask.surface_mm - 1e-3))
    after = np.where(inside & np.isfinite(after), after, 0.0)
    return Line(new, np.where(ask.known, after, line.slopes), sunk, sunk_slopes)


def _sunk_with_slopes(
    columns: Columns, ask: Drivers, line: Line, weights: Weights, days: float
) -> tuple[FloatArray, FloatArray]:
    """The sinking water of an unfed column and its derivatives; see `dry_layer.sunk_mm`."""
    after = sunk_mm(columns, ask, line.depth_mm, line.sunk_mm, days)
    with np.errstate(divide="ignore", invalid="ignore"):
        here = balance(columns, ask, line.depth_mm)
        demand_by_k, holes_by_k = _losses_by_k(columns, ask, here.demand)
        lost = here.demand + ask.holes_mm_per_day + ask.uptake_mm_per_day
        lost_slopes = (
            _by_parameter(
                weights,
                {
                    "vapour_enhancement": demand_by_k + holes_by_k,
                    "uptake": ask.uptake_mm_per_day,
                    "vents": ask.holes_mm_per_day,
                },
            )
            + (here.net_slope + here.supply_slope) * line.slopes
        )
        # C = held reach (top - foot) / ((reach + foot) (reach + top)); top - foot stays as both sink
        reach = columns.layer_l1_mm[-1] / FULLNESS
        top = np.maximum(ask.surface_mm, 1.0) + line.sunk_mm
        foot = np.maximum(ask.surface_mm - columns.column_mm, 0.0) + line.sunk_mm
        by_sinking = -1.0 / (reach + foot) - 1.0 / (reach + top)
        by_reach = 1.0 - reach / (reach + foot) - reach / (reach + top)
        pace = days * lost / given_up(columns, ask, line.sunk_mm)
        surface, held = (weights.other[:, CONSTANTS.index(name)] for name in ("surface", "held"))
        slopes = (
            line.sunk_slopes
            + pace * lost_slopes / lost
            - pace * (by_sinking * (line.sunk_slopes + surface) + by_reach * weights.l1[:, -1] + held)
        )
    moving = (after > line.sunk_mm) & (after < DEEPEST_SUNK_MM)
    slopes = np.where(moving & np.isfinite(slopes), slopes, np.where(ask.fed, 0.0, line.sunk_slopes))
    return after, np.where(ask.fed, 0.0, slopes)
