"""Fans and pumps: duty to speed as the 4-wire fan specification allows it, and inertia."""

import pytest

from sim.air import Rotor, speed_wanted
from sim.specimens import load_specimens

# "4-Wire Pulse Width Modulation (PWM) Controlled Fans Specification", pp. 13 to 16: lowest speed at most 30 %
# of the highest; speed in % = duty in % within +- 10 %; without a signal full speed; type B stays at its lowest
# speed below it and is off at 0 %.


@pytest.mark.parametrize("duty_pct", [20.0, 30.0, 55.0, 80.0, 100.0])
def test_speed_follows_duty_within_ten_percent(duty_pct):
    assert abs(100 * speed_wanted(duty_pct, 20.0) - duty_pct) <= 10


def test_every_specimen_has_a_lowest_speed_within_the_specification():
    specimens = load_specimens().values()
    assert all(0 < specimen.fan_min_pct <= 30 for specimen in specimens)
    assert all(0 < specimen.pump.min_pct <= 30 for specimen in specimens if specimen.pump)


def test_below_the_lowest_speed_it_stays_there_and_stops_at_zero():
    assert speed_wanted(1.0, 20.0) == speed_wanted(20.0, 20.0) == 0.2
    assert speed_wanted(0.0, 20.0) == 0.0


def test_full_speed_without_a_signal():
    assert Rotor(20.0, 3.0).speed == 1.0


def test_it_arrives_and_then_rests():
    fan = Rotor(20.0, 3.0)
    fan.command(40.0)
    assert fan.advance(1.0)
    assert 0.4 < fan.speed < 1.0
    for _ in range(40):
        fan.advance(1.0)
    assert fan.speed == 0.4
    assert not fan.advance(1.0)


def test_the_way_there_does_not_depend_on_the_steps():
    coarse, fine = Rotor(20.0, 3.0), Rotor(20.0, 3.0)
    coarse.command(40.0)
    fine.command(40.0)
    coarse.advance(4.0)
    for _ in range(80):
        fine.advance(0.05)
    assert fine.speed == pytest.approx(coarse.speed, abs=1e-12)
