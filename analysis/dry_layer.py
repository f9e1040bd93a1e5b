"""Where the dry line stands: a column of medium over water, wet below the line and dry above it.

Owns the balance at the line. Vapour leaves through the dry layer, the cover and the film of air above; capillary
water arrives from the reservoir. With d the depth of the dry line and H the height of the surface above the water

    demand(d) = N / (R0 + d / D),   N = 86400 (c VPD + (s/gamma) r_H Q / lambda),   R0 = r_bl + (s/gamma) r_H + p / D_p
    supply(d) = 1 / sum over the wet layers of (top^n - bottom^n) / L1^n      (heights above the water)
    demand + phi S + psi U = supply

`supply` is Gardner's limiting flux (L1/(H - d))^n, which for one layer it equals; for several it adds what each
layer takes of the capillary force, so a coarse layer high up throttles and the same layer near the water hardly
matters. S is the loss through holes and U what the plant drinks, as mm over the open top; phi and psi say how much of
them is missing at the top. Q is heat taken up at the surface. A poor wick lowers the water by its head loss.
Demand falls and supply rises with d, so there is exactly one line, and none in a pot that can keep its surface moist.
The transient form moves the line at (demand + phi S + psi U - supply) / storage. When the reservoir is empty the
moist column feeds itself: its water sinks as if the reservoir stood ever lower, by all losses over what the column
gives up per mm of sinking w, C(w) = held (s(foot + w) - s(H + w)). There s(x) = 1 / (1 + 3 x / L1) is how full the
grains are at a height x above the water (van Genuchten's retention for n = 2, steep part).

Must not know: where the constants come from (`setups.py`), how notes improve them (`calibration.py`), dates, units
other than its own, or any store.

Source: science notes sections 1 to 4 and 9; the surface energy balance is Penman's (1948) linearisation.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from analysis.air import saturation_slope_kpa_per_k
from analysis.columns import Columns, FloatArray

SECONDS_PER_DAY = 86400.0
PSYCHROMETRIC_KPA_PER_K = 0.0674
LATENT_HEAT_J_PER_KG = 2.45e6
PENMAN_TORTUOSITY = 0.66  # Penman 1940: relative diffusivity of a dry bed per air-filled share
UPTAKE_POWER = (
    0.5  # plants drink between "unchanged" and "in proportion" as air dries; the root keeps critical_vpd closed
)
LARGEST_SUPPLY_MM_PER_DAY = 1e5  # saturated conductivity of coarse clay, about 1e-3 m/s: only a bound

DEEPEST_SUNK_MM = 2000.0
FULLNESS = 3.0  # grains hold half their water a third of L1 above the water

_WATER_G_K_PER_J = 18.01528 / 8.314462618

BLOCK = 10_000
"""States that are solved together: their intermediate arrays fit the processor's cache."""


def diffusivity_m2_per_s(temperature_c: npt.ArrayLike) -> FloatArray:
    """Diffusivity of water vapour in still air at 101.3 kPa.

    temperature_c: degC, any shape. Returns m2/s.
    Holds for -10 to 50 degC; other formulas lie 3 % lower to 4 % higher.
    Source: Massman 1998, Atmos. Environ. 32:1111.
    """
    return np.asarray(2.178e-5 * ((np.asarray(temperature_c, dtype=np.float64) + 273.15) / 273.15) ** 1.81)


def vapour_density_g_per_m3_kpa(temperature_c: npt.ArrayLike) -> FloatArray:
    """Vapour density per kPa of vapour pressure, c(T).

    temperature_c: degC, any shape. Returns g m-3 kPa-1. Source: the ideal gas law.
    """
    return np.asarray(1000.0 * _WATER_G_K_PER_J / (np.asarray(temperature_c, dtype=np.float64) + 273.15))


