"""Thermal resistance after the JEDEC definitions, and its uncertainty against `uncertainties`."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from benchd.analysis.resistance import mean_rise, thermal_resistance
from benchd.analysis.uncertainty import Estimate, from_resolution


def test_resistance_is_rise_over_measured_heat() -> None:
    """JESD51-8: theta = (T_J - T_X) / P_H in the steady state, with the power that flows, not the one asked for."""
    assert thermal_resistance(Estimate(36.4, 0.0), Estimate(180.0, 0.0)).value == pytest.approx(0.202222, abs=1e-6)


def test_resistance_agrees_with_the_package_uncertainties() -> None:
    """56.4 and 20.0 degC, 0.25 K each, 180 W within 0.5 %: 0.20222 +- 0.00221 K/W."""
    rise = Estimate(56.4, 0.25).minus(Estimate(20.0, 0.25))
    ours = thermal_resistance(rise, Estimate(180.0, 0.9))
    theirs = (ufloat(56.4, 0.25) - ufloat(20.0, 0.25)) / ufloat(180.0, 0.9)
    assert (ours.value, ours.u_std) == pytest.approx((theirs.nominal_value, theirs.std_dev), rel=1e-9)
    assert (ours.value, ours.u_std) == pytest.approx((0.20222, 0.00221), abs=5e-6)


@pytest.mark.parametrize("heat_w", [0.0, -5.0])
def test_resistance_needs_heat(heat_w: float) -> None:
    with pytest.raises(ValueError, match="heat above 0 W"):
        thermal_resistance(Estimate(1.0, 0.1), Estimate(heat_w, 0.1))


def test_a_drift_of_the_ambient_is_taken_out() -> None:
    """JEDEC dictionary, thermal impedance: the change of the reference is subtracted."""
    ambient = 20 + 0.5 * np.sin(np.linspace(0, 6, 180))
    rise = mean_rise(ambient + 40, ambient)
    assert rise.value == pytest.approx(40)
    assert rise.u_std < 1e-12


def test_a_gap_in_either_channel_takes_out_both() -> None:
    die = np.array([60.0, 61.0, math.nan, 60.0, 61.0])
    ambient = np.array([20.0, 21.0, 50.0, math.nan, 21.0])
    assert mean_rise(die, ambient).value == pytest.approx(40.0)


def test_the_sensors_count_besides_the_scatter() -> None:
    """Steady readings: only type B is left. 0.5 K and 0.3 K expanded at 95 %, steps of 0.1 K and 0.5 K."""
    rise = mean_rise(
        [60.0] * 100,
        [20.0] * 100,
        die_u_k=0.5,
        ambient_u_k=0.3,
        die_resolution_k=0.1,
        ambient_resolution_k=0.5,
    )
    by_hand = math.sqrt((0.5 / 1.96) ** 2 + (0.3 / 1.96) ** 2 + 0.1**2 / 12 + 0.5**2 / 12)
    assert rise.u_std == pytest.approx(by_hand, rel=1e-4)
    assert rise.dof == math.inf


def test_longer_reading_does_not_average_the_sensors_away() -> None:
    noise = np.random.default_rng(3).normal(0, 0.2, 10_000)
    rise = mean_rise(60 + noise, np.full(noise.size, 20.0), die_resolution_k=0.5)
    assert rise.u_std >= from_resolution(0.5)
    assert rise.u_std == pytest.approx(math.hypot(0.2 / 100, from_resolution(0.5)), rel=0.01)


@pytest.mark.parametrize(("die", "ambient"), [([60.0, 61.0], [20.0]), ([60.0], [20.0]), ([math.nan] * 3, [20.0] * 3)])
def test_mean_rise_refuses(die: list[float], ambient: list[float]) -> None:
    with pytest.raises(ValueError, match=r"length|two samples"):
        mean_rise(die, ambient)
