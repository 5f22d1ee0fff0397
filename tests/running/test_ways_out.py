"""Design part 4, rule 6: every way out of a run, foreseen or not, passes through the safe state."""

from __future__ import annotations

import resource
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.clock import VirtualClock
from benchd.errors import BenchdError, InstrumentError, LinkLost, RunRefused, StoreError
from benchd.running.book import RunBook
from benchd.running.engine import Command, Engine
from benchd.running.states import Ending, RunState
from benchd.running.steps.base import Outcome, Wants
from benchd.running.steps.kinds import KINDS

HOT = '[[steps]]\nkind = "dwell"\nfor_min = 1\nheat_w = 150\nfan_pct = 40\n'


def hot_then(last: Callable[[], Outcome]):
    """A step that heats for ten ticks and then ends in its own way."""

    def step(_spec, _found):
        for _ in range(10):
            yield Wants(150, 40, 40, "hot")
        return last()

    return step


def raising(error: BaseException):
    def last() -> Outcome:
        raise error

    return last


def abort(snapshot, engine: Engine) -> None:
    if snapshot.t_s == 10:
        engine.ask(Command.ABORT, "someone")


def interrupt(snapshot, _engine) -> None:
    if snapshot.t_s == 10:
        raise KeyboardInterrupt


WAYS = {
    "it finishes": (None, None, RunState.COMPLETE, None),
    "it is aborted": (None, abort, RunState.ABORTED, None),
    "a step fails": (lambda: Outcome(Ending.FAILED, "nothing usable"), None, RunState.FAILED, None),
    "an error of benchd's": (raising(BenchdError("cannot")), None, RunState.FAILED, BenchdError),
    "an error of the store": (raising(StoreError("disk full")), None, RunState.FAILED, StoreError),
    "a fault in a step": (raising(ZeroDivisionError()), None, RunState.FAILED, ZeroDivisionError),
    "no memory": (raising(MemoryError()), None, RunState.FAILED, MemoryError),
    "Ctrl-C in a step": (raising(KeyboardInterrupt()), None, RunState.FAILED, KeyboardInterrupt),
    "an exit in a step": (raising(SystemExit(1)), None, RunState.FAILED, SystemExit),
    "Ctrl-C in a tick": (None, interrupt, RunState.FAILED, KeyboardInterrupt),
}


@pytest.mark.parametrize("way", WAYS)
def test_heat_is_off_and_cooling_goes_on_in_the_plant_after(way, parts, night, monkeypatch) -> None:
    last, on_tick, state, error = WAYS[way]
    if last is not None:
        monkeypatch.setitem(KINDS, "dwell", hot_then(last))
    night.enroll(HOT)
    with night.opened() as bench:
        if error is None:
            assert night.play(on_tick=on_tick, opened=bench) is state
        else:
            with pytest.raises(error):
                night.play(on_tick=on_tick, opened=bench)
        # `play` has left the bench; opened again, the same plant is there.
    assert parts["load"].writes[-1] == {"heat_w": 150.0}
    assert parts["load"].safes == [{"heat_w": 0.0}]
    with bench:
        bench.read(100.0)
        after = bench.read(200.0)
    assert after["heat_w"] < 1
    assert after["fan_rpm"] > 1000
    assert night.state is state
    assert night.said("safe") == ["load: heat_w 0: confirmed", "fans: fan_pct 100, pump_pct 90: confirmed"]
    assert all(step.ending is not None for step in night.steps)


def test_a_trip_makes_safe(parts, night) -> None:
    parts["probe"].read = lambda t_s: {"die_c": 96.0} if t_s > 5 else {}
    night.enroll(HOT)
    assert night.play() is RunState.TRIPPED
    assert parts.order[-2:] == [
        ("load", "make_safe", {"heat_w": 0}),
        ("fans", "make_safe", {"fan_pct": 100, "pump_pct": 90}),
    ]


