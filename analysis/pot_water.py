"""One pot's water as of a moment, from a level sensor or a load cell.

Puts together what the neighbouring files know (vessel, clean levels, jumps, use) into one answer, whose shape
`book_water.py` gives to pots without a sensor as well, so that whoever asks need not know what kind of pot it is.
Nothing after the moment is looked at: an answer as of a moment is unchanged by later data.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.held_series import DAY_MS, HOUR_MS, BoolArray, FloatArray, IntArray
from analysis.levels import CleanLevels, cleaned, level_at, silent_since_ms
from analysis.refills import Jumps, find_jumps, usual_fall_mm_per_day, with_notes
from analysis.reservoir import Vessel, level_from_mass_mm, water_ml
from analysis.use_regression import BLOCK_MS, CORE_DAYS, MARGIN_DAYS, UseEstimate, estimate_use
from analysis.water_use import (
    MEASURED,
    NO_READINGS,
    TOO_FEW_READINGS,
    Z_90,
    WaterUse,
    drawn_within,
    use_within,
)

MARK_ERROR_MM = 2.0
"""How well people fill to a mark (sd; common practice, no source)."""

NIGHT_AND_DAY_WITHIN = 0.3
"""Night and day are told apart only where the half interval of each is within this share of its value."""

RestsOn = Literal["measured", "notes", "expected", "nothing"]


@dataclass(frozen=True)
class RefillNotes:
    """Notes of water given to one pot, ascending; all arrays (k,).

    amount_ml: NaN where not told. to_mark: filled to the mark. level_mm: a level read by eye just after (or at a look
    without a refill), else NaN. is_flush: watered from the top. A look at the gauge is a note with level_mm alone; so
    is what somebody found before filling (empty, low, half, full). level_sd_mm: how sure such a level is; None = as
    sure as a mark.
    """

    time_ms: IntArray
    amount_ml: FloatArray
    to_mark: BoolArray
    level_mm: FloatArray
    is_flush: BoolArray
    level_sd_mm: FloatArray | None = None

    def until(self, at_ms: int) -> "RefillNotes":
        """The notes dated at or before a moment."""
        known = self.time_ms <= at_ms
        return RefillNotes(
            self.time_ms[known],
            self.amount_ml[known],
            self.to_mark[known],
            self.level_mm[known],
            self.is_flush[known],
            None if self.level_sd_mm is None else self.level_sd_mm[known],
        )

    def told_by(self, at_ms: int) -> "RefillNotes":
        """The same notes in the same order, those after a moment told of it: what is reckoned there counts them."""
        apart_ms = np.arange(self.time_ms.size, dtype=np.int64)[::-1]
        return replace(self, time_ms=np.minimum(self.time_ms, at_ms - apart_ms))

    @property
    def errors_mm(self) -> FloatArray:
        """Sd of each told level."""
        return np.full(self.time_ms.size, MARK_ERROR_MM) if self.level_sd_mm is None else self.level_sd_mm

    @property
    def pours(self) -> BoolArray:
        """Which notes brought water."""
        return self.to_mark | self.is_flush | np.isfinite(self.amount_ml)


def no_notes() -> RefillNotes:
    """A pot of which nobody ever wrote anything down."""
    nothing, never = np.empty(0, np.float64), np.empty(0, np.bool_)
    return RefillNotes(np.empty(0, np.int64), nothing, never, nothing, never)


@dataclass(frozen=True)
class UsePerDay:
    """Use in mL a day with its 90 % interval, or NaN and the reason why there is none."""

    value: float
    low: float
    high: float
    reason: str = MEASURED


@dataclass(frozen=True)
class DailyUse:
    """Use day by day; all arrays (d,), mL. NaN with a reason where silent; night and day NaN unless carried."""

    day_ms: IntArray
    use_ml: FloatArray
    low_ml: FloatArray
    high_ml: FloatArray
    known: FloatArray
    reason: npt.NDArray[np.str_]
    by_night_ml: FloatArray
    by_day_ml: FloatArray


@dataclass(frozen=True)
class Refill:
    """One refill: when, how much (90 %), the level after it, who knew of it, and whether it fell into a gap."""

    time_ms: int
    ml: float
    low_ml: float
    high_ml: float
    level_after_mm: float
    source: Literal["seen", "noted", "both"]
    is_flush: bool
    in_gap: bool


@dataclass(frozen=True)
class PotWater:
    """What is known of one pot's water as of `at_ms`.

    level_mm, level_low_mm, level_high_mm, ml_left: now; NaN when unknown. level_age_ms: since the last reading or note
    that told it, None if never. week: use of the last seven full days. drawn_week: what left the reservoir in them, and
    so had to be poured (NaN where no level is followed). days: day by day. weeks, drawn_weeks: every seven full
    days in a row, one ending at each midnight. intervals: use from refill to refill.
    refills: of the span. unseen_notes: indices of notes of which the sensor saw nothing. other_losses: moment, kind and
    mL of water that went without being used. stuck_since_ms, silent_since_ms: None while the sensor is well. hour_ms,
    hourly_level_mm: (h,) NaN where unknown. rests_on: a sensor or switch (measured), amounts in notes (notes), an
    expected use (expected), or nothing.
    """

    at_ms: int
    level_mm: float
    level_low_mm: float
    level_high_mm: float
    level_age_ms: int | None
    ml_left: float
    week: UsePerDay
    drawn_week: UsePerDay
    days: DailyUse
    weeks: WaterUse
    drawn_weeks: WaterUse
    intervals: WaterUse
    refills: tuple[Refill, ...]
    unseen_notes: IntArray
    other_losses: tuple[tuple[int, str, float], ...]
    stuck_since_ms: int | None
    silent_since_ms: int | None
    hour_ms: IntArray
    hourly_level_mm: FloatArray
    drift_mm_per_k: float
    rests_on: RestsOn


def utc_midnights(start_ms: int, end_ms: int) -> IntArray:
    """Midnights from the one at or before the start to the last at or before the end: edges of full UTC days."""
    return np.arange(start_ms // DAY_MS, end_ms // DAY_MS + 1, dtype=np.int64) * DAY_MS


def measured_water(
    vessel: Vessel,
    time_ms: IntArray,
    reading_mm: FloatArray,
    at_ms: int,
    *,
    notes: RefillNotes | None = None,
    shelf_temperature: tuple[IntArray, FloatArray] | None = None,
    day_edges_ms: IntArray | None = None,
    declared_interval_ms: int | None = None,
    since_ms: int | None = None,
    shelf_vpd: tuple[IntArray, FloatArray] | None = None,
    medium_ml_per_mm: float | None = None,
) -> PotWater:
    """Water of a pot with a level sensor.

    time_ms, reading_mm: (n,) ascending, mm above the floor; NaN = failed. Readings some weeks before `since_ms` make
    the answer better; those after `at_ms` are not looked at. shelf_temperature: times and degC of its shelf.
    day_edges_ms: local midnights, ascending (UTC unless given). declared_interval_ms: how often the sensor should
    speak. since_ms: from when on daily use is wanted (the beginning unless given). shelf_vpd: times and kPa of its
    shelf. medium_ml_per_mm: what a mm of the height of its column holds when full.
    """
    notes = (notes or no_notes()).until(at_ms)
    heard = time_ms <= at_ms
    levels = cleaned(time_ms[heard], reading_mm[heard])
    return _from_levels(
        vessel, levels, at_ms, notes, shelf_temperature, day_edges_ms, declared_interval_ms, since_ms, True,
        shelf_vpd, medium_ml_per_mm,
    )  # fmt: skip


def weighed_water(
    vessel: Vessel,
    time_ms: IntArray,
    mass_g: FloatArray,
    at_ms: int,
    *,
    notes: RefillNotes | None = None,
    shelf_temperature: tuple[IntArray, FloatArray] | None = None,
    day_edges_ms: IntArray | None = None,
    declared_interval_ms: int | None = None,
    since_ms: int | None = None,
    shelf_vpd: tuple[IntArray, FloatArray] | None = None,
) -> PotWater:
    """Water of a pot on a load cell; arguments as in `measured_water`, mass_g in g.

    The cell weighs all that the pot loses, the medium's water as well, so what it shows is use at once. Its zero is
    set again at each "filled to the mark"; without such a note the level stays unknown and the use does not. A cell
    creeps with warmth: days are compared at the same hour, and the shelf's temperature, if given, takes out the rest.
    """
    notes = (notes or no_notes()).until(at_ms)
    heard = time_ms <= at_ms
    lowest = float(np.nanpercentile(mass_g[heard], 10)) if np.any(np.isfinite(mass_g[heard])) else 0.0
    # As a level, so that one way of telling jumps from noise serves both: mm of water in this vessel, zero anywhere
    # (high enough that no reading counts as an empty reservoir).
    as_level = (mass_g[heard] - lowest) / vessel.ml_per_mm + 10.0 * vessel.fill_mark_mm
    levels = cleaned(time_ms[heard], as_level)
    upright = Vessel(np.array([0.0, vessel.fill_mark_mm]), np.array([0.0, vessel.capacity_ml]), vessel.fill_mark_mm)
    water = _from_levels(
        upright, levels, at_ms, notes, shelf_temperature, day_edges_ms, declared_interval_ms, since_ms, False,
        shelf_vpd, None,
    )  # fmt: skip
    return _with_levels_of_mass(water, vessel, levels, notes, lowest)


def _with_levels_of_mass(
    water: PotWater, vessel: Vessel, levels: CleanLevels, notes: RefillNotes, lowest_g: float
) -> PotWater:
    """The level that a mass implies, zeroed at each filling to the mark."""
    mass = (levels.level_mm - 10.0 * vessel.fill_mark_mm) * vessel.ml_per_mm + lowest_g
    full_ms = notes.time_ms[notes.to_mark]
    # The mass when full is that of the first hours' readings after the refill the note names.
    named = [refill.time_ms for refill in water.refills if refill.source == "both"]
    full = np.array([at for at in named if np.any(np.abs(full_ms - at) <= 12 * HOUR_MS)], dtype=np.int64)
    first = np.searchsorted(levels.time_ms, full)
    full, first = full[first < levels.time_ms.size], first[first < levels.time_ms.size]
    implied = level_from_mass_mm(vessel, levels.time_ms, mass, full, mass[first])
    series = CleanLevels(
        levels.time_ms, implied, levels.hold_ms, levels.sensor, levels.stuck_from_ms, levels.stuck_until_ms
    )
    now = _level_now(series, water.silent_since_ms, water.stuck_since_ms)
    sd = np.hypot(MARK_ERROR_MM, levels.sensor.reading_sd_mm)
    return replace(
        water,
        level_mm=now,
        level_low_mm=max(now - Z_90 * sd, 0.0) if np.isfinite(now) else np.nan,
        level_high_mm=now + Z_90 * sd,
        ml_left=float(water_ml(vessel, now)),
        hourly_level_mm=_hourly(series, water.hour_ms, water.at_ms),
    )


def _from_levels(
    vessel: Vessel,
    levels: CleanLevels,
    at_ms: int,
    notes: RefillNotes,
    shelf_temperature: tuple[IntArray, FloatArray] | None,
    day_edges_ms: IntArray | None,
    declared_interval_ms: int | None,
    since_ms: int | None,
    medium_stores: bool,
    shelf_vpd: tuple[IntArray, FloatArray] | None,
    medium_ml_per_mm: float | None,
) -> PotWater:
    if levels.time_ms.size < 3:
        return nothing_known(at_ms, NO_READINGS if not levels.time_ms.size else TOO_FEW_READINGS)
    first_ms = int(levels.time_ms[0])
    since = max(first_ms, since_ms if since_ms is not None else first_ms)
    edges = full_days(utc_midnights(since, at_ms) if day_edges_ms is None else day_edges_ms, since, at_ms)
    fall = usual_fall_mm_per_day(levels)
    pours = np.flatnonzero(notes.pours)
    jumps, unseen = with_notes(find_jumps(levels, fall), levels, notes.time_ms[pours], notes.is_flush[pours])
    jump_notes = np.where(jumps.note >= 0, pours[np.maximum(jumps.note, 0)] if pours.size else -1, -1)
    stretches = _stretches(
        vessel, levels, jumps, jump_notes, notes, fall, shelf_temperature, min(since, at_ms - 8 * DAY_MS), at_ms,
        medium_stores, shelf_vpd, medium_ml_per_mm,
    )  # fmt: skip
    silent = silent_since_ms(levels.time_ms, at_ms, declared_interval_ms)
    is_stuck = levels.stuck_until_ms.size > 0 and levels.stuck_until_ms[-1] >= levels.time_ms[-1]
    stuck = int(levels.stuck_from_ms[-1]) if is_stuck else None
    now = _level_now(levels, silent, stuck)
    sd = levels.sensor.reading_sd_mm
    hour_ms = np.arange(since // HOUR_MS, at_ms // HOUR_MS + 1, dtype=np.int64) * HOUR_MS
    refills = _refills(vessel, levels, jumps, stretches, since)
    moments = np.array([refill.time_ms for refill in refills], dtype=np.int64)
    return PotWater(
        at_ms=at_ms,
        level_mm=now,
        level_low_mm=max(now - Z_90 * sd, 0.0) if np.isfinite(now) else np.nan,
        level_high_mm=now + Z_90 * sd,
        level_age_ms=at_ms - int(levels.time_ms[-1]),
        ml_left=float(water_ml(vessel, now)),
        week=_week(stretches, edges, at_ms, use_within),
        drawn_week=_week(stretches, edges, at_ms, drawn_within),
        days=_days(stretches, edges, shelf_temperature is not None),
        weeks=_spans(stretches, edges[:-7], edges[7:]),
        drawn_weeks=_spans(stretches, edges[:-7], edges[7:], drawn_within),
        intervals=_spans(stretches, moments[:-1], moments[1:]),
        refills=refills,
        unseen_notes=pours[unseen],
        other_losses=tuple(
            (int(jumps.time_ms[i]), str(jumps.kind[i]), float(-jumps.change_mm[i] * vessel.ml_per_mm))
            for i in np.flatnonzero(~jumps.is_refill & (jumps.time_ms >= since))
        ),
        stuck_since_ms=stuck,
        silent_since_ms=silent,
        hour_ms=hour_ms,
        hourly_level_mm=_hourly(levels, hour_ms, at_ms),
        drift_mm_per_k=stretches[-1][2].drift_mm_per_k if stretches else np.nan,
        rests_on="measured",
    )


def full_days(edges_ms: IntArray, since_ms: int, at_ms: int) -> IntArray:
    """The midnights that bound full days between two moments."""
    edges = np.asarray(edges_ms, np.int64)
    return edges[(edges >= since_ms - DAY_MS) & (edges <= at_ms)]


Stretch = tuple[int, int, UseEstimate]


def _stretches(
    vessel: Vessel,
    levels: CleanLevels,
    jumps: Jumps,
    jump_notes: IntArray,
    notes: RefillNotes,
    fall: float,
    shelf_temperature: tuple[IntArray, FloatArray] | None,
    since_ms: int,
    at_ms: int,
    medium_stores: bool,
    shelf_vpd: tuple[IntArray, FloatArray] | None,
    medium_ml_per_mm: float | None,
) -> list[Stretch]:
    """The history in overlapping stretches, each with the part (from, until) for which it speaks; ascending."""
    usual = (fall if np.isfinite(fall) else 1.0) * vessel.ml_per_mm
    noted = jump_notes >= 0
    note = np.maximum(jump_notes, 0)
    poured = np.where(noted, notes.amount_ml[note], np.nan) if notes.time_ms.size else np.full(noted.size, np.nan)
    marks = _marks(vessel, levels, jumps, noted & notes.to_mark[note] if notes.time_ms.size else noted)
    # Blocks start on whole block times, so that an hour later the same stretch is the same problem.
    end = -(-at_ms // BLOCK_MS) * BLOCK_MS
    first = int(levels.time_ms[0]) // BLOCK_MS * BLOCK_MS
    stretches: list[Stretch] = []
    until = end
    while until > max(since_ms, first) and len(stretches) < 400:
        begin = until - CORE_DAYS * DAY_MS
        # A short remainder joins its neighbour: it would have nothing to lean on.
        if begin - max(since_ms, first) < 7 * DAY_MS:
            begin = min(begin, max(since_ms, first) // BLOCK_MS * BLOCK_MS)
        start = max(begin - MARGIN_DAYS * DAY_MS, first)
        estimate = estimate_use(
            levels, jumps, vessel, start, min(until + MARGIN_DAYS * DAY_MS, end), usual, shelf_temperature, marks,
            poured, medium_stores, shelf_vpd, medium_ml_per_mm,
        )  # fmt: skip
        if estimate is not None:
            stretches.append((begin, until, estimate))
        until = begin
    return stretches[::-1]


def _marks(
    vessel: Vessel, levels: CleanLevels, jumps: Jumps, to_mark: BoolArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Levels just after refills "to the mark" that fell into gaps, as this sensor itself reads a full reservoir."""
    first = np.minimum(np.searchsorted(levels.time_ms, jumps.before_ms), levels.time_ms.size - 1)
    seen = to_mark & ~jumps.in_gap
    full = levels.level_mm[first[seen]]
    own = full.size >= 2
    level = float(np.median(full)) if own else vessel.fill_mark_mm
    sd = max(float(np.std(full)), MARK_ERROR_MM) if own else 2 * MARK_ERROR_MM
    hidden = np.flatnonzero(to_mark & jumps.in_gap)
    return jumps.time_ms[hidden] + 1, np.full(hidden.size, level), np.full(hidden.size, sd)


