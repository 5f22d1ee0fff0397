"""Fans of the usual magnitudes, and the 4-wire drive against the figures of its public specification."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.fans import Drive, Fan4Wire, FanCurve, tach_hz, tach_rpm
from sim.flow import Resistance, operating_point
from sim.fluids import air

KINDS = ("A", "B", "C")
AIR = air(23.0, 1013.25, 45.0)
M3_H = 1 / 3600
# Common practice, no source: a 120 mm and a 140 mm fan on a radiator that is 27 mm deep.
FAN_120 = FanCurve(30.0, 110 * M3_H, density_kg_m3=1.2, droop=0.5, rated_rpm=2200.0, rated_w=2.0)
FAN_140 = FanCurve(25.0, 150 * M3_H, density_kg_m3=1.2, droop=0.5, rated_rpm=2000.0, rated_w=2.2)
PACK_120 = Resistance.through(0.0168, 17.0, 0.4, density_kg_m3=1.2, mu_pa_s=1.83e-5)


def drive(kind="B", **more):
    return Drive(2200.0, kind, **{"min_pct": 20.0, **more})


def standing(kind="B", **more):
    fan = Fan4Wire(drive(kind, **more), speed=0.0)
    fan.command(0.0)
    fan.supply(True)
    return fan


def settled(fan, duty_pct):
    fan.command(duty_pct)
    fan.advance(120.0)
    return fan.speed


def test_usual_fans_on_a_usual_radiator():
    # Common practice, no source: some 60 m3/h through a part of 120 mm, half of free delivery.
    small = operating_point(FAN_120, PACK_120, 1.0, AIR.density_kg_m3, AIR.mu_pa_s)
    assert 55 < small.flow_m3_s / M3_H < 65
    assert 14 < small.pressure_pa < 20
    # The same pack by face: a part of 140 mm is (140/120)^2 parts of 120 mm.
    large = operating_point(FAN_140, PACK_120.side_by_side((140 / 120) ** 2), 1.0, AIR.density_kg_m3, AIR.mu_pa_s)
    assert 75 < large.flow_m3_s / M3_H < 85


# theengdigest.com 20250821: "+10 % speed, +33 % power"; P ~ rho N^3.
@pytest.mark.parametrize(("speed", "power"), [(0.5, 0.125), (0.8, 0.512), (1.1, 1.331)])
def test_power_goes_with_the_cube_of_speed_and_with_density(speed, power):
    assert FAN_120.power_w(speed, 1.2) / FAN_120.power_w(1.0, 1.2) == pytest.approx(power)
    assert FAN_120.power_w(speed, 0.6) == pytest.approx(FAN_120.power_w(speed, 1.2) / 2)


def test_two_tach_pulses_a_revolution():
    # The specification, p. 9: rpm = 60 f / 2; 1200 rpm are 40 Hz.
    assert tach_hz(1200.0) == 40.0
    assert tach_rpm(tach_hz(1730.0)) == pytest.approx(1730.0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("bow_pct", [-10.0, 0.0, 10.0])
def test_speed_follows_duty_within_ten_percent_and_never_falls(kind, bow_pct):
    # The specification, p. 14: monotonic, speed % = duty % within +- 10 %.
    one = drive(kind, bow_pct=bow_pct)
    speeds = [one.wanted(duty_pct) for duty_pct in range(101)]
    assert speeds == sorted(speeds)
    for duty_pct in range(30, 101):
        assert speeds[duty_pct] == pytest.approx(duty_pct / 100, abs=0.1 + 1e-12)
    assert speeds[100] == 1.0


@pytest.mark.parametrize("kind", KINDS)
def test_without_a_signal_it_runs_at_full_speed(kind):
    # The specification, p. 14.
    fan = Fan4Wire(drive(kind))
    assert settled(fan, 30.0) == pytest.approx(0.3)
    assert settled(fan, None) == pytest.approx(1.0)


@pytest.mark.parametrize(("kind", "below", "at_zero"), [("A", 0.2, 0.2), ("B", 0.2, 0.0), ("C", 0.0, 0.0)])
def test_below_the_lowest_speed_each_type_does_its_own(kind, below, at_zero):
    # The specification, pp. 14 to 16.
    fan = Fan4Wire(drive(kind))
    assert settled(fan, 10.0) == pytest.approx(below, abs=1e-12)
    assert settled(fan, 0.0) == pytest.approx(at_zero, abs=1e-12)
    assert settled(fan, 50.0) == pytest.approx(0.5)


def test_what_the_specification_does_not_allow_is_refused():
    # The specification, p. 13: lowest speed <= 30 %, start pulse <= 30 % and <= 2 s; p. 14: +- 10 %.
    for wrong in ({"min_pct": 31.0}, {"start_pct": 40.0}, {"start_s": 2.5}, {"bow_pct": 11.0}, {"kind": "D"}):
        with pytest.raises(ValueError, match="must be"):
            Drive(**{"rated_rpm": 2200.0, "kind": "B", "min_pct": 20.0, **wrong})


def test_a_standing_fan_gets_a_start_pulse_and_a_turning_one_does_not():
    fan = standing(min_pct=10.0, start_s=1.5)
    fan.command(12.0)
    fan.advance(1.5)
    assert fan.speed == pytest.approx(0.3 * (1 - math.exp(-1.5)))
    fan.advance(60.0)
    assert fan.speed == pytest.approx(0.12)
    fan.command(10.0)
    fan.advance(0.5)
    assert 0.1 < fan.speed < 0.12


def test_spin_up_and_coast_down_are_first_order():
    # 63.212 % after one time constant (1 - 1/e).
    fan = standing()
    fan.command(100.0)
    fan.advance(1.0)
    assert fan.speed == pytest.approx(0.63212, abs=1e-5)
    fan.advance(60.0)
    fan.command(40.0)
    fan.advance(2.0)
    assert fan.speed == pytest.approx(0.4 + 0.6 * math.exp(-1), abs=1e-9)


def test_switched_off_it_coasts_to_a_stand_in_finite_time():
    fan = Fan4Wire(drive())
    fan.command(0.0)
    stands_s = 2.0 * math.log(1.03 / 0.03)
    fan.advance(stands_s - 0.01)
    assert fan.rpm > 0
    fan.advance(0.02)
    assert fan.rpm == 0
    assert not fan.advance(1.0)


@given(steps=st.lists(st.floats(0.001, 4.0), min_size=1, max_size=30), kind=st.sampled_from(KINDS))
def test_the_speed_does_not_depend_on_how_time_is_cut(steps, kind):
    cut, whole = standing(kind), standing(kind)
    for duty_pct in (25.0, 80.0, 0.0, 40.0):
        cut.command(duty_pct)
        whole.command(duty_pct)
        for h_s in steps:
            cut.advance(h_s)
        whole.advance(sum(steps))
        assert cut.speed == pytest.approx(whole.speed, abs=1e-9)


def test_a_blocked_fan_stands_at_once_and_starts_again_when_it_is_let_go():
    fan = Fan4Wire(drive())
    assert settled(fan, 60.0) == pytest.approx(0.6)
    fan.hinder(1.0)
    fan.advance(5.0)
    assert fan.rpm == 0
    fan.command(80.0)
    fan.advance(5.0)
    assert fan.rpm == 0
    fan.hinder(0.0)
    assert settled(fan, 80.0) == pytest.approx(0.8)


def test_a_hindered_rotor_is_slower_by_that_share():
    fan = Fan4Wire(drive())
    fan.hinder(0.4)
    assert settled(fan, 100.0) == pytest.approx(0.6)


@pytest.mark.parametrize("kind", KINDS)
def test_without_supply_every_type_stands(kind):
    fan = Fan4Wire(drive(kind))
    fan.supply(False)
    assert settled(fan, 70.0) == 0.0
    fan.supply(True)
    assert settled(fan, 70.0) == pytest.approx(0.7)
