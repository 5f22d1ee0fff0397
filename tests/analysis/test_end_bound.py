"""The lower bound for the end of a heating curve: never above it without noise, rarely and little with noise."""

from __future__ import annotations

import itertools
import math
import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.analysis.end_bound import EndBound, end_at_least

MODES = st.lists(st.tuples(st.floats(0.1, 50), st.floats(5, 5000)), min_size=1, max_size=5)


def heating(modes: list[tuple[float, float]], end_c: float, t_s: float) -> float:
    """end - sum a exp(-t / tau), a > 0: a network of heat capacities and resistances heated at one place from rest."""
    return end_c - sum(a * math.exp(-t_s / tau_s) for a, tau_s in modes)


@given(MODES, st.floats(20, 120), st.floats(0, 3000), st.floats(10, 1000))
def test_bound_is_never_above_the_true_end(
    modes: list[tuple[float, float]], end_c: float, t_s: float, step_s: float
) -> None:
    bound = end_at_least(*(heating(modes, end_c, t_s + k * step_s) for k in range(3)))
    assert bound is None or bound <= end_c + 1e-6 * end_c


@given(st.floats(1, 50), st.floats(50, 2000), st.floats(20, 120))
def test_bound_is_exact_for_one_exponential(a: float, tau_s: float, end_c: float) -> None:
    """A. C. Aitken, Proc. R. Soc. Edinburgh 46 (1926): his process finds the limit of a geometric sequence."""
    bound = end_at_least(*(heating([(a, tau_s)], end_c, k * tau_s / 2) for k in range(3)))
    assert bound == pytest.approx(end_c, abs=1e-6)


@given(MODES, st.floats(20, 120))
def test_bound_is_at_least_the_latest_value(modes: list[tuple[float, float]], end_c: float) -> None:
    x0, x1, x2 = (heating(modes, end_c, 60.0 * k) for k in range(3))
    bound = end_at_least(x0, x1, x2)
    assert bound is None or bound >= x2


@pytest.mark.parametrize("values", [(20, 30, 40), (20, 30, 41), (20, 20, 20), (20, 30, 30), (30, 20, 25), (20, 30, 29)])
def test_says_nothing_where_steps_do_not_shrink(values: tuple[float, float, float]) -> None:
    assert end_at_least(*values) is None


def test_refuses_a_missing_value() -> None:
    with pytest.raises(ValueError, match="finite"):
        end_at_least(20.0, math.nan, 30.0)


def soak(seed: int, tau_s: float, noise_k: float, step_k: float, until_s: int = 3600) -> list[float | None]:
    """Bounds of a simulated soak to 90 degC: two time constants, noise that remembers samples, a stepping display."""
    rng, bound, noise = random.Random(seed), EndBound(resolution_k=step_k), 0.0
    bounds = []
    for t in range(until_s):
        noise = 0.8 * noise + 0.6 * rng.gauss(0, noise_k)
        shown = heating([(35, tau_s), (20, 30)], 90.0, t) + noise
        bounds.append(bound.update(float(t), round(shown / step_k) * step_k))
    return bounds


@pytest.mark.parametrize("noise_k", [0.01, 0.1, 0.3])
@pytest.mark.parametrize("seed", [1, 2])
def test_noise_carries_it_over_the_end_rarely_and_little(seed: int, noise_k: float) -> None:
    given_bounds = [bound for bound in soak(seed, 900, noise_k, 0.1) if bound is not None]
    assert max(given_bounds) < 90 + 3 * noise_k + 0.1


def test_tells_a_hopeless_soak_long_before_it_gets_there() -> None:
    """Limit 85 degC, end 90 degC, time constant 15 min: the die is there after 29 min, the bound within 15 min."""
    passed_s = next(t for t, bound in enumerate(soak(3, 900, 0.1, 0.1)) if bound is not None and bound >= 85)
    assert passed_s < 15 * 60
    assert heating([(35, 900), (20, 30)], 90.0, 29 * 60) < 85


@pytest.mark.parametrize("step_k", [0.5, 1.0])
def test_a_coarse_display_does_not_trip_it(step_k: float) -> None:
    given_bounds = [bound for bound in soak(4, 900, 0.02, step_k) if bound is not None]
    assert max(given_bounds, default=0.0) < 90 + step_k


def test_says_nothing_in_the_first_windows_nor_at_rest() -> None:
    bounds = soak(5, 900, 0.1, 0.1, until_s=360)
    assert not any(bounds)
    rest = EndBound()
    assert not any(rest.update(float(t), 60.0) for t in range(2000))


def test_gaps_do_not_shift_it() -> None:
    """Half of every tenth second window missing at one side only would shift a plain mean of a rising curve."""
    whole, gappy = EndBound(), EndBound()
    pairs = []
    for t in range(1800):
        x = heating([(40, 600)], 80.0, t)
        pairs.append((whole.update(float(t), x), gappy.update(float(t), math.nan if t % 60 >= 50 else x)))
    last_whole, last_gappy = pairs[-1]
    assert last_whole == pytest.approx(80, abs=0.1)
    assert last_gappy == pytest.approx(last_whole, abs=0.1)


def test_a_window_that_is_mostly_missing_does_not_count() -> None:
    bound = EndBound()
    for t in range(1860):
        last = bound.update(float(t), math.nan if t >= 1750 else heating([(40, 600)], 80.0, t))
    assert last is None


def test_samples_that_stay_away_leave_the_spacing_true() -> None:
    bound = EndBound()
    for t in itertools.chain(range(900), range(1500, 2400)):
        last = bound.update(float(t), heating([(40, 600)], 80.0, t))
    assert last is None or last <= 80.01


@pytest.mark.parametrize("t_s", [9.0, 10.0, math.nan])
def test_time_has_to_advance(t_s: float) -> None:
    bound = EndBound()
    bound.update(10.0, 20.0)
    with pytest.raises(ValueError, match="advance"):
        bound.update(t_s, 20.0)


def test_end_bound_refuses() -> None:
    with pytest.raises(ValueError, match="window_s"):
        EndBound(window_s=0)
    with pytest.raises(ValueError, match="resolution_k"):
        EndBound(resolution_k=-1)


def test_is_cheap_enough_for_every_tick_of_a_night() -> None:
    bound = EndBound()
    begun = time.process_time()
    for t in range(8000):
        bound.update(float(t), heating([(40, 900)], 80.0, t))
    assert (time.process_time() - begun) / 8000 < 20e-6
