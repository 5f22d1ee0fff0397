"""The parts of the processor load that need no processor: the counter's wrap, the controller in virtual time."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.processor.powercap import EnergyMeter, used_uj
from drivers.processor.watts_control import WattsControl

#: 32 bits of 61.035 uJ, the range of many machines; from memory.
RANGE_UJ = 262_143_328_850


@given(st.integers(0, RANGE_UJ - 1), st.integers(0, RANGE_UJ - 1))
def test_energy_between_readings_survives_the_wrap(before, used):
    assert used_uj(before, (before + used) % RANGE_UJ, RANGE_UJ) == used


@given(st.integers(0, RANGE_UJ - 1), st.floats(1, 500), st.floats(0.05, 5))
def test_watts_are_the_same_wherever_the_counter_stands(start, watts, step_s):
    meter = EnergyMeter(RANGE_UJ)
    for step in range(10):
        meter.add(step * step_s, (start + round(1e6 * watts * step * step_s)) % RANGE_UJ)
    assert meter.mean_w(step_s) == pytest.approx(watts, rel=1e-4)


@pytest.mark.parametrize("counter_uj", [0, 90_000_000_000])
def test_a_counter_that_was_reset_gives_no_watts(counter_uj):
    """A reset looks like a wrap, but for more watts than any package takes."""
    meter = EnergyMeter(RANGE_UJ)
    meter.add(0.0, 200_000_000_000)
    meter.add(1.0, 200_100_000_000)
    assert meter.add(2.0, counter_uj) is None
    assert meter.mean_w(1.0) is None
    assert meter.add(3.0, counter_uj + 100_000_000) == 100.0


def test_readings_too_far_apart_are_not_compared():
    """At 200 W the counter wraps about every 22 min: over such a gap the watts would be silently wrong."""
    meter = EnergyMeter(RANGE_UJ)
    meter.add(0.0, 0)
    assert meter.add(RANGE_UJ / 200e6, 0) is None


def test_a_mean_is_told_only_over_the_time_that_was_asked_for():
    meter = EnergyMeter(RANGE_UJ)
    for t_s, counter_uj in ((0.0, 0), (0.5, 10_000_000), (1.0, 60_000_000)):
        meter.add(t_s, counter_uj)
    assert meter.mean_w(1.0) == 60.0
    assert meter.mean_w(0.5) == 100.0
    assert meter.mean_w(2.0) is None
    assert meter.mean_w(2.0, at_least_s=0.8) == 60.0


def test_a_crowd_of_readings_still_reaches_back():
    meter = EnergyMeter(RANGE_UJ)
    for step in range(20_000):
        meter.add(step / 2000, step * 50_000)
    assert meter.mean_w(1.0) == pytest.approx(100.0)


@dataclass
class Plant:
    """A package in steps of a second: what it takes by duty and limit, with lag, noise and an error of its limit."""

    idle_w: float = 12.0
    full_w: float = 160.0
    bend: float = 1.0
    limit_gain: float = 1.0
    lag: float = 0.3
    noise: float = 0.004
    w: float = 12.0
    steps: int = field(default=0)

    def second(self, duty: float, limit_w: float | None) -> float:
        target_w = self.idle_w + (self.full_w - self.idle_w) * duty**self.bend
        if limit_w is not None:
            target_w = min(target_w, limit_w * self.limit_gain)
        self.w = self.lag * self.w + (1 - self.lag) * target_w
        self.steps += 1
        return self.w * (1 + self.noise * math.sin(1.7 * self.steps))


def held(control: WattsControl, plant: Plant, seconds: int = 90, last: int = 30) -> list[float]:
    """What was measured in the last seconds."""
    seen: list[float] = []
    measured_w = None
    for _ in range(seconds):
        drive = control.step(measured_w, 1.0)
        assert 0 <= drive.duty <= 1
        measured_w = plant.second(drive.duty, drive.limit_w)
        seen.append(measured_w)
    return seen[-last:]


@given(st.floats(30, 140), st.floats(0.85, 1.2), st.floats(0.0, 0.6))
def test_watts_are_held_within_2_pct_by_the_limit_whatever_its_error(set_w, limit_gain, lag):
    control, plant = WattsControl(10.0), Plant(limit_gain=limit_gain, lag=lag)
    control.set_w(set_w)
    assert all(abs(w - set_w) <= 0.02 * set_w for w in held(control, plant))


@given(st.floats(20, 140), st.floats(0.6, 1.5), st.floats(0.0, 0.3), st.floats(60, 200))
def test_watts_are_held_within_2_pct_by_the_duty_alone(set_w, bend, lag, full_w):
    plant = Plant(bend=bend, lag=lag, full_w=max(full_w, 1.1 * set_w))
    control = WattsControl(None)
    control.step(plant.idle_w, 1.0)
    control.set_w(set_w)
    assert all(abs(w - set_w) <= 0.02 * set_w for w in held(control, plant))


def test_below_the_lowest_limit_the_duty_holds_the_watts():
    control, plant = WattsControl(40.0), Plant()
    control.step(plant.idle_w, 1.0)
    control.set_w(25.0)
    assert all(abs(w - 25.0) <= 0.5 for w in held(control, plant))
    assert control.step(25.0, 1.0).limit_w == 40.0


def test_more_than_the_processor_can_take_is_no_wind_up():
    """Asked for 300 W it gives its 160 W; told less afterwards it is there at once."""
    control, plant = WattsControl(10.0), Plant()
    control.set_w(300.0)
    held(control, plant, seconds=600)
    control.set_w(100.0)
    assert all(abs(w - 100.0) <= 2.0 for w in held(control, plant, seconds=20, last=10))


def test_a_step_of_the_setpoint_by_the_duty_never_overshoots_by_much():
    control, plant = WattsControl(None), Plant(noise=0.0, lag=0.0)
    control.step(plant.idle_w, 1.0)
    control.set_w(100.0)
    assert max(held(control, plant, last=90)) <= 105.0


@pytest.mark.parametrize("lowest_w", [None, 10.0])
def test_off_is_off_and_what_is_not_measured_moves_nothing(lowest_w):
    control = WattsControl(lowest_w)
    control.set_w(100.0)
    first = control.step(None, 1.0)
    assert control.step(None, 1.0) == first
    control.set_w(0.0)
    drive = control.step(95.0, 1.0)
    assert (drive.duty, drive.limit_w) == (0.0, None)
