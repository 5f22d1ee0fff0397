"""Specimens side by side, against figures worked out by hand from the definitions.

A level adds by energy: the total of a source of L_s over a background of L_b is 10 lg(10^(L_s/10) + 10^(L_b/10)), and
the source is the total less the background likewise (ISO 3744:2010, 8.2.3).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

import pytest

from benchd.errors import InputError
from benchd.report.side_by_side import Comparison, equal_noise, shared_level, stated_floor
from benchd.running.states import Flag, Quality
from benchd.store import queries


def total(source_dba: float, background_dba: float) -> float:
    """Level of a source and a background together [dBA]."""
    return 10 * log10(10 ** (source_dba / 10) + 10 ** (background_dba / 10))


def source_of(rpm: float) -> float:
    """The level that our invented fans make by themselves [dBA]: 46 dBA at 1000/min, 50 dB a decade."""
    return 46 + 50 * log10(rpm / 1000)


def speed_of(source_dba: float) -> float:
    """The speed [1/min] at which they make it."""
    return 1000 * 10 ** ((source_dba - 46) / 50)


def rise_at(rpm: float) -> float:
    """The rise that our invented cooler has at 200 W [K]: 40 K at 1000/min, 30 K less a decade."""
    return 40 - 30 * log10(rpm / 1000)


#: ISO 3744:2010 8.2.3 corrects nothing more than 15 dB above the background: up to 0.14 dB, 0.7 % of the speed here.
SPEED_REL = 0.007
SPEEDS = (600.0, 800.0, 1000.0, 1250.0, 1600.0)


@pytest.fixture
def night(books, made):
    """Enters a run of our invented cooler on a night with a background, and its number."""

    def night(specimen: str = "brook 2x140", background: float = 30.0, better_k: float = 0.0, **more: object) -> int:
        points = [made(rpm, total(source_of(rpm), background), rise_at(rpm) - better_k) for rpm in SPEEDS]
        return books.enter(specimen, points, background=background, **more)

    return night


def compare(books, runs: Sequence[int], *question: float | None) -> Comparison:
    with queries.reader(books.path) as connection:
        return equal_noise(connection, [queries.run(connection, run) for run in runs], *question)


def cells(compared: Comparison) -> list[dict[str, object]]:
    return compared.as_json()["specimens"]


def test_one_cooler_on_two_nights_is_one_cooler_over_one_floor(books, night):
    """Over its own background each night tells another story; over one floor both tell the same."""
    quiet, loud = night(background=25.0), night(background=33.0)
    one, other = cells(compare(books, [quiet, loud], 40.0, 30.0))
    rpm = speed_of(10 * log10(10**4.0 - 10**3.0))
    assert one["fan_rpm"] == pytest.approx(rpm, rel=SPEED_REL)
    assert other["fan_rpm"] == pytest.approx(rpm, rel=SPEED_REL)
    assert one["rise_k"] == pytest.approx(rise_at(rpm), abs=0.1)
    assert other["rise_k"] == pytest.approx(rise_at(rpm), abs=0.1)
    # As they stand, 40 dBA at the microphone is a faster fan in the quiet room than in the loud one.
    own = [cells(compare(books, [run], 40.0))[0] for run in (quiet, loud)]
    for cell, background in zip(own, (25.0, 33.0), strict=True):
        by_hand = speed_of(10 * log10(10**4.0 - 10 ** (background / 10)))
        assert cell["fan_rpm"] == pytest.approx(by_hand, rel=SPEED_REL)
        assert cell["rise_k"] == pytest.approx(rise_at(by_hand), abs=0.1)
    assert own[0]["fan_rpm"] > own[1]["fan_rpm"]
    assert own[0]["rise_k"] < own[1]["rise_k"] - 0.4


def test_the_floor_is_the_median_of_the_backgrounds_to_a_tenth(books, night):
    runs = [night(background=background) for background in (29.04, 31.0, 33.0)]
    assert compare(books, runs, 40.0).floor_dba == 31.0
    assert compare(books, runs[:1], 40.0).floor_dba == 29.0
    assert compare(books, runs[:2], 40.0).floor_dba == 30.0
    assert compare(books, runs[:2], 40.0, 28.5).floor_dba == 28.5


@pytest.mark.parametrize(("better_k", "meaningful"), [(0.0, False), (0.2, False), (3.0, True)])
def test_the_difference_of_two_coolers_is_that_of_their_rises(books, night, better_k, meaningful):
    runs = [night("brook 2x120"), night("brook 2x140", better_k=better_k)]
    one, other = cells(compare(books, runs, 40.0))
    assert other["rise_k"] - one["rise_k"] == pytest.approx(-better_k, abs=1e-6)
    assert (better_k > (one["rise_u_k"] ** 2 + other["rise_u_k"] ** 2) ** 0.5) is meaningful


def test_the_resistance_is_the_rise_over_the_heat_load(books, night):
    (cell,) = cells(compare(books, [night()], 40.0))
    assert cell["resistance_k_per_w"] == pytest.approx(cell["rise_k"] / 200, rel=1e-9)
    assert cell["resistance_u_k_per_w"] == pytest.approx(cell["rise_u_k"] / 200, rel=1e-6)


def test_a_rise_is_scaled_from_the_watts_measured_to_the_heat_load(books, made):
    points = [made(rpm, total(source_of(rpm), 30.0), rise_at(rpm) * 0.98, heat_w=196.0) for rpm in SPEEDS]
    (cell,) = cells(compare(books, [books.enter("brook 2x140", points)], 40.0))
    assert cell["rise_k"] == pytest.approx(rise_at(cell["fan_rpm"]), abs=0.05)


def test_nothing_is_read_beyond_what_was_measured(books, night):
    (cell,) = cells(compare(books, [night()], 58.0))
    reach = [total(source_of(rpm), 30.0) for rpm in (SPEEDS[0], SPEEDS[-1])]
    assert (cell["reached"], cell["rise_k"], cell["fan_rpm"], cell["level_bound"]) == (False, None, None, None)
    assert [cell["reach_low_dba"], cell["reach_high_dba"]] == pytest.approx(reach, abs=0.05)
    assert cell["why"] == f"not reached: {reach[0]:.1f} to {reach[1]:.1f} dBA"


def test_the_reach_is_stated_over_the_floor_and_not_over_the_nights_own_background(books, night):
    (cell,) = cells(compare(books, [night(background=33.0)], 58.0, 25.0))
    assert cell["reach_low_dba"] == pytest.approx(total(source_of(SPEEDS[0]), 25.0), abs=0.1)


def test_a_level_near_the_background_gives_an_upper_bound(books, night):
    """Less than 3 dB over the background a source can only be said to be at most so loud (ISO 3744:2010, 8.2.3)."""
    near, far = (
        cells(compare(books, [night(background=background)], level))[0]
        for background, level in ((44.0, 46.2), (20.0, 50.0))
    )
    assert (near["reached"], near["level_bound"]) == (True, "upper")
    assert (far["reached"], far["level_bound"]) == (True, "value")
    # The most that 600/min can make is its total less 3 dB, so the true speed for the level is a higher one.
    assert near["fan_rpm"] < speed_of(10 * log10(10**4.62 - 10**4.4))


@pytest.mark.parametrize("quality", [Quality.VOID, Quality.OVER_LIMIT, Quality.NOT_REACHED])
def test_a_point_that_is_not_usable_is_not_read_from(books, made, quality):
    points = [made(rpm, total(source_of(rpm), 30.0), rise_at(rpm)) for rpm in SPEEDS[:3]]
    points += [made(rpm, total(source_of(rpm), 30.0), 90.0, quality=quality) for rpm in SPEEDS[3:]]
    run = books.enter("brook 2x140", points)
    inside, beyond = (cells(compare(books, [run], level))[0] for level in (42.0, 49.0))
    assert inside["rise_k"] == pytest.approx(rise_at(inside["fan_rpm"]), abs=0.1)
    assert (beyond["reached"], beyond["why"][:11]) == (False, "not reached")


def test_a_flagged_point_is_read_from(books, made):
    points = [
        made(rpm, total(source_of(rpm), 30.0), rise_at(rpm), quality=Quality.FLAGGED, flags=(Flag.AMBIENT_MOVED,))
        for rpm in SPEEDS
    ]
    (cell,) = cells(compare(books, [books.enter("brook 2x140", points)], 40.0))
    assert cell["reached"]


def test_with_the_sweep_a_single_point_serves_its_own_level_and_no_other(books, made):
    sweep = [(rpm, total(source_of(rpm), 30.0)) for rpm in SPEEDS]
    run = books.enter("brook 2x140", [made(1000.0, total(46.0, 30.0), 40.0)], sweep=sweep)
    here, there = (cells(compare(books, [run], level))[0] for level in (total(46.0, 30.0), 40.0))
    assert (here["reached"], here["rise_k"]) == (True, pytest.approx(40.0, abs=0.1))
    assert (there["reached"], there["rise_k"]) == (False, None)


def test_points_at_the_less_used_pump_setting_are_left_out(books, made):
    """Another pump setting makes another rise and another noise: one curve through both would be nobody's."""
    usual = [made(rpm, total(source_of(rpm), 30.0), rise_at(rpm), pump_pct=60.0) for rpm in SPEEDS]
    other = [made(rpm, total(source_of(rpm) + 6, 30.0), rise_at(rpm) - 9, pump_pct=100.0) for rpm in SPEEDS[1:4]]
    mixed = [*other[:2], *usual, *other[2:]]
    alone, both = (cells(compare(books, [books.enter("brook 2x140", points)], 40.0))[0] for points in (usual, mixed))
    assert both["rise_k"] == pytest.approx(rise_at(both["fan_rpm"]), abs=0.1)
    assert {key: value for key, value in both.items() if key != "run"} == {
        key: value for key, value in alone.items() if key != "run"
    }
    assert both["pump_pct"] == 60