@dataclass(frozen=True)
class Drivers:
    """What one climate asks of the columns, with a shape to which climate and columns broadcast.

    numerator: N, mm/d s/m. film_s_per_m: R0 with the cover. dry_s_per_m_per_mm: per layer, resistance of 1 mm of dry
    bed. holes_mm_per_day: S. uptake_mm_per_day: U. tax_mm_per_day: phi S + psi U. surface_mm: H, height of the
    surface above the water. wick_mm_per_mm_per_day: head lost per mm/d over the open top.
    fed: whether the reservoir reaches the medium or the wick. known: every input is a number.
    """

    numerator: FloatArray
    film_s_per_m: FloatArray
    dry_s_per_m_per_mm: FloatArray
    holes_mm_per_day: FloatArray
    uptake_mm_per_day: FloatArray
    tax_mm_per_day: FloatArray
    surface_mm: FloatArray
    wick_mm_per_mm_per_day: FloatArray
    fed: npt.NDArray[np.bool_]
    known: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Balance:
    """The balance at a depth and its slopes in depth; arrays of the drivers' shape.

    supply, demand: mm/d. net = demand + tax - supply, the rate at which the line sinks times the storage.
    supply_slope, net_slope: per mm of depth.
    """

    supply: FloatArray
    demand: FloatArray
    net: FloatArray
    supply_slope: FloatArray
    net_slope: FloatArray


@dataclass(frozen=True)
class Steady:
    """Where the line rests and what leaves the pot meanwhile.

    dry_depth_mm: 0 = moist at the surface; from the top of whatever can wick. Flows in mL a day: through the top,
    the holes, from open water in the gap, and by the plant. NaN where an input was not known.
    """

    dry_depth_mm: FloatArray
    top_ml_per_day: FloatArray
    holes_ml_per_day: FloatArray
    gap_ml_per_day: FloatArray
    plant_ml_per_day: FloatArray

    @property
    def loss_ml_per_day(self) -> FloatArray:
        """Everything that leaves: what thirst multiplies."""
        return self.top_ml_per_day + self.holes_ml_per_day + self.gap_ml_per_day + self.plant_ml_per_day


def drivers(
    columns: Columns,
    vpd_kpa: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    level_mm: npt.ArrayLike,
    *,
    uptake_ml_per_day: npt.ArrayLike | None = None,
) -> Drivers:
    """What a climate and a level ask of the columns.

    vpd_kpa, temperature_c, level_mm: broadcast with `(pot,)` or `(draw, pot)`. A deficit below zero (a wet sensor)
    counts as zero. uptake_ml_per_day: what the plant drinks where measured; None or NaN = the columns' own.
    """
    vpd = np.maximum(np.asarray(vpd_kpa, dtype=np.float64), 0.0)
    temperature = np.asarray(temperature_c, dtype=np.float64)
    level = np.asarray(level_mm, dtype=np.float64)
    d0 = diffusivity_m2_per_s(temperature)
    cooling = saturation_slope_kpa_per_k(temperature) / PSYCHROMETRIC_KPA_PER_K
    density = vapour_density_g_per_m3_kpa(temperature) * 1e-3  # kg m-3 kPa-1
    heat = cooling * columns.heat_film_s_per_m
    bed = columns.vapour_enhancement * PENMAN_TORTUOSITY * d0
    vapour = SECONDS_PER_DAY * density * vpd
    uptake = columns.uptake_ml_per_day_at_1_kpa * vpd**UPTAKE_POWER
    if uptake_ml_per_day is not None:
        uptake = np.where(np.isnan(uptake_ml_per_day), uptake, uptake_ml_per_day)
    surface = columns.surface_height_mm - level
    holes = vapour * _vent_conductance_m3_per_s(columns, d0) / (1e-6 * columns.area_mm2)
    drunk = 1e3 * uptake / columns.area_mm2
    return Drivers(
        numerator=vapour + SECONDS_PER_DAY * heat * columns.absorbed_w_per_m2 / LATENT_HEAT_J_PER_KG * (vpd > 0.0),
        film_s_per_m=columns.boundary_s_per_m + heat + 1e-3 * columns.cover_mm / (bed * columns.cover_vapour_filled),
        dry_s_per_m_per_mm=1e-3 / (bed * columns.layer_vapour_filled[(slice(None), *(None,) * _extra(bed, columns))]),
        holes_mm_per_day=holes,
        uptake_mm_per_day=drunk,
        tax_mm_per_day=columns.vent_share * holes + columns.uptake_share * drunk,
        surface_mm=surface,
        wick_mm_per_mm_per_day=columns.wick_mm_per_ml_per_day * columns.area_mm2 * 1e-3,
        fed=level > columns.lowest_fed_level_mm,
        known=np.isfinite(vpd + temperature + level + uptake) & np.isfinite(columns.surface_height_mm),
    )


