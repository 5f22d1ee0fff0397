"""The loop's flow over speed and its faults, against Borda-Carnot and the magnitudes of a usual loop."""

import math

import pytest

from sim.fans import Drive, Fan4Wire
from sim.flow import Curve, Resistance
from sim.fluids import coolant, water
from sim.pump import Bubbles, Hydraulics

LITRE_MIN = 1e-3 / 60
WARM = water(40.0)
PATH = Resistance.through(LITRE_MIN, 12e3, 0.25, WARM.density_kg_m3, WARM.mu_pa_s)
# Invented: 15 kPa (1.5 m) without flow, 4 l/min without resistance, about 1 l/min at 3000 rpm in its loop.
PUMP = Curve(15e3, 4 * LITRE_MIN, WARM.density_kg_m3, droop=0.5)
LOOP = Hydraulics(PUMP, PATH, hose_bore_m=6e-3)


def litres_min(speed=1.0, fluid=WARM, **faults):
    return LOOP.operating(speed, fluid, **faults).flow_m3_s / LITRE_MIN


def test_about_a_litre_a_minute_at_full_speed():
    assert litres_min() == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("speed", [0.2, 0.5, 0.8])
def test_flow_goes_nearly_with_speed_and_exactly_so_in_a_turbulent_loop(speed):
    assert 0.6 * speed < litres_min(speed) / litres_min() < speed
    turbulent = Hydraulics(PUMP, Resistance.through(LITRE_MIN, 12e3, 0.0, WARM.density_kg_m3, WARM.mu_pa_s), 6e-3)
    rated, here = turbulent.operating(1.0, WARM), turbulent.operating(speed, WARM)
    assert here.flow_m3_s == pytest.approx(speed * rated.flow_m3_s)
    assert here.pressure_pa == pytest.approx(speed**2 * rated.pressure_pa)


def test_cold_or_glycol_flows_less():
    assert litres_min(fluid=water(20.0)) < litres_min() < litres_min(fluid=water(60.0))
    assert litres_min(fluid=coolant(40.0, 0.3)) < 0.95 * litres_min()


def test_a_kink_adds_what_borda_and_carnot_say():
    kink = 0.9
    here = LOOP.operating(1.0, WARM, kink=kink)
    velocity_m_s = here.flow_m3_s / (math.pi / 4 * 6e-3**2)
    kink_pa = (1 / (1 - kink) - 1) ** 2 * WARM.density_kg_m3 * velocity_m_s**2 / 2
    path_pa = PATH.pressure_pa(here.flow_m3_s, WARM.density_kg_m3, WARM.mu_pa_s)
    assert here.pressure_pa == pytest.approx(path_pa + kink_pa)
    assert here.pressure_pa == pytest.approx(PUMP.pressure_pa(here.flow_m3_s, 1.0, WARM.density_kg_m3))


def test_faults_take_the_flow_step_by_step():
    for fault in ("kink", "air_lock", "at_pump"):
        flows = [litres_min(**{fault: share}) for share in (0.0, 0.5, 0.9, 1.0)]
        assert flows == sorted(flows, reverse=True)
        assert flows[0] == litres_min()
    assert 0.0 < litres_min(kink=1.0) < 0.03 * litres_min()
    assert litres_min(air_lock=1.0) == 0.0
    assert 0.8 < litres_min(at_pump=1.0) / litres_min() < 0.9


def test_a_kink_leaves_the_tach_alone_and_a_stall_does_not():
    rotor = Fan4Wire(Drive(3000.0, "B", min_pct=20.0))
    rotor.advance(10.0)
    assert rotor.rpm == 3000.0
    assert litres_min(rotor.speed, kink=1.0) < 0.03
    rotor.hinder(1.0)
    assert (rotor.rpm, litres_min(rotor.speed)) == (0.0, 0.0)


def test_bubbles_disperse_over_hours_and_faster_with_more_flow():
    full, half = (Bubbles(1.0, half_life_h=1.5, orientation=1.0) for _ in range(2))
    for _ in range(180):
        full.advance(60.0, flow=1.0)
        half.advance(60.0, flow=0.5)
    assert full.fraction == pytest.approx(0.25)
    assert half.fraction == pytest.approx(0.5)


def test_the_way_the_hoses_lie_matters_until_the_bubbles_are_gone():
    good, bad = (Bubbles(0.8, half_life_h=1.5, orientation=orientation) for orientation in (0.2, 1.0))
    assert litres_min(at_pump=bad.at_pump) < litres_min(at_pump=good.at_pump) < litres_min()
    for bubbles in (good, bad):
        bubbles.advance(24 * 3600.0, flow=1.0)
        assert litres_min(at_pump=bubbles.at_pump) == pytest.approx(litres_min(), rel=1e-5)