def test_points_that_are_not_usable_do_not_choose_the_pump_setting(books, made):
    void = [made(rpm, 40.0, None, pump_pct=100.0, quality=Quality.VOID) for rpm in (*SPEEDS, 2000.0, 2500.0)]
    usual = [made(rpm, total(source_of(rpm), 30.0), rise_at(rpm), pump_pct=60.0) for rpm in SPEEDS]
    (cell,) = cells(compare(books, [books.enter("brook 2x140", void + usual)], 40.0))
    assert (cell["reached"], cell["pump_pct"]) == (True, 60)


def test_a_sweep_at_another_pump_setting_is_no_level_curve_for_these_points(books, made):
    sweep = [(rpm, total(source_of(rpm), 30.0)) for rpm in SPEEDS]  # with the pump at full speed
    points = [made(1000.0, total(46.0, 30.0), 40.0, pump_pct=60.0)]
    (cell,) = cells(compare(books, [books.enter("brook 2x140", points, sweep=sweep)], total(46.0, 30.0)))
    assert (cell["reached"], cell["why"]) == (False, "levels were measured at fewer than two speeds")


def test_without_any_usable_point_there_is_no_pump_setting(books, made):
    void = [made(rpm, 40.0, None, quality=Quality.VOID) for rpm in SPEEDS]
    (cell,) = cells(compare(books, [books.enter("brook 2x140", void)], 40.0))
    assert (cell["reached"], cell["pump_pct"]) == (False, None)