def test_a_driver_that_fails_when_the_run_begins_makes_safe(parts, night, monkeypatch) -> None:
    def dead(_about) -> None:
        raise LinkLost("probe: unplugged")

    night.enroll(HOT)
    with night.opened() as bench:
        monkeypatch.setattr(bench.instruments["probe"].driver, "begin", dead)
        with pytest.raises(InstrumentError, match="unplugged"):
            night.play(opened=bench)
    assert night.state is RunState.FAILED
    assert parts["load"].safes == [{"heat_w": 0}]


def test_a_full_disk_makes_safe_and_is_told(parts, night) -> None:
    """No file may grow any more: neither samples can be written, nor how the run ended."""
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)

    def fills_up(snapshot, _engine) -> None:
        if snapshot.t_s == 5:
            log = Path(f"{night.path}-wal")
            resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size, unlimited[1]))

    night.enroll(HOT)
    try:
        with pytest.raises(StoreError, match="cannot record"):
            night.play(on_tick=fills_up)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    assert parts["load"].safes == [{"heat_w": 0}]
    assert parts["fans"].safes == [{"fan_pct": 100, "pump_pct": 90}]
    assert night.state is RunState.RUNNING  # what the next start finds, and marks as interrupted


def test_a_dead_instrument_at_the_end_is_said_and_the_rest_is_safe(parts, night) -> None:
    def dead(_values) -> None:
        raise LinkLost("load: unplugged")

    parts["load"].make_safe = dead
    night.enroll(HOT)
    assert night.play() is RunState.COMPLETE
    assert night.said("not_safe") == ["load: heat_w 0: NOT CONFIRMED: load: unplugged"]
    assert parts["fans"].safes == [{"fan_pct": 100, "pump_pct": 90}]


def test_a_second_ctrl_c_while_making_safe_changes_nothing(parts, night) -> None:
    def again(_values) -> None:
        if len(parts["load"].safes) == 1:
            raise KeyboardInterrupt

    parts["load"].make_safe = again
    night.enroll(HOT)
    with pytest.raises(KeyboardInterrupt):
        night.play(on_tick=interrupt)
    assert parts["load"].safes == [{"heat_w": 0}] * 2
    assert parts["fans"].safes == [{"fan_pct": 100, "pump_pct": 90}]


def test_a_step_is_closed_on_every_way_out(night, monkeypatch) -> None:
    closed = []

    def step(_spec, _found):
        try:
            while True:
                yield Wants(0, 100, 100)
        except GeneratorExit:
            closed.append("closed")
            raise

    monkeypatch.setitem(KINDS, "dwell", step)
    night.enroll(HOT)
    night.play(on_tick=abort)
    assert closed == ["closed"]


def test_a_step_that_will_not_close_is_a_fault_and_the_bench_is_safe(parts, night, monkeypatch) -> None:
    def clings(_spec, _found):
        while True:
            try:
                yield Wants(150, 40, 40)
            except GeneratorExit:
                yield Wants(150, 40, 40)

    monkeypatch.setitem(KINDS, "dwell", clings)
    night.enroll(HOT)
    with pytest.raises(RuntimeError, match="ignored GeneratorExit"):
        night.play(on_tick=abort)
    assert parts["load"].safes == [{"heat_w": 0}]


def test_a_run_that_may_not_start_never_heats(parts, night) -> None:
    night.enroll(HOT)
    night.play()
    parts.order.clear()
    with night.opened() as bench, pytest.raises(RunRefused):
        Engine(RunBook(night.writer, night.run_id, bench), bench, VirtualClock()).play()
    assert parts.order == []


def test_the_command_line_and_the_engine_use_the_same_function() -> None:
    import benchd.commands.make_safe
    import benchd.running.engine
    import benchd.running.safe_state

    assert benchd.running.engine.make_safe is benchd.running.safe_state.make_safe
    assert benchd.commands.make_safe.make_safe is benchd.running.safe_state.make_safe


def test_heat_is_on_only_between_the_first_and_the_last_tick(parts, night) -> None:
    night.enroll(HOT)
    night.play()
    heat = [(kind, values) for _, kind, values in parts.order if "heat_w" in values]
    assert heat == [("write", {"heat_w": 150.0}), ("make_safe", {"heat_w": 0})]
    assert parts.order[0] == ("fans", "write", {"fan_pct": 40.0})
