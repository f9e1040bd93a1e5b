"""What real sensors make of the truth: noise, drift, steps, silence and codes.

Owns the kinds of sensors and how they look at the world. Pure: truth in, times and values out, with the moment at which
each value reaches the broker. It must not know topics, payloads or placements (`glasshouse`, `publish`).

A level sensor or load cell sees a refill as a step between two looks; the hours in which the medium drinks afterwards
belong to the truth, not to the sensor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simulated_feeds.events import DAY_MS, Event
from simulated_feeds.noise import Floats, key_of, normal, one_normal, one_uniform, uniform, weather
from simulated_feeds.truth import Ints, Truth

HOUR_MS = 3_600_000
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Instrument:
    """One kind of sensor.

    It looks every `interval_s` (give or take `jitter_s`), adds `noise` (sd), rounds to `resolution`, and sends when the
    value differs by `deadband` or more from the last one sent, or when nothing was sent for `heartbeat_s`; with a
    deadband of 0 it sends every look. `drift_per_day` times 7 is the sd of a wandering of some weeks, `per_k` moves
    with the shelf's warmth about 21 degC, `offset` is the sd of a fixed error. `loss` is the share of looks that never
    arrive, `gaps_per_month` counts silences of 3-15 h. A sleeper wakes every `batch_s` and sends all it has seen.
    """

    quantity: str
    interval_s: float
    noise: float
    resolution: float
    deadband: float = 0.0
    heartbeat_s: float = float("inf")
    jitter_s: float = 15.0
    drift_per_day: float = 0.0
    per_k: float = 0.0
    offset: float = 0.0
    loss: float = 0.003
    gaps_per_month: float = 0.5
    batch_s: float = 0.0
    height_mm: float = 0.0


KINDS: Mapping[str, Instrument] = {
    "fine": Instrument("reservoir_level", 900, 0.3, 0.1, drift_per_day=0.02, per_k=0.04, offset=0.5),
    "coarse": Instrument(
        "reservoir_level",
        3600,
        0.15,
        1.0,
        deadband=1.0,
        heartbeat_s=6 * 3600,
        drift_per_day=0.02,
        per_k=0.04,
        offset=0.5,
    ),
    "load_cell": Instrument("pot_mass", 900, 0.6, 0.1, drift_per_day=0.15, per_k=0.3, offset=5.0),
    "float_switch": Instrument(
        "reservoir_low", 600, 0.0, 1.0, deadband=1.0, heartbeat_s=12 * 3600, height_mm=15.0, gaps_per_month=0.2
    ),
    "air_temperature": Instrument("air_temperature", 600, 0.06, 0.1, offset=0.2),
    "relative_humidity": Instrument("relative_humidity", 600, 0.4, 0.1, offset=1.5),
    "lazy_temperature": Instrument("air_temperature", 300, 0.05, 0.1, deadband=0.3, heartbeat_s=2 * 3600, offset=0.2),
    "lazy_humidity": Instrument("relative_humidity", 300, 0.3, 0.1, deadband=1.0, heartbeat_s=2 * 3600, offset=1.5),
    "battery": Instrument("battery", 6 * 3600, 0.3, 1.0, jitter_s=60.0),
}


@dataclass(frozen=True)
class Series:
    """What one sensor reported: `time_ms` of the look, `value` (nan = it sent a failure code), `arrived_ms`."""

    time_ms: Ints
    value: Floats
    arrived_ms: Ints

    def within(self, from_ms: int, to_ms: int) -> "Series":
        """Looks in [from_ms, to_ms)."""
        keep = (self.time_ms >= from_ms) & (self.time_ms < to_ms)
        return Series(self.time_ms[keep], self.value[keep], self.arrived_ms[keep])


def joined(parts: Sequence[Series]) -> Series:
    """Series one after the other."""
    return Series(
        np.concatenate([part.time_ms for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.arrived_ms for part in parts]),
    )


def level_at(truth: Truth, pot: int, time_ms: Ints) -> Floats:
    """True level of one pot at any moment; refills and flushes are steps."""
    return _stepped(truth, time_ms, truth.level_mm[:, pot], float(truth.start_level_mm[pot]), _level_steps(truth, pot))


def mass_at(truth: Truth, pot: int, time_ms: Ints) -> Floats:
    """True mass of one pot in g: an invented dry mass, the plant, and all water."""
    water = truth.water_ml[:, pot] + truth.medium_ml[:, pot]
    start = float(truth.start_water_ml[pot] + truth.start_medium_ml[pot])
    dry = 350.0 + key_of(truth.pots[pot]) % 400
    return dry + _stepped(truth, time_ms, water, start, _mass_steps(truth, pot))


def _level_steps(truth: Truth, pot: int) -> list[tuple[int, float]]:
    mine = truth.refills.pot == pot
    rise = truth.refills.level_after_mm[mine] - truth.refills.level_before_mm[mine]
    per_mm = truth.water_ml[0, pot] / max(truth.level_mm[0, pot], 1e-9)
    steps = list(zip(truth.refills.time_ms[mine].tolist(), rise.tolist(), strict=True))
    soaked = truth.flushes.pot == pot
    into = truth.flushes.to_reservoir_ml[soaked] / per_mm
    return steps + list(zip(truth.flushes.time_ms[soaked].tolist(), into.tolist(), strict=True))


def _mass_steps(truth: Truth, pot: int) -> list[tuple[int, float]]:
    per_mm = truth.water_ml[0, pot] / max(truth.level_mm[0, pot], 1e-9)
    soaked = truth.flushes.pot == pot
    kept = dict(zip(truth.flushes.time_ms[soaked].tolist(), truth.flushes.kept_ml[soaked].tolist(), strict=True))
    return [(time_ms, rise * per_mm) for time_ms, rise in _level_steps(truth, pot)] + list(kept.items())


def _stepped(truth: Truth, time_ms: Ints, values: Floats, start: float, steps: list[tuple[int, float]]) -> Floats:
    """Interpolate between steps of the truth; what was poured is added at its moment, not smeared over the step."""
    knots = np.concatenate([[truth.start.time_ms], truth.time_ms])
    known = np.concatenate([[start], values])
    poured = np.zeros(len(knots))
    at_time = np.zeros(len(time_ms))
    for moment, rise in steps:
        poured += rise * (knots > moment)
        at_time += rise * (time_ms > moment)
    result: Floats = np.interp(time_ms, knots, known - poured) + at_time
    return result


def _true_value(truth: Truth, at: str, instrument: Instrument, time_ms: Ints) -> Floats:
    quantity = instrument.quantity
    if quantity in ("air_temperature", "relative_humidity", "air_speed"):
        column = truth.shelves.index(at)
        series = {
            "air_temperature": truth.climate.temperature_c,
            "relative_humidity": truth.climate.relative_humidity_pct,
            "air_speed": truth.climate.speed_m_per_s,
        }[quantity][:, column]
        middle = truth.climate.time_ms - (truth.climate.time_ms[1] - truth.climate.time_ms[0]) // 2
        return np.asarray(np.interp(time_ms, middle, series))
    if quantity == "battery":
        return np.maximum(97.0 - 0.12 * (time_ms - truth.start.time_ms) / DAY_MS, 3.0)
    pot = truth.index(at)
    if quantity == "reservoir_level":
        return level_at(truth, pot, time_ms)
    if quantity == "reservoir_low":
        return (level_at(truth, pot, time_ms) < instrument.height_mm).astype(np.float64)
    if quantity == "pot_mass":
        return mass_at(truth, pot, time_ms)
    raise ValueError(f"the simulated glasshouse has no sensor for {quantity!r}")


def _warmth(truth: Truth, at: str, time_ms: Ints) -> Floats:
    """Shelf warmth about 21 degC at the sensor."""
    if at in truth.shelves:
        column = truth.climate.temperature_c[:, truth.shelves.index(at)]
    else:
        shelf = truth.shelf[:, truth.index(at)][:, None]
        column = np.take_along_axis(truth.climate.temperature_c, shelf, axis=1)[:, 0]
    return np.asarray(np.interp(time_ms, truth.time_ms, column) - 21.0)


def observe(
    truth: Truth,
    at: str,
    instrument: Instrument,
    *,
    seed: int,
    name: str | None = None,
    node: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
) -> Series:
    """What this instrument reports from a shelf or a pot. `name` addresses its errors (default: `at` and quantity),
    `node` the moments at which it looks, sends and is silent: sensors of one node share them."""
    name = name or f"{at} {instrument.quantity}"
    node = node or name
    start = truth.start.time_ms if start_ms is None else start_ms
    end = int(truth.time_ms[-1]) if end_ms is None else end_ms
    every = round(instrument.interval_s * 1000)
    # looks fall on a grid of absolute time, so that a run carried on sees the same ones
    phase = int(every * one_uniform(seed, node, "phase"))
    number = np.arange(-(-(start - phase) // every), -(-(end - phase) // every), dtype=np.int64)
    jitter = (uniform(seed, node, "jitter", number) - 0.5) * 2000.0 * instrument.jitter_s
    time_ms = number * every + phase + jitter.astype(np.int64)
    inside = (time_ms >= start) & (time_ms < end)
    number, time_ms = number[inside], time_ms[inside]
    if not number.size:
        return Series(time_ms, np.empty(0), time_ms)
    day = time_ms / DAY_MS
    value = _true_value(truth, at, instrument, time_ms)
    value = value + instrument.noise * normal(seed, name, "noise", number)
    value = value + instrument.offset * one_normal(seed, name, "offset")
    if instrument.drift_per_day:
        value = value + instrument.drift_per_day * 7.0 * weather(seed, name + " drift", day, 21.0)
    if instrument.per_k:
        value = value + instrument.per_k * one_normal(seed, name, "per_k") * _warmth(truth, at, time_ms)
    if instrument.quantity == "pot_mass":
        value = _handled(truth, at, time_ms, value, seed, name)
    if instrument.quantity == "relative_humidity":
        value = np.clip(value, 0.0, 100.0)
    value = np.round(np.round(value / instrument.resolution) * instrument.resolution, 6)
    lost = uniform(seed, node, "loss", number) < instrument.loss
    lost |= _in_gap(instrument, seed, node, time_ms)
    sent = ~lost
    if instrument.deadband:
        sent &= _worth_sending(time_ms, value, instrument)
    time_ms, value = time_ms[sent], value[sent]
    return Series(time_ms, value, _arrival(instrument, seed, node, time_ms))


def _in_gap(instrument: Instrument, seed: int, name: str, time_ms: Ints) -> Bools:
    """Silences: each day may hold one, from a random hour on."""
    if not time_ms.size:
        return np.zeros(0, dtype=np.bool_)
    today = time_ms // DAY_MS
    silent = np.zeros(time_ms.shape, dtype=np.bool_)
    for day in (today, today - 1):
        begins = day * DAY_MS + (uniform(seed, name, "gap at", day) * DAY_MS).astype(np.int64)
        lasts = (3.0 + 12.0 * uniform(seed, name, "gap length", day)) * HOUR_MS
        happens = uniform(seed, name, "gap", day) < instrument.gaps_per_month / 30.0
        silent |= happens & (time_ms >= begins) & (time_ms < begins + lasts)
    return silent


def _worth_sending(time_ms: Ints, value: Floats, instrument: Instrument) -> Bools:
    sent = np.zeros(len(value), dtype=np.bool_)
    last_value, last_ms = float("nan"), -(10**15)
    heartbeat_ms, deadband = instrument.heartbeat_s * 1000.0, instrument.deadband - 1e-9
    for row, (moment, now) in enumerate(zip(time_ms.tolist(), value.tolist(), strict=True)):
        if not abs(now - last_value) < deadband or moment - last_ms >= heartbeat_ms:
            sent[row] = True
            last_value, last_ms = now, moment
    return sent


def _arrival(instrument: Instrument, seed: int, name: str, time_ms: Ints) -> Ints:
    delay = 50 + (1500.0 * uniform(seed, name, "delay", time_ms)).astype(np.int64)
    if not instrument.batch_s:
        return np.asarray(time_ms + delay, dtype=np.int64)
    batch_ms = round(instrument.batch_s * 1000)
    phase = int(batch_ms * one_uniform(seed, name, "batch"))
    return np.asarray((-(-(time_ms - phase) // batch_ms)) * batch_ms + phase + 700, dtype=np.int64)


def _handled(truth: Truth, at: str, time_ms: Ints, mass: Floats, seed: int, name: str) -> Floats:
    """A pot on a load cell is lifted for some minutes at half of its refills, and set down a little differently."""
    pot = truth.index(at)
    for moment in truth.refills.time_ms[truth.refills.pot == pot].tolist():
        if one_uniform(seed, name, "lifted", moment // 60_000) < 0.5:
            minutes = 3.0 + 15.0 * one_uniform(seed, name, "for", moment // 60_000)
            lifted = (time_ms > moment) & (time_ms <= moment + minutes * 60_000)
            mass = np.where(lifted, 2.0 * normal(seed, name, "pan", time_ms), mass)
            mass = mass + 2.0 * one_normal(seed, name, "set down", moment // 60_000) * (time_ms > moment)
    return mass


def troubled(series: Series, events: Sequence[Event], name: str) -> Series:
    """The series of the sensor called `name` after the scenario's sensor events: silent, stuck, or failing."""
    for event in events:
        if event.sensor != name or event.kind not in ("sensor_dies", "sensor_sticks", "sensor_fails"):
            continue
        until = event.until_ms if event.until_ms is not None else int(4e15)
        during = (series.time_ms >= event.at_ms) & (series.time_ms < until)
        if event.kind == "sensor_dies":
            series = Series(series.time_ms[~during], series.value[~during], series.arrived_ms[~during])
        elif event.kind == "sensor_fails":
            series = replace(series, value=np.where(during, np.nan, series.value))
        elif during.any():
            stuck = series.value[max(int(np.argmax(during)) - 1, 0)]
            series = replace(series, value=np.where(during, stuck, series.value))
    return series
