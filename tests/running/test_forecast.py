"""What a run will still take: a guess, mended by what stages of the same step have taken."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchd.protocol_file import Equilibrium, parse_protocol
from benchd.running.forecast import Expectation, expectation, expected_s, guess_s, left_s, points_of
from benchd.running.schedule import Schedule, schedule

TEXT = """
protocol = "night"
[[steps]]
kind = "background"
for_min = 2
settle_s = 30
[[steps]]
kind = "fan_sweep"
fan_pct = [100, 60, 30]
settle_s = 10
for_s = 20
[[steps]]
kind = "soak"
heat_w = [100, 150]
{setting}
equilibrium = {{ within_k = 1, at_most_min = 30 }}
repeat_first = true
[[steps]]
kind = "dwell"
for_min = 1
"""
DUTY = parse_protocol(TEXT.format(setting="fan_pct = [40, 80]"), "duty")
NOISE = parse_protocol(TEXT.format(setting="noise_dba = [34, 40]"), "noise")


def left(protocol, done=(), took=None) -> float:
    planned = schedule(protocol, (), seed=1, cooling="liquid")
    return left_s(protocol, planned, frozenset(done), took or {})


def test_a_step_of_fixed_length_is_guessed_right() -> None:
    assert [guess_s(DUTY.steps[i]) for i in (0, 1, 3)] == [150, 90, 60]


def test_a_mount_check_takes_its_time_and_a_question_as_long_as_it_may_wait() -> None:
    steps = '[[steps]]\nkind = "mount_check"\n[[steps]]\nkind = "confirm"\nask = "on?"\nat_most_min = 20\n'
    assert [guess_s(step) for step in parse_protocol(f'protocol = "p"\n{steps}', "p").steps] == [300, 1200]


#: For each of the points of DUTY, NOISE and MIXED [s]: 1 K of 30 K left, at 250 s.
SOAK_S = 250 * math.log(30 / 1)


def test_a_soak_is_guessed_by_how_near_it_has_to_come_and_never_longer_than_it_may_last() -> None:
    assert guess_s(DUTY.steps[2]) == pytest.approx(SOAK_S)

    def guessed(**keys: object) -> float:
        rule = Equilibrium(**{"within_k": 1.0, "at_most_min": 30.0, **keys})
        return guess_s(DUTY.steps[2].model_copy(update={"equilibrium": rule}))

    assert guessed(within_k=0.1) > 1.5 * guessed() > 1.5 * guessed(within_k=3.0)
    assert guessed(until="predicted") == pytest.approx(0.5 * SOAK_S)
    # A slow mode that may be there is waited for: 1000 s for each factor e by which it could pass the tolerance.
    assert guessed(slow_tail_k=2.0) == pytest.approx(math.hypot(SOAK_S, 1000 * math.log(1.96 * 2)))
    assert guessed(at_most_min=5.0) == 5 * 60
    assert guess_s(DUTY.steps[2].model_copy(update={"equilibrium": Equilibrium(for_min=25)})) == 25 * 60


def test_no_soak_is_guessed_shorter_than_what_is_read_of_it() -> None:
    rule = Equilibrium(until="predicted", within_k=5.0, at_most_min=30.0)
    assert guess_s(DUTY.steps[2].model_copy(update={"equilibrium": rule, "read_min": 12.0})) == 12 * 60 + 20


def test_a_cool_down_is_guessed_as_two_fifths_of_its_longest_time_alone_and_before_a_point() -> None:
    text = 'protocol = "cold"\n[[steps]]\nkind = "cool_down"\nto_within_k = 3\nat_most_min = 30\n'
    assert guess_s(parse_protocol(text, "cold").steps[0]) == pytest.approx(12 * 60)
    keys = {"cool_down": "to_within_k", "to_within_k": 3.0, "cool_at_most_min": 30.0}
    assert guess_s(DUTY.steps[2].model_copy(update=keys)) - guess_s(DUTY.steps[2]) == pytest.approx(12 * 60)


def test_a_fixed_cool_down_takes_its_time() -> None:
    fixed = DUTY.steps[2].model_copy(update={"cool_down": "fixed", "cool_for_min": 25.0})
    assert guess_s(fixed) - guess_s(DUTY.steps[2]) == 25 * 60


def test_what_is_left_is_the_sum_of_what_is_not_done() -> None:
    assert points_of(DUTY.steps[2]) == 5
    assert left(DUTY) == 150 + 90 + 5 * SOAK_S + 60
    assert left(DUTY, done=["background", "fan_sweep"]) == 5 * SOAK_S + 60


def test_points_that_a_sweep_will_add_are_counted_before_they_are_known() -> None:
    assert left(NOISE) == left(DUTY)


def test_what_points_have_taken_mends_the_guess_for_the_others() -> None:
    took = {"soak/100w_40pct": 500.0, "soak/100w_80pct": 700.0}
    assert left(DUTY, done=["background", "fan_sweep", *took], took=took) == pytest.approx(3 * 600 + 60)


def test_a_point_that_will_not_be_measured_takes_no_time() -> None:
    planned = schedule(DUTY, (), seed=1, cooling="liquid")
    first, *others = planned.stages
    skipped = Schedule((*others, replace(first, skip="not reached")), more_to_come=False)
    assert left_s(DUTY, skipped, frozenset(), {}) == left(DUTY) - 150


def test_nothing_is_left_at_the_end() -> None:
    planned = schedule(DUTY, (), seed=1, cooling="liquid")
    assert left(DUTY, done=[stage.key for stage in planned.stages]) == 0


# The whole run, and when it needs a quiet room

MIXED = parse_protocol(
    """
