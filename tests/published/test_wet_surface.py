"""Evaporation of open water indoors: published pool formulae and rates, driven by our moist air.

These say that vapour pressures, densities and humidities from `analysis.air` give the rates that others printed;
the surfaces are taken at the temperature of the water, as the sources do.
"""

import numpy as np
import pytest

from analysis import air

LATENT_HEAT_KJ_PER_KG = 2450.0  # FAO-56 Table 2.2 note, 2.45 MJ/kg at 20 degC
SECONDS_PER_DAY = 86400.0


def ashrae_pool_kg_per_s_m2(difference_kpa, air_speed_m_per_s):
    """ASHRAE Handbook, HVAC Applications, natatoriums, SI form (as quoted in public engineering notes)."""
    return (0.089 + 0.0782 * air_speed_m_per_s) * difference_kpa / LATENT_HEAT_KJ_PER_KG


def test_wet_tray_of_the_pool_formula():
    """22 degC, 50 %RH, 0.1 m/s: 5.224e-5 kg/(s m2), 4.51 mm/d busy and 2.26 mm/d quiet (activity factor 0.5)."""
    rate = ashrae_pool_kg_per_s_m2(air.vapour_pressure_deficit_kpa(22.0, 50.0), 0.1)
    assert rate == pytest.approx(5.224e-5, abs=1e-8)
    assert rate * SECONDS_PER_DAY == pytest.approx(4.51, abs=0.005)
    assert rate * SECONDS_PER_DAY * 0.5 == pytest.approx(2.26, abs=0.005)


def test_inch_pound_twin_of_the_pool_formula_gives_the_same_tray():
    """Carrier form in the abstract of Smith, Lof & Jones 1998: (95 + 0.425 V)(pw - pa)/Y. Its constants are rounded
    to two or three digits, so the two agree within 1 %."""
    difference_inhg = air.vapour_pressure_deficit_kpa(22.0, 50.0) / 3.386389
    speed_ft_per_min = 0.1 / 0.00508
    latent_btu_per_lb = LATENT_HEAT_KJ_PER_KG / 2.326
    pounds_per_h_ft2 = (95 + 0.425 * speed_ft_per_min) * difference_inhg / latent_btu_per_lb
    kg_per_s_m2 = pounds_per_h_ft2 * 0.45359237 / 3600 / 0.09290304
    assert kg_per_s_m2 == pytest.approx(5.224e-5, rel=0.01)


@pytest.mark.parametrize(("share", "resistance"), [(1.0, 202), (0.74, 273), (0.5, 404)])
def test_pool_formula_in_still_air_as_a_resistance(share, resistance):
    """Busy pool, quiet pool by Smith et al. 1998 (0.74, measured), quiet pool by ASHRAE (0.5), at 22 degC."""
    deficit = air.vapour_pressure_deficit_kpa(22.0, 50.0)
    short_kg_per_m3 = (air.absolute_humidity_g_per_m3(22.0, 100.0) - air.absolute_humidity_g_per_m3(22.0, 50.0)) / 1000
    assert short_kg_per_m3 / (share * ashrae_pool_kg_per_s_m2(deficit, 0.0)) == pytest.approx(resistance, abs=1)


@pytest.mark.parametrize(("air_c", "kg_per_m2_h"), [(28.0, 0.1360), (29.0, 0.1171)])
def test_shah_rates_of_an_unoccupied_pool(air_c, kg_per_m2_h):
    """Shah's tables (as coded in a public model file), water 28 degC, 50 %RH. The formula, from memory (Shah 2014,
    ASHRAE Transactions 120(2)), reproduces them within 0.3 % with densities in kg of dry air per m3."""
    water_kpa = air.saturation_vapour_pressure_kpa(28.0)
    room_kpa = air.vapour_pressure_kpa(air_c, 50.0)
    pressure_kpa = 101.325
    density = np.array([(pressure_kpa - water_kpa) / 301.15, (pressure_kpa - room_kpa) / (air_c + 273.15)]) / 0.287055
    ratio = 0.621945 * np.array([water_kpa / (pressure_kpa - water_kpa), room_kpa / (pressure_kpa - room_kpa)])
    rate = 35 * density[0] * (density[1] - density[0]) ** (1 / 3) * (ratio[0] - ratio[1])
    assert rate == pytest.approx(kg_per_m2_h, rel=0.004)


def test_an_unheated_wet_surface_evaporates_half_of_what_its_air_suggests():
    """Penman 1948 combination without radiation (from memory), r_v = 300, r_H = 126 s/m at 22 degC: factor 0.50."""
    slope_over_gamma = air.saturation_slope_kpa_per_k(np.array([20.0, 22.0, 25.0])) / 0.0674
    assert slope_over_gamma == pytest.approx([2.15, 2.39, 2.80], abs=0.005)
    assert 300 / (300 + slope_over_gamma[1] * 126) == pytest.approx(0.50, abs=0.01)
