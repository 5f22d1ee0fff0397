"""The tick loop of one run: the only place that samples, records, watches interlocks, holds, aborts and reports.

Synchronous, on one thread. Each tick: command what the step wants, wait for the time, read the bench, record, commit,
let the interlocks judge, obey commands, and hand the samples to the step. Every way out passes through `make_safe`.
"""

from __future__ import annotations

import math
import queue
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from benchd.clock import Clock
from benchd.errors import BenchdError, RunRefused, StoreError
from benchd.instruments import SampleFlag
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.forecast import expected_s, left_s
from benchd.running.interlocks import Interlocks
from benchd.running.plan import Plan
from benchd.running.safe_state import SafeReport, make_safe
from benchd.running.sampler import Sample, Sampler
from benchd.running.schedule import Play, Stage, plays_of
from benchd.running.sensors import Sensors
from benchd.running.setter import Setter
from benchd.running.snapshot import Lateness, Snapshot
from benchd.running.states import Ending, RunEvent, RunState
from benchd.running.steps.base import Hanging, Outcome, Soaking, Tick, Wants
from benchd.running.steps.kinds import KINDS

#: In virtual time a commit every so many ticks; on a real bench every tick, before its setpoints go out.
VIRTUAL_COMMIT_TICKS = 60
#: A setpoint that the bench does not take for so long [s] ends the run.
REFUSED_AT_MOST_S = 30.0
#: A tick that begins later than this part of a tick [1] counts as late.
LATE_PART = 0.1
#: The wall clock and bench time may part by this [s] before it counts as a jump.
JUMP_S = 2.0


class Command(StrEnum):
    """What a person may ask of a running engine; obeyed at the next tick."""

    HOLD = "hold"
    RESUME = "resume"
    ABORT = "abort"
    ANSWER = "answer"  # to what the step asks
    LEAVE = "leave"  # the daemon stops: the run is interrupted, to go on another time


class Asked(NamedTuple):
    """A command, who gives it, and what they say."""

    command: Command
    who: str = ""
    text: str = ""


def always(_stage: Stage) -> str:
    """A gate that is open: every stage may begin."""
    return ""


class _Hold(Exception):
    """The way from a step into the held state."""


class _Leave(Exception):
    """The way out of the run."""

    def __init__(self, event: RunEvent, reason: str) -> None:
        super().__init__(reason)
        self.event = event
        self.reason = reason


@dataclass(frozen=True, slots=True)
class _Where:
    """What stays the same during a step, for the snapshots."""

    stage: str
    attempt: int
    kind: str
    points_done: int
    points_known: int
    more_to_come: bool
    done_s: float
    """How long the stages took that are done [s],"""
    stage_s: float = 0.0
    """this one will take [s], from when what is its own began, and"""
    others_s: float = 0.0
    """those after it will take [s]."""
    point: bool = False
    """Whether this one measures a test point."""
    began_s: float = math.inf
    """When what is its own began, in bench time of the run [s]: what a repeat plays before it, or a hold, is not."""

    def spent_s(self, run_s: float) -> float:
        """How long [s] it has been at what is its own."""
        return max(0.0, run_s - self.began_s)

    def left_s(self, run_s: float, soaking: Soaking | None) -> float:
        """What is left of the run [s]. One that takes longer than usual takes nothing from those after it."""
        stage_s = self.stage_s - self.spent_s(run_s)
        if self.point and soaking is not None and soaking.ends_s is not None:
            stage_s = soaking.ends_s - run_s
        return max(0.0, stage_s) + self.others_s


@dataclass(frozen=True)
class _WayOut:
    event: RunEvent
    reason: str
    error: BaseException | None = None


