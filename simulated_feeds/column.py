"""One implicit step of water through all pots' columns at once.

Owns the equations of the column: capillary and film flow, vapour diffusion with evaporation where it occurs, side vents
acting at their height, the wick at the bottom, the air film and cover at the top. Everything is linearised about the
present water content and solved as one tridiagonal system over pots x cells, so that what leaves one cell enters the
next to the last digit. It must not know dates, events or who refills.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dgtsv

from simulated_feeds.media import DRY_BELOW, LOG_HIGH, LOG_LOW, LOG_STEPS, NODES, SORBED, WETTEST, Table, table_of
from simulated_feeds.noise import Floats
from simulated_feeds.pots import PEBBLE_VAPOUR, Build, Hidden

Ints = npt.NDArray[np.int64]

WICK_MM_PER_DAY_PER_MM = 0.6
STANDING_MM_PER_DAY_PER_MM = 12.0
SKIN_MM = 5.0
DAY_S = 86_400.0


@dataclass(frozen=True)
class Columns:
    """Pots as columns: arrays (pot,) or (pot, cell), cells from the bottom up; heights above the reservoir floor."""

    cell_mm: Floats
    base_mm: Floats
    area_mm2: Floats
    height_mm: Floats  # (pot, cell) middle of each cell
    capacity_mm: Floats  # (pot, cell) mm of water a cell holds per unit of water content
    lift_mm: Floats  # (pot, cell) height scale
    conduct: Floats  # (pot, cell) conductivity scale
    vapour: Floats  # (pot, cell) diffusivity of the dry bed over that of free air
    heat_w_per_m_k: Floats  # (pot,) of the dry bed
    table_at: Ints  # (pot, cell) first row of the cell's table
    tables: tuple[Table, ...]
    by_water: Floats
    by_suction: Floats
    seams: tuple[Ints, Ints]  # interfaces (pot, lower cell) between different media
    vents_m3_per_s: Floats  # (pot, cell) conductance of the vents in free air of unit diffusivity scale
    low_vents_m3_per_s: Floats  # (pot,) of vents below the column: they air the water
    pebbles_mm: Floats
    porous_cover_mm: Floats
    wick_per_day: Floats
    gap_mm2: Floats
    gap_depth_mm: Floats  # rim of the outer pot above the reservoir floor
    reservoir_mm2: Floats
    fill_mark_mm: Floats
    rim_mm: Floats
    wall_share: Floats  # wall area over top area
    root_share: Floats  # (pot, cell)


def columns_of(builds: Sequence[Build], hiddens: Sequence[Hidden], cells: int) -> Columns:
    """Lay out the columns of these set-ups on `cells` cells each."""
    pots = len(builds)
    thickness = np.array([build.column_mm for build in builds])
    cell = thickness / cells
    base = np.array([build.surface_mm + build.porous_cover_mm for build in builds]) - thickness
    height = base[:, None] + (np.arange(cells) + 0.5) * cell[:, None]
    depth = (cells - np.arange(cells) - 0.5) * cell[:, None]
    lift, water, vapour, shape, heat = (np.empty((pots, cells)) for _ in range(5))
    for row, build in enumerate(builds):
        edge = 0.0
        for layer_mm, medium in build.layers:
            inside = (depth[row] > edge) & (depth[row] <= edge + layer_mm + 1e-9)
            lift[row, inside] = medium.height_mm * hiddens[row].height_scale
            water[row, inside] = medium.grain_water
            vapour[row, inside] = medium.vapour ** (4.0 / 3.0) * hiddens[row].vapour_scale
            shape[row, inside] = medium.shape_n
            heat[row, inside] = medium.heat_w_per_m_k
            edge += layer_mm
    shapes, which = np.unique(shape, return_inverse=True)
    tables = tuple(table_of(float(value)) for value in shapes)
    seam = (np.diff(shape, axis=1) != 0.0) | (np.diff(lift, axis=1) != 0.0)
    vents = np.array([_one_vent(build) * build.vent_count for build in builds])
    at = np.array([build.vent_height_mm for build in builds])
    spread = np.array([max(build.vent_diameter_mm, 2.0 * size) for build, size in zip(builds, cell, strict=True)])
    window = np.maximum(0.0, 1.0 - (np.abs(height - at[:, None]) / spread[:, None]) ** 2)
    window = np.where((at < base)[:, None], 0.0, window)
    total = window.sum(axis=1)
    share = window / np.where(total > 0.0, total, 1.0)[:, None]
    surface = base + thickness
    roots = np.exp(-(((depth / thickness[:, None]) - 0.45) ** 2) / 0.08)
    porous_cover = np.array([build.porous_cover_mm for build in builds])
    roots = np.where(depth < porous_cover[:, None], 0.0, roots)
    return Columns(
        cell_mm=cell,
        base_mm=base,
        area_mm2=np.array([build.area_mm2 for build in builds]),
        height_mm=height,
        capacity_mm=water * cell[:, None],
        lift_mm=lift,
        conduct=np.repeat(np.array([hidden.conductivity_scale for hidden in hiddens])[:, None], cells, axis=1),
        vapour=vapour,
        heat_w_per_m_k=heat.mean(axis=1),
        table_at=which.reshape(pots, cells).astype(np.int64),
        tables=tables,
        by_water=np.concatenate([table.by_water for table in tables]),
        by_suction=np.concatenate([table.by_suction for table in tables]),
        seams=(np.nonzero(seam)[0].astype(np.int64), np.nonzero(seam)[1].astype(np.int64)),
        vents_m3_per_s=vents[:, None] * share,
        low_vents_m3_per_s=np.where(at < base, vents, 0.0),
        pebbles_mm=np.array([build.pebbles_mm for build in builds]),
        porous_cover_mm=porous_cover,
        wick_per_day=np.array(
            [
                WICK_MM_PER_DAY_PER_MM * build.strands * hidden.wick_scale
                for build, hidden in zip(builds, hiddens, strict=True)
            ]
        ),
        gap_mm2=np.array([build.gap_mm2 for build in builds]),
        gap_depth_mm=np.maximum(np.array([build.rim_mm for build in builds]), surface - 10.0),
        reservoir_mm2=np.array([build.reservoir_mm2 for build in builds]),
        fill_mark_mm=np.array([build.fill_mark_mm for build in builds]),
        rim_mm=np.array([build.rim_mm for build in builds]),
        wall_share=np.array([build.wall_mm for build in builds])
        * thickness
        / np.array([build.area_mm2 for build in builds]),
        root_share=roots / roots.sum(axis=1, keepdims=True),
    )


def _between_0_and_1(values: Floats) -> Floats:
    return np.minimum(np.maximum(values, 0.0), 1.0)


def _one_vent(build: Build) -> float:
    """Conductance of one round hole over the diffusivity of vapour, m: both ends and the wall in series.

    The inner end sits in grains, which leaves about 0.6 of the free opening.
    """
    radius = build.vent_diameter_mm / 2000.0
    if radius <= 0.0:
        return 0.0
    wall = build.vent_wall_mm / 1000.0
    return 1.0 / (1.0 / (4.0 * radius) + wall / (np.pi * radius**2) + 1.0 / (0.6 * 4.0 * radius))


@dataclass(frozen=True)
class Forcing:
    """What acts on the pots during one step, arrays (pot,). Densities in kg/m3, resistances in s/m."""

    level_mm: Floats
    front_density: Floats
    body_density: Floats
    air_density: Floats
    diffusivity_m2_per_s: Floats
    film_s_per_m: Floats
    stirring: Floats  # how far moving air enters the uppermost millimetres; times diffusivity
    vent_draught: Floats  # multiplies the vents' conductance
    wick_factor: Floats
    uptake_mm_per_day: Floats
    clean_height: Floats  # capillary height over its usual value (after a flush)


@dataclass(frozen=True)
class Flows:
    """Water moved in the step, mm over the top area, arrays (pot,); inflow is out of the reservoir."""

    inflow: Floats
    top: Floats
    holes: Floats
    plant: Floats


def _interfaces(columns: Columns, forcing: Forcing, read: Floats) -> tuple[Floats, Floats, Floats]:
    """Upward flux between neighbours (mm/d) and its slopes in the lower and the upper cell's water content."""
    lift = columns.lift_mm * forcing.clean_height[:, None]
    scale = columns.conduct * lift / columns.cell_mm[:, None]
    potential, potential_slope = read[..., 1] * scale, read[..., 5] * scale
    sinking, sinking_slope = 0.5 * read[..., 2] * columns.conduct, 0.5 * read[..., 6] * columns.conduct
    flux = potential[:, :-1] - potential[:, 1:] - sinking[:, :-1] - sinking[:, 1:]
    lower = potential_slope[:, :-1] - sinking_slope[:, :-1]
    upper = -potential_slope[:, 1:] - sinking_slope[:, 1:]
    if columns.seams[0].size:
        _mend_seams(columns, lift, read, flux, lower, upper)
    depth = columns.pebbles_mm[:, None] + columns.cell_mm[:, None] * np.arange(read.shape[1] - 1, 0, -1)
    skin = 1.0 + forcing.stirring[:, None] * np.exp(-depth / SKIN_MM)
    bed = 2.0 / (1.0 / columns.vapour[:, :-1] + 1.0 / columns.vapour[:, 1:])
    carry = (forcing.front_density * forcing.diffusivity_m2_per_s * DAY_S * 1000.0 / columns.cell_mm)[:, None]
    vapour = carry * bed * skin
    flux += vapour * (read[:, :-1, 3] - read[:, 1:, 3])
    lower += vapour * read[:, :-1, 7]
    upper -= vapour * read[:, 1:, 7]
    return flux, lower, upper


