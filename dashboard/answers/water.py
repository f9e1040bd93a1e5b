"""The water of every pot: what its sensor or its notes tell, and its level along the grid on which lines are drawn.

Where no sensor told the level it is reckoned from refill notes and from the use that is expected of the pot, which is
then borrowed from measured pots; where there is no note either, it is a guess that is as wide as a reservoir.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from analysis.book_water import book_water, switched_water
from analysis.columns import Columns
from analysis.held_series import BoolArray, FloatArray, IntArray
from analysis.known_mean import known_mean
from analysis.levels import cleaned, level_at, level_by_the_book
from analysis.pot_water import PotWater, RefillNotes, measured_water, weighed_water
from analysis.reservoir import Vessel, vessel_by_area
from dashboard.answers.computing import mapped
from dashboard.answers.places import PlaceSeries, by_place, measured_at
from dashboard.answers.shelf_air import series_state
from dashboard.answers.standing import Description, Standing, StandingPot
from ingest.home import Home
from ingest.moments import midnights, zone_named
from ingest.readings import DAY_MS, HOUR_MS
from ingest.sensors import Sensor, place_key

LEVEL_SENSORS = ("reservoir_level", "pot_mass", "reservoir_low")
FOLLOWING = ("reservoir_level", "pot_mass")
"""Those that follow a level; of the others' pots it is reckoned from notes."""
HELD_WITHOUT_USE_MS = DAY_MS
"""How long a noted level stands where nothing says what the pot uses: a usual one falls by less than the eye errs."""
EMPTY_BY_THE_BOOK_MS = 4 * DAY_MS
"""How long a pot may be empty by its notes alone before the notes are doubted rather than the pot (assumed)."""
LOOK_BACK_DAYS = 26
"""How much history the use of the last week leans on."""
OWN_USE_SHARE_SD, BORROWED_USE_SHARE_SD = 0.15, 0.35
"""How far off the use between two fills may be: of a pot that was measured last week; of pots like it (assumed)."""
MARK_SD_MM = 2.0
"""How well people meet a mark (common practice, no source)."""
FOUND_SHARE = {"empty": (0.0, 0.05), "low": (0.2, 0.1), "half": (0.5, 0.12), "full": (0.85, 0.12)}
"""What a grower means by the words for a reservoir before filling: a share of the mark, and its sd (assumed)."""
USUAL_MARK_MM, USUAL_LEVEL_SHARE, USUAL_LEVEL_SHARE_SD = 50.0, 0.65, 0.25
"""Where a reservoir of which nothing is noted usually stands: a share of its mark, and how unsure (assumed)."""


@dataclass(frozen=True)
class StandingWater:
    """One pot's water. `told`: what sensor or notes tell as of the moment.

    level_mm, level_sd_mm: along the grid `(step,)`, always a number. level_known: the last level is told and no guess.
    sensor_state: as on the wall. notes: refills, flushes and looks at the gauge.
    """

    told: PotWater
    notes: RefillNotes
    level_mm: FloatArray
    level_sd_mm: FloatArray
    level_known: bool
    sensor_state: str

    @property
    def measured(self) -> bool:
        """Whether the pot's own sensor tells its level now."""
        return self.told.rests_on == "measured" and bool(np.isfinite(self.told.level_mm))


@dataclass(frozen=True)
class Surroundings:
    """What a pot's use is read against: its air hour by hour `(hour,)`, NaN where unknown, and what a mm of the height
    of its medium holds when full."""

    time_ms: IntArray
    temperature_c: FloatArray
    vpd_kpa: FloatArray
    medium_ml_per_mm: float


