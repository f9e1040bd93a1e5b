"""The deficit of 10 million pairs of temperature and humidity, against PsychroLib, MetPy and a bare exponential."""

from collections.abc import Sequence

import numpy as np

from analysis.air import vapour_pressure_deficit_kpa
from tests.benchmarks.table import Growth, Row, at_least, processor_s, within

PAIRS = 10_000_000


def rows(scale: float = 1.0) -> tuple[Sequence[Row], Sequence[Growth]]:
    """Without numba PsychroLib takes one pair a call: it is given a hundredth of them, and told for all."""
    import psychrolib
    from metpy.calc import saturation_vapor_pressure
    from metpy.units import units

    rng = np.random.default_rng(1)
    count = round(PAIRS * scale)
    temperature, humidity = rng.uniform(10, 30, count), rng.uniform(30, 95, count)
    out = np.empty(count)
    psychrolib.SetUnitSystem(psychrolib.SI)
    few = [(t, h / 100) for t, h in zip(temperature[::100].tolist(), humidity[::100].tolist(), strict=True)]

    def with_psychrolib() -> None:
        for t, h in few:
            psychrolib.GetSatVapPres(t) - psychrolib.GetVapPresFromRelHum(t, h)

    def with_metpy() -> None:
        pressure = saturation_vapor_pressure(units.Quantity(temperature, "degC")).to("kPa").magnitude
        pressure * (1.0 - humidity / 100.0)

    ours = processor_s(lambda: vapour_pressure_deficit_kpa(temperature, humidity), 7)
    limit = processor_s(lambda: np.exp(temperature), 7)
    into = processor_s(lambda: np.exp(temperature, out=out), 7)
    psychro = processor_s(with_psychrolib, 1) * count / len(few)
    metpy = processor_s(with_metpy, 3)
    what = f"VPD of {count:,} pairs"
    return [
        at_least(what, ours, "PsychroLib, a call a pair", psychro, 20),
        at_least(what, ours, "MetPy, vectorised", metpy, 1, "ahead"),
        within(what, ours, "limit: one bare numpy `exp` of as many", limit, 2),
        Row(
            what, "", "the same `exp` into memory that is there", f"{into:.3g} s", f"{ours / into:.3g} times", "", None
        ),
    ], []
