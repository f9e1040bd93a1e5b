"""Moist air against the literature and against three independent libraries.

FAO-56 is Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56. Its tables print three
decimals, so the tolerance is half a unit of the last digit. Libraries: PsychroLib 2.5.0, iapws 1.5.5 (IAPWS-IF97),
MetPy 1.7.1 (Ambaum 2020, equation 13).
"""

import iapws
import numpy as np
import psychrolib
import pytest
from metpy.calc import saturation_vapor_pressure
from metpy.units import units

from analysis import air

# FAO-56, Annex 2, Table 2.3: saturation vapour pressure (kPa) at 1, 2, ... 45 degC.
FAO56_TABLE_2_3_KPA = (
    "0.657 0.706 0.758 0.813 0.872 0.935 1.002 1.073 1.148 1.228 1.313 1.403 1.498 1.599 1.705 1.818 1.938 2.064 "
    "2.197 2.338 2.487 2.644 2.809 2.984 3.168 3.361 3.565 3.780 4.006 4.243 4.493 4.755 5.030 5.319 5.623 5.941 "
    "6.275 6.625 6.991 7.376 7.778 8.199 8.640 9.101 9.582"
)

# FAO-56, Annex 2, Table 2.4: slope of the saturation curve (kPa/K).
FAO56_TABLE_2_4 = [(1, 0.047), (10, 0.082), (20, 0.145), (25, 0.189), (30, 0.243), (40, 0.393)]

# VPD kPa, dew point degC, absolute humidity g/m3 by FAO-56 equation 11 and the gas law; computed once, independently.
STATES = [
    (20, 50, 1.1691, 9.270, 8.642),
    (25, 60, 1.2671, 16.696, 13.813),
    (28, 65, 1.3230, 20.802, 17.678),
    (28, 70, 1.1340, 22.013, 19.038),
    (22, 35, 1.7186, 5.849, 6.793),
    (30, 40, 2.5458, 14.926, 12.131),
    (18, 80, 0.4128, 14.500, 12.288),
]


def test_saturation_pressure_agrees_with_every_printed_row_of_fao56_table_2_3():
    printed = np.array(FAO56_TABLE_2_3_KPA.split(), dtype=float)
    computed = air.saturation_vapour_pressure_kpa(np.arange(1.0, 46.0))
    assert np.all(np.abs(computed - printed) <= 0.0005)


@pytest.mark.parametrize(("temperature_c", "slope"), FAO56_TABLE_2_4)
def test_saturation_slope_agrees_with_fao56_table_2_4(temperature_c, slope):
    assert air.saturation_slope_kpa_per_k(temperature_c) == pytest.approx(slope, abs=0.0005)


@pytest.mark.parametrize("temperature_c", [2.0, 15.0, 31.0, 44.0])
def test_saturation_slope_is_the_derivative_of_saturation_pressure(temperature_c):
    step = 1e-4
    rise = air.saturation_vapour_pressure_kpa(temperature_c + step)
    rise = rise - air.saturation_vapour_pressure_kpa(temperature_c - step)
    # FAO-56 prints 4098 for 17.27 x 237.3 = 4098.171, so the two differ by 4e-5 of themselves.
    assert air.saturation_slope_kpa_per_k(temperature_c) == pytest.approx(rise / (2 * step), rel=5e-5)


def test_fao56_example_3_averages_saturation_pressure_not_temperature():
    at_extremes = air.saturation_vapour_pressure_kpa(np.array([24.5, 15.0]))
    assert at_extremes == pytest.approx([3.075, 1.705], abs=0.0005)
    assert at_extremes.mean() == pytest.approx(2.39, abs=0.005)
    assert air.saturation_vapour_pressure_kpa(19.75) == pytest.approx(2.30, abs=0.005)


@pytest.mark.parametrize(
    ("temperature_c", "expected_kpa"), [(15, 1.70535), (24.5, 3.07465), (18, 2.06399), (25, 3.16778)]
)
def test_saturation_pressure_agrees_with_two_irrigation_libraries_and_a_manual(temperature_c, expected_kpa):
    """refet 0.5.0 and pyet 1.5.0 (equation 11); NCL reference manual, satvpr_temp_fao56, for 15 and 24.5 degC."""
    assert air.saturation_vapour_pressure_kpa(temperature_c) == pytest.approx(expected_kpa, abs=0.00001)


def test_fao56_example_4_wet_and_dry_bulb_at_1200_m():
    pressure = air.atmospheric_pressure_kpa(1200)
    assert pressure == pytest.approx(87.9, abs=0.05)
    vapour = air.psychrometer_vapour_pressure_kpa(25.6, 19.5, pressure, air.PSYCHROMETER_ASPIRATED_PER_K)
    assert vapour == pytest.approx(1.91, abs=0.005)


def test_psychrometer_coefficients_are_those_of_fao56_equation_16():
    assert (
        air.PSYCHROMETER_ASPIRATED_PER_K,
        air.PSYCHROMETER_NATURAL_DRAUGHT_PER_K,
        air.PSYCHROMETER_STILL_AIR_PER_K,
    ) == (0.000662, 0.000800, 0.001200)


def test_psychrometric_constant_at_sea_level_is_that_of_fao56_table_2_2():
    assert air.psychrometric_constant_kpa_per_k(101.3) == pytest.approx(0.067, abs=0.0005)