def _extra(bed: FloatArray, columns: Columns) -> int:
    """How many axes (hours, draws) climate has in front of those of the layers' own arrays."""
    return max(bed.ndim - (columns.layer_vapour_filled.ndim - 1), 0)


def _vent_conductance_m3_per_s(columns: Columns, d0: FloatArray) -> FloatArray:
    """Conductance of all holes of a pot: mouth outside, wall, mouth in the medium, in series.

    Source: science notes 9.1; a disc of radius a on a half space conducts 4 D a.
    """
    radius = 0.5e-3 * np.maximum(columns.vent_diameter_mm, 1e-6)
    behind = columns.vapour_enhancement * PENMAN_TORTUOSITY * columns.vent_vapour_filled
    per_hole = (
        1.0 / (4.0 * radius) + 1e-3 * columns.vent_wall_mm / (np.pi * radius**2) + 1.0 / (4.0 * behind * radius)
    ) / d0
    return np.asarray(columns.vent_draught * columns.vent_count / per_hole)


def balance(columns: Columns, ask: Drivers, dry_depth_mm: FloatArray) -> Balance:
    """The balance at a depth of the dry line.

    dry_depth_mm: broadcasts with the drivers, up to the height of the surface. Below zero it is the height by which
    the water could stand higher and still be lifted to the top: no dry layer, but a measure of how far from one.
    Calibration uses it, since a depth of zero alone has no slope.
    """
    dry, dry_here = _dry_resistance(columns, ask, dry_depth_mm)
    whole = ask.film_s_per_m + dry
    demand = ask.numerator / whole
    demand_slope = -demand * dry_here / whole
    wick = ask.wick_mm_per_mm_per_day
    water_depth = ask.surface_mm + wick * (demand + ask.holes_mm_per_day + ask.uptake_mm_per_day)
    spent, by_depth, by_water = _capillarity_spent(columns, dry_depth_mm, water_depth)
    supply = 1.0 / (spent + 1.0 / LARGEST_SUPPLY_MM_PER_DAY)
    supply_slope = -(supply**2) * (by_depth + by_water * wick * demand_slope)
    return Balance(supply, demand, demand + ask.tax_mm_per_day - supply, supply_slope, demand_slope - supply_slope)


