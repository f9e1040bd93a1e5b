"""Random numbers by address: the same (seed, keys, index) gives the same draw in any order and any length of run.

Owns the one source of randomness of the simulated world. That is what makes two runs comparable that differ in one
event only (common random numbers), and what lets a run be carried on from a saved state. It must not know what the
numbers are used for.
"""

import zlib

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

Floats = npt.NDArray[np.float64]
Key = int | str | npt.NDArray[np.int64]


def key_of(text: str) -> int:
    """A number for a label, the same on every machine."""
    return zlib.crc32(text.encode("utf-8"))


def _stirred(state: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """The finaliser of a 64-bit counter-based generator (Steele, Lea & Flood 2014: split-mix)."""
    state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return state ^ (state >> np.uint64(31))


def uniform(seed: int, *keys: Key) -> Floats:
    """Uniform draws in (0, 1), broadcast over the keys (integers, arrays of integers, or labels)."""
    state = np.atleast_1d(np.asarray(seed, dtype=np.int64).astype(np.uint64))
    for key in keys:
        number = np.atleast_1d(np.asarray(key_of(key) if isinstance(key, str) else key, dtype=np.int64)).astype(
            np.uint64
        )
        state = _stirred((state + np.uint64(0x9E3779B97F4A7C15)) ^ _stirred(number + np.uint64(0x632BE59BD9B4E019)))
    return ((state >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53


def normal(seed: int, *keys: Key) -> Floats:
    """Standard normal draws, broadcast over the keys as in `uniform`."""
    return np.asarray(ndtri(uniform(seed, *keys)), dtype=np.float64)


def one_uniform(seed: int, *keys: Key) -> float:
    """One uniform draw in (0, 1)."""
    return float(uniform(seed, *keys)[0])


def one_normal(seed: int, *keys: Key) -> float:
    """One standard normal draw."""
    return float(normal(seed, *keys)[0])


def weather(seed: int, key: str, day: Floats, memory_days: float = 2.5) -> Floats:
    """A smooth wandering of unit variance at the given moments (days, any origin), with a memory of some days."""
    whole = np.floor(day).astype(np.int64)
    lags = np.arange(int(np.ceil(4.0 * memory_days)))
    weights = np.exp(-lags / memory_days)
    weights /= np.sqrt(np.sum(weights**2))
    first, last = int(whole.min()), int(whole.max()) + 2
    draws = normal(seed, key, np.arange(first - len(lags), last + 1, dtype=np.int64))
    daily = np.convolve(draws, weights, mode="valid")
    offset = first - len(lags) + len(lags) - 1
    left = whole - offset
    part = day - whole
    smooth = part * part * (3.0 - 2.0 * part)
    result: Floats = daily[left] * (1.0 - smooth) + daily[left + 1] * smooth
    return result
