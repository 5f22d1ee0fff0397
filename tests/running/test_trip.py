"""Design part 5: `tripped` is an end for the engine; the latch is derived and survives restarts."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from benchd.bench_file import Interlock
from benchd.errors import RunRefused, StoreError
from benchd.instruments import SampleFlag
from benchd.running.interlocks import Interlocks
from benchd.running.sampler import Sample
from benchd.running.states import RunState
from benchd.store.records import CLEAR, EventRow
from benchd.store.writer import Writer

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)

STEPS = """
[[steps]]
kind = "dwell"
name = "first"
for_min = 0.1
heat_w = 50
[[steps]]
kind = "dwell"
name = "second"
for_min = 0.5
heat_w = 100
[[steps]]
kind = "dwell"
name = "third"
for_min = 0.1
"""


def clear(night) -> None:
    night.writer.add_event(EventRow(bench="trial", utc=EVENING, kind=CLEAR, what="the hose was mended", who="ann"))


@pytest.fixture
def tripped(parts, night):
    """A run that has tripped in its second stage."""
    night.enroll(STEPS)
    parts["probe"].read = lambda t_s: {"die_c": 96.0} if t_s >= 15 else {}
    assert night.play() is RunState.TRIPPED
    parts["probe"].read = None
    return night


def test_a_trip_is_said_with_its_limit_and_ends_the_step(tripped) -> None:
    assert tripped.said("trip") == ["die_c above 95 degC for 3 s: it is 96"]
    assert tripped.row.reason == tripped.said("trip")[0]
    assert tripped.played == [("first", 1, 1, "dwell", "done"), ("second", 1, 1, "dwell", "tripped")]


def test_the_engine_refuses_to_start_any_run_while_the_bench_is_latched(parts, tripped) -> None:
    parts.order.clear()
    with pytest.raises(RunRefused, match="tripped and has not been cleared: die_c above 95") as told:
        tripped.play()
    assert "mend the cause" in told.value.hint
    tripped.enroll(STEPS)
    with pytest.raises(RunRefused):
        tripped.play()
    assert tripped.state is RunState.QUEUED
    assert parts.order == []


def test_the_latch_survives_a_restart(tripped) -> None:
    tripped.writer.close()
    with Writer.open(tripped.path, durable=False) as writer:
        tripped.writer = writer
        with pytest.raises(RunRefused):
            tripped.play()


def test_the_latch_is_derived_from_the_events_alone(tripped) -> None:
    """No table or column keeps it: with the event gone, so is the latch."""
    with tripped.writer.reading() as connection:
        connection.exec_driver_sql("DELETE FROM event WHERE kind = 'trip'")
    assert tripped.play() is RunState.COMPLETE


def test_clear_re_arms_and_resume_continues_the_unfinished_stages_of_the_same_run(tripped) -> None:
    clear(tripped)
    assert tripped.play() is RunState.COMPLETE
    assert tripped.played[2:] == [
        ("second", 2, 1, "cool_down", "done"),
        ("second", 2, 2, "dwell", "done"),
        ("third", 1, 1, "dwell", "done"),
    ]
    assert [event.kind for event in tripped.events if event.kind in ("start", "resume")] == ["start", "resume"]


def test_it_trips_again_after_a_clear(parts, tripped) -> None:
    clear(tripped)
    parts["probe"].read = lambda _t_s: {"die_c": 97.0}
    assert tripped.play() is RunState.TRIPPED
    with pytest.raises(RunRefused):
        tripped.play()


def test_another_bench_is_not_latched_by_it(tripped, bench_of) -> None:
    tripped.bench = bench_of(('bench = "trial"', 'bench = "other"'))
    tripped.enroll(STEPS)
    assert tripped.play() is RunState.COMPLETE


def test_interlocks_are_watched_in_every_step_whatever_the_protocol_says(parts, night) -> None:
    parts["probe"].read = lambda t_s: {"die_c": 96.0} if t_s >= 2 else {}
    night.enroll('[[steps]]\nkind = "background"\nfor_min = 1\n')
    assert night.play() is RunState.TRIPPED


# One interlock, tick by tick


def verdicts(lock: Interlock, values: list[float | None]) -> list[str]:
    """What the interlock says at each tick of 1 s; None is a missing sample."""
    locks = Interlocks([lock], [lock.channel])
    said = []
    for t_s, value in enumerate(values):
        flag = SampleFlag.OK if value is not None else SampleFlag.MISSING
        trip = locks.check(float(t_s), [Sample(lock.channel, value, flag)], {})
        said.append(trip.words if trip else "")
    return said


def test_an_excess_must_last() -> None:
    lock = Interlock(channel="die_c", above=95, for_s=2)
    assert verdicts(lock, [96, 96, 94, 96, 96, 96]) == ["", "", "", "", "", "die_c above 95 degC for 2 s: it is 96"]


def test_a_limit_itself_is_not_passed() -> None:
    assert verdicts(Interlock(channel="die_c", above=95), [95, 95.1]) == ["", "die_c above 95 degC: it is 95.1"]
    assert verdicts(Interlock(channel="pump_rpm", below=500), [500, 499])[1] == "pump_rpm below 500 1/min: it is 499"


def test_a_gap_neither_starts_nor_ends_an_excess() -> None:
    lock = Interlock(channel="die_c", above=95, for_s=3)
    assert verdicts(lock, [96, None, None, 96])[-1] == "die_c above 95 degC for 3 s: it is 96"
    assert verdicts(lock, [96, None, None, None])[-1] == "die_c above 95 degC for 3 s: it is not readable"


def test_a_channel_that_cannot_be_read_trips_as_well() -> None:
    lock = Interlock(channel="die_c", above=95, missing_s=3)
    assert verdicts(lock, [40, None, None, None, None])[-1] == "die_c has not been readable for 3 s (missing)"
    assert verdicts(lock, [40, None, None, 40, None, None, 40]) == [""] * 7


def test_a_value_out_of_range_counts_as_not_readable_and_still_as_an_excess() -> None:
    locks = Interlocks([Interlock(channel="die_c", above=95, for_s=1, missing_s=60)], ["die_c"])
    assert locks.check(0.0, [Sample("die_c", 130.0, SampleFlag.OUT_OF_RANGE)], {}) is None
    assert locks.check(1.0, [Sample("die_c", 130.0, SampleFlag.OUT_OF_RANGE)], {}).words.endswith("it is 130")


def test_a_channel_that_stays_out_of_range_trips_though_its_values_pass_no_limit() -> None:
    """A broken sensor often shows the lower end of its range, or less: cold, and well below the limit."""
    locks = Interlocks([Interlock(channel="die_c", above=95, missing_s=3)], ["die_c"])
    trips = [locks.check(float(t_s), [Sample("die_c", -40.0, SampleFlag.OUT_OF_RANGE)], {}) for t_s in range(4)]
    assert trips[:3] == [None] * 3
    assert trips[3].words == "die_c has not been readable for 3 s (out_of_range)"


def test_an_interlock_of_a_channel_that_the_specimen_lacks_is_not_watched() -> None:
    locks = Interlocks([Interlock(channel="coolant_c", above=60)], ["die_c"])
    assert locks.check(0.0, [Sample("die_c", 40.0, SampleFlag.OK)], {}) is None


def test_a_channel_that_hangs_trips_as_well() -> None:
    locks = Interlocks([Interlock(channel="die_c", above=95, missing_s=2)], ["die_c"])
    warm, hangs = [Sample("die_c", 40.0, SampleFlag.OK)], {"die_c": "die_c shows 40 degC for 9 min"}
    assert [locks.check(t_s, warm, {"coolant_c": "it hangs"}) for t_s in (0.0, 60.0)] == [None, None]
    assert [locks.check(t_s, warm, hangs) for t_s in (61.0, 62.0)] == [None, None]
    assert locks.check(62.5, warm, {}) is None
    assert [locks.check(t_s, warm, hangs) for t_s in (63.0, 64.0)] == [None, None]
    assert locks.check(65.0, warm, hangs).words == "die_c shows 40 degC for 9 min: its interlock is blind"


def test_a_dead_probe_trips_the_run(parts, real_night) -> None:
    parts["probe"].read = lambda t_s: parts.block() if t_s >= 5 else {"die_c": 40.0, "ambient_c": 22.0}
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\nheat_w = 100\n')
    assert real_night.play() is RunState.TRIPPED
    assert real_night.row.reason == "die_c has not been readable for 10 s (missing)"
    assert parts["load"].safes == [{"heat_w": 0}]


def test_a_run_whose_first_start_could_not_be_written_can_be_started_again(night, monkeypatch) -> None:
    def full(*_args, **_more) -> None:
        raise StoreError("the disk is full")

    night.enroll(STEPS)
    with monkeypatch.context() as disk:
        disk.setattr(Writer, "set_state", full)
        with pytest.raises(StoreError):
            night.play()
    assert night.state is RunState.QUEUED
    assert night.play() is RunState.COMPLETE