def _mend_seams(columns: Columns, lift: Floats, read: Floats, flux: Floats, lower: Floats, upper: Floats) -> None:
    """Between different media the flux potentials do not match: take the mean of both media's own view of the seam."""
    pot, low = columns.seams
    count = len(pot)
    both = np.concatenate([pot, pot])
    source, medium = np.concatenate([low, low + 1]), np.concatenate([low + 1, low])
    # flux potential and conductivity of the medium across the seam at the suction of the cell on this side
    own_lift = lift[both, medium]
    here = read[both, source]
    stretch = lift[both, source] / own_lift
    suction, slope = here[:, 0] * stretch, here[:, 4] * stretch
    place = (np.log10(np.maximum(suction, 10.0**LOG_LOW)) - LOG_LOW) * (LOG_STEPS / (LOG_HIGH - LOG_LOW))
    row = np.minimum(place.astype(np.int64), LOG_STEPS - 1)
    part = np.minimum(place - row, 1.0)[:, None]
    at = columns.table_at[both, medium] * (LOG_STEPS + 1) + row
    pair = columns.by_suction[at] * (1.0 - part) + columns.by_suction[at + 1] * part
    conduct = columns.conduct[both, medium]
    across, sinking = pair[:, 0] * conduct * own_lift, pair[:, 1] * conduct
    across_slope = np.where(suction > 10.0**LOG_LOW, -sinking * own_lift * slope, 0.0)
    scale = columns.conduct[both, source] * lift[both, source]
    own, own_slope = here[:, 1] * scale, here[:, 5] * scale
    own_sinking = here[:, 2] * columns.conduct[both, source]
    cell = 2.0 * columns.cell_mm[pot]
    total = own + across
    flux[pot, low] = (total[:count] - total[count:]) / cell - 0.25 * (
        own_sinking[:count] + own_sinking[count:] + sinking[:count] + sinking[count:]
    )
    lower[pot, low] = (own_slope[:count] + across_slope[:count]) / cell
    upper[pot, low] = -(own_slope[count:] + across_slope[count:]) / cell


