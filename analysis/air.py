"""The dryness of the air: vapour pressure deficit and its relatives, and their means over time.

The first half is physics of moist air at one moment; the second half turns the separate, irregular
temperature and humidity readings of a shelf into hourly facts. Nothing here knows a pot, a store or a clock.

Why the deficit is computed from readings taken together and then averaged, never from averaged readings:
saturation pressure bends upwards with temperature and humidity falls as it warms, so averages hide the dry
afternoon. In FAO-56 Examples 5 and 6 the day's deficit is 0.91 kPa, while its mean temperature and mean
humidity give 0.82 kPa, a tenth too little.
"""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from analysis.held_series import (
    HOUR_MS,
    FloatArray,
    HeldSeries,
    IntArray,
    greatest_within,
    held,
    hours_between,
    known_together,
    mean_within,
    refuse_disorder,
)

Numbers = npt.ArrayLike
"""A number or an array of numbers; arrays of one call broadcast against each other."""

WET_UNMEASURED_BELOW_KPA = 0.15
"""Below this deficit the usual +-2 %RH of a home sensor is 40 % of the answer: the air is "wet, unmeasured"."""

HOLDS_C = (0.0, 45.0)
"""Temperatures for which the pressures of vapour below hold."""

PLAUSIBLE_HUMIDITY_PCT = (-5.0, 110.0)
"""Readings outside are no humidity at all. Inside, what lies past 0 or 100 is the sensor's own error."""

PSYCHROMETER_ASPIRATED_PER_K = 0.000662
PSYCHROMETER_NATURAL_DRAUGHT_PER_K = 0.000800
PSYCHROMETER_STILL_AIR_PER_K = 0.001200

_MONTH_MS = 30 * 24 * HOUR_MS
_BLOCK = 32_768  # numbers whose intermediate results stay in the processor's cache

_GRAM_KELVIN_PER_M3_KPA = 2166.79  # molar mass of water over the gas constant


def saturation_vapour_pressure_kpa(temperature_c: Numbers) -> FloatArray:
    """Vapour pressure of air saturated over water.

    temperature_c: degC, any shape. Returns kPa, same shape (a scalar for a scalar).
    Holds for 0 to 45 degC within 0.13 % of IAPWS-IF97; below 0 degC it is over (supercooled) water, not ice.
    Source: Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56 (FAO-56), equation 11.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * temperature / (temperature + 237.3)))[()]


def saturation_slope_kpa_per_k(temperature_c: Numbers) -> FloatArray:
    """How steeply saturation pressure rises with temperature.

    temperature_c: degC, any shape. Returns kPa/K, same shape. Holds for 0 to 45 degC.
    Source: FAO-56 equation 13.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(4098.0 * saturation_vapour_pressure_kpa(temperature) / (temperature + 237.3) ** 2)[()]


def vapour_pressure_kpa(temperature_c: Numbers, relative_humidity_pct: Numbers) -> FloatArray:
    """Pressure of the vapour that is in the air.

    temperature_c: degC; relative_humidity_pct: 0 to 100; shapes broadcast. Returns kPa.
    A humidity a little above 100 or below 0 is taken as 100 or 0, see `vapour_pressure_deficit_kpa`.
    Source: FAO-56 equation 10 rearranged, e = es RH/100.
    """
    humidity = _humidity_in_range(relative_humidity_pct)
    return np.asarray(saturation_vapour_pressure_kpa(temperature_c) * humidity / 100.0)[()]


