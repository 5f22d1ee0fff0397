"""Counts and pulses: whole, growing, the same at any tick."""

import pytest

from sim.counters import Counter, Tachometer


def test_a_count_is_whole_and_only_grows():
    throttled = Counter("throttled", 1)
    counts = []
    for second in range(40):
        throttled.run(float(second), 0.3 if 10 <= second < 30 else 0.0)
        counts.append(throttled.read(second + 0.5))
    assert counts == sorted(counts)
    assert counts[9] == 0.0
    assert counts[-1] == 6.0


@pytest.mark.parametrize("step_s", [0.05, 1.0, 30.0])
def test_a_count_does_not_depend_on_how_often_it_was_touched(step_s):
    throttled = Counter("throttled", 1)
    for step in range(1, round(60 / step_s) + 1):
        throttled.run(step * step_s, 2.0)
    assert throttled.total == pytest.approx(2.0 * (60 - step_s))
    assert throttled.read(60.0 + step_s) == pytest.approx(120.0, abs=1.0)


def test_a_count_wraps():
    throttled = Counter("throttled", 1, wraps_at=16)
    throttled.run(0.0, 1.0)
    assert [throttled.read(t_s) for t_s in (15.0, 16.0, 33.0)] == [15.0, 0.0, 1.0]


def test_a_count_can_fail():
    throttled = Counter("throttled", 1)
    throttled.run(0.0, 1.0)
    assert throttled.read(5.0) == 5.0
    throttled.fail("stuck")
    assert throttled.read(60.0) == 5.0
    throttled.fail("silent")
    assert throttled.read(60.0) is None


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