Within = Callable[[UseEstimate, IntArray, IntArray], WaterUse]


def _spans(
    stretches: Sequence[Stretch], from_ms: IntArray, until_ms: IntArray, within: Within = use_within
) -> WaterUse:
    """Use within spans, each from the stretch that speaks for its end (its margins carry what reaches back)."""
    from_ms, until_ms = np.asarray(from_ms, np.int64), np.asarray(until_ms, np.int64)
    nan = np.full(from_ms.size, np.nan)
    told = WaterUse(
        from_ms, until_ms, nan.copy(), nan.copy(), nan.copy(), np.zeros(from_ms.size),
        np.full(from_ms.size, TOO_FEW_READINGS, dtype="U80"),
    )  # fmt: skip
    for begin, until, estimate in stretches:
        mine = (until_ms > begin) & (until_ms <= until) & (from_ms >= estimate.edges_ms[0])
        if not np.any(mine):
            continue
        part = within(estimate, from_ms[mine], until_ms[mine])
        for name in ("value_ml", "low_ml", "high_ml", "known", "reason"):
            getattr(told, name)[mine] = getattr(part, name)
    return told


def _week(stretches: Sequence[Stretch], edges_ms: IntArray, at_ms: int, within: Within) -> UsePerDay:
    if edges_ms.size < 8 or at_ms - edges_ms[-1] > 2 * DAY_MS:
        return UsePerDay(np.nan, np.nan, np.nan, "fewer than seven full days of readings")
    use = _spans(stretches, edges_ms[-8:-7], edges_ms[-1:], within)
    value, low, high = use.per_day()
    return UsePerDay(float(value[0]), float(low[0]), float(high[0]), str(use.reason[0]))