def _dry_resistance(columns: Columns, ask: Drivers, depth: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Resistance of the dry layer, s/m, and of the next mm at its foot."""
    per_mm = ask.dry_s_per_m_per_mm
    layers = columns.layer_l1_mm.shape[0]
    if layers == 1:
        return np.maximum(depth, 0.0) * per_mm[0], per_mm[0] * (depth >= 0.0)
    dry: FloatArray | float = 0.0
    here = per_mm[-1] * (depth >= 0.0)
    top = np.zeros_like(columns.layer_thickness_mm[0])
    for layer in range(layers - 1):
        bottom = top + columns.layer_thickness_mm[layer]
        dry = dry + (np.minimum(np.maximum(depth, top), bottom) - top) * per_mm[layer]
        here = np.where((depth >= top) & (depth < bottom), per_mm[layer], here)
        top = bottom
    return np.asarray(dry + np.maximum(depth - top, 0.0) * per_mm[-1]), here


def _capillarity_spent(
    columns: Columns, depth: FloatArray, water_depth: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sum over wet layers of (top^n - bottom^n) / L1^n, and its slopes by the depth of the line and of the water."""
    layers = columns.layer_l1_mm.shape[0]
    if layers == 1:
        top = np.maximum(water_depth - depth, 1e-9)
        part = (top / columns.layer_l1_mm[0]) ** columns.layer_exponent[0]
        slope = columns.layer_exponent[0] * part / top
        return part, -slope, slope
    spent: FloatArray | float = 0.0
    by_depth: FloatArray | float = 0.0
    by_water: FloatArray | float = 0.0
    above = np.zeros_like(columns.layer_thickness_mm[0])
    for layer in range(layers):
        n, l1 = columns.layer_exponent[layer], columns.layer_l1_mm[layer]
        start = depth if layer == 0 else np.maximum(depth, above)
        top = np.maximum(water_depth - start, 1e-9)
        part = (top / l1) ** n
        slope = n * part / top
        if layer == layers - 1:
            spent = spent + part
            by_water = by_water + slope
            by_depth = by_depth - np.where(depth >= above, slope, 0.0)
        else:
            below = above + columns.layer_thickness_mm[layer]
            foot = np.maximum(water_depth - below, 1e-9)
            wet = depth < below
            rest = (foot / l1) ** n
            spent = spent + np.where(wet, np.maximum(part - rest, 0.0), 0.0)
            by_water = by_water + np.where(wet, np.maximum(slope - n * rest / foot, 0.0), 0.0)
            by_depth = by_depth - np.where(wet & ((depth >= above) | (layer == 0)), slope, 0.0)
            above = below
    return np.asarray(spent), np.asarray(by_depth), np.asarray(by_water)


def steady(
    columns: Columns,
    vpd_kpa: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    level_mm: npt.ArrayLike,
    *,
    uptake_ml_per_day: npt.ArrayLike | None = None,
) -> Steady:
    """Where the line would rest if this air and level lasted, and the losses meanwhile.

    vpd_kpa (kPa), temperature_c (degC), level_mm (mm above the reservoir floor), uptake_ml_per_day (mL a day; None or
    NaN = the columns' own): any shapes that broadcast with `(pot,)` or `(draw, pot)`. Returns arrays of that shape.
    Decided cases: a deficit of zero or less, or water at or above the surface, gives depth 0; a level that no longer
    feeds the medium gives the depth of the whole column and no loss but from the gap; an unknown input gives NaN.
    Holds for rough stones over free water without radiation, or with a modest, known heat; see the science notes,
    section 10, for what makes it wrong. Source: science notes 9.1 to 9.4.
    """
    given = (vpd_kpa, temperature_c, level_mm, np.nan if uptake_ml_per_day is None else uptake_ml_per_day)
    shape = np.broadcast_shapes(*map(np.shape, given), columns.layer_l1_mm.shape[1:])
    rows = max(1, BLOCK // max(1, columns.pots))
    if columns.layer_l1_mm.ndim != 2 or len(shape) != 2 or shape[0] <= rows:
        return _steady(columns, *given)
    # Many moments of the same pots: a few at a time, whose intermediate arrays fit the processor's cache.
    whole = [np.broadcast_to(one, shape) for one in given]
    parts = [_steady(columns, *(one[at : at + rows] for one in whole)) for at in range(0, shape[0], rows)]
    return Steady(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Steady)))


def _steady(
    columns: Columns,
    vpd_kpa: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    level_mm: npt.ArrayLike,
    uptake_ml_per_day: npt.ArrayLike,
) -> Steady:
    ask = drivers(columns, vpd_kpa, temperature_c, level_mm, uptake_ml_per_day=uptake_ml_per_day)
    depth = steady_depth_mm(columns, ask)
    return losses(columns, ask, depth, vpd_kpa, temperature_c, level_mm)


