"""The air of the shelves by minutes: day, season, weather, heating, sun, lamps and heat mats.

Owns the climate of the invented home and its own vapour pressure (Buck 1981, over water). It must not know pots.
Random access: the air at a moment depends on the moment and the seed alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulated_feeds.events import Event
from simulated_feeds.noise import Floats, normal, weather

DAY_MS = 86_400_000
FINE_MINUTES = 5


@dataclass(frozen=True)
class Air:
    """What makes the climate of one shelf. Amplitudes are half the swing; shares are of the mean."""

    temperature_c: float = 21.0
    season_c: float = 1.5
    day_c: float = 1.5
    weather_c: float = 0.7
    vapour_kpa: float = 1.3
    season_vapour: float = 0.15
    weather_vapour: float = 0.08
    warmest_hour: float = 15.0
    speed_m_per_s: float = 0.12
    sun_w_per_m2: float = 0.0
    sun_hours: tuple[float, float] = (8.0, 12.0)
    lamp_w_per_m2: float = 0.0
    lamp_hours: tuple[float, float] = (7.0, 19.0)
    mat_w_per_m2: float = 0.0


@dataclass(frozen=True)
class Climate:
    """Air of every shelf at every step, arrays (time, shelf): means over the step that ends at `time_ms`.

    `vpd_kpa` is the mean of the deficit at each moment, not the deficit of the means.
    """

    time_ms: npt.NDArray[np.int64]
    temperature_c: Floats
    vapour_pressure_kpa: Floats
    relative_humidity_pct: Floats
    vpd_kpa: Floats
    speed_m_per_s: Floats
    radiant_w_per_m2: Floats
    mat_w_per_m2: Floats
    daylight: Floats


def saturation_kpa(temperature_c: Floats) -> Floats:
    """Saturation vapour pressure over water, Buck (1981)."""
    return np.asarray(0.61121 * np.exp((18.678 - temperature_c / 234.5) * temperature_c / (257.14 + temperature_c)))


def vapour_density_kg_per_m3(pressure_kpa: Floats, temperature_c: Floats) -> Floats:
    """Density of water vapour by the gas law."""
    return np.asarray(pressure_kpa * 1000.0 / (461.52 * (temperature_c + 273.15)))


def _during(hour: Floats, hours: tuple[float, float]) -> Floats:
    start, end = hours
    inside = (hour >= start) & (hour < end)
    return np.where(inside, np.sin(np.pi * np.clip((hour - start) / (end - start), 0.0, 1.0)), 0.0)


def _ramp(time_ms: npt.NDArray[np.int64], event: Event) -> Floats:
    """0 before an event, 1 a day after it began, back to 0 a day after it ended."""
    rising = np.clip((time_ms - event.at_ms) / DAY_MS, 0.0, 1.0)
    if event.until_ms is None:
        return np.asarray(rising, dtype=np.float64)
    falling = np.clip((time_ms - event.until_ms) / DAY_MS, 0.0, 1.0)
    return np.asarray(rising * (1.0 - falling), dtype=np.float64)


def shelf_climate(
    shelves: Sequence[tuple[str, Air]],
    start_ms: int,
    steps: int,
    step_minutes: int,
    seed: int,
    events: Sequence[Event] = (),
) -> Climate:
    """The climate of shelves (label, air) over `steps` steps after `start_ms`."""
    if step_minutes % FINE_MINUTES:
        raise ValueError(f"step_minutes must be a multiple of {FINE_MINUTES}")
    per_step = step_minutes // FINE_MINUTES
    count = steps * per_step
    time_ms = start_ms + (np.arange(count, dtype=np.int64) * 2 + 1) * (FINE_MINUTES * 30_000)
    day = time_ms / DAY_MS
    hour = (day % 1.0) * 24.0
    year = np.cos(2.0 * np.pi * (day - 196.0) / 365.2425)  # warmest in mid July
    columns: dict[str, list[Floats]] = {
        name: [] for name in ("t", "e", "rh", "vpd", "speed", "radiant", "mat", "daylight")
    }
    common_warmth = weather(seed, "outdoor warmth", day)
    common_vapour = weather(seed, "outdoor vapour", day)
    for label, air in shelves:
        swing = np.cos(2.0 * np.pi * (hour - air.warmest_hour) / 24.0)
        own = weather(seed, label, day, 1.0)
        flicker = normal(seed, label, 1, time_ms[0] // (FINE_MINUTES * 60_000) + np.arange(-5, count))
        cycling = np.convolve(flicker, np.full(6, 1.0 / np.sqrt(6.0)), mode="valid")
        cloud = np.clip(0.6 + 0.5 * weather(seed, label + " cloud", day, 1.0), 0.05, 1.0)
        sun = air.sun_w_per_m2 * cloud * _during(hour, air.sun_hours)
        lamp = np.where((hour >= air.lamp_hours[0]) & (hour < air.lamp_hours[1]), air.lamp_w_per_m2, 0.0)
        temperature = (
            air.temperature_c
            + air.season_c * year
            + air.day_c * swing
            + air.weather_c * (0.8 * common_warmth + 0.6 * own)
            + 0.15 * cycling
            + 0.012 * sun
            + 0.01 * lamp
        )
        log_vapour = air.season_vapour * year + air.weather_vapour * (0.8 * common_vapour + 0.6 * own) + 0.02 * swing
        speed = air.speed_m_per_s * np.exp(0.15 * weather(seed, label + " wind", day, 0.5))
        mat = np.full(count, air.mat_w_per_m2)
        for event in events:
            if event.shelf == label:
                strength = _ramp(time_ms, event)
                temperature = temperature + event.number("warmer_c", 0.0) * strength
                log_vapour = log_vapour + np.log(event.number("vapour_factor", 1.0)) * strength
                speed = speed * event.number("speed_factor", 1.0) ** strength
                mat = mat + event.number("mat_w_per_m2", 0.0) * strength
                lamp = lamp + event.number("lamp_w_per_m2", 0.0) * strength * (lamp >= 0.0)
        saturated = saturation_kpa(temperature)
        vapour = np.minimum(air.vapour_kpa * np.exp(log_vapour - 0.5 * air.weather_vapour**2), 0.985 * saturated)
        series = {
            "t": temperature,
            "e": vapour,
            "rh": 100.0 * vapour / saturated,
            "vpd": saturated - vapour,
            "speed": speed,
            "radiant": sun + lamp,
            "mat": mat,
            "daylight": ((hour >= 6.5) & (hour < 19.5)).astype(np.float64),
        }
        for name, values in series.items():
            columns[name].append(values.reshape(steps, per_step).mean(axis=1))
    stacked = {name: np.stack(parts, axis=1) for name, parts in columns.items()}
    return Climate(
        time_ms=start_ms + np.arange(1, steps + 1, dtype=np.int64) * (step_minutes * 60_000),
        temperature_c=stacked["t"],
        vapour_pressure_kpa=stacked["e"],
        relative_humidity_pct=stacked["rh"],
        vpd_kpa=stacked["vpd"],
        speed_m_per_s=stacked["speed"],
        radiant_w_per_m2=stacked["radiant"],
        mat_w_per_m2=stacked["mat"],
        daylight=stacked["daylight"],
    )
