"""Design part 5: the schedule is a pure function of protocol text and findings, computed anew after every step."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import benchd.running.plan
from benchd.errors import BenchdError
from benchd.protocol_file import parse_protocol
from benchd.running.book import RunBook
from benchd.running.schedule import plays_of, schedule, step_of
from benchd.running.states import Quality, RunState
from benchd.running.steps.base import Finding
from benchd.store import queries

NIGHT = """
protocol = "night"
[limits]
over_limit_c = 85
[[steps]]
kind = "background"
for_min = 1
[[steps]]
kind = "pump_sweep"
heat_w = 200
pump_pct = [100, 60, 40]
loses_k = 0.5
equilibrium = { within_k = 1, at_most_min = 4 }
[[steps]]
kind = "fan_sweep"
fan_pct = [100, 60, 30]
[[steps]]
kind = "soak"
name = "duty"
heat_w = [100, 200]
fan_pct = [40, 80]
equilibrium = { within_k = 1, at_most_min = 4 }
[[steps]]
kind = "soak"
name = "noise"
heat_w = [100, 150, 200]
noise_dba = [32, 36, 60]
equilibrium = { within_k = 1, at_most_min = 4 }
cool_down = "to_within_k"
to_within_k = 5
cool_at_most_min = 10
repeat_first = true
"""
PROTOCOL = parse_protocol(NIGHT, "night.toml")

PUMP = Finding("pump_pct", 60.0, "%", detail={})
LEVELS = tuple(
    Finding("fan_level_dba", level, "dBA", 0.5, 50.0, {"fan_pct": pct, "fan_rpm": 20.0 * pct, "pump_pct": 60.0})
    for pct, level in ((100.0, 45.0), (60.0, 38.0), (30.0, 31.0))
)


def over(heat_w: float, fan_pct: float, pump_pct: float = 60.0) -> Finding:
    detail = {"heat_w": heat_w, "fan_pct": fan_pct, "pump_pct": pump_pct}
    return Finding("over_limit_c", 86.0, "degC", detail=detail)


any_findings = st.lists(
    st.one_of(
        st.just(PUMP),
        st.sampled_from(LEVELS),
        st.builds(over, st.sampled_from([100.0, 150.0, 200.0]), st.sampled_from([40.0, 80.0, 100.0])),
        st.builds(lambda value: Finding("background_dba", value, "dBA", 0.4, 40.0), st.floats(25, 35)),
    ),
    max_size=8,
)


@given(found=any_findings, seed=st.integers(0, 1000), cooling=st.sampled_from(["liquid", "air"]))
def test_same_findings_in_same_stages_out(found, seed, cooling) -> None:
    first = schedule(PROTOCOL, found, seed=seed, cooling=cooling)
    copies = [replace(finding, detail=dict(finding.detail)) for finding in found]
    again = schedule(parse_protocol(NIGHT, "a copy"), copies, seed=seed, cooling=cooling)
    assert again == first
    assert schedule(PROTOCOL, found, seed=seed, cooling=cooling) == first


@given(found=any_findings, seed=st.integers(0, 1000), cooling=st.sampled_from(["liquid", "air"]))
def test_stages_have_names_of_their_own_and_belong_to_a_step(found, seed, cooling) -> None:
    planned = schedule(PROTOCOL, found, seed=seed, cooling=cooling)
    keys = [stage.key for stage in planned.stages]
    assert len(set(keys)) == len(keys)
    assert all(step_of(PROTOCOL, key) in PROTOCOL.steps for key in keys)
    assert all(stage.point is None or stage.skip or stage.point.fan_pct is not None for stage in planned.stages)


@given(found=any_findings, seed=st.integers(0, 1000))
def test_what_is_found_never_takes_a_stage_away(found, seed) -> None:
    """Else a stage that was played would be lost from the count; it may only be skipped, with a reason."""
    before = {stage.key for stage in schedule(PROTOCOL, [PUMP, *LEVELS], seed=seed, cooling="liquid").stages}
    after = {stage.key for stage in schedule(PROTOCOL, [PUMP, *LEVELS, *found], seed=seed, cooling="liquid").stages}
    assert before <= after


@pytest.mark.parametrize(
    ("found", "more", "points"),
    [
        pytest.param((), True, 0, id="before the sweeps"),
        pytest.param((PUMP,), True, 4, id="after the pump sweep"),
        pytest.param((PUMP, *LEVELS), False, 14, id="after the sweeps"),
    ],
)
def test_there_is_more_to_come_until_the_sweeps_are_done(found, more, points) -> None:
    planned = schedule(PROTOCOL, found, seed=1, cooling="liquid")
    assert planned.more_to_come is more
    assert len([stage for stage in planned.stages if stage.point]) == points


def test_a_level_out_of_reach_is_a_result_with_its_reason() -> None:
    planned = schedule(PROTOCOL, (PUMP, *LEVELS), seed=1, cooling="liquid")
    skipped = [stage for stage in planned.stages if stage.skip]
    assert {stage.point.noise_dba for stage in skipped} == {60}
    assert {stage.skip_quality for stage in skipped} == {Quality.NOT_REACHED}
    assert all(stage.skip.startswith("not reached: ") for stage in skipped)


def test_points_worse_than_one_over_the_limit_are_known_to_be() -> None:
    planned = schedule(PROTOCOL, (PUMP, *LEVELS, over(150, 55)), seed=1, cooling="liquid")
    skipped = [s.point for s in planned.stages if s.point and s.skip_quality is Quality.OVER_LIMIT]
    worse = {(point.heat_w, point.fan_pct) for point in skipped}
    assert (200.0, 40.0) in worse
    assert all(heat_w >= 150 and fan_pct <= 55 for heat_w, fan_pct in worse)
    assert not any(heat_w == 100 for heat_w, _ in worse)


PUMPS = parse_protocol(
    'protocol = "pumps"\n'
    + "".join(
        f'[[steps]]\nkind = "soak"\nname = "at{pump}"\nheat_w = [200]\nfan_pct = [40]\npump_pct = {pump}\n'
        "equilibrium = { within_k = 1, at_most_min = 4 }\n"
        for pump in (40, 60, 80)
    ),
    "pumps.toml",
)


@pytest.mark.parametrize(("gone_over", "skipped"), [(40, [40]), (60, [40, 60]), (80, [40, 60, 80])])
def test_with_a_faster_pump_a_point_may_hold_what_it_did_not_before(gone_over, skipped) -> None:
    stages = schedule(PUMPS, [over(200, 40, gone_over)], seed=1, cooling="liquid").stages
    points = [stage for stage in stages if stage.point]
    assert [stage.point.pump_pct for stage in points if stage.skip_quality is Quality.OVER_LIMIT] == skipped
    assert [stage.point.pump_pct for stage in points if not stage.skip] == [
        pump for pump in (40, 60, 80) if pump not in skipped
    ]


def test_only_the_point_with_that_pump_setting_is_followed_by_a_cool_down() -> None:
    keys = [stage.key for stage in schedule(PUMPS, [over(200, 40, 60)], seed=1, cooling="liquid").stages]
    assert keys == ["at40/200w_40pct", "at60/200w_40pct", "at60/200w_40pct/cool_down", "at80/200w_40pct"]


def test_after_a_point_over_the_limit_comes_a_cool_down() -> None:
    keys = [s.key for s in schedule(PROTOCOL, (PUMP, over(200, 40)), seed=1, cooling="liquid").stages]
    assert keys[keys.index("duty/200w_40pct") + 1] == "duty/200w_40pct/cool_down"
    assert sum(key.endswith("/cool_down") for key in keys) == 1


def test_one_point_over_the_limit_asks_for_one_cool_down_though_it_stands_there_again() -> None:
    first = next(s for s in schedule(PROTOCOL, (PUMP, *LEVELS), seed=1, cooling="liquid").stages if "noise" in s.key)
    gone_over = over(first.point.heat_w, first.point.fan_pct)
    planned = schedule(PROTOCOL, (PUMP, *LEVELS, gone_over), seed=1, cooling="liquid")
    keys = [stage.key for stage in planned.stages]
    assert f"{first.key}/again" in keys
    assert [key for key in keys if key.endswith("/cool_down")] == [f"{first.key}/cool_down"]


def test_a_point_over_the_limit_is_not_repeated() -> None:
    stages = schedule(PROTOCOL, (PUMP, *LEVELS), seed=1, cooling="liquid").stages
    again = next(stage for stage in stages if stage.key.endswith("/again"))
    gone_over = over(again.point.heat_w, again.point.fan_pct)
    planned = schedule(PROTOCOL, (PUMP, *LEVELS, gone_over), seed=1, cooling="liquid")
    (repeat,) = [stage for stage in planned.stages if stage.key == again.key]
    assert repeat.skip_quality is Quality.OVER_LIMIT
    assert (
        repeat.skip
        == f"over limit, not measured: {again.point.heat_w:g} W at fans {again.point.fan_pct:.0f} % already was"
    )


WAYS = {"none": "", "fixed": "cool_for_min = 25", "to_within_k": "to_within_k = 2\ncool_at_most_min = 30"}


@pytest.mark.parametrize(("way", "keys"), WAYS.items())
def test_whatever_way_was_chosen_a_point_over_the_limit_is_followed_by_a_cool_down_to_a_small_rise(way, keys) -> None:
    """A fixed time says nothing of how cold it is after it: a small radiator is still hot."""
    text = NIGHT.replace('name = "duty"', f'name = "duty"\ncool_down = "{way}"\n{keys}')
    stages = schedule(parse_protocol(text, "night.toml"), (PUMP, over(200, 40)), seed=1, cooling="liquid").stages
    (cold,) = [stage for stage in stages if stage.key == "duty/200w_40pct/cool_down"]
    expected = {"to_within_k": (2.0, 30.0)}.get(way, (PROTOCOL.repeat_from_k, 60.0))
    assert [(play.kind, play.spec.to_within_k, play.spec.at_most_min) for play in cold.plays] == [
        ("cool_down", *expected)
    ]
    before = [[play.kind for play in stage.plays] for stage in stages if stage.point and stage.key.startswith("duty")]
    assert before == [["soak"] if way == "none" else ["cool_down", "soak"]] * 4


def test_a_cooler_without_a_pump_has_no_pump_sweep() -> None:
    planned = schedule(PROTOCOL, LEVELS, seed=1, cooling="air")
    assert "pump_sweep" not in [stage.key for stage in planned.stages]
    assert not planned.more_to_come


def test_the_order_of_the_points_is_shuffled_by_the_seed_alone() -> None:
    def order(seed: int) -> list[str]:
        planned = schedule(PROTOCOL, (PUMP, *LEVELS), seed=seed, cooling="liquid")
        return [stage.key for stage in planned.stages if stage.key.startswith("noise/")]

    assert len({tuple(order(seed)) for seed in range(10)}) > 5
    assert {frozenset(key.removesuffix("/again") for key in order(seed)) for seed in range(10)} == {
        frozenset(key.removesuffix("/again") for key in order(0))
    }
    assert order(3)[-1] == f"{order(3)[0]}/again"


def test_a_first_attempt_plays_the_stage_and_a_repeat_comes_down_first() -> None:
    stage = schedule(PROTOCOL, (PUMP, *LEVELS), seed=1, cooling="liquid").stages[0]
    assert plays_of(stage, 1, PROTOCOL) == stage.plays
    cold, *rest = plays_of(stage, 2, PROTOCOL)
    assert (cold.kind, cold.spec.to_within_k) == ("cool_down", PROTOCOL.repeat_from_k)
    assert tuple(rest) == stage.plays


SWEPT = """
[[steps]]
kind = "fan_sweep"
fan_pct = [100, 60, 30]
settle_s = 10
for_s = 10
[[steps]]
kind = "soak"
heat_w = [100]
noise_dba = [46, 90]
pump_pct = 100
order = "listed"
read_min = 0.5
equilibrium = { within_k = 3, at_most_min = 3 }
"""


def test_status_says_more_to_come_until_the_sweep_is_done(night) -> None:
    shown = {}
    night.enroll(SWEPT)
    night.play(on_tick=lambda snapshot, _engine: shown.setdefault(snapshot.stage.split("/")[0], snapshot))
    assert (shown["fan_sweep"].points_known, shown["fan_sweep"].more_to_come) == (0, True)
    assert (shown["soak"].points_known, shown["soak"].more_to_come) == (2, False)


def test_not_reached_is_a_result_and_the_night_goes_on(night) -> None:
    night.enroll(SWEPT)
    assert night.play() is RunState.COMPLETE
    reached, not_reached = night.points
    assert abs(reached.level_dba - 46) < 2
    assert (not_reached.quality, not_reached.rise_k) == (Quality.NOT_REACHED, None)
    assert night.said("skipped")[0].startswith("soak/100w_90dba: not reached: ")


def test_it_is_computed_anew_after_every_stage_and_from_what_stands_in_the_database(night, monkeypatch) -> None:
    asked = []

    def counted(protocol, findings, **more):
        with queries.reader(night.path) as connection:
            stored = [row.finding for row in queries.findings(connection, night.run_id)]
        asked.append((list(findings), stored))
        return schedule(protocol, findings, **more)

    monkeypatch.setattr(benchd.running.plan, "schedule", counted)
    night.enroll(SWEPT)
    night.play()
    assert all(given == stored for given, stored in asked)
    assert [len(given) for given, _ in asked][:2] == [0, 3]
    assert len(asked) >= 4


def test_it_is_never_stored(night) -> None:
    tables = [row[0] for row in night.ask("SELECT name FROM sqlite_master WHERE type = 'table'")]
    assert not [name for name in tables if "schedule" in name or "stage" in name]


def test_it_is_the_same_after_a_restart(night) -> None:
    steps = SWEPT.replace('order = "listed"', 'order = "random"').replace("[100]", "[100, 120, 140]")
    night.enroll(steps)
    night.play()
    straight = [step.stage for step in night.steps]
    night.enroll(steps)

    def fails_once(snapshot, _engine) -> None:
        if snapshot.stage == straight[2] and snapshot.kind == "soak":
            raise BenchdError("an engine ends here")

    with pytest.raises(BenchdError):
        night.play(on_tick=fails_once)
    assert night.play() is RunState.COMPLETE
    assert list(dict.fromkeys(step.stage for step in night.steps)) == straight


def test_the_texts_count_as_they_were_when_queued(night) -> None:
    """What a run does follows from the text in its row; a file edited since changes nothing."""
    night.enroll(SWEPT)
    stored = night.row.protocol_text
    assert stored.endswith(SWEPT)
    with night.opened() as bench:
        assert RunBook(night.writer, night.run_id, bench).protocol == parse_protocol(stored, "")


@pytest.mark.parametrize("quiet", ["true", "false"])
def test_a_point_knows_whether_its_soak_has_a_quiet_room(quiet) -> None:
    text = NIGHT.replace('name = "duty"', f'name = "duty"\nquiet = {quiet}')
    planned = schedule(parse_protocol(text, "night.toml"), [PUMP, *LEVELS], seed=1, cooling="liquid")
    of_duty = [stage.point.quiet for stage in planned.stages if stage.key.startswith("duty/")]
    assert of_duty == [quiet == "true"] * 4
    assert not any(stage.point.quiet for stage in planned.stages if stage.key.startswith("noise/"))