def surroundings(
    end_ms: IntArray, temperature_c: FloatArray, vpd_kpa: FloatArray, columns: Columns, index: int
) -> Surroundings:
    """From means `(step,)` over the steps that end at `end_ms`, and the pot's place in the columns."""
    hours = max(1, int(end_ms[-1] - end_ms[-2]) // HOUR_MS) if end_ms.size > 1 else 1
    time_ms = end_ms[:, None] - np.arange(hours, 0, -1, dtype=np.int64) * HOUR_MS
    held_ml_per_mm = float(columns.area_mm2[index] * columns.held[index]) / 1000.0
    return Surroundings(time_ms.ravel(), np.repeat(temperature_c, hours), np.repeat(vpd_kpa, hours), held_ml_per_mm)


def refill_notes(notes: pd.DataFrame, mark_mm: float = USUAL_MARK_MM) -> RefillNotes:
    """What one pot's notes say of water poured or read off; a refill without an amount was to the mark.

    What was found before filling (in a word, or read off) is a look at the level a moment earlier.
    """
    told = notes["level_mm"].notna() | ((notes["kind"] == "feed") & notes["amount_ml"].notna())
    rows = notes[notes["kind"].isin(("refill", "flush")) | told]
    level_mm, amount_ml = rows["level_mm"].to_numpy(np.float64), rows["amount_ml"].to_numpy(np.float64)
    details = [detail or {} for detail in rows["detail"]]
    said = np.array([detail.get("filled_to_mark") for detail in details], dtype=object)
    silent = np.isnan(level_mm) & np.isnan(amount_ml)
    refill = (rows["kind"] == "refill").to_numpy()
    to_mark = refill & ((said == True) | ((said == None) & silent))  # noqa: E711, E712 - elementwise
    time_ms = rows["time_ms"].to_numpy(np.int64)
    found = np.array([_found_mm(detail, mark_mm) for detail in details], dtype=np.float64).reshape(-1, 2)
    looks = np.flatnonzero(refill & np.isfinite(found[:, 0]))
    nothing, never = np.full(looks.size, np.nan), np.zeros(looks.size, np.bool_)
    every = RefillNotes(
        np.concatenate((time_ms, time_ms[looks] - 1)),
        np.concatenate((amount_ml, nothing)),
        np.concatenate((to_mark, never)),
        np.concatenate((level_mm, found[looks, 0])),
        np.concatenate(((rows["kind"] == "flush").to_numpy(), never)),
        np.concatenate((np.full(time_ms.size, MARK_SD_MM), found[looks, 1])),
    )
    return _in_order(every)


def _found_mm(detail: Mapping[str, Any], mark_mm: float) -> tuple[float, float]:
    """The level that was found before a filling and its sd; NaN where nobody said."""
    read = detail.get("level_before_mm")
    if read is not None:
        return float(read), MARK_SD_MM
    word = FOUND_SHARE.get(str(detail.get("found")))
    return (float("nan"), float("nan")) if word is None else (word[0] * mark_mm, max(word[1] * mark_mm, MARK_SD_MM))


def _in_order(notes: RefillNotes) -> RefillNotes:
    order = np.argsort(notes.time_ms, kind="stable")
    return RefillNotes(
        notes.time_ms[order],
        notes.amount_ml[order],
        notes.to_mark[order],
        notes.level_mm[order],
        notes.is_flush[order],
        notes.errors_mm[order],
    )


def waters_of(
    home: Home,
    standing: Standing,
    sensors: Sequence[Sensor],
    notes: pd.DataFrame,
    grid_ms: IntArray,
    expected_ml_per_day: FloatArray,
    temperature_c: FloatArray,
    vpd_kpa: FloatArray,
) -> list[StandingWater]:
    """The water of every standing pot; the grid ends at the moment of the answer.

    expected_ml_per_day: (step, pot), what each pot's set-up and air make it lose. temperature_c, vpd_kpa: (step, pot).
    """
    of_pot = dict(list(notes.groupby("pot", sort=False)))
    near = by_place(sensors)
    jobs = [
        what_is_told(
            home,
            pot,
            near.get(place_key(f"{pot.shelf}/{pot.label}"), []),
            refill_notes(of_pot.get(pot.label, notes.iloc[:0]), (pot.vessel or usual_vessel(pot.setup)).fill_mark_mm),
            grid_ms,
            float(expected_ml_per_day[-1, index]),
            surroundings(grid_ms, temperature_c[:, index], vpd_kpa[:, index], standing.columns, index),
        )
        for index, pot in enumerate(standing.pots)
    ]
    found = mapped(water_of, [_with_this_hour(told) for told in jobs])
    week = grid_ms > grid_ms[-1] - 7 * DAY_MS
    expected_week = known_mean(expected_ml_per_day[week])
    ratio = np.array([water.told.week.value for water in found]) / expected_week
    usual = float(np.median(ratio[np.isfinite(ratio)])) if np.isfinite(ratio).any() else 1.0
    return [
        _reckoned(pot, water, grid_ms, expected_ml_per_day[:, index], float(ratio[index]), usual)
        for index, (pot, water) in enumerate(zip(standing.pots, found, strict=True))
    ]


@dataclass(frozen=True)
class Told:
    """What sensor and notes say of one pot's water, gathered so that the rest can be computed anywhere.

    quantity: of the best level sensor that serves the pot, "" where there is none. grid_ms: see `waters_of`.
    since_ms: from when on use is wanted day by day. day_edges_ms: the grower's midnights since then.
    """

    vessel: Vessel
    quantity: str
    time_ms: IntArray
    value: FloatArray
    switch_height_mm: float | None
    interval_ms: int | None
    sensor_state: str
    notes: RefillNotes
    grid_ms: IntArray
    since_ms: int
    expected_ml_per_day: float
    around: Surroundings
    day_edges_ms: IntArray


def what_is_told(
    home: Home,
    pot: StandingPot,
    sensors: Sequence[Sensor],
    notes: RefillNotes,
    grid_ms: IntArray,
    expected_ml_per_day: float,
    around: Surroundings,
    days: int = LOOK_BACK_DAYS,
) -> Told:
    """Gather what the pot's own sensor and its notes say; `days`: how far back use is wanted day by day."""
    at_ms = int(grid_ms[-1])
    quantity, series = _own_series(home, pot, sensors, grid_ms)
    return Told(
        vessel=pot.vessel or usual_vessel(pot.setup),
        quantity=quantity,
        time_ms=series.time_ms,
        value=series.value,
        switch_height_mm=series.sensors[-1].height_mm if series.sensors else None,
        interval_ms=_interval_ms(series),
        sensor_state=series_state(series, at_ms),
        notes=notes,
        grid_ms=grid_ms,
        since_ms=at_ms - days * DAY_MS,
        expected_ml_per_day=expected_ml_per_day,
        around=around,
        day_edges_ms=midnights(at_ms - days * DAY_MS, at_ms, zone_named(home.settings.grower.timezone)),
    )


def _with_this_hour(told: Told) -> Told:
    """A note since the last whole hour changes a reckoned level at once; where a sensor follows it, the sensor does."""
    at_ms = int(told.grid_ms[-1])
    return told if told.quantity in FOLLOWING else replace(told, notes=told.notes.told_by(at_ms))


def water_of(told: Told) -> StandingWater:
    """What the pot's own sensor or its notes tell; along the grid NaN where only a reckoning can say."""
    at_ms, unknown = int(told.grid_ms[-1]), np.full(told.grid_ms.size, np.nan)
    level_mm, level_sd_mm = unknown, unknown
    if told.quantity in FOLLOWING:
        # A load cell weighs the medium's water as well; a level has to be told what the medium may hold.
        tell: Callable[..., PotWater] = weighed_water
        if told.quantity == "reservoir_level":
            tell = partial(measured_water, medium_ml_per_mm=told.around.medium_ml_per_mm)
        water = tell(
            told.vessel,
            told.time_ms,
            told.value,
            at_ms,
            notes=told.notes,
            shelf_temperature=(told.around.time_ms, told.around.temperature_c),
            shelf_vpd=(told.around.time_ms, told.around.vpd_kpa),
            day_edges_ms=told.day_edges_ms,
            declared_interval_ms=told.interval_ms,
            since_ms=told.since_ms,
        )
        if told.quantity == "reservoir_level":
            clean = cleaned(told.time_ms, told.value)
            level_mm = level_at(clean, told.grid_ms)
            level_sd_mm = np.where(np.isfinite(level_mm), clean.sensor.reading_sd_mm, np.nan)
    elif told.quantity == "reservoir_low" and told.switch_height_mm is not None:
        water = switched_water(
            told.vessel,
            told.time_ms,
            told.value,
            told.switch_height_mm,
            at_ms,
            notes=told.notes,
            expected_use_ml_per_day=told.expected_ml_per_day,
            day_edges_ms=told.day_edges_ms,
            declared_interval_ms=told.interval_ms,
        )
    else:
        water = book_water(
            told.vessel,
            told.notes,
            at_ms,
            expected_use_ml_per_day=told.expected_ml_per_day,
            day_edges_ms=told.day_edges_ms,
        )
    return StandingWater(water, told.notes, level_mm, level_sd_mm, False, told.sensor_state)


def _own_series(home: Home, pot: StandingPot, sensors: Sequence[Sensor], grid_ms: IntArray) -> tuple[str, PlaceSeries]:
    """The best level sensor that serves the pot, with its series; empty where there is none."""
    at = f"{pot.shelf}/{pot.label}"
    for quantity in LEVEL_SENSORS:
        series = measured_at(home.readings, sensors, at, quantity, int(grid_ms[0]) - DAY_MS, int(grid_ms[-1]) + 1)
        if series.sensors:
            return quantity, series
    return "", PlaceSeries(np.empty(0, np.int64), np.empty(0), ())


def _long_empty(grid_ms: IntArray, is_empty: BoolArray) -> BoolArray:
    """Where the book has had a pot empty for so long that a refill nobody noted is the likelier story."""
    last_wet_ms = np.maximum.accumulate(np.where(is_empty, 0, grid_ms))
    return np.asarray(is_empty & (grid_ms - last_wet_ms > EMPTY_BY_THE_BOOK_MS))


def _held_too_long(grid_ms: IntArray, notes: RefillNotes, vessel: Vessel, use_unknown: bool) -> BoolArray:
    """Where nothing says what a pot uses, and the last level that a note told is no longer new."""
    told_ms = notes.time_ms[np.isfinite(_told_mm(notes, vessel))]
    if not use_unknown or not told_ms.size:
        return np.zeros(grid_ms.size, np.bool_)
    last = np.searchsorted(told_ms, grid_ms, side="right") - 1
    return np.asarray(grid_ms - told_ms[np.maximum(last, 0)] > HELD_WITHOUT_USE_MS)


def _told_mm(notes: RefillNotes, vessel: Vessel) -> FloatArray:
    return np.where(notes.to_mark, vessel.fill_mark_mm, notes.level_mm)


def level_noted(water: StandingWater, vessel: Vessel) -> dict[str, float] | None:
    """The last level that a note told, and its moment; None where none did."""
    told_mm = _told_mm(water.notes, vessel)
    at = np.flatnonzero(np.isfinite(told_mm))
    return {"level_mm": float(told_mm[at[-1]]), "time_ms": int(water.notes.time_ms[at[-1]])} if at.size else None


def _interval_ms(series: PlaceSeries) -> int | None:
    declared_s = series.sensors[-1].interval_s if series.sensors else None
    return round(1000 * declared_s) if declared_s else None


def usual_vessel(setup: Description) -> Vessel:
    """A reservoir nobody measured: as wide as the pot's top, at the usual mark."""
    size = setup.get("pot") or {}
    top_mm = float(size.get("top_diameter_mm") or 10.0 * float(size.get("size_cm") or 12.0))
    mark_mm = float((setup.get("reservoir") or {}).get("fill_mark_mm") or USUAL_MARK_MM)
    return vessel_by_area(0.25 * np.pi * top_mm**2, mark_mm)


def _reckoned(
    pot: StandingPot,
    water: StandingWater,
    grid_ms: IntArray,
    expected_ml_per_day: FloatArray,
    own_ratio: float,
    usual_ratio: float,
) -> StandingWater:
    """The same water with the level along the grid reckoned where no sensor told it, else guessed."""
    vessel = pot.vessel or usual_vessel(pot.setup)
    airless = not np.isfinite(expected_ml_per_day).any()
    own = water.told.week.value if airless else own_ratio
    measured = bool(np.isfinite(own))
    use = np.nan_to_num(
        np.full(grid_ms.size, own) if airless else expected_ml_per_day * (own if measured else usual_ratio)
    )
    notes = water.notes
    book = level_by_the_book(
        grid_ms,
        notes.time_ms,
        _told_mm(notes, vessel),
        notes.amount_ml / vessel.ml_per_mm,
        use / vessel.ml_per_mm,
        fill_error_mm=notes.errors_mm,
        fall_error_share=OWN_USE_SHARE_SD if measured else BORROWED_USE_SHARE_SD,
    )
    level, sd = water.level_mm, water.level_sd_mm
    booked_sd = np.maximum((book.high_mm - book.low_mm) / (2 * 1.645), MARK_SD_MM)
    sd = np.where(np.isnan(level), booked_sd, sd)
    doubted = _long_empty(grid_ms, book.is_empty) | _held_too_long(grid_ms, notes, vessel, airless and not measured)
    level = np.where(np.isnan(level), np.where(doubted, np.nan, book.level_mm), level)
    guessed = np.isnan(level)
    return StandingWater(
        told=water.told,
        notes=notes,
        level_mm=np.where(guessed, USUAL_LEVEL_SHARE * vessel.fill_mark_mm, level),
        level_sd_mm=np.where(guessed, USUAL_LEVEL_SHARE_SD * vessel.fill_mark_mm, sd),
        level_known=not bool(guessed[-1]),
        sensor_state=water.sensor_state,
    )
