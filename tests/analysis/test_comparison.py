"""Specimens at equal noise over one stated background: two invented specimens whose true levels and rises are known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.analysis.acoustics import level_sum
from benchd.analysis.comparison import AtLevel, HeardSpeed, Measured, MeasuredPoint, at_equal_noise, difference
from benchd.analysis.uncertainty import Estimate

SPEEDS = (600.0, 800.0, 1000.0, 1200.0, 1500.0, 1800.0)


def source_dba(fan_rpm: float) -> float:
    return 36.0 + 50 * math.log10(fan_rpm / 1000)


def rise_k(fan_rpm: float, heat_w: float = 300.0) -> float:
    return heat_w * (0.08 + 0.06 * (1000 / fan_rpm) ** 0.8)


def heard(fan_rpm: float, background: float = 25.0, u_db: float = 0.0) -> HeardSpeed:
    total = level_sum([source_dba(fan_rpm), background])
    return HeardSpeed(fan_rpm, Estimate(total, u_db, 20), Estimate(background, 0.0))


def point(fan_rpm: float, background: float = 25.0, u_k: float = 0.0, heat_w: float = 300.0) -> MeasuredPoint:
    noise = heard(fan_rpm, background)
    rise, heat = Estimate(rise_k(fan_rpm, heat_w), u_k, 15), Estimate(heat_w, 0.0)
    return MeasuredPoint(heat_w, fan_rpm, rise, heat, noise.total, noise.background)


def measured(points: Sequence[float] = (650.0, 900.0, 1300.0, 1700.0), background: float = 25.0) -> Measured:
    return Measured("brook 2x140", [heard(n, background) for n in SPEEDS], [point(n, background) for n in points])


def reached(found: AtLevel) -> tuple[Estimate, Estimate]:
    assert found.rise is not None, found.why
    assert found.fan_rpm is not None
    return found.rise, found.fan_rpm


@pytest.mark.parametrize("fan_rpm", [700.0, 1000.0, 1250.0, 1650.0])
def test_finds_the_speed_and_the_rise_behind_a_level(fan_rpm: float) -> None:
    rise, speed = reached(at_equal_noise(measured(), 300, level_sum([source_dba(fan_rpm), 31.5]), 31.5))
    assert speed.value == pytest.approx(fan_rpm, rel=0.0065)  # 0.14 dB: the background is not taken out above 15 dB
    assert rise.value == pytest.approx(rise_k(fan_rpm), abs=0.3)


def test_resistance_is_the_rise_for_each_watt() -> None:
    found = at_equal_noise(measured(), 300, 38.0, 31.5)
    assert found.rise is not None
    assert found.resistance is not None
    assert found.resistance.value == pytest.approx(found.rise.value / 300)


@given(st.floats(10, 27))
def test_the_background_of_the_night_does_not_matter(background: float) -> None:
    """36.0 dBA over 31.5 is the same speed, whatever the room was like when the specimen was measured. Up to 15 dB
    below the level the background is taken out; further below it is not, which is worth at most 0.14 dB."""
    _, speed = reached(at_equal_noise(measured(background=background), 300, 38.0, 31.5))
    _, quiet = reached(at_equal_noise(measured(background=0.0), 300, 38.0, 31.5))
    assert 50 * abs(math.log10(speed.value / quiet.value)) < 0.2


def test_a_louder_floor_means_a_slower_fan_at_the_same_total() -> None:
    over_quiet, over_loud = (at_equal_noise(measured(), 300, 38.0, floor) for floor in (28.0, 34.0))
    assert reached(over_loud)[1].value < reached(over_quiet)[1].value
    assert reached(over_loud)[0].value > reached(over_quiet)[0].value


@pytest.mark.parametrize("level_dba", [31.6, 32.4, 48.0, 70.0])
def test_not_reached_is_a_result_with_the_reach(level_dba: float) -> None:
    found = at_equal_noise(measured(), 300, level_dba, 31.5)
    low, high = level_sum([source_dba(650), 31.5]), level_sum([source_dba(1700), 31.5])
    assert not found.reached
    assert (found.rise, found.resistance, found.fan_rpm) == (None, None, None)
    assert found.reach is not None
    assert (found.reach.low, found.reach.high) == pytest.approx((low, high), abs=0.15)
    assert found.why == f"not reached: {found.reach}"


@given(st.floats(31.6, 60))
def test_never_reads_beyond_measured_points(level_dba: float) -> None:
    """But for the 1 % of speed that a point stands for, 0.2 dB."""
    found = at_equal_noise(measured(), 300, level_dba, 31.5)
    assert found.reach is not None
    if found.reached:
        assert found.reach.low - 0.22 <= level_dba <= found.reach.high + 0.22
    else:
        assert not found.reach.holds(level_dba)
    if found.rise is not None:
        assert rise_k(1700) - 0.1 <= found.rise.value <= rise_k(650) + 0.1


def test_a_speed_just_beyond_the_last_point_takes_its_rise_less_surely() -> None:
    at_the_point = at_equal_noise(measured(), 300, level_sum([source_dba(1690), 31.5]), 31.5)
    beyond = at_equal_noise(measured(), 300, level_sum([source_dba(1710), 31.5]), 31.5)
    assert reached(beyond)[0].value == pytest.approx(rise_k(1700), abs=0.01)
    assert reached(beyond)[0].u_std > reached(at_the_point)[0].u_std
    assert abs(rise_k(1710) - reached(beyond)[0].value) < 2 * reached(beyond)[0].u_std


def test_one_point_at_the_level_is_enough() -> None:
    """A night with one noise level: the soak met the level within the noise of its speed."""
    level = level_sum([source_dba(1004), 31.5])
    rise, _ = reached(at_equal_noise(measured(points=(1000.0,)), 300, level, 31.5))
    assert rise.value == pytest.approx(rise_k(1000))
    assert abs(rise_k(1004) - rise.value) < 2 * rise.u_std
    assert not at_equal_noise(measured(points=(1000.0,)), 300, level + 1, 31.5).reached


def test_the_error_of_the_meter_goes_through_the_slope() -> None:
    """All totals 0.3 dB too high moves the rise by one standard uncertainty of 0.3 dB."""
    u_db, background = 0.3, -50.0  # so quiet that the correction and its gain are out of the way
    exact = Measured("reed 3x120", [heard(n, background) for n in SPEEDS], measured(background=background).points)
    uncertain = replace(exact, sweep=[heard(n, background, u_db) for n in SPEEDS], points=_silent(exact.points))
    shifted = replace(
        exact,
        sweep=[replace(h, total=Estimate(h.total.value + u_db, 0.0)) for h in exact.sweep],
        points=_silent(exact.points),
    )
    before, after = (reached(at_equal_noise(m, 300, 38.0, 31.5))[0] for m in (uncertain, shifted))
    assert before.u_std == pytest.approx(after.value - before.value, rel=0.1)
    assert before.dof == pytest.approx(20)


def _silent(points: Sequence[MeasuredPoint]) -> list[MeasuredPoint]:
    return [replace(p, total=None, background=None) for p in points]


def test_the_error_of_the_rise_is_not_averaged_down_between_points() -> None:
    points = [point(n, u_k=0.4) for n in (650.0, 900.0, 1300.0, 1700.0)]
    rise, _ = reached(at_equal_noise(replace(measured(), points=points), 300, 38.0, 31.5))
    assert rise.u_std == pytest.approx(0.4)
    assert rise.dof == pytest.approx(15)


def test_repeats_that_disagree_widen_the_result() -> None:
    twice = [*measured().points, replace(point(903.0), rise=Estimate(rise_k(900) + 2, 0.1))]
    at = level_sum([source_dba(900), 31.5])
    rise, _ = reached(at_equal_noise(replace(measured(), points=twice), 300, at, 31.5))
    assert rise.value == pytest.approx(rise_k(900) + 1, abs=0.1)
    assert rise.u_std == pytest.approx(math.sqrt(2), rel=0.05)


def test_rises_are_scaled_to_exactly_the_heat_load() -> None:
    """Every point got 2 % more watts than asked for: the rise at the load is what it would have been."""
    points = [replace(p, heat=Estimate(306.0, 0.0), rise=Estimate(p.rise.value * 1.02, 0.0)) for p in measured().points]
    rise, _ = reached(at_equal_noise(replace(measured(), points=points), 300, 38.0, 31.5))
    assert rise.value == pytest.approx(reached(at_equal_noise(measured(), 300, 38.0, 31.5))[0].value)


@pytest.mark.parametrize("background", [33.0, 36.0])
def test_an_upper_bound_marks_the_result_and_errs_on_the_warm_side(background: float) -> None:
    """A specimen that hardly shows above the room is quieter than it can be proved to be: the rise is at most that."""
    found = at_equal_noise(measured(background=background), 300, 37.0, 31.5)
    assert found.bound == ("indicative" if background == 33.0 else "upper")
    truth, _ = reached(at_equal_noise(measured(background=0.0), 300, 37.0, 31.5))
    assert reached(found)[0].value >= truth.value - 0.3


def test_bound_is_that_of_the_levels_read_between() -> None:
    assert at_equal_noise(measured(background=33.0), 300, 44.0, 31.5).bound == "value"


def test_only_usable_points_of_the_heat_load_count() -> None:
    others = [replace(point(1000.0), rise=Estimate(99.0, 0.1), usable=False), point(1000.0, heat_w=200.0)]
    mixed = replace(measured(), points=[*measured().points, *others])
    assert at_equal_noise(mixed, 300, 38.0, 31.5) == at_equal_noise(measured(), 300, 38.0, 31.5)
    nothing = at_equal_noise(measured(), 400, 38.0, 31.5)
    assert (nothing.reached, nothing.reach, nothing.why) == (False, None, "no usable point at 400 W")


def test_points_with_levels_make_up_for_a_missing_sweep() -> None:
    found = at_equal_noise(replace(measured(), sweep=()), 300, 38.0, 31.5)
    assert reached(found)[0].value == pytest.approx(
        reached(at_equal_noise(measured(), 300, 38.0, 31.5))[0].value, abs=0.1
    )


def test_without_levels_there_is_no_comparison() -> None:
    deaf = Measured("brook 2x140", (), _silent(measured().points))
    assert at_equal_noise(deaf, 300, 38.0, 31.5).why == "levels were measured at fewer than two speeds"


def test_fans_that_stand_still_make_no_curve() -> None:
    still = replace(measured(), sweep=[HeardSpeed(0.0, Estimate(25.0, 0.1), Estimate(25.0, 0.1)), *measured().sweep])
    assert at_equal_noise(still, 300, 38.0, 31.5) == at_equal_noise(measured(), 300, 38.0, 31.5)


def test_points_beside_the_curve_are_not_reached() -> None:
    beside = Measured("brook 2x140", [heard(600.0), heard(800.0)], _silent([point(1500.0), point(1800.0)]))
    found = at_equal_noise(beside, 300, 33.0, 31.5)
    assert (found.reached, found.reach) == (False, None)
    assert found.why == "not reached: no point lies on the level curve"


@pytest.mark.parametrize(
    ("heat_w", "level_dba", "floor_dba"), [(0, 38, 31), (300, 31, 31), (300, 30, 31), (300, math.nan, 31)]
)
def test_refuses(heat_w: float, level_dba: float, floor_dba: float) -> None:
    with pytest.raises(ValueError, match="must be above"):
        at_equal_noise(measured(), heat_w, level_dba, floor_dba)


@pytest.mark.parametrize(
    ("first", "second", "meaningful"),
    [
        (Estimate(42.8, 0.3), Estimate(42.2, 0.4), False),
        (Estimate(43.8, 0.3), Estimate(42.2, 0.4), True),
        (Estimate(42.2, 0.4), Estimate(43.8, 0.3), True),
        # The same distance and standard uncertainties, known from three readings each: t95 is 2.8 and not 2.0.
        (Estimate(43.4, 0.3, 2), Estimate(42.2, 0.4, 2), False),
        (Estimate(43.4, 0.3), Estimate(42.2, 0.4), True),
    ],
)
def test_a_difference_means_something_when_it_exceeds_its_uncertainty(
    first: Estimate, second: Estimate, meaningful: bool
) -> None:
    assert difference(first, second).meaningful is meaningful
    assert difference(first, second).estimate.value == pytest.approx(first.value - second.value)
