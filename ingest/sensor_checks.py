"""What the workshop finds out about a sensor: its calibration, its offset beside others, its error over salt.

Pure functions on arrays; nothing here reads a store or writes a sensor. Each answer says how good it is, or refuses
with a sentence where the measurements cannot carry one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.logbook.refusals import Refused

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Points = tuple[tuple[float, float], ...]

# --- a level sensor or load cell, from what was poured or from heights read on a ruler ------------------------------


@dataclass(frozen=True)
class Calibration:
    """Points raw -> value and how good they are, in the unit of the value.

    `residual` is the root mean square distance of the measurements from the monotone line. `between_points` is the
    largest error at a measured point when it is left out and read from its neighbours: what to expect between
    points; NaN with two.
    """

    points: Points
    residual: float
    between_points: float


def poured_level_mm(poured_ml: FloatArray, fill_ml: float, fill_mark_mm: float) -> FloatArray:
    """The level (n,) after each pour (n,) into an empty reservoir of upright walls, mm.

    `fill_ml` is what it takes from empty to the mark. *Holds for* reservoirs of one cross-section all the way up;
    for others read the heights on a ruler.
    """
    return np.cumsum(np.asarray(poured_ml, dtype=np.float64)) * (fill_mark_mm / fill_ml)


def calibration(raw: FloatArray, value: FloatArray) -> Calibration:
    """Piecewise linear, monotone points from raw numbers (n,) and what they meant (n,), two or more of each.

    Repeats of one raw number are averaged; measurements that contradict the direction are pooled with their
    neighbours (isotonic least squares, the pool-adjacent-violators solution). `Refused` when fewer than two raw numbers
    differ or the values do not move with them.
    """
    from scipy.optimize import isotonic_regression

    raw, value = np.asarray(raw, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if raw.shape != value.shape or raw.ndim != 1 or not (np.isfinite(raw).all() and np.isfinite(value).all()):
        raise Refused("A calibration needs as many numbers from the sensor as known values, all of them finite.")
    x, group = np.unique(raw, return_inverse=True)
    if len(x) < 2:
        raise Refused("All measurements have the same raw number: pour or lift until the sensor says something else.")
    weight = np.bincount(group).astype(np.float64)
    y = np.bincount(group, weights=value) / weight
    slope = np.polyfit(x - x.mean(), y, 1, w=np.sqrt(weight))[0]
    fitted = np.asarray(isotonic_regression(y, weights=weight, increasing=bool(slope > 0)).x, dtype=np.float64)
    if fitted[0] == fitted[-1]:
        raise Refused("The sensor's number does not move with the level; check that it sits in the water and is wired.")
    residual = float(np.sqrt(np.mean((value - fitted[group]) ** 2)))
    points = tuple(zip(x.tolist(), fitted.tolist(), strict=True))
    return Calibration(points, residual, _between_points(x, y))


def _between_points(x: FloatArray, y: FloatArray) -> float:
    if len(x) < 3:
        return float("nan")
    share = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
    read = y[:-2] + share * (y[2:] - y[:-2])
    return float(np.max(np.abs(read - y[1:-1])))


# --- air sensors that lay side by side for a night ------------------------------------------------------------------

FEWEST_HOURS = 4.0


@dataclass(frozen=True)
class Offsets:
    """What to take off each sensor's value, arrays (sensor,): the median difference and the middle 90 % of it.

    NaN for a sensor that was heard too little beside the others.
    """

    offset: FloatArray
    low: FloatArray
    high: FloatArray
    hours: FloatArray


def night_offsets(
    series: Sequence[tuple[IntArray, FloatArray]],
    start_ms: int,
    end_ms: int,
    *,
    reference: int | None = None,
    grid_ms: int = 300_000,
    hold_ms: int = 1_800_000,
) -> Offsets:
    """The offsets of sensors of one quantity that lay side by side in [start_ms, end_ms).

    Each series is (times, values in one unit), reporting when it likes; all are compared on a grid of `grid_ms`, each
    holding its last value for `hold_ms` at most. The yardstick is the sensor `reference`, or the median of all at each
    step. With two sensors and no reference each gets half of the difference.

    *Holds for* sensors close together, out of sun and draught, once they have settled: give the window without its
    first half hour. It finds differences between sensors, not the truth. `Refused` with fewer than two sensors, or
    when none was heard beside another for four hours.
    """
    if len(series) < 2:
        raise Refused("Lay two sensors or more side by side; one alone has nothing to be compared with.")
    grid = np.arange(start_ms, end_ms, grid_ms, dtype=np.int64)
    values = np.stack([_held(times, found, grid, hold_ms) for times, found in series], axis=1)
    heard = np.isfinite(values)
    together = heard.sum(axis=1) >= 2
    if reference is not None:
        together &= heard[:, reference]
    values = np.where(together[:, None], values, np.nan)
    hours = np.isfinite(values).sum(axis=0) * (grid_ms / 3_600_000)
    enough = hours >= FEWEST_HOURS
    if enough.sum() < 2:
        raise Refused("The sensors were not heard together for four hours; leave them side by side for a whole night.")
    values = values[:, enough][np.isfinite(values[:, enough]).any(axis=1)]
    column = int(np.count_nonzero(enough[:reference])) if reference is not None else None
    yardstick = values[:, column] if column is not None else _yardstick(values)
    found = np.full((3, len(series)), np.nan)
    found[:, enough] = np.nanquantile(values - yardstick[:, None], [0.5, 0.05, 0.95], axis=0)
    return Offsets(offset=found[0], low=found[1], high=found[2], hours=hours)


def _yardstick(values: FloatArray) -> FloatArray:
    """The air (step,) as all sensors (step, sensor) saw it, on the scale of their median.

    Twice: with offsets far apart, the sensor in the middle would be the median itself and look free of noise.
    """
    offset = np.nanmedian(values - np.nanmedian(values, axis=1)[:, None], axis=0)
    agreed: FloatArray = np.nanmedian(values - offset, axis=1)
    return agreed


def _held(times_ms: IntArray, values: FloatArray, grid_ms: IntArray, hold_ms: int) -> FloatArray:
    """The last value at each step of the grid (n,), NaN where it is older than `hold_ms`."""
    last = np.searchsorted(times_ms, grid_ms, side="right") - 1
    if len(times_ms) == 0:
        return np.full(len(grid_ms), np.nan)
    age = grid_ms - times_ms[np.maximum(last, 0)]
    return np.where((last >= 0) & (age <= hold_ms), values[np.maximum(last, 0)], np.nan)


def without_offset(points: Points, offset: float) -> Points:
    """Calibration points with an offset taken off; a sensor without any gets the straight line 0..100."""
    return tuple((raw, value - offset) for raw, value in points or ((0.0, 0.0), (100.0, 100.0)))


# --- a humidity sensor over salt ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SaltCheck:
    """What the air over the salt should be, what the sensor makes of it, and how sure that is (all % RH)."""

    expected_pct: float
    offset_pct: float
    uncertainty_pct: float
    says: str


def sodium_chloride_humidity_pct(temperature_c: FloatArray | float) -> FloatArray:
    """Relative humidity of the air over saturated sodium chloride solution, %, same shape as the temperature.

    Greenspan's cubic; 75.3 % at 25 degC. *Holds for* 5..40 degC, uncertainty 0.1-0.3 % RH there.
    *Source*: Greenspan 1977, J. Res. NBS 81A:89; the coefficients were seen quoted in two public source files
    (with OIML R 121), his uncertainties are from memory.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    return 75.5164 + 0.0398321 * t - 0.265459e-2 * t**2 + 0.2848e-4 * t**3


