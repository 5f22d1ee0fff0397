"""The bound that speed is measured against, against a worked example, closed forms, and fits to drawn samples."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.equilibrium.bound import K, bound_half_width, bound_time, effective_sd_k, standard_uncertainty
from tests.equilibrium.plants import FAMILIES, Plant, random_plants

PLANTS = random_plants(40, seed=3)
PLAIN = Plant("by hand", 0.0, 40.0, 12.0, 150.0, 1000.0, -12.0, -28.0, 0.0, 0.1, 0.0, 1e-6, (5, 0))


def test_a_straight_line_is_extrapolated_as_in_the_gum() -> None:
    """JCGM 100:2008, H.3: a thermometer's correction at 30 degC, by readings between 21.5 and 26.5 degC; the standard
    uncertainty is 0.0041 degC, and 0.0073 without the covariance of the two parameters."""
    t_c = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    sensitivity, sd = np.column_stack([np.ones(11), t_c - 20]), 0.0034976
    assert standard_uncertainty(sensitivity, np.array([1.0, 10.0]), sd) == pytest.approx(0.0041386, abs=2e-7)
    assert standard_uncertainty(sensitivity, np.array([1.0, 0.0]), sd) == pytest.approx(0.0028776, abs=2e-7)
    assert standard_uncertainty(sensitivity, np.array([0.0, 1.0]), sd) == pytest.approx(0.00066794, abs=2e-8)


def test_the_mean_of_many_when_all_but_the_end_is_known() -> None:
    """sd / sqrt(n), and the information of a mode known beforehand adds to it: 2 x 2, inverted by hand."""
    n, sd, before = 500, 0.2, 0.3
    mode = np.exp(-np.arange(n) / 1000.0)
    assert standard_uncertainty(np.ones((n, 1)), np.ones(1), sd) == pytest.approx(sd / math.sqrt(n))
    a, b, c = n / sd**2, mode.sum() / sd**2, (mode**2).sum() / sd**2 + before**-2
    rows = np.column_stack([np.append(mode, sd / before), np.append(np.ones(n), 0.0)])
    assert standard_uncertainty(rows, np.array([0.0, 1.0]), sd) == pytest.approx(math.sqrt(c / (a * c - b * b)))


def test_less_than_six_samples_say_nothing() -> None:
    assert bound_half_width(PLAIN, 3) == math.inf
    assert bound_half_width(PLAIN, 3, slow_tail_k=0) == math.inf
    assert bound_half_width(PLAIN, 20) > 100


def test_it_is_the_inverse_of_the_information_where_squaring_does_not_spoil_it() -> None:
    """The plain form: the inverse of the information in (final, A1, tau1, A2, tau2, B)."""
    for plant in PLANTS:
        seconds = 4 * plant.slow_s
        t = np.arange(math.floor(seconds) + 1.0)
        fast, slow = np.exp(-t / plant.fast_s), np.exp(-t / plant.slow_s)
        sensitivity = np.column_stack(
            [
                np.ones_like(t),
                fast,
                plant.fast_k * t / plant.fast_s**2 * fast,
                slow,
                plant.slow_k * t / plant.slow_s**2 * slow,
                np.exp(-t / 1000),
            ]
        )
        r = plant.correlation
        variance = (plant.noise_sd_k**2 + plant.resolution_k**2 / 12) * (1 + r) / (1 - r)
        information = sensitivity.T @ sensitivity / variance
        information[5, 5] += 1 / 0.3**2
        half_k = 1.96 * math.sqrt(np.linalg.inv(information)[0, 0])
        assert bound_half_width(plant, seconds) == pytest.approx(half_k, rel=1e-5)


def fitted_finals(slow_tail_k: float, seconds: int, times: int) -> np.ndarray:
    """Errors of the final value by least squares over drawn samples, with a slow mode drawn anew each time."""
    rng = np.random.default_rng(11)
    t = np.arange(seconds + 1.0)
    truth = np.array([PLAIN.final_k, PLAIN.fast_k, math.log(12.0), PLAIN.slow_k, math.log(150.0), 0.0])
    free = 6 if slow_tail_k else 5

    def curve(p: np.ndarray) -> np.ndarray:
        x = p[0] + p[1] * np.exp(-t / math.exp(p[2])) + p[3] * np.exp(-t / math.exp(p[4]))
        return x + p[5] * np.exp(-t / 1000) if free == 6 else x

    def off(p: np.ndarray, shown: np.ndarray) -> np.ndarray:
        residuals = (curve(p) - shown) / PLAIN.noise_sd_k
        return np.append(residuals, p[5] / slow_tail_k) if free == 6 else residuals

    errors = []
    for _ in range(times):
        drawn = truth.copy()
        drawn[5] = rng.normal(0, slow_tail_k)
        shown = curve(drawn[:free]) + rng.normal(0, PLAIN.noise_sd_k, t.size)
        found = least_squares(off, truth[:free], args=(shown,), method="lm")
        errors.append(found.x[0] - PLAIN.final_k)
    return np.array(errors)


@pytest.mark.parametrize(("slow_tail_k", "seconds"), [(0.0, 500), (0.3, 700)])
def test_fits_to_drawn_samples_scatter_as_it_says(slow_tail_k: float, seconds: int) -> None:
    """The standard deviation of 400 errors is known to 3.5 %; four times that is allowed."""
    errors = fitted_finals(slow_tail_k, seconds, times=400)
    u_k = bound_half_width(PLAIN, seconds, slow_tail_k) / K
    assert np.std(errors) == pytest.approx(u_k, rel=0.14)
    assert abs(errors.mean()) < 4 * u_k / math.sqrt(len(errors))


def test_the_mean_of_correlated_noise_scatters_as_the_effective_sd_says() -> None:
    plant = dataclasses.replace(PLAIN, correlation=0.8)
    t = np.arange(3000.0)
    alone = [dataclasses.replace(plant, noise_seed=(6, i)).series(3000)[1] - plant.rise_at(t) for i in range(300)]
    assert np.std(np.mean(alone, axis=1)) == pytest.approx(effective_sd_k(plant) / math.sqrt(3000), rel=0.17)


@pytest.mark.parametrize("slow_tail_k", [0.0, 0.3])
def test_more_samples_never_say_less(slow_tail_k: float) -> None:
    for plant in PLANTS[:8]:
        half_k = np.array([bound_half_width(plant, t, slow_tail_k) for t in range(10, 2500, 31)])
        assert (np.diff(half_k) <= 1e-9 * half_k[1:]).all()


def test_a_slow_mode_that_may_be_there_only_costs_time() -> None:
    for plant in PLANTS:
        half_k = [bound_half_width(plant, 900, slow_tail_k) for slow_tail_k in (0.0, 1e-6, 0.1, 0.3, 10.0)]
        assert half_k[0] == pytest.approx(half_k[1], rel=1e-6)
        assert half_k == sorted(half_k)


def test_without_noise_what_is_known_beforehand_is_not_needed() -> None:
    quiet = dataclasses.replace(PLAIN, noise_sd_k=1e-6, resolution_k=0.0)
    assert bound_half_width(quiet, 300, 0.3) == pytest.approx(bound_half_width(quiet, 300, 1e6), rel=0.02)


def test_early_on_nothing_but_what_is_known_beforehand_bounds_the_slow_mode() -> None:
    """Long after the two exponentials, yet early for a mode fifty times slower than the samples last, the end is
    known no better than 1.96 x 0.3 K: what is measured is the sum of both."""
    quick = dataclasses.replace(PLAIN, fast_s=0.1, slow_s=0.5, noise_sd_k=0.05)
    assert bound_half_width(quick, 20, 0.3) == pytest.approx(1.96 * 0.3, rel=0.03)


def test_the_time_is_the_first_second_at_which_it_is_known() -> None:
    for plant in PLANTS:
        for tolerance_k in (0.1, 0.2, 1.0):
            t_s = bound_time(plant, tolerance_k)
            assert bound_half_width(plant, t_s) <= tolerance_k < bound_half_width(plant, t_s - 1)


def test_the_time_of_what_is_never_known_is_infinite() -> None:
    assert bound_time(dataclasses.replace(PLAIN, noise_sd_k=1e4), 0.01) == math.inf


def test_every_family_is_known_at_some_time() -> None:
    for family in FAMILIES:
        times = [bound_time(plant, max(0.2, plant.resolution_k)) for plant in PLANTS if plant.family == family]
        assert 60 < min(times) <= max(times) < 3600, family
