"""The resistance of a mount from a few minutes of heat."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.analysis.mounting import mount_resistance
from benchd.analysis.remainder import still_to_come
from benchd.analysis.uncertainty import Estimate

HEAT = Estimate(60.0, 0.0)
T_S = np.arange(300.0)
COOLANT_C = 23 + 2 * (1 - np.exp(-T_S / 60))


def die_c(k_per_w: float = 0.15, tau_s: float = 15.0, coolant_c=COOLANT_C):
    return coolant_c + 60 * k_per_w * (1 - np.exp(-T_S / tau_s))


def test_it_is_the_difference_of_the_last_minute_over_the_watts() -> None:
    found = mount_resistance(T_S, die_c(), COOLANT_C, HEAT)
    assert found.value == pytest.approx(0.15, rel=1e-4)
    assert found.expanded < 0.001


def test_a_drift_of_the_sink_does_not_move_it_for_both_are_of_the_same_second() -> None:
    drifting_c = 23 + 0.01 * T_S
    found = mount_resistance(T_S, die_c(coolant_c=drifting_c), drifting_c, HEAT)
    assert found.value == pytest.approx(0.15, rel=1e-4)


def test_what_a_drifting_sink_keeps_back_is_in_the_uncertainty() -> None:
    """Up to 100 J/K at 0.01 K/s are 1 of the 60 W, a rectangle of 1/60 of the result: u = 0.15 / 60 / sqrt(3)."""
    for k_per_s in (0.01, -0.01):
        drifting_c = 23 + k_per_s * T_S
        found = mount_resistance(T_S, die_c(coolant_c=drifting_c), drifting_c, HEAT)
        assert found.u_std == pytest.approx(0.15 / 60 / math.sqrt(3), rel=0.01)


def test_the_calibration_of_both_sensors_and_of_the_watts_is_in_the_uncertainty() -> None:
    """As squares: U = 0.5 and 0.2 K over 60 W, and 1.96 * 0.6 W of 60."""
    found = mount_resistance(
        T_S, die_c(), np.full(300, 23.0) + (COOLANT_C - 23), Estimate(60.0, 0.6), die_u_k=0.5, sink_u_k=0.2
    )
    assert found.expanded == pytest.approx(math.hypot(0.5 / 60, 0.2 / 60, 0.15 * 1.96 * 0.6 / 60), rel=0.01)


@pytest.mark.parametrize(("die", "sink"), [(1.0, 0.0), (0.0, 1.0)])
def test_a_step_of_either_display_does_not_average_out(die, sink) -> None:
    """d / sqrt(12) as standard uncertainty (JCGM 100:2008 F.2.2.1)."""
    found = mount_resistance(T_S, die_c(), COOLANT_C, HEAT, die_resolution_k=die, sink_resolution_k=sink)
    assert found.u_std == pytest.approx(1 / math.sqrt(12) / 60, rel=0.02)


def test_what_is_still_to_come_is_in_the_uncertainty_and_not_in_the_value() -> None:
    left_k = still_to_come(T_S, die_c(tau_s=120.0) - COOLANT_C, in_s=60.0)
    found = mount_resistance(T_S, die_c(tau_s=120.0), COOLANT_C, HEAT)
    assert found.u_std > left_k / 60
    assert found.value == pytest.approx(0.15 * (1 - np.exp(-T_S[-60:] / 120).mean()), rel=1e-6)
    assert found.value + found.expanded > 0.15


def test_missing_samples_are_left_out() -> None:
    die = die_c()
    die[240:300:2] = math.nan
    assert mount_resistance(T_S, die, COOLANT_C, HEAT).value == pytest.approx(0.15, rel=1e-4)


@pytest.mark.parametrize("gone", [slice(240, 300), slice(0, 300)])
def test_without_the_last_minute_nothing_is_said(gone) -> None:
    die = die_c()
    die[gone] = math.nan
    assert mount_resistance(T_S, die, COOLANT_C, HEAT) is None


def test_nothing_is_said_of_no_time() -> None:
    assert mount_resistance([], [], [], HEAT) is None
    assert mount_resistance([0.0, 1.0], [30.0, 30.0], [23.0, 23.0], HEAT) is None


def test_it_refuses_lengths_that_differ_and_heat_that_is_none() -> None:
    with pytest.raises(ValueError, match="differ in length"):
        mount_resistance(T_S, die_c()[:-1], COOLANT_C, HEAT)
    with pytest.raises(ValueError, match="heat above 0 W"):
        mount_resistance(T_S, die_c(), COOLANT_C, Estimate(0.0, 0.1))