def steady_depth_mm(columns: Columns, ask: Drivers) -> FloatArray:
    """The root of the balance for given drivers, mm; the heart of `steady`."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        shape = np.broadcast_shapes(ask.surface_mm.shape, ask.numerator.shape, columns.layer_l1_mm.shape[1:])
        height = np.broadcast_to(ask.surface_mm, shape)
        usable = ask.known & (height > 0.0)
        high = np.log(np.where(usable, height, 1.0))
        deepest = np.broadcast_to(np.minimum(columns.column_mm, height * (1.0 - 1e-9)), shape)
        low = np.log(np.where(usable, np.maximum(height - deepest, 1e-9), 0.5))

        def mismatch(x: FloatArray) -> tuple[FloatArray, FloatArray]:
            wet = np.exp(x)
            here = balance(columns, ask, height - wet)
            asked = here.demand + ask.tax_mm_per_day
            slope = here.supply_slope / here.supply - (here.net_slope + here.supply_slope) / asked
            return np.log(here.supply) - np.log(asked), -wet * slope

        value, slope = mismatch(high)
        moist = (value >= 0.0) | (ask.numerator <= 0.0) | ~usable
        parched = ~moist & (mismatch(low)[0] <= 0.0)
        x = high.copy()
        # bracketed Newton in the logarithm of the wet height, where the supply law is straight; where one layer begins
        # it bends sharply and Newton may go to and fro, so every other of the later steps halves the bracket
        for turn in range(120):
            if turn:
                value, slope = mismatch(x)
            wanting = value > 0.0
            low = np.where(wanting, x, low)
            high = np.where(wanting, high, x)
            step = x - value / slope
            inside = (step > low) & (step < high) & (turn < 10 or turn % 2 == 0)
            new = np.where(inside, step, 0.5 * (low + high))
            settled = (
                moist | parched | (np.abs(new - x) <= 1e-15 * np.maximum(1.0, np.abs(x))) | (np.abs(value) < 1e-14)
            )
            x = np.where(settled, x, new)
            if np.all(settled):
                break
        depth = np.where(moist, 0.0, np.where(parched, deepest, height - np.exp(x)))
        depth = np.where(ask.fed | (height <= 0.0), depth, columns.column_mm)
    return np.where(ask.known, np.clip(depth, 0.0, columns.column_mm), np.nan)


def losses(
    columns: Columns,
    ask: Drivers,
    dry_depth_mm: FloatArray,
    vpd_kpa: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    level_mm: npt.ArrayLike,
) -> Steady:
    """What leaves a pot whose line stands at a depth, by way; shapes as in `steady`."""
    with np.errstate(invalid="ignore"):
        here = balance(columns, ask, np.minimum(dry_depth_mm, np.maximum(ask.surface_mm, 0.0)))
        ml = 1e-3 * columns.area_mm2
        fed = np.where(ask.fed, 1.0, 0.0)
        blank = np.where(np.isnan(dry_depth_mm), np.nan, 0.0)
        return Steady(
            dry_depth_mm=dry_depth_mm,
            top_ml_per_day=here.demand * ml * fed + blank,
            holes_ml_per_day=ask.holes_mm_per_day * ml * fed + blank,
            gap_ml_per_day=_gap_ml_per_day(columns, vpd_kpa, temperature_c, level_mm) + blank,
            plant_ml_per_day=ask.uptake_mm_per_day * ml * fed + blank,
        )


def _gap_ml_per_day(
    columns: Columns, vpd_kpa: npt.ArrayLike, temperature_c: npt.ArrayLike, level_mm: npt.ArrayLike
) -> FloatArray:
    """From open water in the ring round the pot, up through the still air of the ring."""
    vpd = np.maximum(np.asarray(vpd_kpa, dtype=np.float64), 0.0)
    level = np.maximum(np.asarray(level_mm, dtype=np.float64), 0.0)
    density = vapour_density_g_per_m3_kpa(temperature_c) * 1e-3
    cooling = saturation_slope_kpa_per_k(temperature_c) / PSYCHROMETRIC_KPA_PER_K
    still_air = 1e-3 * np.maximum(columns.gap_depth_mm - level, 0.0) / diffusivity_m2_per_s(temperature_c)
    film = columns.boundary_s_per_m + cooling * columns.heat_film_s_per_m
    wet = np.where(level > 0.0, columns.gap_area_mm2, 0.0)
    return np.asarray(SECONDS_PER_DAY * density * vpd / (film + still_air) * 1e-3 * wet)


def critical_vpd_kpa(
    columns: Columns, dry_depth_mm: npt.ArrayLike, temperature_c: npt.ArrayLike, level_mm: npt.ArrayLike
) -> FloatArray:
    """The air dryness at which the line rests at a given depth: in drier air it lies deeper.

    dry_depth_mm: mm, for instance the rooting depth; temperature_c: degC; level_mm: mm; broadcast with the columns.
    Returns kPa; 0 when heat alone, or an empty reservoir, brings the line there; inf when water covers that depth.
    Closed form: at a given depth supply is known, and what it must meet is a root equation in the square root of the
    deficit. A wick with head loss needs a few rounds of the same form, since drier air lowers its water.
    Holds where `steady` does, and neglects that holes and stones conduct a little better in warmer air.
    Source: science notes 9.3.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        depth = np.asarray(dry_depth_mm, dtype=np.float64)
        one = drivers(columns, 1.0, temperature_c, level_mm)
        bare = drivers(columns.changed(absorbed_w_per_m2=0.0), 1.0, temperature_c, level_mm)
        shape = np.broadcast_shapes(
            depth.shape, one.surface_mm.shape, one.numerator.shape, columns.layer_l1_mm.shape[1:]
        )
        at_one = balance(columns, bare, np.broadcast_to(depth, shape))
        heat_only = balance(columns, one, np.broadcast_to(depth, shape)).demand - at_one.demand
        per_kpa = at_one.demand + columns.vent_share * one.holes_mm_per_day
        per_root = columns.uptake_share * one.uptake_mm_per_day
        wick = columns.wick_mm_per_ml_per_day * columns.area_mm2 * 1e-3

        def limit(vpd: FloatArray | float) -> FloatArray:
            carried = heat_only + (at_one.demand + one.holes_mm_per_day) * vpd + one.uptake_mm_per_day * np.sqrt(vpd)
            spent, _, _ = _capillarity_spent(columns, np.broadcast_to(depth, shape), one.surface_mm + wick * carried)
            spare = np.maximum(1.0 / (spent + 1.0 / LARGEST_SUPPLY_MM_PER_DAY) - heat_only, 0.0)
            root = (np.sqrt(per_root**2 + 4.0 * per_kpa * spare) - per_root) / (2.0 * per_kpa)
            return np.asarray(root**2)

        high = limit(0.0)
        if np.any(wick > 0.0):
            low = np.zeros_like(high)
            for _ in range(48):
                middle = 0.5 * (low + high)
                above = middle > limit(middle)
                low, high = np.where(above, low, middle), np.where(above, middle, high)
        high = np.where(one.fed, high, 0.0)
        high = np.where(one.surface_mm <= depth, np.inf, high)
    return np.where(one.known & np.isfinite(depth), high, np.nan)