def salt_check(relative_humidity_pct: FloatArray, temperature_c: FloatArray) -> SaltCheck:
    """What a humidity sensor is off by, from its last hours in a closed box over wet table salt (n,) and (n,).

    `Refused` outside 5..40 degC, or while the reading still moves by more than 1 % RH between the halves.
    """
    humidity, temperature = (np.asarray(a, dtype=np.float64) for a in (relative_humidity_pct, temperature_c))
    if humidity.shape != temperature.shape:
        raise Refused("A salt check needs as many temperatures as humidities.")
    good = np.isfinite(humidity) & np.isfinite(temperature)
    if good.sum() < 4:
        raise Refused("A salt check needs four readings of humidity and temperature at the same times.")
    humidity, temperature = humidity[good], temperature[good]
    if not (temperature.min() >= 5 and temperature.max() <= 40):
        raise Refused("A salt check holds between 5 and 40 degrees Celsius.")
    half = len(humidity) // 2
    if abs(np.median(humidity[:half]) - np.median(humidity[half:])) > 1:
        raise Refused("The humidity over the salt still moves; leave the box closed for some hours more.")
    expected = float(np.median(sodium_chloride_humidity_pct(temperature)))
    offset = float(np.median(humidity - sodium_chloride_humidity_pct(temperature)))
    # A kitchen box is not a standard: half a degree between salt and sensor is worth 2 % RH there, as
    # the slope of the saturation pressure says (6 % a degree).
    uncertainty = float(np.hypot(2.0, np.quantile(humidity, 0.95) - np.quantile(humidity, 0.05)))
    verdict = (
        "within what a box on a table can tell"
        if abs(offset) <= uncertainty
        else f"it reads {abs(offset):.1f} % RH too {'high' if offset > 0 else 'low'}"
    )
    says = f"Over salt the air has {expected:.1f} % RH; the sensor said {expected + offset:.1f}: {verdict}."
    return SaltCheck(expected, offset, uncertainty, says)
