"""Design part 5: a protocol limit ends the point, not the night."""

from __future__ import annotations

import re

import pytest

from benchd.running.states import Flag, Quality, RunState

HEAD = "[limits]\nover_limit_c = {limit_c}"
SOAK = """
[[steps]]
kind = "soak"
heat_w = {heat_w}
fan_pct = {fan_pct}
pump_pct = 100
order = "listed"
read_min = 0.5
equilibrium = {{ within_k = 0.5, at_most_min = 30 }}
{cool_down}
"""
COOL_DOWN = 'cool_down = "to_within_k"\nto_within_k = 5\ncool_at_most_min = 30'


@pytest.fixture
def over(night):
    """Plays heat loads and fan settings against a limit, on the smallest liquid cooler."""

    def play(heat_w: list[float], fan_pct: list[float], limit_c: float, cool_down: str = "") -> RunState:
        steps = SOAK.format(heat_w=heat_w, fan_pct=fan_pct, cool_down=cool_down)
        night.enroll(steps, specimen="brook 1x120", head=HEAD.format(limit_c=limit_c))
        return night.play()

    return play


def test_the_point_ends_as_over_limit_and_the_night_goes_on(night, over) -> None:
    assert over([250], [30, 100], 85, COOL_DOWN) is RunState.COMPLETE
    first, second = night.points
    assert (first.quality, first.ended_by) == (Quality.OVER_LIMIT, "over_limit")
    assert second.quality is not Quality.OVER_LIMIT
    assert night.said("trip") == []


def test_heat_is_off_and_it_cools_down_before_the_next_point(night, over) -> None:
    over([250], [30, 100], 85, COOL_DOWN)
    kinds = [step.kind for step in night.steps]
    after = night.steps[kinds.index("soak") + 1]
    assert after.kind == "cool_down"
    assert after.ending == "done"
    assert after.ended_ms - after.started_ms > 60_000


def test_it_cools_down_even_where_the_protocol_would_let_the_next_load_follow_at_once(night, over) -> None:
    assert over([250], [30, 100], 85) is RunState.COMPLETE
    assert [(step.stage.split("/")[-1], step.kind, step.ending) for step in night.steps] == [
        ("250w_30pct", "soak", "over_limit"),
        ("cool_down", "cool_down", "done"),
        ("250w_100pct", "soak", "settled"),
    ]
    assert [point.quality is Quality.OVER_LIMIT for point in night.points] == [True, False]
    assert len(night.points) == 2


def test_it_ends_when_the_predicted_end_passes_the_limit_long_before_the_die_does(night, over) -> None:
    over([200], [30], 85)
    ended = night.steps[0]
    said = re.fullmatch(
        r"die would end at (9\d) ±\d degC, limit 85 degC; about (\d+) W would just be held", ended.reason
    )
    assert said is not None, ended.reason
    # In proportion to its rise over the air, of 22 degC: what is held is that much less than what was tried.
    assert int(said[2]) == pytest.approx(200 * (85 - 22) / (int(said[1]) - 22), rel=0.02)
    assert max(value for _, value, _ in night.samples("die_c")) < 85
    # The same soak without the limit does pass it, minutes later.
    night.enroll(SOAK.format(heat_w=[200], fan_pct=[30], cool_down=""), specimen="brook 1x120")
    night.play()
    passed_ms = next(t_ms for t_ms, value, _ in night.samples("die_c") if value >= 85)
    assert passed_ms - ended.ended_ms > 60_000


def test_it_ends_when_the_die_is_measured_over_the_limit(night, over, parts) -> None:
    """Hot from the start, so that no prediction is possible."""
    parts["probe"].read = lambda t_s: {"die_c": 86.0 if t_s >= 60 else 40.0 + t_s % 2, "ambient_c": 22.0}
    over([100], [100], 85)
    assert night.steps[0].reason == "die at 86.0 degC, limit 85 degC"
    assert night.steps[0].ended_ms == 69_000  # the tenth tick in a row
    assert night.points[0].quality is Quality.OVER_LIMIT


def test_one_noisy_sample_over_the_limit_ends_nothing(night, over, parts) -> None:
    parts["probe"].read = lambda t_s: {"die_c": 86.0 if t_s == 60 else 40.0, "ambient_c": 22.0}
    over([100], [100], 85)
    assert night.points[0].ended_by == "settled"


def test_the_interlock_is_not_reached_by_it(night, over) -> None:
    assert over([250], [20], 85) is RunState.COMPLETE
    assert night.said("trip") == []
    assert max(value for _, value, _ in night.samples("die_c")) < 95


def test_points_known_to_be_worse_are_skipped_with_the_reason(night, over) -> None:
    over([200, 250], [30, 100], 85)
    skipped = [point for point in night.points if point.ended_by == "not measured"]
    assert [(point.heat_set_w, point.fan_pct) for point in skipped] == [(250, 30)]
    assert skipped[0].quality is Quality.OVER_LIMIT
    assert skipped[0].flags == (Flag.SKIPPED,)
    assert skipped[0].rise_k is None
    assert night.said("skipped") == ["soak/250w_30pct: over limit, not measured: 200 W at fans 30 % already was"]
    assert not any(step.stage == "soak/250w_30pct" for step in night.steps)


def test_every_point_of_the_grid_has_a_result(night, over) -> None:
    over([200, 250], [30, 100], 85)
    assert sorted((p.heat_set_w, p.fan_pct) for p in night.points) == [(200, 30), (200, 100), (250, 30), (250, 100)]
    assert [p.point for p in night.points] == [1, 2, 3, 4]
    assert all(p.quality for p in night.points)
