"""The toolbox against the worked examples of the GUM (JCGM 100:2008), NIST's reference data and `uncertainties`."""

from __future__ import annotations

import cmath
import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat

from benchd.analysis.uncertainty import (
    Estimate,
    Part,
    combine,
    effective_count,
    from_expanded,
    from_resolution,
    lag1_correlation,
    mean_of_series,
    propagate,
    rectangular,
    t95,
)

DATA = Path(__file__).parents[1] / "data"
MICHELSON = np.loadtxt(DATA / "nist_michelson.csv", skiprows=1)
MAVRO = np.loadtxt(DATA / "nist_mavro.csv", skiprows=1)


@pytest.mark.parametrize(
    ("dof", "t"),
    [
        (1, 12.71),
        (2, 4.30),
        (3, 3.18),
        (4, 2.78),
        (5, 2.57),
        (9, 2.26),
        (10, 2.23),
        (16, 2.12),
        (19, 2.09),
        (20, 2.09),
        (50, 2.01),
        (math.inf, 1.960),
    ],
)
def test_t_table(dof: float, t: float) -> None:
    """GUM table G.2, column 95 %."""
    assert t95(dof) == pytest.approx(t, abs=0.005)


@pytest.mark.parametrize("dof", [0.0, 0.99, -1.0, math.nan])
def test_t_needs_a_degree_of_freedom(dof: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        t95(dof)


def test_gum_4_4_3_type_a() -> None:
    """GUM 4.4.3: 20 temperatures, mean 100.145, s 1.489, u 0.333 degC. Data from memory; they give all three results.

    The readings are sorted there, which is not their order in time; any order without memory gives the GUM's result.
    """
    readings = (
        "96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 "
        "100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72"
    )
    ordered = np.array([float(word) for word in readings.split()])
    by_turns = np.ravel(np.column_stack([ordered[:10], ordered[:9:-1]]))
    assert lag1_correlation(by_turns) < 0
    mean = mean_of_series(by_turns)
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert mean.u_std * math.sqrt(20) == pytest.approx(1.489, abs=5e-4)
    assert mean.u_std == pytest.approx(0.333, abs=5e-4)
    assert mean.dof == 19


def test_gum_g_4_1_effective_degrees_of_freedom() -> None:
    """GUM G.4.1 note: n = 10, 5, 15 and u/x = 0.25, 0.57, 0.82 % give 1.03 %, 19.0 degrees, U95 2.2 %.

    The inputs are from memory; they give the published result.
    """
    u_std, dof = combine([Part(0.25, 1, 9), Part(0.57, 1, 4), Part(0.82, 1, 14)])
    assert u_std == pytest.approx(1.03, abs=0.005)
    assert dof == pytest.approx(19.0, abs=0.05)
    assert Estimate(0, u_std, dof).expanded == pytest.approx(2.2, abs=0.05)


H2_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
H2_I = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
H2_PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


@pytest.mark.parametrize(
    ("name", "f", "value", "u"),
    [
        ("R", lambda v, i, phi: v / i * math.cos(phi), 127.732, 0.071),
        ("X", lambda v, i, phi: v / i * math.sin(phi), 219.847, 0.295),
        ("Z", lambda v, i, phi: abs(v / i * cmath.exp(1j * phi)), 254.260, 0.236),
    ],
)
def test_gum_h_2_correlated_inputs(name: str, f: Callable[..., float], value: float, u: float) -> None:
    """GUM H.2 table H.4; readings of table H.2 from memory, which give its means, scatters and correlations."""
    readings = (H2_V, H2_I, H2_PHI)
    inputs = [Estimate(float(r.mean()), float(r.std(ddof=1)) / math.sqrt(5), 4) for r in readings]
    found = propagate(f, inputs, np.corrcoef(readings))
    assert found.value == pytest.approx(value, abs=2e-3), name
    assert found.u_std == pytest.approx(u, abs=1.1e-3), name
    assert found.dof == 4


def test_gum_h_3_dropping_the_covariance_is_seen() -> None:
    """GUM H.3.4: b(30) = -0.1494, u 0.0041 degC from y1, y2 with r = -0.930; without r it would be 0.0073."""
    y1, y2 = Estimate(-0.1712, 0.0029, 9), Estimate(0.00218, 0.00067, 9)

    def correction(intercept: float, slope: float) -> float:
        return intercept + slope * (30 - 20)

    found = propagate(correction, [y1, y2], [[1, -0.930], [-0.930, 1]])
    assert found.value == pytest.approx(-0.1494, abs=5e-5)
    assert found.u_std == pytest.approx(0.0041, abs=1e-4)
    assert propagate(correction, [y1, y2]).u_std == pytest.approx(0.0073, abs=1e-4)


def test_rectangular_and_resolution() -> None:
    """GUM 4.3.7 and F.2.2.1: a / sqrt(3), d / sqrt(12)."""
    assert rectangular(1.0) == pytest.approx(0.57735, abs=5e-6)
    assert from_resolution(0.1) == pytest.approx(0.02887, abs=5e-6)


@given(st.floats(0.001, 10), st.floats(1, 100))
def test_an_expanded_uncertainty_comes_back(half_width: float, dof: float) -> None:
    assert Estimate(0.0, from_expanded(half_width, dof), dof).expanded == pytest.approx(half_width)


@pytest.mark.parametrize(
    ("series", "mean", "sd", "r"),
    # NIST StRD univariate: certified mean, standard deviation, lag-1 autocorrelation.
    [
        (MICHELSON, 299.8524, 0.0790105478190518, 0.535199668621283),
        (MAVRO, 2.001856, 0.000429123454003053, 0.937989183438248),
    ],
)
def test_nist_correlated_series(series: np.ndarray, mean: float, sd: float, r: float) -> None:
    """Both have memory: s / sqrt(n) is too small for them, and the degrees of freedom are not n - 1."""
    found = mean_of_series(series)
    naive = sd / math.sqrt(series.size)
    assert found.value == pytest.approx(mean, rel=1e-12)
    assert lag1_correlation(series) == pytest.approx(r, rel=1e-9)
    assert found.u_std > 1.7 * naive
    assert found.dof < series.size / 3


@pytest.mark.parametrize(("offset", "certified"), [(1_000_000.2, 1_000_000.2), (10_000_000.2, 10_000_000.2)])
def test_nist_numacc_3_and_4(offset: float, certified: float) -> None:
    """NIST StRD NumAcc3 and NumAcc4: certified s = 0.1 and r = -0.999 around a large mean, which a one-pass
    variance does not survive."""
    whole = math.floor(offset)
    series = np.array([offset] + [whole + 0.1, whole + 0.3] * 500)
    found = mean_of_series(series)
    assert found.value == pytest.approx(certified, rel=1e-12)
    assert found.u_std * math.sqrt(1001) == pytest.approx(0.1, rel=1e-7)
    assert lag1_correlation(series) == pytest.approx(-0.999, abs=1e-6)
    assert found.dof == 1000


def _with_memory(rng: np.random.Generator, runs: int, n: int, memory: float) -> np.ndarray:
    noise = rng.normal(size=(runs, n + 100))
    for i in range(1, n + 100):
        noise[:, i] += memory * noise[:, i - 1]
    return noise[:, 100:]


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_the_interval_holds_the_true_mean_about_as_often_as_it_says(memory: float) -> None:
    """400 simulated readings of 3 min at 1 Hz around zero. With memory, +-2 s / sqrt(n) would hold it in 34 to 74 %."""
    series = _with_memory(np.random.default_rng(7), 400, 180, memory)
    held = [abs(mean.value) <= mean.expanded for mean in map(mean_of_series, series)]
    assert 0.90 <= np.mean(held) <= 0.99


def test_gaps_are_left_out_of_the_mean_and_of_the_pairs() -> None:
    gappy = np.insert(MICHELSON, [10, 50, 90], math.nan)
    found, whole = mean_of_series(gappy), mean_of_series(MICHELSON)
    assert found.value == pytest.approx(whole.value)
    assert found.u_std == pytest.approx(whole.u_std, rel=0.1)


def test_a_constant_series_has_no_scatter() -> None:
    assert mean_of_series([20.1] * 50) == Estimate(20.1, 0.0, 49)


@pytest.mark.parametrize("series", [[], [1.0], [1.0, math.nan], [[1.0, 2.0]], [1.0, math.inf]])
def test_the_mean_of_a_series_refuses(series: list[float]) -> None:
    with pytest.raises(ValueError, match=r"sample|dimension"):
        mean_of_series(series)


@given(st.integers(2, 10_000), st.floats(-1, 1))
def test_a_series_is_worth_between_one_and_all_of_its_samples(n: int, r: float) -> None:
    assert 1 <= effective_count(n, r) <= n


FINITE = st.floats(1, 100)
UNCERTAIN = st.floats(0.001, 0.5)


@given(FINITE, FINITE, FINITE, UNCERTAIN, UNCERTAIN, UNCERTAIN)
def test_propagation_agrees_with_the_package_uncertainties(
    die: float, ambient: float, heat: float, u_die: float, u_ambient: float, u_heat: float
) -> None:
    ours = propagate(
        lambda a, b, p: (a - b) / p,
        [Estimate(die, u_die), Estimate(ambient, u_ambient), Estimate(heat, u_heat * heat / 100)],
    )
    theirs = (ufloat(die, u_die) - ufloat(ambient, u_ambient)) / ufloat(heat, u_heat * heat / 100)
    assert ours.value == pytest.approx(theirs.nominal_value)
    assert ours.u_std == pytest.approx(theirs.std_dev, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("matrix", [[[1.0]], [[1, -2], [-2, 1]]])
def test_propagation_refuses_an_impossible_correlation(matrix: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="correlation matrix"):
        propagate(lambda a, b: a + b, [Estimate(1, 0.1), Estimate(1, 0.1)], matrix)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(-10, 10), st.floats(1, 1000)), min_size=1, max_size=8))
def test_effective_degrees_lie_between_the_smallest_and_the_sum(budget: list[tuple[float, float, float]]) -> None:
    """GUM G.4.1 note 1."""
    parts = [Part(*row) for row in budget]
    u_std, dof = combine(parts)
    if u_std == 0:
        assert dof == math.inf
        return
    # Below the smallest normal number a float has few digits left.
    assume(u_std >= sys.float_info.min / sys.float_info.epsilon)
    assert min(part.dof for part in parts) * (1 - 1e-9) <= dof <= sum(part.dof for part in parts) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("value", "u_std", "dof"), [(math.nan, 0.1, 5), (1, -0.1, 5), (1, math.nan, 5), (1, math.inf, 5), (1, 0.1, 0.5)]
)
def test_an_estimate_refuses(value: float, u_std: float, dof: float) -> None:
    with pytest.raises(ValueError, match=r"must be"):
        Estimate(value, u_std, dof)
