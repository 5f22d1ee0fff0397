"""How far a rise was from its end, against curves whose end is known exactly.

The estimate extrapolates a geometric sequence: A. C. Aitken, Proc. R. Soc. Edinburgh 46 (1926), cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.analysis.remainder import still_to_come

#: Pairs of amplitude [K] and time constant [s].
Modes = Sequence[tuple[float, float]]
AVERAGE_S = 60.0


def rises(modes: Modes, t_s: np.ndarray) -> np.ndarray:
    """A rise that ends at the sum of its amplitudes."""
    return sum(a * (1 - np.exp(-t_s / tau_s)) for a, tau_s in modes)


def left(modes: Modes, t_s: np.ndarray) -> float:
    """How far its mean over the last minute is from its end [K]."""
    return sum(a for a, _ in modes) - float(rises(modes, t_s[t_s > t_s[-1] - AVERAGE_S]).mean())


def soaked(modes: Modes, change_k: float, in_s: int) -> np.ndarray:
    """The times [s] of a soak that a plain rule ends: changed by less than change_k within in_s."""
    t_s = np.arange(20_000.0)
    rise_k = rises(modes, t_s)
    slow = rise_k[in_s:] - rise_k[:-in_s] < change_k
    return t_s[: in_s + int(np.argmax(slow)) + 1]


@pytest.mark.parametrize("tau_s", [120.0, 300.0, 600.0])
@pytest.mark.parametrize(("change_k", "in_s"), [(0.5, 300), (0.2, 300), (0.2, 600)])
def test_it_is_exact_for_one_time_constant(tau_s: float, change_k: float, in_s: int) -> None:
    modes = [(40.0, tau_s)]
    t_s = soaked(modes, change_k, in_s)
    assert still_to_come(t_s, rises(modes, t_s), in_s) == pytest.approx(left(modes, t_s), rel=0.01)


@pytest.mark.parametrize("modes", [((30, 40), (10, 300)), ((25, 20), (15, 400)), ((20, 60), (10, 200), (5, 500))])
def test_of_several_time_constants_the_slowest_tells(modes: Modes) -> None:
    t_s = soaked(modes, 0.2, 300)
    assert 0.6 < still_to_come(t_s, rises(modes, t_s), 300) / left(modes, t_s) < 1.01


def test_a_cooler_much_slower_than_the_rule_leaves_more_than_is_said() -> None:
    """Changes that hardly shrink could as well be a drift: no more than three times the last one is believed."""
    modes = [(25.0, 20.0), (15.0, 900.0)]
    t_s = soaked(modes, 0.5, 60)
    rise_k = rises(modes, t_s)
    last_k = rise_k[-60:].mean() - rise_k[-120:-60].mean()
    said_k = still_to_come(t_s, rise_k, 60)
    assert said_k == pytest.approx(3 * last_k, rel=1e-6)
    assert last_k < said_k < left(modes, t_s)


@pytest.mark.parametrize("seed", range(5))
def test_noise_at_the_end_adds_little(seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0, 0.1, 3000)
    t_s = np.arange(3000.0)
    assert still_to_come(t_s, 30 + noise, 300) < 0.1
    modes = [(40.0, 300.0)]
    t_s = soaked(modes, 0.2, 600)
    assert abs(still_to_come(t_s, rises(modes, t_s) + noise[: len(t_s)], 600) - left(modes, t_s)) < 0.1


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("drift_k", "times"), [(0.3, 0.65 / 0.35), (2.0, 3.0)])
def test_a_drift_counts_as_a_few_times_its_last_change(sign: int, drift_k: float, times: float) -> None:
    """Small enough to be what ambient leaks into the rise, or plain: finite in both cases."""
    t_s = np.arange(3000.0)
    assert still_to_come(t_s, sign * drift_k * t_s / 300, 300) == pytest.approx(times * drift_k, rel=1e-6)


def test_a_ratio_is_not_read_from_changes_that_are_not_plain() -> None:
    """Changes of 0.01 K then 0.2 K are ambient and noise; a ratio of 20 would be nonsense."""
    t_s = np.arange(960.0)
    rise_k = 30 + np.select([t_s < 360, t_s < 660], [0.0, 0.01], 0.21)
    assert still_to_come(t_s, rise_k, 300) == pytest.approx(0.2 * 0.65 / 0.35, rel=1e-6)


def test_a_specimen_that_cools_is_judged_like_one_that_warms() -> None:
    modes = [(15.0, 250.0)]
    t_s = soaked(modes, 0.5, 300)
    rise_k = rises(modes, t_s)
    assert still_to_come(t_s, 60 - rise_k, 300) == pytest.approx(still_to_come(t_s, rise_k, 300), rel=1e-9)


# --- gaps and short soaks


def test_samples_missing_here_and_there_do_not_matter() -> None:
    modes = [(40.0, 300.0)]
    t_s = soaked(modes, 0.5, 300)
    rise_k = rises(modes, t_s)
    whole = still_to_come(t_s, rise_k, 300)
    rise_k[np.random.default_rng(1).random(len(t_s)) < 0.3] = np.nan
    assert still_to_come(t_s, rise_k, 300) == pytest.approx(whole, rel=0.1)


def test_without_a_mean_long_ago_the_others_tell() -> None:
    modes = [(40.0, 300.0)]
    t_s = soaked(modes, 0.5, 300)
    rise_k = rises(modes, t_s)
    rise_k[t_s < t_s[-1] - 660] = np.nan
    assert still_to_come(t_s, rise_k, 300) == pytest.approx(left(modes, t_s), rel=1e-3)


@pytest.mark.parametrize("missing", [(0, 60), (300, 360)])
def test_without_one_of_the_last_two_means_nothing_can_be_said(missing: tuple[int, int]) -> None:
    t_s = np.arange(2000.0)
    rise_k = rises([(40.0, 300.0)], t_s)
    back_s = t_s[-1] - t_s
    rise_k[(back_s >= missing[0]) & (back_s < missing[1])] = np.nan
    assert still_to_come(t_s, rise_k, 300) == math.inf


def test_a_short_soak_is_judged_over_halves_of_what_there_is() -> None:
    modes = [(40.0, 120.0)]
    t_s = np.arange(421.0)  # two halves of 180 s and a minute to average
    assert still_to_come(t_s, rises(modes, t_s), 600) == pytest.approx(left(modes, t_s), rel=1e-3)


@pytest.mark.parametrize("seconds", [0, 1, 30, 61])
def test_of_a_soak_no_longer_than_its_mean_nothing_can_be_said(seconds: int) -> None:
    assert still_to_come(np.arange(float(seconds)), np.full(seconds, 30.0), 300) == math.inf


def test_without_any_sample_nothing_can_be_said() -> None:
    assert still_to_come(np.arange(2000.0), np.full(2000, np.nan), 300) == math.inf


@pytest.mark.parametrize(("times", "values"), [(2, 3), (3, 2), (0, 1)])
def test_times_and_rises_must_belong_together(times: int, values: int) -> None:
    with pytest.raises(ValueError, match="differ in length"):
        still_to_come([0.0] * times, [0.0] * values, 300)


@given(
    st.lists(st.one_of(st.floats(-100, 100), st.just(math.nan)), max_size=200),
    st.floats(0.1, 30),
    st.floats(1, 2000),
    st.floats(0.1, 200),
)
def test_it_is_never_negative_and_always_a_number(
    rise_k: list[float], tick_s: float, in_s: float, average_s: float
) -> None:
    said = still_to_come(np.arange(len(rise_k)) * tick_s, rise_k, in_s, average_s)
    assert said >= 0, "which NaN is not"