def vapour_pressure_deficit_kpa(temperature_c: Numbers, relative_humidity_pct: Numbers) -> FloatArray:
    """How much more vapour the air could hold: the pull of the air on a pot.

    temperature_c: degC; relative_humidity_pct: 0 to 100; shapes broadcast. Returns kPa, never negative.
    A wetted or aged sensor reads up to some per cent above 100. Air over a pot is not supersaturated by that
    much, so the excess is the sensor's error and the deficit is 0, not negative: a negative one would make the
    pots gain water in every balance. Humidity beyond PLAUSIBLE_HUMIDITY_PCT gives NaN.
    Holds for 0 to 45 degC. Below WET_UNMEASURED_BELOW_KPA the sensor's error is as large as the answer.
    Source: FAO-56 equation 11 and the deficit es - ea of its Example 6.
    """
    temperature, humidity = np.asarray(temperature_c, np.float64), np.asarray(relative_humidity_pct, np.float64)
    if temperature.ndim != 1 or temperature.shape != humidity.shape or temperature.size <= _BLOCK:
        return np.asarray(_deficit_kpa(temperature, humidity))[()]
    deficit = np.empty(temperature.shape)
    for start in range(0, temperature.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        deficit[block] = _deficit_kpa(temperature[block], humidity[block])
    return deficit


def _deficit_kpa(temperature_c: FloatArray, relative_humidity_pct: FloatArray) -> FloatArray:
    return saturation_vapour_pressure_kpa(temperature_c) * (100.0 - _humidity_in_range(relative_humidity_pct)) / 100.0


def dew_point_c(temperature_c: Numbers, relative_humidity_pct: Numbers) -> FloatArray:
    """The temperature at which this air would begin to leave dew.

    temperature_c: degC; relative_humidity_pct: 0 to 100; shapes broadcast. Returns degC; NaN where the air
    holds no vapour at all (0 %), which has no dew point. Holds for dew points of 0 to 45 degC.
    Source: the inverse of FAO-56 equation 11.
    """
    pressure = np.asarray(vapour_pressure_kpa(temperature_c, relative_humidity_pct))
    logarithm = np.full(pressure.shape, np.nan)
    np.log(pressure / 0.6108, out=logarithm, where=pressure > 0)
    return np.asarray(237.3 * logarithm / (17.27 - logarithm))[()]


def absolute_humidity_g_per_m3(temperature_c: Numbers, relative_humidity_pct: Numbers) -> FloatArray:
    """Grams of vapour in a cubic metre of air.

    temperature_c: degC; relative_humidity_pct: 0 to 100; shapes broadcast. Returns g/m3.
    Holds where vapour is nearly an ideal gas, as it is in any room.
    Source: the ideal gas law, 2166.79 e/T with e in kPa and T in K.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.15
    pressure = vapour_pressure_kpa(temperature_c, relative_humidity_pct)
    return np.asarray(_GRAM_KELVIN_PER_M3_KPA * pressure / kelvin)[()]


def atmospheric_pressure_kpa(altitude_m: Numbers) -> FloatArray:
    """Usual pressure of the air at a height above the sea.

    altitude_m: metres, any shape. Returns kPa. Holds for -400 to 4000 m; weather moves it by some per cent.
    Source: FAO-56 equation 7.
    """
    altitude = np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(101.3 * ((293.0 - 0.0065 * altitude) / 293.0) ** 5.26)[()]


def psychrometric_constant_kpa_per_k(pressure_kpa: Numbers) -> FloatArray:
    """gamma: what a kelvin of evaporative cooling is worth in vapour pressure.

    pressure_kpa: kPa, any shape. Returns kPa/K. Source: FAO-56 equation 8 (latent heat 2.45 MJ/kg).
    """
    return np.asarray(0.000665 * np.asarray(pressure_kpa, dtype=np.float64))[()]


def psychrometer_vapour_pressure_kpa(
    dry_bulb_c: Numbers,
    wet_bulb_c: Numbers,
    pressure_kpa: Numbers = 101.3,
    coefficient_per_k: float = PSYCHROMETER_ASPIRATED_PER_K,
) -> FloatArray:
    """Vapour pressure from a dry and a wet thermometer, to check a humidity sensor by hand.

    dry_bulb_c, wet_bulb_c: degC; pressure_kpa: kPa; shapes broadcast. coefficient_per_k: one of
    PSYCHROMETER_ASPIRATED_PER_K (5 m/s past the bulbs), _NATURAL_DRAUGHT_ (about 1 m/s), _STILL_AIR_ (indoors).
    Returns kPa, not below 0. Source: FAO-56 equations 15 and 16.
    """
    depression = np.asarray(dry_bulb_c, dtype=np.float64) - np.asarray(wet_bulb_c, dtype=np.float64)
    cooling = coefficient_per_k * np.asarray(pressure_kpa, dtype=np.float64) * depression
    return np.asarray(np.maximum(saturation_vapour_pressure_kpa(wet_bulb_c) - cooling, 0.0))[()]


@dataclass(frozen=True)
class HourlyClimate:
    """What the air of a shelf was, hour by hour; all arrays (h,), UTC hours, NaN where nothing is known.

    temperature_c, relative_humidity_pct: means over the time each was known. vpd_kpa: mean of the momentary
    deficits; vpd_max_kpa: the largest of them. coverage: share of the hour, 0 to 1, in which temperature and
    humidity were both known; a mean with little coverage is a mean of that little.
    """

    hour_ms: IntArray
    temperature_c: FloatArray
    relative_humidity_pct: FloatArray
    vpd_kpa: FloatArray
    vpd_max_kpa: FloatArray
    coverage: FloatArray


def paired_vpd_kpa(temperature_c: HeldSeries, relative_humidity_pct: HeldSeries) -> HeldSeries:
    """The momentary deficit (kPa) wherever temperature (degC) and humidity (%) are known together.

    The two come in separate messages at their own times; each is held as its own sensor deserves. What pairs is
    the last known of both, and only while neither is too old.
    """
    temperature, humidity = known_together(temperature_c, relative_humidity_pct)
    vpd = np.asarray(vapour_pressure_deficit_kpa(temperature.value, humidity.value))
    sound = ~np.isnan(vpd)
    if sound.all():
        return HeldSeries(temperature.from_ms, temperature.until_ms, vpd)
    return HeldSeries(temperature.from_ms[sound], temperature.until_ms[sound], vpd[sound])


def hourly_climate(
    t_times: IntArray,
    t_values: FloatArray,
    rh_times: IntArray,
    rh_values: FloatArray,
    start_ms: int,
    end_ms: int,
    hold_ms: int,
) -> HourlyClimate:
    """Hourly facts of a shelf's air from its temperature and humidity readings.

    t_times, rh_times: (n,), (m,) ascending Unix ms; give readings from `hold_ms` before the start on, so that
    the first hour is covered by the reading that still holds. t_values: degC; rh_values: %, 0 to 100; NaN says
    that the sensor failed and nothing is known until its next reading, and so does a humidity beyond
    PLAUSIBLE_HUMIDITY_PCT. start_ms, end_ms: every UTC hour with a
    part in [start_ms, end_ms) gets a row, computed over the whole hour. hold_ms: how long a reading may stand.
    Raises ValueError for descending times or unequal lengths. No loop over readings: some tens of nanoseconds each;
    years are done a month at a time, whose intermediate arrays fit the processor's cache.
    """
    if end_ms - start_ms <= _MONTH_MS:
        return _climate_of_hours(t_times, t_values, rh_times, rh_values, hours_between(start_ms, end_ms), hold_ms)
    refuse_disorder(t_times, t_values)
    refuse_disorder(rh_times, rh_values)
    months = []
    for first_ms in range(start_ms // HOUR_MS * HOUR_MS, end_ms, _MONTH_MS):
        hour_ms = hours_between(first_ms, min(first_ms + _MONTH_MS, end_ms))
        reach = first_ms - hold_ms, int(hour_ms[-1]) + HOUR_MS
        t_some, rh_some = (slice(*np.searchsorted(times, reach)) for times in (t_times, rh_times))
        months.append(
            _climate_of_hours(
                t_times[t_some], t_values[t_some], rh_times[rh_some], rh_values[rh_some], hour_ms, hold_ms
            )
        )
    return HourlyClimate(
        *(np.concatenate([getattr(month, field.name) for month in months]) for field in fields(HourlyClimate))
    )


def _climate_of_hours(
    t_times: IntArray,
    t_values: FloatArray,
    rh_times: IntArray,
    rh_values: FloatArray,
    hour_ms: IntArray,
    hold_ms: int,
) -> HourlyClimate:
    """`hourly_climate` of some hours that follow each other."""
    next_ms = hour_ms + HOUR_MS
    temperature = held(t_times, t_values, hold_ms)
    humidity = held(rh_times, _humidity_in_range(rh_values), hold_ms)
    vpd = paired_vpd_kpa(temperature, humidity)
    vpd_mean, coverage = mean_within(vpd, hour_ms, next_ms)
    return HourlyClimate(
        hour_ms=hour_ms,
        temperature_c=mean_within(temperature, hour_ms, next_ms)[0],
        relative_humidity_pct=mean_within(humidity, hour_ms, next_ms)[0],
        vpd_kpa=vpd_mean,
        vpd_max_kpa=greatest_within(vpd, hour_ms, next_ms),
        coverage=coverage,
    )


def mean_of_hours(
    value: FloatArray, coverage: FloatArray, group: IntArray, groups: int
) -> tuple[FloatArray, FloatArray]:
    """Hourly means gathered into longer ones (days, weeks, spells), each hour counted by what it covers.

    value, coverage: (h,) as in HourlyClimate; group: (h,) the index 0..groups-1 of the longer span of each hour,
    or negative for none. Returns mean (groups,), NaN where nothing is known, and the hours known (groups,).
    """
    counted = (group >= 0) & ~np.isnan(value) & (coverage > 0)
    weight = coverage[counted]
    hours = np.bincount(group[counted], weights=weight, minlength=groups).astype(np.float64)
    total = np.bincount(group[counted], weights=weight * value[counted], minlength=groups)
    mean = np.full(groups, np.nan)
    np.divide(total, hours, out=mean, where=hours > 0)
    return mean, hours


def is_wet_unmeasured(vpd_kpa: Numbers) -> npt.NDArray[np.bool_]:
    """Whether a deficit (kPa, any shape) is too small for a home humidity sensor to tell from none."""
    return np.asarray(np.asarray(vpd_kpa, dtype=np.float64) < WET_UNMEASURED_BELOW_KPA)[()]


def _humidity_in_range(relative_humidity_pct: Numbers) -> FloatArray:
    humidity = np.asarray(relative_humidity_pct, dtype=np.float64)
    low, high = PLAUSIBLE_HUMIDITY_PCT
    if humidity.size and humidity.min() >= 0.0 and humidity.max() <= 100.0:
        return humidity  # as nearly all are
    return np.where((humidity < low) | (humidity > high), np.nan, np.clip(humidity, 0.0, 100.0))
