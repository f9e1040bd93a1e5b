"""Plain levels of an invented pot, in closed form: a steady or rhythmic fall, refills, noise, no medium that stores."""

import numpy as np

from analysis.held_series import DAY_MS, HOUR_MS

START_MS = 1_780_000_000_000 // DAY_MS * DAY_MS


def looks(days, minutes=15):
    """Moments of a sensor by the clock."""
    return START_MS + np.arange(round(days * 24 * 60 / minutes), dtype=np.int64) * minutes * 60_000


def fallen_mm(time_ms, mm_per_day, swing=0.0):
    """How far the level has fallen since the start; `swing` is the share by which use is larger at noon than at 6."""
    day = (time_ms - START_MS) / DAY_MS
    return mm_per_day * (day - swing * np.sin(2 * np.pi * day) / (2 * np.pi))


def level_of(time_ms, *, first_mm=48.0, mm_per_day=2.5, refills=((4.5, 11.0), (9.3, 12.0)), swing=0.0):
    """The true level: refills are (day, mm)."""
    level = first_mm - fallen_mm(time_ms, mm_per_day, swing)
    for day, rise in refills:
        level = level + rise * (time_ms > START_MS + day * DAY_MS)
    return level


def read_finely(time_ms, level_mm, noise_mm=0.3, seed=1):
    """As a sensor with noise and a resolution of 0.1 mm reads it."""
    noisy = level_mm + np.random.default_rng(seed).normal(0.0, noise_mm, time_ms.size)
    return np.round(noisy, 1)


def read_coarsely(time_ms, level_mm, noise_mm=0.15, seed=1, heartbeat_h=6):
    """As a sensor of whole millimetres that reports on change reads it: times and values."""
    value = np.round(level_mm + np.random.default_rng(seed).normal(0.0, noise_mm, time_ms.size))
    sent = [0]
    for look in range(1, time_ms.size):
        if value[look] != value[sent[-1]] or time_ms[look] - time_ms[sent[-1]] >= heartbeat_h * HOUR_MS:
            sent.append(look)
    return time_ms[sent], value[sent]