def _days(stretches: Sequence[Stretch], edges_ms: IntArray, warmth_known: bool) -> DailyUse:
    """Full days; by night (19 to 7 o'clock of that day's midnights) and by day, where the precision carries it.

    Without the shelf's temperature the sensor's drift with warmth looks like a rhythm of drinking, so the two are told
    apart only with it.
    """
    use = _spans(stretches, edges_ms[:-1], edges_ms[1:])
    by_day = _spans(stretches, edges_ms[:-1] + 7 * HOUR_MS, edges_ms[:-1] + 19 * HOUR_MS)
    rest = use.value_ml - by_day.value_ml
    half_day = (by_day.high_ml - by_day.low_ml) / 2
    half_night = np.hypot(half_day, (use.high_ml - use.low_ml) / 2)
    carried = (half_day <= NIGHT_AND_DAY_WITHIN * by_day.value_ml) & (half_night <= NIGHT_AND_DAY_WITHIN * rest)
    carried &= warmth_known
    return DailyUse(
        day_ms=edges_ms[:-1],
        use_ml=use.value_ml,
        low_ml=use.low_ml,
        high_ml=use.high_ml,
        known=use.known,
        reason=use.reason,
        by_night_ml=np.where(carried, rest, np.nan),
        by_day_ml=np.where(carried, by_day.value_ml, np.nan),
    )