protocol = "mixed"
[[steps]]
kind = "dwell"
name = "warm"
for_min = 10
[[steps]]
kind = "background"
quiet = true
for_min = 2
settle_s = 30
[[steps]]
kind = "fan_sweep"
fan_pct = [100, 60, 30]
settle_s = 10
for_s = 20
[[steps]]
kind = "soak"
quiet = true
heat_w = [100, 150]
noise_dba = [34, 40]
equilibrium = { within_k = 1, at_most_min = 30 }
[[steps]]
kind = "cool_down"
to_within_k = 3
at_most_min = 30
""",
    "mixed",
)


def expected(protocol, done=(), took=None) -> Expectation:
    planned = schedule(protocol, (), seed=1, cooling="liquid")
    return expectation(protocol, planned, frozenset(done), took or {})


def test_the_quiet_part_goes_from_the_first_quiet_step_to_the_end_of_the_last_points_to_come_included() -> None:
    soaks_s = 4 * SOAK_S
    quiet_until_s = 600 + 150 + 90 + soaks_s
    assert expected(MIXED) == Expectation(quiet_until_s + 12 * 60, 600, quiet_until_s)
    assert expected(MIXED).quiet_s == pytest.approx(150 + 90 + soaks_s)


def test_what_is_done_is_over_for_the_quiet_part_too() -> None:
    assert expected(MIXED, done=["warm"]).quiet_from_s == 0
    later = expected(MIXED, done=["warm", "background"])
    assert (later.quiet_from_s, later.quiet_until_s) == (90, 90 + 4 * SOAK_S)


def test_a_run_without_quiet_steps_has_no_quiet_part() -> None:
    assert expected(DUTY) == Expectation(left(DUTY), None, None)
    assert expected(DUTY).quiet_s == 0


def test_one_stage_is_expected_as_others_of_its_step_have_taken() -> None:
    stages = {stage.key: stage for stage in schedule(DUTY, (), seed=1, cooling="liquid").stages}
    point, sweep = stages["soak/150w_80pct"], stages["fan_sweep"]
    assert expected_s(DUTY, point, {}) == SOAK_S
    took = {"soak/100w_40pct": 500.0, "soak/100w_80pct": 700.0, "background": 9.0}
    assert expected_s(DUTY, point, took) == 600
    assert expected_s(DUTY, sweep, took) == 90