def transient(
    columns: Columns,
    vpd_kpa: FloatArray,
    temperature_c: FloatArray,
    level_mm: FloatArray,
    *,
    initial_mm: npt.ArrayLike | None = None,
    step_hours: float = 1.0,
    wetted: npt.NDArray[np.bool_] | None = None,
    uptake_ml_per_day: FloatArray | None = None,
) -> FloatArray:
    """How the line moves, step by step.

    vpd_kpa, temperature_c, level_mm: `(step, pot)`, or `(step, 1)` to be shared, or `(step, draw, pot)`; the values
    hold over a step that ends at the row's moment. initial_mm: depth before the first step, `(pot,)` or
    `(draw, pot)`; None = at rest in the mean of the first week. wetted: `(step, pot)`, true where the pot was flushed
    from the top in that step. uptake_ml_per_day: measured uptake, `(step, pot)`; None or NaN = the columns' own.
    Returns the depth at the end of each step, `(step, pot)` or `(step, draw, pot)`.
    Implicit (backward Euler), so stable for steps of any length; steps of six hours stay within half a
    millimetre of hourly ones, steps of a day within two.
    With an empty reservoir the column lives on its own water and the line sinks until it is dry. In a step with an
    unknown input the line stays where it is. Source: science notes 9.4, point 6.
    """
    steps = max(np.shape(vpd_kpa)[0], np.shape(temperature_c)[0], np.shape(level_mm)[0])
    if initial_mm is None:
        week = max(1, min(steps, round(168.0 / step_hours)))
        # where nothing is known the line starts at the surface, the caller sees no reading anyway
        depth = steady(columns, *first_known_mean(vpd_kpa, temperature_c, level_mm, week)).dry_depth_mm
    else:
        depth = np.asarray(initial_mm, dtype=np.float64)
    shape = np.broadcast_shapes(
        depth.shape, np.shape(level_mm)[1:], np.shape(vpd_kpa)[1:], columns.layer_l1_mm.shape[1:]
    )
    depth = np.broadcast_to(np.nan_to_num(depth), shape).astype(np.float64)
    sunk = np.zeros(shape)
    path = np.empty((steps, *shape))
    for row, ask in enumerate(_driver_rows(columns, vpd_kpa, temperature_c, level_mm, uptake_ml_per_day, shape)):
        if not ask.fed.all():
            sunk = sunk_mm(columns, ask, depth, sunk, step_hours / 24.0)
            ask = replace(ask, surface_mm=ask.surface_mm + sunk)  # noqa: PLW2901
        elif row and sunk.any():
            sunk = np.zeros(shape)
        depth = implicit_step(columns, ask, depth, step_hours / 24.0)
        if wetted is not None:
            depth = np.where(wetted[row], 0.0, depth)
        path[row] = depth
    return path


