"""What really happens in every pot: the simulated truth.

Owns the course of time: it gives the columns their air, fills the reservoirs, applies the scenario's events and keeps
the books. Pure: the truth depends on its arguments alone (`seed` addresses all random numbers), so that a run without
one event is the counterfactual of the run with it, and a run can be carried on from `Truth.end`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulated_feeds.climate import Climate, saturation_kpa, shelf_climate, vapour_density_kg_per_m3
from simulated_feeds.column import (
    Columns,
    Forcing,
    advance,
    columns_of,
    dry_depth_mm,
)
from simulated_feeds.events import DAY_MS, Scenario
from simulated_feeds.noise import Floats, normal, uniform
from simulated_feeds.pots import World, build_of, changed
from simulated_feeds.visits import Rounds as Rounds
from simulated_feeds.visits import usual_rounds as usual_rounds

Ints = npt.NDArray[np.int64]

LATENT_W_PER_M2 = 28.4  # of 1 mm/d
WARM_UP_DAYS = 15
QUIET = Scenario("nothing happens")


@dataclass(frozen=True)
class Refills:
    """Water poured into reservoirs, one row each. It takes effect just after `time_ms`; `pot` is an index."""

    time_ms: Ints
    pot: Ints
    ml: Floats
    level_before_mm: Floats
    level_after_mm: Floats


@dataclass(frozen=True)
class Flushes:
    """Water poured over the top: what stayed in the medium, what ran on into the reservoir, what was thrown away."""

    time_ms: Ints
    pot: Ints
    ml: Floats
    kept_ml: Floats
    to_reservoir_ml: Floats


@dataclass(frozen=True)
class State:
    """Everything needed to carry a run on from `time_ms`."""

    time_ms: int
    water: Floats
    volume_ml: Floats
    front_c: Floats
    body_c: Floats
    top_mm_per_day: Floats
    holes_mm_per_day: Floats
    flushed_ms: Ints


@dataclass(frozen=True)
class Truth:
    """The truth of a run, arrays (time, pot) unless said otherwise.

    Levels and depths are those *at* `time_ms` (before a refill at that moment); `*_ml` are amounts moved during the
    step that *ends* at `time_ms`: top, holes, gap, plant = where the water left the pot; `drawn_ml` = what left the
    reservoir (into the medium, or from the gap), which differs from their sum (`use_ml`) by what the medium stored
    meanwhile. `dry_depth_mm` counts from the top of all that wicks: a porous cover belongs to it (`porous_cover_mm` is
    its share).
    `shelf` is an index into `shelves`; `climate` has arrays (time, shelf).
    """

    time_ms: Ints
    pots: tuple[str, ...]
    shelves: tuple[str, ...]
    climate: Climate
    shelf: Ints
    level_mm: Floats
    water_ml: Floats
    medium_ml: Floats
    dry_depth_mm: Floats
    porous_cover_mm: Floats
    surface_mm: Floats
    top_ml: Floats
    holes_ml: Floats
    gap_ml: Floats
    plant_ml: Floats
    drawn_ml: Floats
    front_c: Floats
    refills: Refills
    flushes: Flushes
    start: State
    start_level_mm: Floats
    start_water_ml: Floats
    start_medium_ml: Floats
    carried_off_ml: Floats  # (pot,) water that left with medium taken away, was spilled or thrown away (net)
    end: State

    @property
    def use_ml(self) -> Floats:
        """Water use of each step: all that left the pot."""
        return self.top_ml + self.holes_ml + self.gap_ml + self.plant_ml

    @property
    def cumulative_use_ml(self) -> Floats:
        """Water used from the start of the run up to `time_ms`."""
        return np.cumsum(self.use_ml, axis=0)

    def pot_vpd_kpa(self) -> Floats:
        """VPD (time, pot) of the shelf on which each pot stood."""
        return np.take_along_axis(self.climate.vpd_kpa, self.shelf, axis=1)

    def index(self, pot: str) -> int:
        """Column of a pot."""
        return self.pots.index(pot)


def one_after_another(first: Truth, second: Truth) -> Truth:
    """Two runs as one; the second was carried on from the end of the first."""
    if second.start.time_ms != first.end.time_ms:
        raise ValueError("the second run does not begin where the first one ends")

    def rows(earlier: Any, later: Any) -> dict[str, Any]:
        names = [field.name for field in fields(earlier)]
        return {name: np.concatenate([getattr(earlier, name), getattr(later, name)]) for name in names}

    per_step = ("time_ms", "shelf", "level_mm", "water_ml", "medium_ml", "dry_depth_mm", "porous_cover_mm",
                "surface_mm", "top_ml", "holes_ml", "gap_ml", "plant_ml", "drawn_ml", "front_c")  # fmt: skip
    series: dict[str, Any] = {name: np.concatenate([getattr(first, name), getattr(second, name)]) for name in per_step}
    return replace(
        first,
        **series,
        climate=Climate(**rows(first.climate, second.climate)),
        refills=Refills(**rows(first.refills, second.refills)),
        flushes=Flushes(**rows(first.flushes, second.flushes)),
        carried_off_ml=first.carried_off_ml + second.carried_off_ml,
        end=second.end,
    )


def export_truth(truth: Truth, path: Path) -> None:
    """Write the truth to `path`: .npz (all arrays), or .csv (one row an hour and pot)."""
    if path.suffix == ".npz":
        arrays = {
            name: getattr(truth, name)
            for name in ("time_ms", "shelf", "level_mm", "water_ml", "medium_ml", "dry_depth_mm", "porous_cover_mm",
                         "surface_mm", "top_ml", "holes_ml", "gap_ml", "plant_ml", "drawn_ml")
        }  # fmt: skip
        events = {f"refill_{name}": getattr(truth.refills, name) for name in truth.refills.__dataclass_fields__}
        air = {f"shelf_{name}": getattr(truth.climate, name) for name in ("temperature_c", "relative_humidity_pct",
                                                                          "vpd_kpa")}  # fmt: skip
        np.savez_compressed(path, pots=np.array(truth.pots), shelves=np.array(truth.shelves), **arrays, **events, **air)
        return
    if path.suffix != ".csv":
        raise ValueError(f"the truth is written as .npz or .csv, not {path.suffix!r}")
    hourly = np.nonzero(truth.time_ms % 3_600_000 == 0)[0]
    with path.open("w", encoding="utf-8") as file:
        file.write("time_ms,pot,level_mm,dry_depth_mm,used_ml\n")
        used = truth.cumulative_use_ml
        for step in hourly:
            for column, pot in enumerate(truth.pots):
                file.write(
                    f"{truth.time_ms[step]},{pot},{truth.level_mm[step, column]:.3f},"
                    f"{truth.dry_depth_mm[step, column]:.3f},{used[step, column]:.3f}\n"
                )


def histories(world: World, scenario: Scenario) -> World:
    """The world with the scenario's set-up changes in both histories: what stands there, and what was written down."""
    pots = []
    for pot in world.pots:
        true_setups, setups = pot.true_setups, pot.setups
        for event in sorted(scenario.events, key=lambda event: event.at_ms):
            if event.kind == "setup" and event.pot == pot.label:
                true_setups = changed(true_setups, event.values, event.at_ms)
                if event.noted:
                    setups = changed(setups, event.values, event.at_ms)
        pots.append(replace(pot, true_setups=true_setups, setups=setups))
    return World(world.shelves, tuple(pots))