def test_a_single_point_without_a_sweep_has_no_level_curve(books, made):
    (cell,) = cells(compare(books, [books.enter("brook 2x140", [made(1000.0, 47.0, 40.0)])], 47.0))
    assert (cell["reached"], cell["why"]) == (False, "levels were measured at fewer than two speeds")


def test_without_a_background_a_run_has_no_place_at_equal_noise_and_does_not_spoil_the_others(books, night, made):
    lacking = books.enter("brook 2x120", [made(rpm, 40.0, 40.0) for rpm in SPEEDS], background=None)
    one, other = cells(compare(books, [lacking, night()], 40.0))
    assert (one["reached"], one["why"]) == (False, "no background was measured in this run")
    assert other["reached"]
    with pytest.raises(InputError, match="none of these runs measured a background") as refused:
        compare(books, [lacking], 40.0)
    assert "--floor" in refused.value.hint


def test_heat_loads_that_one_run_lacks_are_said_to_be_lacking(books, night, made):
    hotter = [made(rpm, total(source_of(rpm), 30.0), 60.0, heat_set_w=300.0, heat_w=300.0) for rpm in SPEEDS]
    runs = [night(), books.enter("brook 2x120", hotter)]
    found = {(cell["run"], cell["heat_w"]): cell for cell in cells(compare(books, runs, 40.0))}
    assert [key for key, cell in found.items() if cell["reached"]] == [(runs[0], 200), (runs[1], 300)]
    assert found[runs[0], 300]["why"] == "no usable point at 300 W"


def test_a_run_without_any_points_is_no_question(books):
    with pytest.raises(InputError, match="these runs have no test points"):
        compare(books, [books.enter("brook 2x140", [])], 40.0)


def test_a_level_that_is_not_above_the_floor_is_no_question(books, night):
    with pytest.raises(InputError, match=r"30 dBA is not above the background of 30\.0 dBA"):
        compare(books, [night()], 30.0)


def test_the_shared_level_lies_within_what_all_reach(books, night, made):
    slow = [made(rpm, total(source_of(rpm), 30.0), 40.0) for rpm in SPEEDS[:3]]
    fast = [made(rpm, total(source_of(rpm), 30.0), 40.0) for rpm in SPEEDS[3:]]
    wide, low, high = night(), books.enter("brook 2x120", slow), books.enter("brook 1x120", fast)
    with queries.reader(books.path) as connection:
        runs = {run: queries.run(connection, run) for run in (wide, low, high)}
        level = shared_level(connection, [runs[wide], runs[low]])
        assert total(source_of(SPEEDS[0]), 30.0) <= level <= total(source_of(SPEEDS[2]), 30.0)
        assert (2 * level).is_integer()
        assert shared_level(connection, [runs[low], runs[high]]) is None
        assert stated_floor(connection, list(runs.values())) == 30.0


def test_what_is_simulated_is_called_so_as_soon_as_one_run_is(books, night):
    real, simulated = night(), night(simulated=True)
    assert compare(books, [real], 40.0).simulated is False
    assert compare(books, [real, simulated], 40.0).simulated is True
