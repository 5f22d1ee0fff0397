"""Pulses: whole, and the same at any tick."""

import pytest

from sim.counters import Tachometer


@pytest.mark.parametrize(("gate_s", "step_rpm"), [(1, 30.0), (3, 10.0), (10, 3.0)])
def test_a_tachometer_shows_whole_pulses_of_its_gate(gate_s, step_rpm):
    tacho = Tachometer("fan", 1, 1500.0, gate_s)
    shown = set()
    for second in range(600):
        tacho.turn(float(second), 1500.0 + 0.37 * step_rpm)
        shown.add(tacho.read())
    # Between two whole pulses it shows one or the other.
    assert shown == {1500.0, 1500.0 + step_rpm}


def test_a_tachometer_is_right_on_average():
    tacho = Tachometer("fan", 1, 1234.0)
    shown = []
    for second in range(3001):
        tacho.turn(float(second), 1234.0)
        shown.append(tacho.read())
    assert sum(shown[3:]) / len(shown[3:]) == pytest.approx(1234.0, abs=0.1)


def test_a_rotor_that_speeds_up_gives_the_pulses_of_its_mean_speed():
    tacho = Tachometer("fan", 1, 0.0, gate_s=1)
    for second in range(1, 6):
        tacho.turn(float(second), 600.0 * second)
        assert tacho.read() == pytest.approx(600.0 * (second - 0.5), abs=30.0)


def test_a_tachometer_shows_a_stall_one_gate_later():
    tacho = Tachometer("pump", 1, 3000.0)
    shown = []
    for second in range(13):
        tacho.turn(float(second), 3000.0 if second <= 4 else 0.0)
        shown.append(tacho.read())
    assert shown[:6] == [3000.0] * 6
    assert 0.0 < shown[6] < 3000.0
    assert shown[9:] == [0.0] * 4


def test_a_tachometer_can_fail():
    tacho = Tachometer("fan", 1, 1500.0)
    tacho.fail("stuck")
    for second in range(7):
        tacho.turn(float(second), 0.0)
    assert tacho.read() == 1500.0