def _refills(
    vessel: Vessel, levels: CleanLevels, jumps: Jumps, stretches: Sequence[Stretch], since_ms: int
) -> tuple[Refill, ...]:
    amount = jumps.change_mm * vessel.ml_per_mm
    sd = np.full(amount.size, np.hypot(2 * levels.sensor.reading_sd_mm, 1.0) * vessel.ml_per_mm)
    for begin, until, estimate in stretches:
        at = jumps.time_ms[estimate.jump_index]
        mine = (at > begin) & (at <= until)
        amount[estimate.jump_index[mine]] = estimate.jump_ml[mine]
        sd[estimate.jump_index[mine]] = estimate.jump_sd_ml[mine]
    first = np.minimum(np.searchsorted(levels.time_ms, jumps.before_ms), levels.time_ms.size - 1)
    found = []
    for jump in np.flatnonzero(jumps.is_refill & (jumps.time_ms >= since_ms)):
        seen = np.isfinite(jumps.change_mm[jump])
        noted = jumps.note[jump] >= 0
        found.append(
            Refill(
                time_ms=int(jumps.time_ms[jump]),
                ml=max(float(amount[jump]), 0.0),
                low_ml=max(float(amount[jump] - Z_90 * sd[jump]), 0.0),
                high_ml=max(float(amount[jump] + Z_90 * sd[jump]), 0.0),
                level_after_mm=float(levels.level_mm[first[jump]]) if not jumps.in_gap[jump] else np.nan,
                source="both" if seen and noted else ("noted" if noted else "seen"),
                is_flush=str(jumps.kind[jump]) == "flush",
                in_gap=bool(jumps.in_gap[jump]),
            )
        )
    return tuple(found)