class Engine:
    """Plays one run to an end. `ask` may be called from any thread; everything else from the one that plays.

    gate: why a stage may not begin now, empty when it may; the run is then put aside to wait.
    """

    def __init__(
        self,
        book: RunBook,
        bench: OpenBench,
        clock: Clock,
        on_tick: Callable[[Snapshot], None] | None = None,
        gate: Callable[[Stage], str] = always,
    ) -> None:
        self._book = book
        self._bench = bench
        self._clock = clock
        self._on_tick = on_tick
        self._gate = gate
        self._commands: queue.SimpleQueue[Asked] = queue.SimpleQueue()
        self._answer: str | None = None
        self._sampler = Sampler(bench)
        self._setter = Setter(bench)
        self._sensors = Sensors(bench.channels)
        self._hangs: set[str] = set()
        self._interlocks = Interlocks(bench.file.interlocks, bench.channels)
        self._commit_every = VIRTUAL_COMMIT_TICKS if clock.virtual else 1
        self._ticks = 0
        self._zero_s = 0.0
        self._next_s = 0.0
        self._wall: datetime = clock.utc()
        self._refused_since_s: float | None = None
        self._silent: dict[str, str] = {}
        self._late = Lateness()
        self._where = _Where("", 0, "", 0, 0, True, 0.0)

    def ask(self, command: Command, who: str = "", text: str = "") -> None:
        """Put a command to the engine; it obeys at its next tick."""
        self._commands.put(Asked(command, who, text))

    def play(self) -> RunState:
        """Play until the run ends, one way or another; the bench is safe when this returns or raises.

        Raises `RunRefused` when the run may not start, and after making safe whatever went wrong underneath.
        """
        self._zero_s = self._next_s = self._clock.now_s()
        self._wall = self._clock.utc()
        self._book.open(self._wall)
        way_out = self._work()
        safe = make_safe(self._bench, way_out.reason)
        self._end(way_out, safe)
        return self._book.state

    def _work(self) -> _WayOut:
        try:
            self._bench.begin(self._book.about)
            while (stage := self._next_stage()) is not None:
                not_now = self._gate(stage)
                if not_now:
                    raise _Leave(RunEvent.WAIT, not_now)
                self._play_stage(stage)
        except _Leave as leave:
            return _WayOut(leave.event, leave.reason)
        except BenchdError as error:
            return _WayOut(RunEvent.FAIL, error.message, error)
        except BaseException as error:  # noqa: BLE001 - raised again in _end(), once the bench is safe
            return _WayOut(RunEvent.FAIL, f"a fault in benchd: {error!r}", error)
        return _WayOut(RunEvent.FINISH, "all stages are done")

    def _end(self, way_out: _WayOut, safe: SafeReport) -> None:
        try:
            for line in safe.lines:
                self._book.event("safe" if not line.problem else "not_safe", line.words)
            self._book.close(way_out.event, way_out.reason, self._clock.utc())
        except StoreError:
            # The first trouble is the one to tell; the run stays open in the database, and the next start finds it.
            if way_out.error is None:
                raise
        if way_out.error is not None:
            raise way_out.error

    # Stages and steps

    def _next_stage(self) -> Stage | None:
        while True:
            plan = self._book.plan()
            left = [stage for stage in plan.schedule.stages if stage.key not in plan.done]
            if not left:
                if plan.schedule.more_to_come:
                    raise BenchdError("the sweeps are over, but a later step still lacks what they should have found")
                return None
            if not left[0].skip:
                self._look_ahead(plan, left[0])
                return left[0]
            self._book.skip(left[0])

    def _look_ahead(self, plan: Plan, stage: Stage) -> None:
        protocol = self._book.protocol
        stage_s = expected_s(protocol, stage, plan.took_s)
        points = [stage.key for stage in plan.schedule.stages if stage.point]
        self._where = _Where(
            stage="",
            attempt=0,
            kind="",
            points_done=sum(key in plan.done for key in points),
            points_known=len(points),
            more_to_come=plan.schedule.more_to_come,
            done_s=plan.done_s,
            stage_s=stage_s,
            others_s=left_s(protocol, plan.schedule, plan.done, plan.took_s) - stage_s,
            point=stage.point is not None,
        )

    def _play_stage(self, stage: Stage) -> None:
        attempt = self._book.attempts(stage.key) + 1
        try:
            for seq, play in enumerate(plays_of(stage, attempt, self._book.protocol), 1):
                self._play_step(stage, attempt, seq, play)
        except _Hold:
            self._hold(stage, attempt)

    def _play_step(self, stage: Stage, attempt: int, seq: int, play: Play) -> None:
        self._where = replace(self._where, stage=stage.key, attempt=attempt, kind=play.kind)
        if play is stage.plays[0]:
            self._where = replace(self._where, began_s=self._book.now_s)
        self._book.begin_step(stage.key, attempt, seq, play.kind, play.spec.model_dump_json())
        step = KINDS[play.kind](play.spec, self._book.found)
        try:
            wants = next(step)
            while True:
                wants = step.send(self._tick(wants))
        except StopIteration as stop:
            outcome: Outcome = stop.value
        finally:
            step.close()
            self._answer = None
            self._note_late()
        last = seq == len(plays_of(stage, attempt, self._book.protocol))
        self._book.end_step(outcome, stage if last else None)
        if outcome.ending is Ending.FAILED:
            raise _Leave(RunEvent.FAIL, f"{stage.key}: {outcome.reason}")

    def _hold(self, stage: Stage, attempt: int) -> None:
        """Heat off, cooling as the safe state says, sampling goes on, until someone resumes, aborts or it trips."""
        values = {name: spec.safe for name, spec in self._bench.setpoints.items()}
        wants = Wants(0.0, values.get("fan_pct", 100.0), values.get("pump_pct", 100.0), "held")
        self._setter.command(wants)
        self._book.end_step(Outcome(Ending.HELD, "held"), None)
        self._book.turn(RunEvent.HOLD)
        self._where = replace(self._where, stage=stage.key, attempt=attempt, kind="hold", began_s=math.inf)
        self._book.begin_step(stage.key, attempt, 0, "hold", "{}")
        while self._book.state is RunState.HELD:
            self._tick(wants)
        self._book.end_step(Outcome(Ending.HELD, "resumed"), None)

    # One tick

    def _tick(self, wants: Wants) -> Tick:
        self._setter.command(wants)
        t_s = self._clock.wait_until(self._next_s)
        wall = self._clock.utc()  # at the same instant: reading the bench may take long
        tick_s = self._bench.file.tick_s
        # Bench time that ran on while an instrument was asked (real time only) skips the ticks it covers.
        ticks = max(1, math.ceil((t_s - self._next_s) / tick_s))
        self._late.count(t_s - self._next_s, ticks - 1, LATE_PART * tick_s)
        self._next_s += tick_s * ticks
        samples = self._sampler.take(t_s)
        run_s = self._book.record(t_s - self._zero_s, samples)
        self._ticks += 1
        self._watch_wall(t_s, wall)
        if self._bench.silent != self._silent:
            self._note_silent()
        if self._ticks % self._commit_every == 0:
            self._book.commit()
        values = {name: value for name, value, flag in samples if value is not None and flag is _OK}
        hanging = self._sensors.take(run_s, values, wants)
        self._note_hanging(hanging)
        blind = {name: one.words for name, one in hanging.items() if one.proven} if wants.heat_w > 0 else {}
        self._judge(run_s, samples, blind)
        if wants.asks:
            self._book.ask(wants.asks, wants.asks_until_s)
        if self._on_tick is not None:
            self._on_tick(self._snapshot(run_s, wants, samples))
        while not self._commands.empty():
            self._obey(self._commands.get())
        return Tick(run_s, values, self._answer, hanging)

    def _judge(self, run_s: float, samples: list[Sample], blind: Mapping[str, str]) -> None:
        trip = self._interlocks.check(run_s, samples, blind)
        if trip is not None:
            raise _Leave(RunEvent.TRIP, trip.words)
        if not self._setter.refused:
            self._refused_since_s = None
            return
        if self._refused_since_s is None:
            self._refused_since_s = run_s
            self._book.event("setting_refused", "; ".join(f"{k}: {v}" for k, v in self._setter.refused.items()))
        elif run_s - self._refused_since_s >= REFUSED_AT_MOST_S:
            words = "; ".join(f"{name}: {why}" for name, why in self._setter.refused.items())
            raise _Leave(RunEvent.FAIL, f"not taken for {REFUSED_AT_MOST_S:g} s: {words}")

    def _obey(self, asked: Asked) -> None:
        command, who, text = asked
        if command is Command.ABORT:
            self._book.event("abort", "asked to", who)
            raise _Leave(RunEvent.ABORT, "aborted on request")
        if command is Command.LEAVE:
            raise _Leave(RunEvent.LOSE, text or "its daemon was stopped")
        if command is Command.ANSWER:
            if self._book.answer(text, who):
                self._answer = text
            return
        try:
            # Checked against the table here, so that a command that does not fit is refused and not half done.
            self._book.would_turn(RunEvent(command))
        except RunRefused as error:
            self._book.event("refused", error.message, who)
            return
        self._book.event(str(command), "asked to", who)
        if command is Command.HOLD:
            raise _Hold
        self._book.turn(RunEvent.RESUME)

    def _watch_wall(self, t_s: float, wall: datetime) -> None:
        jump_s = (wall - self._wall).total_seconds() - (t_s - self._zero_s)
        if abs(jump_s) > JUMP_S:
            self._book.jumped(jump_s, wall)
            self._wall = wall - timedelta(seconds=t_s - self._zero_s)

    def _note_silent(self) -> None:
        now = dict(self._bench.silent)
        for name, why in now.items():
            if name not in self._silent:
                self._book.event("instrument_lost", why)
        for name in self._silent:
            if name not in now:
                self._book.event("instrument_back", f"{name} answers again")
        self._silent = now

    def _note_hanging(self, hanging: Mapping[str, Hanging]) -> None:
        now = {name for name, one in hanging.items() if one.sure}
        if now != self._hangs:
            for name in sorted(now - self._hangs):
                self._book.event("sensor_hangs", hanging[name].words)
            for name in sorted(self._hangs - now):
                self._book.event("sensor_moves", f"{name} moves again")
            self._hangs = now

    def _note_late(self) -> None:
        """At the end of a step: ticks of which the samples are later than they should be, or not there."""
        if self._late.words:
            self._book.event("ticks_late", self._late.words)
        self._late = Lateness()

    def _snapshot(self, run_s: float, wants: Wants, samples: list[Sample]) -> Snapshot:
        where = self._where
        return Snapshot(
            run_id=self._book.run_id,
            state=self._book.state,
            stage=where.stage,
            kind=where.kind,
            attempt=where.attempt,
            wants=wants,
            t_s=run_s,
            points_done=where.points_done,
            points_known=where.points_known,
            more_to_come=where.more_to_come,
            left_s=where.left_s(run_s, wants.soaking),
            samples=tuple(samples),
            done_s=where.done_s + where.spent_s(run_s),
        )


_OK = SampleFlag.OK