def sunk_mm(columns: Columns, ask: Drivers, depth_mm: FloatArray, sunk: FloatArray, days: float) -> FloatArray:
    """How far the water of an unfed column has sunk below its reservoir after a step; zero in a fed one.

    depth_mm, sunk: at the start of the step. A refill feeds the column again at once; its line then rises at the pace
    of its storage.
    """
    dry, _ = _dry_resistance(columns, ask, depth_mm)
    lost = ask.numerator / (ask.film_s_per_m + dry) + ask.holes_mm_per_day + ask.uptake_mm_per_day
    after = np.minimum(sunk + days * lost / given_up(columns, ask, sunk), DEEPEST_SUNK_MM)
    return np.where(ask.fed, 0.0, np.where(ask.known, after, sunk))


def given_up(columns: Columns, ask: Drivers, sunk: FloatArray) -> FloatArray:
    """mm of water that a moist column gives up per mm by which its water sinks further: less and less."""
    reach = columns.layer_l1_mm[-1] / FULLNESS
    top = np.maximum(ask.surface_mm, 1.0) + sunk
    foot = np.maximum(ask.surface_mm - columns.column_mm, 0.0) + sunk
    return np.asarray(columns.held * reach * (top - foot) / ((reach + foot) * (reach + top)))


def first_known_mean(
    vpd_kpa: FloatArray, temperature_c: FloatArray, level_mm: FloatArray, steps: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means `(pot,)` over the first steps at which air and level are all known; NaN where they never are.

    vpd_kpa, temperature_c, level_mm: `(step, pot)`. Where a line starts is where it rested in that air.
    """
    known = np.isfinite(vpd_kpa + temperature_c + level_mm)
    known = known & (np.cumsum(known, axis=0) <= steps)
    count = known.sum(axis=0)

    def mean(series: FloatArray) -> FloatArray:
        total = np.where(known, series, 0.0).sum(axis=0)
        return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))

    return mean(vpd_kpa), mean(temperature_c), mean(level_mm)


def _driver_rows(
    columns: Columns,
    vpd_kpa: FloatArray,
    temperature_c: FloatArray,
    level_mm: FloatArray,
    uptake_ml_per_day: FloatArray | None,
    shape: tuple[int, ...],
) -> Iterator[Drivers]:
    """Drivers of one step after the other, computed for many steps at once and handed out singly."""
    steps = max(np.shape(vpd_kpa)[0], np.shape(temperature_c)[0], np.shape(level_mm)[0])
    at_once = max(1, 2_000_000 // max(1, int(np.prod(shape))))
    draws = columns.layer_l1_mm.ndim - 2
    layers = columns.layer_l1_mm.shape[0]

    def rows(series: FloatArray, start: int) -> FloatArray:
        part = np.asarray(series, dtype=np.float64)
        part = part[start : start + at_once] if part.shape[0] > 1 else part
        return part.reshape(part.shape[0], *(1,) * (draws + 2 - part.ndim), *part.shape[1:])

    for start in range(0, steps, at_once):
        many = drivers(
            columns,
            rows(vpd_kpa, start),
            rows(temperature_c, start),
            rows(level_mm, start),
            uptake_ml_per_day=None if uptake_ml_per_day is None else rows(uptake_ml_per_day, start),
        )
        length = min(at_once, steps - start)

        def spread(values: FloatArray, length: int = length) -> FloatArray:
            return np.broadcast_to(values, (length, *shape))

        dry = np.moveaxis(np.broadcast_to(many.dry_s_per_m_per_mm, (layers, length, *shape)), 1, 0)
        numerator, film = spread(many.numerator), spread(many.film_s_per_m)
        holes, uptake, tax = (
            spread(many.holes_mm_per_day),
            spread(many.uptake_mm_per_day),
            spread(many.tax_mm_per_day),
        )
        surface = spread(many.surface_mm)
        fed = np.broadcast_to(many.fed, (length, *shape))
        known = np.broadcast_to(many.known, (length, *shape))
        for i in range(length):
            yield Drivers(
                numerator[i],
                film[i],
                dry[i],
                holes[i],
                uptake[i],
                tax[i],
                surface[i],
                many.wick_mm_per_mm_per_day,
                fed[i],
                known[i],
            )


def implicit_step(
    columns: Columns, ask: Drivers, depth_mm: FloatArray, days: float, floor_mm: float = 0.0
) -> FloatArray:
    """One backward Euler step of the line: depth(new) = depth + days net(new) / storage, from floor to column."""
    pace = days / columns.storage
    near = 2e-3 if columns.layer_l1_mm.shape[0] == 1 else 1e-4
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        bound = np.maximum(np.minimum(columns.column_mm, ask.surface_mm - 1e-3), floor_mm)
        new = np.minimum(depth_mm, bound)
        low, high = np.full_like(new, floor_mm), bound
        for turn in range(60):
            here = balance(columns, ask, new)
            beyond = new - depth_mm - pace * here.net
            after = np.minimum(np.maximum(new - beyond / (1.0 - pace * here.net_slope), floor_mm), bound)
            if turn >= 4:
                # to and fro about the foot of a layer: close in from both sides
                low, high = np.where(beyond > 0.0, low, new), np.where(beyond > 0.0, new, high)
                after = np.clip(after, low, high) if turn % 2 else 0.5 * (low + high)
            moved = np.abs(after - new)
            new = after
            # Newton: what is left is of the order of the square of the last move over the wet height
            if not (moved > near * (bound - new) + 1e-6).any():
                break
        new = np.where(ask.surface_mm <= 0.0, min(floor_mm, 0.0), new)
    return np.where(ask.known, new, depth_mm)