def read_tables(columns: Columns, water: Floats) -> Floats:
    """Suction, flux potential, conductivity, humidity and their slopes at each cell: (pot, cell, 8)."""
    row = np.minimum((NODES * np.cbrt(np.maximum(water, 0.0) / WETTEST)).astype(np.int64), NODES - 1)
    pieces = columns.by_water[columns.table_at * NODES + row]
    beyond = water - columns.tables[0].water[row]
    pieces[..., :4] += pieces[..., 4:] * beyond[..., None]
    # a drying cell must not be emptied beyond its last water: where little is left, what evaporates is taken as
    # proportional to what will be left after the step
    little = np.minimum(np.maximum(water, SORBED), 0.3)
    pieces[..., 7] = np.maximum(pieces[..., 7], np.where(water < 0.3, pieces[..., 3] / little, 0.0))
    return pieces


def top_resistance_s_per_m(columns: Columns, forcing: Forcing) -> Floats:
    """From the middle of the uppermost cell to the free air: half a cell, the cover, the air film."""
    half = columns.cell_mm / 2.0
    stir = forcing.stirring

    def stirred_mm(upto: Floats) -> Floats:
        """The still thickness that a bed stirred from above amounts to."""
        return np.asarray(SKIN_MM * np.log((np.exp(upto / SKIN_MM) + stir) / (1.0 + stir)))

    pebbles = stirred_mm(columns.pebbles_mm) / (1000.0 * PEBBLE_VAPOUR ** (4.0 / 3.0) * 1.25)
    bed = (stirred_mm(columns.pebbles_mm + half) - stirred_mm(columns.pebbles_mm)) / (1000.0 * columns.vapour[:, -1])
    return np.asarray(forcing.film_s_per_m + (pebbles + bed) / forcing.diffusivity_m2_per_s)


