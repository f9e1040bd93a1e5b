"""The air of the shelves: its vapour pressure, its rhythm, and that it depends on moment and seed alone."""

import numpy as np
import pytest
from iapws.iapws97 import _PSat_T  # type: ignore[import-untyped]

from simulated_feeds.climate import Air, Climate, saturation_kpa, shelf_climate
from simulated_feeds.events import DAY_MS, Event

START_MS = 1_760_000_400_000
SHELVES = (("room", Air()), ("dry", Air(vapour_kpa=0.8)))


def air(days: int, start_ms: int = START_MS, events: tuple[Event, ...] = ()) -> Climate:
    return shelf_climate(SHELVES, start_ms, days * 48, 30, 7, events)


@pytest.mark.parametrize("temperature_c", [5.0, 12.0, 20.0, 25.0, 30.0, 40.0])
def test_saturation_pressure_agrees_with_iapws_if97(temperature_c: float) -> None:
    """IAPWS-IF97 saturation line, as in package iapws 1.5.5. Buck (1981) claims 0.05 % over 0..50 degC for vapour in
    moist air without the enhancement factor, from memory; 0.2 % allowed."""
    reference_kpa = _PSat_T(temperature_c + 273.15) * 1000.0
    assert float(saturation_kpa(np.array(temperature_c))) == pytest.approx(reference_kpa, rel=2e-3)


def test_the_mean_deficit_is_above_the_deficit_of_the_means() -> None:
    climate = air(60)
    of_means = saturation_kpa(climate.temperature_c.mean(axis=0)) - climate.vapour_pressure_kpa.mean(axis=0)
    assert (climate.vpd_kpa.mean(axis=0) > of_means).all()


def test_afternoons_are_warmer_and_drier_than_nights_and_the_dry_shelf_is_drier() -> None:
    climate = air(60)
    hour = climate.time_ms % DAY_MS / 3_600_000
    afternoon, night = (hour > 13) & (hour < 17), (hour > 1) & (hour < 5)
    assert (climate.temperature_c[afternoon].mean(axis=0) > climate.temperature_c[night].mean(axis=0) + 1.0).all()
    assert (climate.vpd_kpa[afternoon].mean(axis=0) > climate.vpd_kpa[night].mean(axis=0)).all()
    assert (climate.vpd_kpa[:, 1] > climate.vpd_kpa[:, 0]).all()


def test_the_same_moment_has_the_same_air_wherever_a_run_begins() -> None:
    whole, later = air(20), air(10, START_MS + 10 * DAY_MS)
    np.testing.assert_allclose(whole.vpd_kpa[480:], later.vpd_kpa, atol=1e-12)


def test_heating_warms_one_shelf_from_its_date_on() -> None:
    event = Event("on", "heating", START_MS + 5 * DAY_MS, shelf="room", values={"warmer_c": 2.0, "vapour_factor": 0.9})
    before, after = air(10), air(10, events=(event,))
    np.testing.assert_array_equal(before.vpd_kpa[:240], after.vpd_kpa[:240])
    np.testing.assert_array_equal(before.vpd_kpa[:, 1], after.vpd_kpa[:, 1])
    warmer = (after.temperature_c - before.temperature_c)[-48:, 0]
    np.testing.assert_allclose(warmer, 2.0, atol=1e-9)
    assert (after.vpd_kpa - before.vpd_kpa)[-48:, 0].min() > 0.3


def test_humidity_never_passes_saturation() -> None:
    wet = shelf_climate([("wet", Air(vapour_kpa=5.0))], START_MS, 480, 30, 7)
    assert wet.relative_humidity_pct.max() <= 98.5 + 1e-9
    assert wet.vpd_kpa.min() > 0.0
