"""Design part 5: after a crash the bench is made safe and the run waits, unless its protocol says to go on."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone

import pytest

from benchd.clock import VirtualClock
from benchd.errors import LinkLost
from benchd.protocol_file import parse_protocol
from benchd.running.engine import Command
from benchd.running.recovery import AUTO_AT_MOST, GAP_MIN, background_is_stale, decide, recover
from benchd.running.states import Ending, RunState
from benchd.running.steps.kinds import KINDS
from benchd.store.records import REPEAT, TRIP, EventRow
from benchd.store.writer import Writer

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)
LATER = EVENING + timedelta(minutes=5)

STEPS = """
[[steps]]
kind = "background"
for_min = 0.2
settle_s = 5
[[steps]]
kind = "dwell"
for_min = 0.5
heat_w = 50
[[steps]]
kind = "dwell"
name = "last"
for_min = 0.1
"""
AUTO = 'resume = "auto"'

# The decision


def protocol(resume: str):
    return parse_protocol(f'protocol = "trial"\nresume = "{resume}"\n{STEPS}', "trial.toml")


def test_a_run_waits_unless_its_protocol_says_otherwise() -> None:
    assert decide(protocol("wait"), "dwell", [], None, LATER).go_on is False
    assert decide(protocol("auto"), "dwell", [], None, LATER).go_on is True
    assert parse_protocol(f'protocol = "trial"\n{STEPS}', "").resume == "wait"


def test_a_run_goes_on_by_itself_at_most_three_times() -> None:
    assert AUTO_AT_MOST == 3
    assert decide(protocol("auto"), "d", ["a", "b"], None, LATER).go_on
    refused = decide(protocol("auto"), "d", ["a", "b", "c"], None, LATER)
    assert (refused.go_on, refused.reason) == (False, "it has already gone on by itself 3 times")


def test_a_run_never_goes_on_by_itself_twice_at_one_stage() -> None:
    refused = decide(protocol("auto"), "a", ["a"], None, LATER)
    assert (refused.go_on, refused.reason) == (False, "it has already gone on by itself once at stage a")


@pytest.mark.parametrize(
    ("quiet", "at", "go_on"),
    [
        ("22:00-06:00", "21:59", False),
        ("22:00-06:00", "22:00", True),
        ("22:00-06:00", "02:00", True),
        ("22:00-06:00", "06:00", False),
        ("13:00-15:00", "14:00", True),
        ("13:00-15:00", "15:00", False),
        (None, "12:00", True),
    ],
)
def test_a_run_goes_on_by_itself_only_inside_its_quiet_window(quiet, at, go_on) -> None:
    now = datetime.fromisoformat(f"2026-11-21T{at}:00+01:00")
    assert decide(protocol("auto"), "d", [], quiet, now).go_on is go_on


def test_the_background_is_stale_after_thirty_minutes() -> None:
    assert GAP_MIN == 30
    assert not background_is_stale(30, ["background"])
    assert background_is_stale(30.1, ["background"])
    assert not background_is_stale(300, [])


# What a start does with runs whose engine was lost


@pytest.fixture
def lost(night, tmp_path):
    """The database as a crash would leave it: a copy taken in the middle of a tick."""
    writers = []

    def crash(at_s: float, before=None) -> None:
        copy = tmp_path / f"crash{len(writers)}.db"

        def on_tick(snapshot, engine) -> None:
            if before is not None:
                before(snapshot, engine)
            if snapshot.t_s == at_s:
                night.writer.commit()
                with closing(sqlite3.connect(night.path)) as now, closing(sqlite3.connect(copy)) as then:
                    now.backup(then)
                engine.ask(Command.ABORT)

        night.play(VirtualClock(EVENING), on_tick)
        night.writer = Writer.open(copy, durable=False)
        night.path = night.writer.path
        writers.append(night.writer)

    yield crash
    for writer in writers:
        writer.close()


def recovered(night, now: datetime = LATER, never: str = ""):
    bench = night.opened()
    try:
        return recover(night.writer, bench, now, never=never)
    finally:
        bench.close()


def test_a_run_found_alive_is_marked_lost_and_waits_with_the_reason(night, lost) -> None:
    night.enroll(STEPS)
    lost(30.0)
    assert night.state is RunState.RUNNING
    (found,) = recovered(night)
    assert (found.run_id, found.stage, found.decision.go_on) == (night.run_id, "dwell", False)
    assert night.state is RunState.WAITING
    assert night.row.reason == found.decision.reason == "its protocol says to wait for a person"
    assert night.said("interrupted") == ["its engine was lost at stage dwell"]


def test_its_open_step_ends_as_lost_at_the_last_tick_there_is(night, lost) -> None:
    night.enroll(STEPS)
    lost(30.0)
    recovered(night)
    assert night.played == [("background", 1, 1, "background", "done"), ("dwell", 1, 1, "dwell", "lost")]
    assert night.steps[-1].ended_ms == 30_000
    assert night.samples("die_c")[-1][0] == 30_000


def test_the_bench_is_made_safe_once_and_that_is_said(parts, night, lost) -> None:
    night.enroll(STEPS)
    lost(30.0)
    parts.order.clear()
    recovered(night)
    assert parts.order == [
        ("load", "make_safe", {"heat_w": 0}),
        ("fans", "make_safe", {"fan_pct": 100, "pump_pct": 90}),
    ]
    assert night.said("safe") == ["load: heat_w 0: confirmed", "fans: fan_pct 100, pump_pct 90: confirmed"]


def test_the_bench_is_made_safe_even_when_no_run_was_lost(parts, night) -> None:
    night.enroll(STEPS)
    assert recovered(night) == []
    assert [which for _, which, _ in parts.order] == ["make_safe", "make_safe"]
    assert parts["load"].safes == [{"heat_w": 0}]
    assert night.state is RunState.QUEUED


def test_a_person_may_resume_what_waits_and_the_rest_is_played(night, lost) -> None:
    night.enroll(STEPS)
    lost(30.0)
    recovered(night)
    assert night.play(VirtualClock(LATER)) is RunState.COMPLETE
    assert night.played[2:] == [
        ("dwell", 2, 1, "cool_down", "done"),
        ("dwell", 2, 2, "dwell", "done"),
        ("last", 1, 1, "dwell", "done"),
    ]


def test_a_run_that_may_go_on_by_itself_is_given_back_and_stays_interrupted(night, lost) -> None:
    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    (found,) = recovered(night)
    assert found.decision.go_on
    assert night.state is RunState.INTERRUPTED
    assert night.said("auto_resume") == ["dwell"]
    assert night.play(VirtualClock(LATER)) is RunState.COMPLETE


def test_none_goes_on_by_itself_where_the_caller_says_so_whatever_its_protocol_says(night, lost) -> None:
    """A rehearsal costs seconds to play it again, and nothing of it is measured."""
    night.enroll(STEPS, head=AUTO, simulated=True)
    lost(30.0)
    (found,) = recovered(night, never="it is a rehearsal: play it again")
    assert (found.decision.go_on, found.decision.reason) == (False, "it is a rehearsal: play it again")
    assert night.said("auto_resume") == []
    assert (night.state, night.row.reason) == (RunState.WAITING, "it is a rehearsal: play it again")


def test_the_second_crash_at_one_stage_waits_for_a_person(night, lost) -> None:
    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    recovered(night)
    lost(40.0)
    (found,) = recovered(night)
    assert found.decision.reason == "it has already gone on by itself once at stage dwell"
    assert night.state is RunState.WAITING


def test_the_fourth_crash_waits_for_a_person(night, lost) -> None:
    steps = STEPS.replace('"last"', '"four"').replace(
        '[[steps]]\nkind = "dwell"\nfor_min = 0.5',
        '[[steps]]\nkind = "dwell"\nname = "three"\nfor_min = 0.5\n[[steps]]\nkind = "dwell"\nfor_min = 0.5',
    )
    night.enroll(steps, head=AUTO)
    went_on = []
    for stage in ("background", "three", "dwell", "four"):
        at = {}

        def here(snapshot, _engine, stage=stage, at=at) -> None:
            if snapshot.stage == stage and snapshot.kind != "cool_down":
                at.setdefault("s", snapshot.t_s)

        lost_at(lost, here, at)
        went_on.append(recovered(night)[0].decision.go_on)
    assert went_on == [True, True, True, False]
    assert night.said("auto_resume") == ["background", "three", "dwell"]


def lost_at(lost, here, at) -> None:
    """Crash at the first tick for which `here` has noted a time."""

    class Soon:
        def __eq__(self, t_s) -> bool:
            return at.get("s") == t_s

        __hash__ = None

    lost(Soon(), here)


def test_outside_its_quiet_window_it_waits_by_local_time(night, lost) -> None:
    night.enroll(STEPS, head=AUTO, quiet="22:00-06:00")
    lost(30.0)
    local = timezone(timedelta(hours=2))
    (found,) = recovered(night, datetime(2026, 11, 21, 21, 0, tzinfo=local))
    assert found.decision.reason == "it is outside its quiet window 22:00-06:00"


def test_inside_its_quiet_window_it_goes_on_by_local_time(night, lost) -> None:
    night.enroll(STEPS, head=AUTO, quiet="22:00-06:00")
    lost(30.0)
    local = timezone(timedelta(hours=2))
    (found,) = recovered(night, datetime(2026, 11, 20, 23, 5, tzinfo=local))
    assert found.decision.go_on


def test_a_held_run_waits_for_whoever_held_it(night, lost) -> None:
    night.enroll(STEPS, head=AUTO)
    lost(32.0, lambda snapshot, engine: engine.ask(Command.HOLD) if snapshot.t_s == 30 else None)
    assert night.state is RunState.HELD
    (found,) = recovered(night)
    assert (found.decision.go_on, found.decision.reason) == (False, "it was held")
    assert night.played[-1] == ("dwell", 1, 0, "hold", "lost")


def test_a_held_run_waits_for_whoever_held_it_when_its_daemon_was_stopped_meanwhile(night) -> None:
    """It is interrupted then, and no longer held; but nobody has said that it may be heated again."""

    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s in (30, 32):
            engine.ask(Command.HOLD if snapshot.t_s == 30 else Command.LEAVE)

    night.enroll(STEPS, head=AUTO)
    assert night.play(on_tick=on_tick) is RunState.INTERRUPTED
    for _ in range(2):  # a second start finds it waiting, and leaves it
        found = recovered(night)
        assert [(one.decision.go_on, one.decision.reason) for one in found] in ([(False, "it was held")], [])
        assert (night.state, night.row.reason) == (RunState.WAITING, "it was held")


def test_a_run_that_went_on_after_it_was_held_goes_on_by_itself(night) -> None:
    asks = {30: Command.HOLD, 32: Command.RESUME, 36: Command.LEAVE}

    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s in asks:
            engine.ask(asks[snapshot.t_s])

    night.enroll(STEPS, head=AUTO)
    assert night.play(on_tick=on_tick) is RunState.INTERRUPTED
    assert [one.decision.go_on for one in recovered(night)] == [True]


def test_a_run_whose_bench_is_latched_waits(night, lost) -> None:
    """The crash came between the trip and the end of the run."""
    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    night.writer.add_event(EventRow(bench="trial", utc=EVENING, kind=TRIP, what="die_c above 95 degC", t_ms=30_000))
    (found,) = recovered(night)
    assert (found.decision.go_on, found.decision.reason) == (False, "its bench tripped: die_c above 95 degC")


def test_a_run_does_not_go_on_by_itself_on_a_bench_that_is_not_safe(parts, night, lost) -> None:
    def dead(_values) -> None:
        raise LinkLost("load: unplugged")

    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    parts["load"].make_safe = dead
    (found,) = recovered(night)
    assert (found.decision.go_on, found.decision.reason) == (False, "the safe state of its bench is not confirmed")
    assert night.said("not_safe") == ["load: heat_w 0: NOT CONFIRMED: load: unplugged"]


def test_a_run_whose_protocol_this_benchd_cannot_read_waits_and_holds_up_no_other(night, lost) -> None:
    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    with night.writer.reading() as connection:
        connection.exec_driver_sql("UPDATE run SET protocol_text = 'protocol = 1'")
    (found,) = recovered(night)
    assert found.decision.reason.startswith("its protocol cannot be read: protocol of run 1:1:")
    assert night.state is RunState.WAITING


def test_runs_of_another_bench_are_left_alone(night, lost, bench_of) -> None:
    night.enroll(STEPS)
    lost(30.0)
    night.bench = bench_of(('bench = "trial"', 'bench = "other"'))
    assert recovered(night) == []
    assert night.state is RunState.RUNNING


def test_a_run_that_was_given_back_but_never_taken_waits_after_the_next_start(night, lost) -> None:
    night.enroll(STEPS, head=AUTO)
    lost(30.0)
    recovered(night)
    (found,) = recovered(night)
    assert not found.decision.go_on
    assert night.state is RunState.WAITING


def test_a_run_that_ended_is_not_touched(night) -> None:
    night.enroll(STEPS)
    night.play()
    assert recovered(night) == []
    assert night.state is RunState.COMPLETE


# The background after a gap


@pytest.mark.parametrize(("gap_min", "times"), [(29, 1), (31, 2)])
def test_the_background_is_measured_anew_after_a_gap_over_thirty_minutes(night, lost, gap_min, times) -> None:
    night.enroll(STEPS)
    lost(30.0)
    recovered(night)
    night.play(VirtualClock(EVENING + timedelta(seconds=30, minutes=gap_min)))
    done = [step for step in night.steps if step.kind == "background" and step.ending is Ending.DONE]
    assert len(done) == times
    assert night.said("repeat") == ["background"] * (times - 1)
    if times == 2:
        assert [s.stage for s in night.steps][2:4] == ["background", "background"], "it comes before what is left"


def test_what_is_measured_anew_takes_the_place_of_what_was_found_before(night, lost, monkeypatch) -> None:
    sweep = '[[steps]]\nkind = "fan_sweep"\nfan_pct = [100, 60, 30]\nsettle_s = 0\nfor_s = 5\n'
    seen = []
    dwell = KINDS["dwell"]

    def looks(spec, found):
        seen.append([finding.value for finding in found.every("fan_level_dba")])
        return dwell(spec, found)

    monkeypatch.setitem(KINDS, "dwell", looks)
    night.enroll(sweep + STEPS)
    lost(45.0)
    recovered(night)
    night.writer.add_event(
        EventRow(bench="trial", utc=LATER, kind=REPEAT, what="fan_sweep", run_id=night.run_id, t_ms=45_000)
    )
    night.play(VirtualClock(LATER))
    assert [len(levels) for levels in seen] == [3] * len(seen)
    assert seen[-1] != seen[0]


def test_the_new_background_is_the_one_that_counts(night, lost) -> None:
    soak = """
[[steps]]
kind = "soak"
heat_w = [60]
fan_pct = [60]
pump_pct = 100
read_min = 0.5
equilibrium = { within_k = 3, at_most_min = 2 }
"""
    night.enroll(STEPS + soak)
    lost(30.0)
    recovered(night)
    night.play(VirtualClock(EVENING + timedelta(hours=2)))
    found = night.ask("SELECT value FROM finding WHERE name = 'background_dba' ORDER BY id")
    assert len(found) == 2
    assert found[0][0] != found[1][0]
    assert night.points[0].background_dba == found[1][0]