def _factor_of(time_ms: Ints, scenario: Scenario, pot: str, kinds: Sequence[str], key: str, usual: float) -> Floats:
    """A factor on a wick or a plant over time; it slides from 1 to its new value over `over_days`."""
    factor = np.ones(len(time_ms))
    for event in scenario.events:
        if event.kind in kinds and event.pot == pot:
            over_ms = event.number("over_days", 3.0) * DAY_MS
            rising = np.clip((time_ms - event.at_ms) / max(over_ms, 1.0), 0.0, 1.0)
            if event.until_ms is not None:
                rising = np.where(time_ms >= event.until_ms, 0.0, rising)
            factor = factor * event.number(key, usual) ** rising
    return factor


def simulate(
    world: World,
    scenario: Scenario = QUIET,
    *,
    seed: int,
    start_ms: int,
    days: float,
    step_minutes: int = 30,
    cells: int = 40,
    rounds: Rounds | None = None,
    state: State | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Truth:
    """Run the invented home for `days` days after `start_ms`, in steps of `step_minutes` on `cells` cells a pot.

    `rounds` replaces the grower's own visits (see `usual_rounds`). Without a `state` the pots are first run for 15 days
    before `start_ms`, so that columns have settled. `progress` is told steps done and steps in all.
    """
    step_ms = step_minutes * 60_000
    if start_ms % step_ms:
        raise ValueError(f"start_ms must be a multiple of the step of {step_minutes} minutes")
    world = histories(world, scenario)
    if state is None:
        early = start_ms - WARM_UP_DAYS * DAY_MS
        settled = _first_state(world, seed, early, cells)
        before = usual_rounds(world, scenario, seed, early, WARM_UP_DAYS)
        state = _run(world, scenario, seed, settled, WARM_UP_DAYS * 48, 30, before).end
        state = replace(state, time_ms=start_ms)
    elif state.time_ms != start_ms:
        raise ValueError("the saved state belongs to another moment than start_ms")
    if rounds is None:
        rounds = usual_rounds(world, scenario, seed, start_ms, days)
    return _run(world, scenario, seed, state, round(days * DAY_MS / step_ms), step_minutes, rounds, progress)


def _setup_at(setups: Sequence[object], time_ms: int) -> int:
    """Index of the set-up in force; the first one also holds before its date."""
    starts = [int(setup["from_ms"]) for setup in setups]  # type: ignore[index]
    return max(int(np.searchsorted(starts, time_ms, side="right")) - 1, 0)


def _columns_at(world: World, time_ms: int, cells: int) -> tuple[Columns, Ints]:
    builds = [build_of(pot.true_setups[_setup_at(pot.true_setups, time_ms)]) for pot in world.pots]
    labels = [shelf.label for shelf in world.shelves]
    shelf = np.array([labels.index(build.shelf) for build in builds], dtype=np.int64)
    return columns_of(builds, [pot.hidden for pot in world.pots], cells), shelf


def water_at_suction(columns: Columns, suction_mm: Floats) -> Floats:
    """Water content (pot, cell) at a suction in mm."""
    water = np.empty_like(columns.lift_mm)
    scaled = suction_mm / columns.lift_mm
    for number, table in enumerate(columns.tables):
        mine = columns.table_at == number
        water[mine] = np.interp(scaled[mine], table.by_water[::-1, 0], table.water[::-1])
    return water


def _first_state(world: World, seed: int, time_ms: int, cells: int) -> State:
    columns, _ = _columns_at(world, time_ms, cells)
    keys = np.array([pot.hidden.key for pot in world.pots], dtype=np.int64)
    level = columns.fill_mark_mm * (0.75 + 0.25 * uniform(seed, "first level", keys))
    suction = np.maximum(columns.height_mm - level[:, None], 1.0)
    return State(
        time_ms=time_ms,
        water=water_at_suction(columns, suction * 1.15),
        volume_ml=level * columns.reservoir_mm2 / 1000.0,
        front_c=np.full(len(keys), np.nan),
        body_c=np.full(len(keys), np.nan),
        top_mm_per_day=np.zeros(len(keys)),
        holes_mm_per_day=np.zeros(len(keys)),
        flushed_ms=np.full(len(keys), -(10**15), dtype=np.int64),
    )


def _rehoused(old: Columns, new: Columns, water: Floats) -> Floats:
    """Water content in the new columns: each height keeps its content, what is added on top comes dry."""
    moved = water.copy()
    same = (old.height_mm == new.height_mm).all(axis=1)
    for row in np.nonzero(~same)[0]:
        moved[row] = np.interp(new.height_mm[row], old.height_mm[row], water[row])
        top = old.base_mm[row] + old.cell_mm[row] * water.shape[1]
        moved[row][new.height_mm[row] > top] = 0.02
    return moved


def _in_medium_ml(columns: Columns, water: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", water, columns.capacity_mm) * columns.area_mm2 / 1000.0)


@dataclass
class _Books:
    """What a run writes down as it goes."""

    refills: list[tuple[int, int, float, float, float]]
    flushes: list[tuple[int, int, float, float, float]]
    carried_off_ml: Floats


def _pour(
    world: World, columns: Columns, volume: Floats, fill: Floats, seed: int, time_ms: int, books: _Books
) -> Floats:
    """Fill reservoirs at a visit; returns the new volumes."""
    keys = np.array([pot.hidden.key for pot in world.pots], dtype=np.int64)
    habit = np.array([pot.hidden.refill_below for pot in world.pots])
    per_mm = columns.reservoir_mm2 / 1000.0
    level = volume / per_mm
    slip = np.clip(normal(seed, "slip", keys, time_ms // DAY_MS), -2.5, 2.5)
    mark = np.minimum(columns.fill_mark_mm + 0.8 * slip, columns.rim_mm)
    to_mark = np.isposinf(fill) | (np.isnan(fill) & (level < habit * columns.fill_mark_mm))
    wanted = np.where(to_mark, np.maximum(mark - level, 0.0) * per_mm, np.where(np.isfinite(fill), fill, 0.0))
    filled = np.minimum(volume + wanted, columns.rim_mm * per_mm)
    books.carried_off_ml += volume + wanted - filled
    for pot in np.nonzero(wanted > 0.0)[0]:
        books.refills.append((time_ms, int(pot), float(wanted[pot]), float(level[pot]), float((filled / per_mm)[pot])))
    return filled


def _flush(
    columns: Columns, water: Floats, volume: Floats, pot: int, amount_ml: float, time_ms: int, books: _Books
) -> None:
    """Water one pot from the top, in place: cells take up from the top down, the rest runs into the reservoir up to
    the mark, what is above the mark is thrown away."""
    per_mm = columns.area_mm2[pot] / 1000.0
    drained = water_at_suction(columns, np.full_like(water, 12.0))[pot]
    room = (np.maximum(drained - water[pot], 0.0) * columns.capacity_mm[pot] * per_mm)[::-1]
    taken = np.clip(amount_ml - np.concatenate([[0.0], np.cumsum(room)[:-1]]), 0.0, room)[::-1]
    water[pot] += taken / (columns.capacity_mm[pot] * per_mm)
    rest = amount_ml - float(taken.sum())
    space = max(columns.fill_mark_mm[pot] * columns.reservoir_mm2[pot] / 1000.0 - volume[pot], 0.0)
    to_reservoir = min(rest, space)
    volume[pot] += to_reservoir
    books.carried_off_ml[pot] += rest - to_reservoir
    books.flushes.append((time_ms, pot, amount_ml, float(taken.sum()), to_reservoir))


@dataclass(frozen=True)
class _PotAir:
    """What the climate means at each pot, arrays (time, pot)."""

    temperature_c: Floats
    density: Floats
    diffusivity: Floats
    film: Floats
    draught: Floats
    stirring: Floats
    radiant: Floats
    warming: Floats
    uptake_ml_per_day: Floats


def _air_at_pots(world: World, climate: Climate, shelf: Ints, plant_factor: Floats) -> _PotAir:
    plant_ml = np.array([pot.hidden.plant_ml_per_day for pot in world.pots])
    night = np.array([pot.hidden.night_share for pot in world.pots])
    film_scale = np.array([pot.hidden.film_scale for pot in world.pots])
    temperature = climate.temperature_c[:, shelf]
    speed = climate.speed_m_per_s[:, shelf]
    radiant = climate.radiant_w_per_m2[:, shelf]
    vpd = climate.vpd_kpa[:, shelf]
    sunny = climate.daylight[:, shelf]
    rhythm = sunny * (1.0 - night) * (24.0 / 13.0) + (1.0 - sunny) * night * (24.0 / 11.0)
    return _PotAir(
        temperature_c=temperature,
        density=vapour_density_kg_per_m3(climate.vapour_pressure_kpa[:, shelf], temperature),
        diffusivity=2.19e-5 * ((temperature + 273.15) / 273.15) ** 1.81,
        film=film_scale * 300.0 * (0.12 / np.maximum(speed, 0.02)) ** 0.35,
        draught=1.0 + 6.0 * np.maximum(speed - 0.1, 0.0),
        stirring=2.5 * speed / (0.15 + speed),
        radiant=radiant,
        warming=climate.mat_w_per_m2[:, shelf] + 0.25 * radiant,
        uptake_ml_per_day=plant_ml * plant_factor * rhythm * 1.6 * vpd / (0.6 + vpd),
    )


def _run(
    world: World,
    scenario: Scenario,
    seed: int,
    state: State,
    steps: int,
    step_minutes: int,
    rounds: Rounds,
    progress: Callable[[int, int], None] | None = None,
) -> Truth:
    step_ms = step_minutes * 60_000
    step_days = step_minutes / 1440.0
    pots, cells = state.water.shape
    start_ms = state.time_ms
    climate = shelf_climate(
        [(shelf.label, shelf.climate) for shelf in world.shelves], start_ms, steps, step_minutes, seed, scenario.events
    )
    opening_ms = climate.time_ms - step_ms
    end_ms = start_ms + steps * step_ms
    wick_factor = np.stack(
        [_factor_of(opening_ms, scenario, pot.label, ("wick_fails",), "keeps", 0.03) for pot in world.pots], axis=1
    )
    plant_factor = np.stack(
        [
            _factor_of(opening_ms, scenario, pot.label, ("plant_drinks",), "factor", 2.0)
            * _factor_of(opening_ms, scenario, pot.label, ("roots_lost",), "factor", 0.1)
            for pot in world.pots
        ],
        axis=1,
    )
    visit_at = {
        int(-(-(time_ms - start_ms) // step_ms)): row
        for row, time_ms in enumerate(rounds.time_ms)
        if start_ms <= time_ms < end_ms
    }
    flush_at: dict[int, list[tuple[int, float]]] = {}
    for event in scenario.events:
        if event.kind == "flush" and start_ms <= event.at_ms < end_ms:
            pot = [one.label for one in world.pots].index(str(event.pot))
            flush_at.setdefault(int((event.at_ms - start_ms) // step_ms), []).append(
                (pot, event.number("amount_ml", 300.0))
            )
    rebuild_at = {
        int(-(-(int(setup["from_ms"]) - start_ms) // step_ms))
        for pot_ in world.pots
        for setup in pot_.true_setups
        if start_ms < int(setup["from_ms"]) < end_ms
    }

    columns, shelf = _columns_at(world, start_ms, cells)
    air = _air_at_pots(world, climate, shelf, plant_factor)
    water, volume = state.water.copy(), state.volume_ml.copy()
    air_now = air.temperature_c[0]
    front = np.where(np.isnan(state.front_c), air_now, state.front_c)
    body = np.where(np.isnan(state.body_c), air_now, state.body_c)
    flushed = state.flushed_ms.copy()
    depth = dry_depth_mm(columns, water)
    books = _Books([], [], np.zeros(pots))
    first = replace(state, front_c=front.copy(), body_c=body.copy())
    start_level = volume / columns.reservoir_mm2 * 1000.0
    start_volume, start_medium = volume.copy(), _in_medium_ml(columns, water)
    names = ("level", "volume", "medium", "depth", "cover", "surface", "top", "holes", "gap", "plant", "drawn", "front")
    kept = {name: np.empty((steps, pots)) for name in names}
    shelf_kept = np.empty((steps, pots), dtype=np.int64)
    front_gain, body_gain = 1.0 - np.exp(-step_minutes / 60.0), 1.0 - np.exp(-step_minutes / 180.0)
    top_before, holes_before = state.top_mm_per_day, state.holes_mm_per_day

    for step in range(steps):
        if progress is not None and step % 250 == 0:
            progress(step, steps)
        if step in rebuild_at:
            # the rebuild date may fall inside the step before: set-ups take effect at the next whole step
            new, shelf = _columns_at(world, start_ms + step * step_ms, cells)
            stored = _in_medium_ml(columns, water)
            water = _rehoused(columns, new, water)
            books.carried_off_ml += stored - _in_medium_ml(new, water)
            columns = new
            air = _air_at_pots(world, climate, shelf, plant_factor)
            depth = dry_depth_mm(columns, water)
        if step in visit_at:
            row = visit_at[step]
            volume = _pour(world, columns, volume, rounds.fill_ml[row], seed, int(opening_ms[step]), books)
        for pot, amount_ml in flush_at.get(step, ()):
            _flush(columns, water, volume, pot, amount_ml, int(opening_ms[step]), books)
            flushed[pot] = opening_ms[step]

        level = volume / columns.reservoir_mm2 * 1000.0
        air_c, diffusivity, film = air.temperature_c[step], air.diffusivity[step], air.film[step]
        draught, air_density = air.draught[step], air.density[step]
        heat_film = (0.32 / 1200.0) * film

        # the front loses heat by evaporating, gains it from the air through the dry bed and from the moist pot below
        thickness = columns.cell_mm * cells
        to_air = 1.0 / (heat_film + depth / (1000.0 * columns.heat_w_per_m_k) + columns.pebbles_mm / 350.0)
        to_body = 0.45 / (np.maximum(thickness - depth, 10.0) / 2000.0)
        sunlit = 0.42 * air.radiant[step] * heat_film * to_air
        aim = (to_air * air_c + to_body * body + sunlit - LATENT_W_PER_M2 * top_before) / (to_air + to_body)
        front = front + (aim - front) * front_gain
        to_room = 8.0 + 7.0 * columns.wall_share
        warm = air_c + (air.warming[step] - LATENT_W_PER_M2 * holes_before) / to_room
        body = body + (warm - body) * body_gain

        body_density = _saturated_density(body)
        in_water = np.minimum(np.maximum((level - 0.5) / 2.0, 0.0), 1.0)
        still_mm = np.maximum(columns.gap_depth_mm - level, 5.0)
        open_air = columns.gap_mm2 * 1e-6 / (film + still_mm / (1500.0 * diffusivity))
        open_air = open_air + columns.low_vents_m3_per_s * diffusivity * draught
        gap = in_water * open_air * np.maximum(body_density - air_density, 0.0) * 86_400.0 * 1000.0 * step_days

        forcing = Forcing(
            level_mm=level,
            front_density=_saturated_density(front),
            body_density=body_density,
            air_density=air_density,
            diffusivity_m2_per_s=diffusivity,
            film_s_per_m=film,
            stirring=air.stirring[step],
            vent_draught=draught,
            wick_factor=wick_factor[step],
            uptake_mm_per_day=air.uptake_ml_per_day[step] * 1000.0 / columns.area_mm2,
            clean_height=1.0 + 0.18 * np.exp(-(opening_ms[step] - flushed) / (12.0 * DAY_MS)),
        )
        water, flows = advance(columns, water, forcing, step_days)
        per_mm = columns.area_mm2 / 1000.0
        drawn = flows.inflow * per_mm + gap
        volume = volume - drawn
        top_before, holes_before = flows.top / step_days, flows.holes / step_days
        depth = dry_depth_mm(columns, water)

        kept["level"][step] = volume / columns.reservoir_mm2 * 1000.0
        kept["volume"][step] = volume
        kept["medium"][step] = _in_medium_ml(columns, water)
        kept["depth"][step] = depth
        kept["cover"][step] = columns.porous_cover_mm
        kept["surface"][step] = columns.base_mm + thickness
        kept["top"][step] = flows.top * per_mm
        kept["holes"][step] = flows.holes * per_mm
        kept["gap"][step] = gap
        kept["plant"][step] = flows.plant * per_mm
        kept["drawn"][step] = drawn
        kept["front"][step] = front
        shelf_kept[step] = shelf

    return Truth(
        time_ms=climate.time_ms,
        pots=tuple(pot_.label for pot_ in world.pots),
        shelves=tuple(one.label for one in world.shelves),
        climate=climate,
        shelf=shelf_kept,
        level_mm=kept["level"],
        water_ml=kept["volume"],
        medium_ml=kept["medium"],
        dry_depth_mm=kept["depth"],
        porous_cover_mm=kept["cover"],
        surface_mm=kept["surface"],
        top_ml=kept["top"],
        holes_ml=kept["holes"],
        gap_ml=kept["gap"],
        plant_ml=kept["plant"],
        drawn_ml=kept["drawn"],
        front_c=kept["front"],
        refills=Refills(*_rows(books.refills)),
        flushes=Flushes(*_rows(books.flushes)),
        start=first,
        start_level_mm=start_level,
        start_water_ml=start_volume,
        start_medium_ml=start_medium,
        carried_off_ml=books.carried_off_ml,
        end=State(end_ms, water, volume, front, body, top_before, holes_before, flushed),
    )


def _saturated_density(temperature_c: Floats) -> Floats:
    return vapour_density_kg_per_m3(saturation_kpa(temperature_c), temperature_c)


def _rows(rows: list[tuple[int, int, float, float, float]]) -> tuple[Ints, Ints, Floats, Floats, Floats]:
    table = list(zip(*rows, strict=True)) if rows else [(), (), (), (), ()]
    whole, real = np.int64, np.float64
    return (
        np.array(table[0], dtype=whole),
        np.array(table[1], dtype=whole),
        np.array(table[2], dtype=real),
        np.array(table[3], dtype=real),
        np.array(table[4], dtype=real),
    )
