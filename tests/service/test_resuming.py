"""Who may go on, and when: what `resume` takes, what it refuses, and what is checked again when a run's turn comes."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from benchd.bench_file import load_bench
from benchd.clock import VirtualClock
from benchd.errors import InputError, NotFound, RunRefused
from benchd.named_files import find_bench
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.enroll import enroll
from benchd.running.states import RunState
from benchd.service.asked import questions
from benchd.service.desk import BenchDesk
from benchd.service.orders import Order
from benchd.service.outlook import next_to_play
from benchd.service.resuming import next_to_go_on
from benchd.service.shift import Shift, clock_of
from benchd.store import queries
from benchd.store.records import TRIP, EventRow, RunRow, WaitsFor
from benchd.store.writer import Writer

REST = 'protocol = "rest"\n[[steps]]\nkind = "dwell"\nfor_min = 60\n'
EVENING = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)
STOPPED = [RunState.TRIPPED, RunState.FAILED, RunState.INTERRUPTED]


@pytest.fixture
def shift(tmp_path: Path) -> Iterator[Shift]:
    loaded = load_bench(Path(find_bench("simulated").file).read_text(), "simulated.toml")
    with Writer.open(tmp_path / "bench.db", durable=False) as writer:
        bench = OpenBench(loaded.bench)
        yield Shift(loaded, bench, writer, VirtualClock(EVENING), ZoneInfo("Europe/Berlin"))
        bench.close()


@pytest.fixture
def desk(shift: Shift) -> BenchDesk:
    return BenchDesk(shift)


def queued(desk: BenchDesk, **more: object) -> int:
    order = Order(protocol=load_protocol(REST, "rest.toml"), specimen="brook 2x140", **more)
    return desk.queue(order, "anna").run


def mounted(desk: BenchDesk) -> None:
    desk.add_specimen("brook 2x140", "liquid", "", "anna")
    desk.add_mount("brook 2x140", "", "anna")


def stopped(desk: BenchDesk, shift: Shift, state: RunState, waits_for: WaitsFor | None = None) -> int:
    """A run on the mount that stands, left in a state."""
    mounted(desk)
    run = queued(desk)
    shift.writer.set_state(run, state, shift.now(), "because", waits_for)
    return run


def row_of(shift: Shift, run: int) -> RunRow:
    with shift.writer.reading() as connection:
        return queries.run(connection, run)


def change_bench_file(shift: Shift) -> None:
    shift.loaded = replace(shift.loaded, text=shift.loaded.text + "# other fans\n")


# What it takes


@pytest.mark.parametrize("state", STOPPED)
def test_what_has_stopped_is_resumed_without_a_number(desk, shift, state):
    run = stopped(desk, shift, state)
    queued(desk, due_utc=EVENING + timedelta(hours=5))  # waits for its hour, so it is not meant
    desk.resume(None, "anna")
    assert shift.to_play == [run]
    assert next_to_go_on(shift).run == run


def test_a_run_that_was_put_aside_for_a_person_is_resumed(desk, shift):
    run = stopped(desk, shift, RunState.WAITING, WaitsFor.PERSON)
    desk.resume(None, "anna")
    assert shift.to_play == [run]


@pytest.mark.parametrize("waits_for", [None, WaitsFor.QUIET])
def test_a_run_that_waits_for_its_turn_or_window_is_not_started_early(desk, shift, waits_for):
    mounted(desk)
    run = queued(desk, due_utc=EVENING + timedelta(hours=5))
    shift.writer.set_state(run, RunState.WAITING, shift.now(), "waits for its turn", waits_for)
    with pytest.raises(RunRefused, match="there is no run to resume"):
        desk.resume(None, "anna")
    with pytest.raises(RunRefused, match=rf"run {run} needs nobody, it starts by itself: starts at 00:00") as refused:
        desk.resume(run, "anna")
    assert refused.value.hint == "see benchd status"
    assert shift.to_play == []


def test_a_run_that_waits_for_its_mount_is_confirmed_not_resumed(desk, shift):
    run = queued(desk)
    next_to_play(shift)
    assert row_of(shift, run).waits_for is WaitsFor.MOUNT
    with pytest.raises(RunRefused, match="there is no run to resume"):
        desk.resume(None, "anna")
    with pytest.raises(RunRefused, match="mount 1 of brook 2x140 is to be on the bench") as refused:
        desk.resume(run, "anna")
    assert refused.value.hint == f"benchd confirm --run {run}"
    desk.confirm("", run, "anna")
    assert next_to_play(shift).run == run


def test_two_that_have_stopped_are_told_apart(desk, shift):
    first = stopped(desk, shift, RunState.FAILED)
    second = queued(desk)
    shift.writer.set_state(second, RunState.INTERRUPTED, shift.now(), "because")
    with pytest.raises(InputError, match=rf"which run\? {first} \(failed\), {second} \(interrupted\)"):
        desk.resume(None, "anna")
    desk.resume(second, "anna")
    desk.resume(None, "anna")
    assert shift.to_play == [second, first]


# A changed bench file


@pytest.mark.parametrize(("state", "waits_for"), [(RunState.INTERRUPTED, None), (RunState.WAITING, WaitsFor.PERSON)])
def test_a_run_that_can_wait_asks_before_it_goes_on_with_a_changed_bench_file(desk, shift, state, waits_for):
    run = stopped(desk, shift, state, waits_for)
    change_bench_file(shift)
    with pytest.raises(RunRefused, match="the bench file was changed") as refused:
        desk.resume(run, "anna")
    assert f"benchd confirm --run {run}" in refused.value.hint
    with shift.writer.reading() as connection:
        assert [(one.kind, one.run) for one in questions(connection, shift.name)] == [("bench_file", run)]
    assert desk.confirm("", None, "anna").endswith(f"run {run} may start")
    assert row_of(shift, run).bench_text == shift.loaded.text
    assert next_to_play(shift).run == run


@pytest.mark.parametrize("state", [RunState.TRIPPED, RunState.FAILED])
def test_a_run_that_tripped_or_failed_is_confirmed_and_then_resumed(desk, shift, state):
    run = stopped(desk, shift, state)
    change_bench_file(shift)
    with pytest.raises(RunRefused, match="the bench file was changed") as refused:
        desk.resume(run, "anna")
    assert f"benchd confirm --run {run}" in refused.value.hint
    assert row_of(shift, run).state is state
    assert desk.confirm("", run, "anna").endswith(f"benchd resume {run} goes on with it")
    desk.resume(run, "anna")
    assert next_to_go_on(shift).run == run


def test_a_run_that_would_go_on_by_itself_asks_first_when_the_bench_file_was_changed(desk, shift):
    run = stopped(desk, shift, RunState.INTERRUPTED)
    shift.to_play.append(run)  # as after a loss
    change_bench_file(shift)
    due = next_to_go_on(shift)
    assert (due.run, [number for number, _ in due.waiting]) == (None, [run])
    row = row_of(shift, run)
    assert (row.state, row.waits_for) == (RunState.WAITING, WaitsFor.BENCH_FILE)


def test_a_daemon_that_comes_back_with_another_bench_file_does_not_go_on_by_itself(serve, tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(Path(find_bench("simulated").file).read_text())
    bench = serve(bench=str(file))
    run = bench.queue(REST.replace("[[", 'resume = "auto"\n[[', 1))
    bench.until_status(lambda status: status["run"])
    for process in (bench.process.pid, bench.child):
        os.kill(process, signal.SIGKILL)
    bench.process.wait(10)
    file.write_text(file.read_text().replace("above = 95", "above = 90"))
    bench.start()
    bench.until_status(lambda status: [(one["kind"], one["run"]) for one in status["asked"]] == [("bench_file", run)])
    code, answer = bench.call("POST", "/resume", {"run": run})
    assert (code, answer["hint"]) == (409, f"benchd confirm --run {run}")
    bench.ask("POST", "/confirm", {})
    bench.until_status(lambda status: status["run"] and status["run"]["run"] == run)


# Between asking and playing


def test_a_run_goes_on_once_however_often_it_is_asked(desk, shift):
    run = stopped(desk, shift, RunState.FAILED)
    desk.resume(run, "anna")
    for again in (run, None):
        with pytest.raises(RunRefused, match=f"run {run} goes on already"):
            desk.resume(again, "bert")
    assert shift.to_play == [run]


def test_a_run_that_is_given_up_before_its_turn_does_not_go_on(desk, shift):
    run = stopped(desk, shift, RunState.FAILED)
    desk.resume(run, "anna")
    desk.abort(run, "anna")
    assert shift.to_play == []
    assert row_of(shift, run).state is RunState.ABORTED


def test_what_has_changed_before_its_turn_keeps_a_run_from_going_on(desk, shift):
    run = stopped(desk, shift, RunState.FAILED)
    desk.resume(run, "anna")
    desk.add_mount("brook 2x140", "", "anna")
    assert next_to_go_on(shift).run is None
    assert row_of(shift, run).state is RunState.FAILED
    with shift.writer.reading() as connection:
        latest = queries.events(connection, run)[-1]
    assert (latest.kind, latest.what) == (
        "refused",
        "it does not go on: mount 1 of brook 2x140 is not on the bench",
    )


def test_a_trip_before_its_turn_keeps_a_run_from_going_on(desk, shift):
    run = stopped(desk, shift, RunState.INTERRUPTED)
    desk.resume(run, "anna")
    shift.writer.add_event(EventRow(bench=shift.name, utc=shift.now(), kind=TRIP, what="die_c too hot"))
    assert next_to_go_on(shift).run is None
    assert row_of(shift, run).state is RunState.INTERRUPTED


# The rest


def test_a_run_that_cannot_be_played_any_further_fails_and_the_daemon_serves_on(serve, shift):
    bench = serve(ready=False)
    bench.stop()
    # No fan sweep has found a setting for the level: `benchd queue` would have refused it.
    unready = (
        'protocol = "unready"\n[[steps]]\nkind = "soak"\nheat_w = [60]\nnoise_dba = [36]\npump_pct = 60\n'
        "equilibrium = { within_k = 5, at_most_min = 20 }\n"
    )
    with Writer.open(bench.db, durable=False) as writer:
        mount = writer.plan_mount(writer.specimen("brook 2x140", "liquid"), 1)
        writer.stand(mount, shift.name, EVENING)
        for text in (unready, REST):
            protocol = load_protocol(text, "p.toml")
            enroll(writer, protocol, shift.loaded, mount_id=mount, seed=1, simulated=True, utc=EVENING)
    bench.start()
    child = bench.child
    bench.until_status(lambda status: status["run"] and status["run"]["run"] == 2)
    assert bench.child == child
    assert "run_failed" in bench.said
    with queries.reader(bench.db) as connection:
        failed = queries.run(connection, 1)
    assert failed.state is RunState.FAILED
    assert "still lacks what they should have found" in failed.reason


def test_a_fast_clock_goes_on_where_it_had_come_to(shift):
    ahead = datetime.now(UTC).replace(microsecond=0) + timedelta(days=3)
    shift.writer.add_event(EventRow(bench=shift.name, utc=ahead, kind="queued", what="rest"))
    assert clock_of(60.0, shift.writer, shift.name).utc() == ahead
    assert abs(clock_of(None, shift.writer, shift.name).utc() - datetime.now(UTC)) < timedelta(minutes=1)


def test_a_fast_clock_starts_now_when_nothing_lies_ahead(shift):
    assert abs(clock_of(60.0, shift.writer, shift.name).utc() - datetime.now(UTC)) < timedelta(minutes=1)


def test_a_specimen_that_is_not_in_the_books_can_be_entered_in_two_ways(shift):
    wired = load_bench(Path(find_bench("wired").file).read_text(), "wired.toml")
    there = Shift(wired, OpenBench(wired.bench), shift.writer, shift.clock, shift.zone)
    try:
        with pytest.raises(NotFound) as refused:
            queued(BenchDesk(there))
    finally:
        there.bench.close()
    assert refused.value.hint == (
        'benchd specimens add "brook 2x140" --cooling liquid|air, or queue it with --cooling liquid|air'
    )