def advance(columns: Columns, water: Floats, forcing: Forcing, step_days: float) -> tuple[Floats, Flows]:
    """Water content of every cell after one step, and what flowed. The balance closes to rounding."""
    read = read_tables(columns, water)
    pots, cells = water.shape
    flux, lower, upper = _interfaces(columns, forcing, read)

    density = forcing.body_density
    vents = (
        columns.vents_m3_per_s
        * (forcing.vent_draught * forcing.diffusivity_m2_per_s * DAY_S * 1e6 / columns.area_mm2)[:, None]
    )
    vent_loss = vents * (density[:, None] * read[..., 3] - forcing.air_density[:, None])
    vent_slope = vents * density[:, None] * read[..., 7]

    out = DAY_S / top_resistance_s_per_m(columns, forcing)
    top = out * (forcing.front_density * read[:, -1, 3] - forcing.air_density)
    top_slope = out * forcing.front_density * read[:, -1, 7]

    lift = columns.lift_mm[:, 0] * forcing.clean_height
    suction = read[:, 0, 0] * lift
    inflow_per_mm = columns.wick_per_day * forcing.wick_factor * _between_0_and_1((forcing.level_mm - 0.5) / 2.0)
    inflow_per_mm = inflow_per_mm + STANDING_MM_PER_DAY_PER_MM * _between_0_and_1(
        np.minimum(forcing.level_mm - columns.base_mm, forcing.level_mm - 0.5) / 3.0
    )
    # a bone-dry bottom cell pulls no harder than the contact lets water through
    pull = np.minimum(suction, 150.0)
    inflow = inflow_per_mm * (pull - (columns.height_mm[:, 0] - forcing.level_mm))
    inflow_slope = np.where(suction < 150.0, inflow_per_mm * read[:, 0, 4] * lift, 0.0)
    # a dry bottom cell drinks until it is moist, not beyond: the pull is taken as spent when it holds half of its water
    thirsty = (water[:, 0] < 0.4) & (inflow > 0.0)
    spent = -inflow / np.maximum(0.5 - water[:, 0], 0.1)
    inflow_slope = np.where(thirsty, np.minimum(inflow_slope, spent), inflow_slope)

    moist = _between_0_and_1((water - 0.08) / 0.12) * columns.root_share
    reach = moist.sum(axis=1)
    plant = moist * (forcing.uptake_mm_per_day / np.maximum(reach, 0.35))[:, None]

    diagonal = columns.capacity_mm / step_days + vent_slope
    diagonal[:, :-1] += lower
    diagonal[:, 1:] -= upper
    diagonal[:, 0] -= inflow_slope
    diagonal[:, -1] += top_slope
    right = -vent_loss - plant
    right[:, :-1] -= flux
    right[:, 1:] += flux
    right[:, 0] += inflow
    right[:, -1] -= top
    above, below = np.zeros((pots, cells)), np.zeros((pots, cells))
    above[:, :-1] = upper
    below[:, :-1] = -lower
    *_, change, info = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], right.ravel())
    if info != 0:
        raise ArithmeticError("the step of the water column has no solution")
    change = change.reshape(pots, cells)
    flows = Flows(
        inflow=(inflow + inflow_slope * change[:, 0]) * step_days,
        top=(top + top_slope * change[:, -1]) * step_days,
        holes=(vent_loss + vent_slope * change).sum(axis=1) * step_days,
        plant=plant.sum(axis=1) * step_days,
    )
    return water + change, flows


def dry_depth_mm(columns: Columns, water: Floats) -> Floats:
    """The true dry depth: from the top of what wicks down to where the water held by the grains first reaches
    `media.DRY_BELOW` of what they can hold, linear between the middles of cells. 0 = moist at the surface."""
    down = water[:, ::-1]
    surface = down[:, 0] + 0.5 * (down[:, 0] - down[:, 1])
    profile = np.concatenate([surface[:, None], down], axis=1)
    cells = water.shape[1]
    depth = np.concatenate([[0.0], np.arange(cells) + 0.5])[None, :] * columns.cell_mm[:, None]
    moist = profile >= DRY_BELOW
    first = np.argmax(moist, axis=1)
    rows = np.arange(len(water))
    before = np.maximum(first - 1, 0)
    gain = profile[rows, first] - profile[rows, before]
    part = _between_0_and_1((DRY_BELOW - profile[rows, before]) / np.where(gain == 0.0, 1.0, gain))
    line = depth[rows, before] + part * (depth[rows, first] - depth[rows, before])
    line = np.where(first == 0, 0.0, line)
    return np.where(moist.any(axis=1), line, columns.cell_mm * cells)
