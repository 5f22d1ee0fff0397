"""The operating point: affinity along dp ~ Q^2 and only there, parts side by side, density and viscosity."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.flow import Curve, Resistance, operating_point

RHO, MU = 1.2, 1.83e-5
FAN = Curve(shut_off_pa=30.0, free_m3_s=0.0306, density_kg_m3=RHO, droop=0.5)
TURBULENT = Resistance.through(0.0168, 17.0, 0.0, RHO, MU)
PACK = Resistance.through(0.0168, 17.0, 0.5, RHO, MU)


def point(path=PACK, speed=1.0, density=RHO, mu=MU, **more):
    return operating_point(FAN, path, speed, density, mu, **more)


# N x 0.5, 0.8, 1.1: "+10 % speed, +10 % flow, +21 % head" (theengdigest.com 20250821); squares by calculation.
@pytest.mark.parametrize(("speed", "flow", "pressure"), [(0.5, 0.5, 0.25), (0.8, 0.8, 0.64), (1.1, 1.1, 1.21)])
def test_flow_and_pressure_follow_the_affinity_laws_along_a_square_curve(speed, flow, pressure):
    rated, here = point(TURBULENT), point(TURBULENT, speed)
    assert here.flow_m3_s / rated.flow_m3_s == pytest.approx(flow, rel=1e-12)
    assert here.pressure_pa / rated.pressure_pa == pytest.approx(pressure, rel=1e-12)


def test_worked_example_of_the_fan_laws():
    # briandunning.com/cf/2496: 1000 cfm at 850 rpm become 1117.64 (exactly 1117.647) cfm at 950 rpm.
    cfm = 0.3048**3 / 60
    fan = Curve(100.0, 1800 * cfm, RHO, 0.3)
    path = Resistance.through(1000 * cfm, fan.pressure_pa(1000 * cfm, 1.0, RHO), 0.0, RHO, MU)
    assert operating_point(fan, path, 1.0, RHO, MU).flow_m3_s / cfm == pytest.approx(1000.0)
    assert operating_point(fan, path, 950 / 850, RHO, MU).flow_m3_s / cfm == pytest.approx(1117.647, abs=1e-3)


@pytest.mark.parametrize("speed", [0.3, 0.5, 0.8])
def test_the_affinity_law_breaks_where_the_path_is_partly_laminar(speed):
    share = point(PACK, speed).flow_m3_s / point(PACK).flow_m3_s
    assert share < 0.97 * speed
    laminar = Resistance.through(0.0168, 17.0, 1.0, RHO, MU)
    assert point(laminar, speed).flow_m3_s < 0.97 * share * point(laminar).flow_m3_s


@given(
    speed=st.floats(0.05, 1.2),
    density=st.floats(0.9, 1.3),
    mu=st.floats(1.7e-5, 2.1e-5),
    laminar=st.floats(0.0, 1.0),
    droop=st.floats(0.0, 1.0),
    count=st.integers(1, 3),
)
def test_the_point_lies_on_both_curves(speed, density, mu, laminar, droop, count):
    fan = Curve(30.0, 0.0306, RHO, droop)
    path = Resistance.through(0.0168, 17.0, laminar, RHO, MU).side_by_side(count)
    here = operating_point(fan, path, speed, density, mu, count)
    assert path.pressure_pa(here.flow_m3_s, density, mu) == pytest.approx(here.pressure_pa, rel=1e-12)
    assert fan.pressure_pa(here.flow_m3_s / count, speed, density) == pytest.approx(here.pressure_pa, rel=1e-9)


@pytest.mark.parametrize("count", [2, 3])
def test_fans_side_by_side_with_equal_parts_each_do_what_one_does(count):
    one, many = point(), point(PACK.side_by_side(count), count=count)
    assert many.flow_m3_s == pytest.approx(count * one.flow_m3_s, rel=1e-12)
    assert many.pressure_pa == pytest.approx(one.pressure_pa, rel=1e-12)


def test_two_fans_on_the_same_pack_give_less_than_twice_the_flow():
    share = point(count=2).flow_m3_s / point().flow_m3_s
    assert 1.1 < share < 1.7


def test_thin_air_is_moved_by_volume_and_not_by_mass():
    thin = 0.97 * RHO
    assert point(TURBULENT, density=thin).flow_m3_s == pytest.approx(point(TURBULENT).flow_m3_s, rel=1e-12)
    assert point(TURBULENT, density=thin).pressure_pa == pytest.approx(0.97 * point(TURBULENT).pressure_pa, rel=1e-12)
    assert 0.98 < point(density=thin).flow_m3_s / point().flow_m3_s < 1.0


def test_a_thicker_fluid_flows_less():
    assert point(mu=1.3 * MU).flow_m3_s < 0.97 * point().flow_m3_s
    assert point(TURBULENT, mu=1.3 * MU).flow_m3_s == point(TURBULENT).flow_m3_s