def test_fao56_example_5_vapour_pressure_from_humidity():
    """Equation 17 pairs the coldest temperature with the highest humidity; equation 19 uses the mean humidity."""
    paired = air.vapour_pressure_kpa(np.array([18.0, 25.0]), np.array([82.0, 54.0]))
    assert paired.mean() == pytest.approx(1.70, abs=0.005)
    saturation = air.saturation_vapour_pressure_kpa(np.array([18.0, 25.0])).mean()
    assert saturation * 0.68 == pytest.approx(1.78, abs=0.005)


def test_fao56_example_6_mean_of_deficits_and_not_deficit_of_means():
    deficits = air.vapour_pressure_deficit_kpa(np.array([18.0, 25.0]), np.array([82.0, 54.0]))
    assert deficits.mean() == pytest.approx(0.91, abs=0.005)
    # Computed with equation 11 from the data of Example 5: the wrong way is a tenth too low.
    assert air.vapour_pressure_deficit_kpa(21.5, 68.0) == pytest.approx(0.821, abs=0.0005)


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "vpd_kpa", "dew_c", "absolute"), STATES)
def test_states_of_air_agree_with_independent_figures(temperature_c, humidity_pct, vpd_kpa, dew_c, absolute):
    assert air.vapour_pressure_deficit_kpa(temperature_c, humidity_pct) == pytest.approx(vpd_kpa, abs=0.00006)
    assert air.dew_point_c(temperature_c, humidity_pct) == pytest.approx(dew_c, abs=0.0006)
    assert air.absolute_humidity_g_per_m3(temperature_c, humidity_pct) == pytest.approx(absolute, abs=0.0006)


@pytest.mark.parametrize(("temperature_c", "humidity_pct"), [state[:2] for state in STATES])
def test_states_of_air_agree_with_psychrolib(temperature_c, humidity_pct):
    """Stated disagreement: 0.002 kPa, 0.02 degC, 0.02 g/m3 (dew points differ by up to 0.010 degC)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    share = humidity_pct / 100
    saturated_pa = psychrolib.GetSatVapPres(temperature_c)
    ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, share, 101325)
    volume = psychrolib.GetMoistAirVolume(temperature_c, ratio, 101325)
    assert air.vapour_pressure_deficit_kpa(temperature_c, humidity_pct) == pytest.approx(
        saturated_pa * (1 - share) / 1000, abs=0.002
    )
    assert air.dew_point_c(temperature_c, humidity_pct) == pytest.approx(
        psychrolib.GetTDewPointFromRelHum(temperature_c, share), abs=0.02
    )
    assert air.absolute_humidity_g_per_m3(temperature_c, humidity_pct) == pytest.approx(1000 * ratio / volume, abs=0.02)


@pytest.fixture(scope="module")
def four_curves():
    """Saturation pressure (kPa) at 5, 6, ... 40 degC: ours, PsychroLib, IAPWS-IF97, MetPy."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    temperature_c = np.arange(5.0, 41.0)
    return (
        air.saturation_vapour_pressure_kpa(temperature_c),
        np.array([psychrolib.GetSatVapPres(t) / 1000 for t in temperature_c]),
        np.array([iapws.iapws97._PSat_T(t + 273.15) * 1000 for t in temperature_c]),
        np.asarray(saturation_vapor_pressure(units.Quantity(temperature_c, "degC")).to("kPa").magnitude),
    )


@pytest.mark.parametrize(
    ("curve", "least_pct", "most_pct"),
    [(0, -0.119, -0.018), (1, -0.018, -0.010), (3, -0.408, -0.098)],
    ids=["FAO-56 equation 11", "PsychroLib", "MetPy"],
)
def test_departures_from_iapws_are_the_stated_ones(four_curves, curve, least_pct, most_pct):
    departure_pct = 100 * (four_curves[curve] / four_curves[2] - 1)
    assert departure_pct.min() == pytest.approx(least_pct, abs=0.002)
    assert departure_pct.max() == pytest.approx(most_pct, abs=0.002)


def test_the_four_curves_differ_by_at_most_the_stated_0_41_percent(four_curves):
    stacked = np.stack(four_curves)
    spread_pct = 100 * (stacked.max(axis=0) / stacked.min(axis=0) - 1)
    assert spread_pct.max() == pytest.approx(0.41, abs=0.005)
    assert np.ptp(stacked[:, -1]) == pytest.approx(0.0301, abs=0.0002)
    without_metpy = stacked[:3]
    assert (100 * (without_metpy.max(axis=0) / without_metpy.min(axis=0) - 1)).max() <= 0.12


def test_nursery_advice_for_warm_air_gives_its_quoted_deficit():
    """Growing advice for Phalaenopsis: 65-70 %RH at 28 degC, "about 8 g/m3 short"; 8.16 g/m3 fits 70 %."""
    full = air.absolute_humidity_g_per_m3(28.0, 100.0)
    assert full - air.absolute_humidity_g_per_m3(28.0, 70.0) == pytest.approx(8.16, abs=0.01)
    assert air.vapour_pressure_deficit_kpa(28.0, np.array([70.0, 65.0])) == pytest.approx([1.13, 1.32], abs=0.005)