def _level_now(levels: CleanLevels, silent: int | None, stuck: int | None) -> float:
    """The level as the last hour's readings have it; unknown while the sensor is silent or stuck."""
    if silent is not None or stuck is not None or not levels.time_ms.size:
        return float("nan")
    latest = levels.time_ms > levels.time_ms[-1] - HOUR_MS
    jumped = np.abs(levels.level_mm - levels.level_mm[-1]) > 5 * levels.sensor.reading_sd_mm
    return float(np.median(levels.level_mm[latest & ~jumped]))


def _hourly(levels: CleanLevels, hour_ms: IntArray, at_ms: int) -> FloatArray:
    """The level at whole hours: a straight line between readings that follow each other in time, else as last read."""
    if not levels.time_ms.size:
        return np.full(hour_ms.shape, np.nan)
    known = np.isfinite(level_at(levels, np.minimum(hour_ms, at_ms)))
    between = np.interp(hour_ms, levels.time_ms, levels.level_mm)
    after = np.clip(np.searchsorted(levels.time_ms, hour_ms), 1, max(levels.time_ms.size - 1, 1))
    step = np.abs(levels.level_mm[after] - levels.level_mm[after - 1])
    # Across a jump the straight line would invent a level that never was.
    held_level = level_at(levels, np.minimum(hour_ms, at_ms))
    jumped = step > max(1.5, 5 * levels.sensor.reading_sd_mm)
    return np.where(known, np.where(jumped, held_level, between), np.nan)


def nothing_known(at_ms: int, reason: str) -> PotWater:
    """The answer for a pot of whose water nothing can be said, and why."""
    none_f, none_i = np.empty(0, np.float64), np.empty(0, np.int64)
    words = np.empty(0, dtype="U80")
    nan = float("nan")
    no_spans = WaterUse(none_i, none_i, none_f, none_f, none_f, none_f, words)
    return PotWater(
        at_ms=at_ms, level_mm=nan, level_low_mm=nan, level_high_mm=nan, level_age_ms=None, ml_left=nan,
        week=UsePerDay(nan, nan, nan, reason),
        drawn_week=UsePerDay(nan, nan, nan, reason),
        days=DailyUse(none_i, none_f, none_f, none_f, none_f, words, none_f, none_f),
        weeks=no_spans,
        drawn_weeks=no_spans,
        intervals=no_spans,
        refills=(), unseen_notes=none_i, other_losses=(), stuck_since_ms=None, silent_since_ms=None,
        hour_ms=none_i, hourly_level_mm=none_f, drift_mm_per_k=nan, rests_on="nothing",
    )  # fmt: skip
