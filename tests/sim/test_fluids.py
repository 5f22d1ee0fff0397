"""Properties against the published formulations, as CoolProp 8.0.0 gives them, and against their published rows."""

import math

import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI

from sim.fluids import air, air_density, coolant, water, water_mu_pa_s

SEA_LEVEL_PA = 101325.0
PROPERTIES = ("D", "C", "L", "V")

# IAPWS-95, R12-08 and R15-11 at 101.325 kPa (iapws 1.5.5 and CoolProp 8.0.0 agree): rho, cp, k, mu, Pr.
WATER_ROWS = {
    20: (998.2072, 4184.051, 0.598012, 1.001596e-3, 7.0078),
    25: (997.0476, 4181.315, 0.606516, 8.900225e-4, 6.1358),
    30: (995.6495, 4179.820, 0.614392, 7.972218e-4, 5.4236),
    40: (992.2164, 4179.415, 0.628486, 6.527287e-4, 4.3406),
    50: (988.0350, 4181.342, 0.640621, 5.465163e-4, 3.5671),
    60: (983.1958, 4184.953, 0.651000, 4.660351e-4, 2.9959),
}
# Dry air at 101.325 kPa, CoolProp 8.0.0: rho, cp, k, mu.
AIR_ROWS = {
    20: (1.20458, 1006.144, 0.025874, 1.82057e-5),
    25: (1.18432, 1006.308, 0.026247, 1.84481e-5),
    30: (1.16473, 1006.492, 0.026618, 1.86888e-5),
    40: (1.12745, 1006.921, 0.027354, 1.91652e-5),
}


def reference(fluid, t_c, pressure_pa=SEA_LEVEL_PA):
    return [PropsSI(name, "T", t_c + 273.15, "P", pressure_pa, fluid) for name in PROPERTIES]


def assert_close(properties, expected, tolerances):
    for value, right, tolerance in zip(properties, expected, tolerances, strict=True):
        assert value == pytest.approx(right, rel=tolerance)


@pytest.mark.parametrize("t_c", WATER_ROWS)
def test_water_has_the_published_rows(t_c):
    assert_close(water(t_c), WATER_ROWS[t_c][:4], (2e-5, 2e-4, 2e-4, 1e-4))
    assert water(t_c).prandtl == pytest.approx(WATER_ROWS[t_c][4], rel=5e-4)


@pytest.mark.parametrize("t_c", range(5, 91, 5))
def test_water_follows_the_formulations_over_its_range(t_c):
    assert_close(water(t_c), reference("Water", t_c), (2e-5, 2e-4, 3e-4, 1e-4))


def test_water_viscosity_is_near_the_verification_point():
    # IAPWS R12-08 table 4: 889.735100 uPa s at 298.15 K and 998 kg/m3, which is a pressure of some 2.2 MPa.
    assert water_mu_pa_s(25.0) == pytest.approx(889.735100e-6, rel=5e-4)


def test_a_litre_a_minute_carries_70_watts_per_kelvin():
    # rho cp V / 60000 with the IAPWS-95 row of 30 degC.
    assert water(30.0).stream_w_per_k(1e-3 / 60) == pytest.approx(69.3606, rel=2e-4)


@pytest.mark.parametrize("t_c", AIR_ROWS)
def test_dry_air_has_the_published_rows(t_c):
    assert_close(air(t_c), AIR_ROWS[t_c], (2e-4, 2e-4, 2e-4, 2e-4))


@pytest.mark.parametrize("t_c", range(0, 101, 10))
def test_dry_air_follows_the_formulations_over_its_range(t_c):
    assert_close(air(t_c), reference("Air", t_c), (2e-3, 2e-4, 2e-4, 2e-4))


@pytest.mark.parametrize("t_c", [5, 15, 25, 35, 45, 60])
@pytest.mark.parametrize("pressure_hpa", [850, 983, 1013.25, 1040])
@pytest.mark.parametrize("humidity_pct", [0, 30, 60, 90])
def test_density_of_moist_air(t_c, pressure_hpa, humidity_pct):
    state = ("T", t_c + 273.15, "P", 100.0 * pressure_hpa, "R", humidity_pct / 100)
    expected = (1 + HAPropsSI("W", *state)) / HAPropsSI("Vda", *state)
    assert air_density(t_c, pressure_hpa, humidity_pct) == pytest.approx(expected, rel=1e-3)


def test_air_of_25_degc_and_50_percent_holds_the_published_mass_of_dry_air():
    # ASHRAE specific volume as CoolProp 8.0.0 gives it: 1.16579 kg of dry air in a cubic metre; W = 0.0099257.
    assert air_density(25.0, 1013.25, 50.0) / 1.0099257 == pytest.approx(1.16579, rel=1e-4)


@pytest.mark.parametrize(("t_c", "humidity_pct"), [(20, 50), (25, 50), (25, 95), (40, 40), (60, 15)])
def test_heat_capacity_of_moist_air(t_c, humidity_pct):
    expected = HAPropsSI("cp_ha", "T", t_c + 273.15, "P", SEA_LEVEL_PA, "R", humidity_pct / 100)
    assert air(t_c, 1013.25, humidity_pct).cp_j_per_kg_k == pytest.approx(expected, rel=1e-3)


def test_thirty_hectopascal_are_three_percent_of_the_mass():
    share = air_density(23.0, 983.25, 45.0) / air_density(23.0, 1013.25, 45.0)
    assert share == pytest.approx(1 - 30 / 1013.25, abs=2e-4)


@pytest.mark.parametrize("glycol", [0.1, 0.2, 0.3, 0.4])
@pytest.mark.parametrize("t_c", range(5, 91, 5))
def test_glycol_follows_the_tables(t_c, glycol):
    expected = reference(f"INCOMP::MEG[{glycol}]", t_c, 2e5)
    assert_close(coolant(t_c, glycol), expected, (0.002, 0.005, 0.01, 0.02))


def test_glycol_has_the_published_row():
    # Melinder (2010) as CoolProp gives it, 30 % by mass, 40 degC.
    assert_close(coolant(40.0, 0.3), (1028.80, 3775.35, 0.48303, 1.2856e-3), (0.001, 0.005, 0.01, 0.02))


def test_a_trace_of_glycol_is_all_but_water():
    assert coolant(40.0) == water(40.0)
    for little, pure in zip(coolant(40.0, 1e-6), water(40.0), strict=True):
        assert math.isclose(little, pure, rel_tol=1e-5)
