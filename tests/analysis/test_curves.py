"""Curves through measured points: nothing outside them, nothing beyond their values."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from benchd.analysis.curves import LevelCurve, Reach, never_falling, within
from benchd.analysis.uncertainty import Estimate

POINTS = st.dictionaries(st.integers(0, 100), st.floats(-50, 50), min_size=2, max_size=10)
LEVELS = st.lists(st.floats(20, 60), min_size=2, max_size=10)


@given(POINTS, st.floats(0, 1))
def test_stays_between_its_neighbours(points: dict[int, float], share: float) -> None:
    xs = sorted(points)
    for left, right in pairwise(xs):
        read = within(xs, [points[x] for x in xs], left + share * (right - left))
        assert read is not None
        low, high = sorted((points[left], points[right]))
        assert low - 1e-9 <= read.value <= high + 1e-9


@given(POINTS)
def test_goes_through_its_points_in_any_order(points: dict[int, float]) -> None:
    for x, y in points.items():
        read = within(list(points), list(points.values()), x)
        assert read is not None
        assert read.value == pytest.approx(y, abs=1e-9)


@pytest.mark.parametrize("x0", [0.999, 3.001, math.nan, math.inf])
def test_says_nothing_outside(x0: float) -> None:
    assert within([1, 2, 3], [10, 20, 30], x0) is None


def test_slope_is_the_derivative() -> None:
    xs, ys = [1.0, 2.0, 3.0, 5.0], [50.0, 44.0, 41.0, 39.0]
    at, above, below = (within(xs, ys, 2.5 + h) for h in (0, 1e-5, -1e-5))
    assert at is not None
    assert above is not None
    assert below is not None
    assert at.slope == pytest.approx((above.value - below.value) / 2e-5, rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y"), [([1], [1]), ([1, 2], [1]), ([1, 1], [1, 2]), ([1, 2], [1, math.nan]), ([[1, 2]], [[1, 2]])]
)
def test_within_refuses(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match="point"):
        within(x, y, 1.0)


@given(LEVELS)
def test_never_falling_is_the_closest_that_never_falls(values: list[float]) -> None:
    """Against scipy.optimize.isotonic_regression."""
    assert never_falling(values) == pytest.approx(isotonic_regression(values).x.tolist(), abs=1e-9)


def fan_law(n_rpm: float, exponent: float = 50.0) -> float:
    return 40 + exponent * math.log10(n_rpm / 1000)


@pytest.mark.parametrize("exponent", [50, 55, 60])
@pytest.mark.parametrize("speed", [600.0, 777.0, 1000.0, 1900.0])
def test_a_fan_that_keeps_the_fan_law_is_read_exactly(exponent: float, speed: float) -> None:
    """level = const + 50..60 lg(speed), from Lw = 40 + 10 lg Q + 20 lg p dB (engineeringtoolbox.com, fan noise)."""
    speeds = [500.0, 900.0, 1400.0, 2000.0]
    curve = LevelCurve(speeds, [fan_law(n, exponent) for n in speeds])
    assert curve.level_at(speed) == pytest.approx(fan_law(speed, exponent))
    assert curve.speed_at(fan_law(speed, exponent)) == pytest.approx(speed)
    assert curve.repair_db == 0


def test_twice_the_speed_is_15_db() -> None:
    """50 lg 2 = 15.051, computed."""
    curve = LevelCurve([500.0, 1000.0], [fan_law(500), fan_law(1000)])
    assert curve.reach.high - curve.reach.low == pytest.approx(15.051, abs=1e-3)


@given(LEVELS, st.floats(0, 1))
def test_level_and_speed_are_each_others_inverse(levels: list[float], share: float) -> None:
    speeds = [400.0 * 1.2**i for i in range(len(levels))]
    curve = LevelCurve(speeds, levels)
    level = curve.reach.low + share * (curve.reach.high - curve.reach.low)
    speed = curve.speed_at(min(level, curve.reach.high))
    assert speed is not None
    assert speeds[0] * 0.999 <= speed <= speeds[-1] * 1.001
    assert curve.level_at(min(max(speed, speeds[0]), speeds[-1])) == pytest.approx(level, abs=1e-6)


def test_nothing_beyond_the_points() -> None:
    curve = LevelCurve([500.0, 1000.0], [25.0, 40.0])
    assert (curve.speed_at(24.9), curve.speed_at(40.1), curve.level_at(490.0), curve.level_at(1010.0)) == (None,) * 4
    assert (curve.speed_at(math.nan), curve.speed_estimate(41.0)) == (None, None)


def test_its_ends_belong_to_it() -> None:
    curve = LevelCurve([512.3, 733.0, 1017.9], [25.0, 33.0, 40.0])
    assert curve.level_at(curve.speeds.low) == pytest.approx(25.0)
    assert curve.level_at(curve.speeds.high) == pytest.approx(40.0)
    assert curve.speed_at(curve.reach.low) == pytest.approx(512.3)
    assert curve.speed_at(curve.reach.high) == pytest.approx(1017.9)


def test_reach_in_words() -> None:
    assert str(LevelCurve([500, 1000], [33.94, 41.2]).reach) == "33.9 to 41.2 dBA"
    assert str(Reach(1.0, 2.0)) == "1.0 to 2.0"


def test_levels_that_fall_are_pooled_and_it_says_so() -> None:
    curve = LevelCurve([500, 700, 900, 1200], [30.0, 33.0, 32.0, 37.0])
    assert curve.repair_db == pytest.approx(0.5)
    assert curve.level_at(700) == curve.level_at(900) == pytest.approx(32.5)
    speed = curve.speed_at(35.0)
    assert speed is not None
    assert 900 < speed < 1200


def test_uncertainty_of_the_speed_comes_through_the_slope() -> None:
    """Steep curve, certain speed: u(n) / n = u(L) ln 10 / 50, 1.8 % for 0.4 dB."""
    speeds = [500.0, 1000.0, 2000.0]
    curve = LevelCurve(speeds, [fan_law(n) for n in speeds], u_std_db=0.4, dof=[20, 10, 5])
    speed = curve.speed_estimate(fan_law(800))
    assert speed is not None
    assert speed.u_std / speed.value == pytest.approx(0.4 * math.log(10) / 50)
    assert speed.dof == 10


def test_speeds_that_are_nearly_the_same_count_once() -> None:
    """Otherwise the noise between two readings at one speed would make a slope."""
    curve = LevelCurve([500, 998, 1002, 1500], [30.0, 40.4, 39.6, 49.0], u_std_db=[0.2, 0.2, 0.5, 0.2])
    assert curve.repair_db == 0
    assert curve.level_at(1000) == pytest.approx(40.0, abs=0.01)
    speed = curve.speed_estimate(40.0)
    assert speed is not None
    assert speed.u_std > 0.4 * speed.value * math.log(10) / 50


def test_a_flat_curve_knows_no_speed() -> None:
    speed = LevelCurve([500, 1000], [30.0, 30.0], u_std_db=0.1).speed_estimate(30.0)
    assert speed is not None
    assert speed.expanded > 500


@pytest.mark.parametrize(
    ("speeds", "levels"),
    [([500], [30]), ([500, 502], [30, 31]), ([0, 500], [30, 31]), ([500, 600], [30]), ([500, 600], [30, math.nan])],
)
def test_level_curve_refuses(speeds: list[float], levels: list[float]) -> None:
    with pytest.raises(ValueError, match=r"speed"):
        LevelCurve(speeds, levels)


def test_the_level_at_a_measured_speed_has_the_uncertainty_of_the_points_and_of_the_speed() -> None:
    """As squares: 0.3 dB, and 14 1/min through 15 dB a doubling, 15 / lg 2 * 14 / (1000 ln 10) = 0.303 dB."""
    curve = LevelCurve([500.0, 1000.0], [25.0, 40.0], u_std_db=0.3, dof=[8, 20])
    level = curve.level_estimate(Estimate(1000.0, 14.0))
    assert (level.value, level.u_std) == (pytest.approx(40.0), pytest.approx(math.hypot(0.3, 0.303), rel=1e-3))
    exact = curve.level_estimate(Estimate(707.0, 0.0))
    assert (exact.value, exact.u_std, exact.dof) == (curve.level_at(707.0), pytest.approx(0.3), pytest.approx(8))


def test_between_two_points_the_uncertainty_of_a_level_lies_between_theirs() -> None:
    curve = LevelCurve([500.0, 1000.0], [25.0, 40.0], u_std_db=[0.2, 0.6])
    assert curve.level_estimate(Estimate(math.sqrt(500 * 1000), 0.0)).u_std == pytest.approx(0.4)


def test_a_level_that_had_to_be_moved_is_less_sure() -> None:
    curve = LevelCurve([500, 700, 900, 1200], [30.0, 33.0, 32.0, 37.0])
    assert curve.level_estimate(Estimate(700.0, 0.0)).u_std == pytest.approx(0.5 / math.sqrt(3))


@pytest.mark.parametrize(
    ("speed", "level"), [(505.0, 25.0), (1009.0, 40.0), (496.0, 25.0), (494.0, None), (1011.0, None)]
)
def test_up_to_one_per_cent_beyond_the_last_point_is_that_point_and_farther_is_nothing(speed, level) -> None:
    found = LevelCurve([500.0, 1000.0], [25.0, 40.0]).level_estimate(Estimate(speed, 0.0))
    assert (found and found.value) == (level and pytest.approx(level, abs=0.25))


def test_a_speed_that_is_none_has_no_level() -> None:
    with pytest.raises(ValueError, match="above 0 rpm"):
        LevelCurve([500.0, 1000.0], [25.0, 40.0]).level_estimate(Estimate(0.0, 1.0))
