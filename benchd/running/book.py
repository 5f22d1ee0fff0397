"""One run's side of the store: what the engine writes down, and what it reads back before each stage.

Owns the run's own time: bench milliseconds since its first tick, which go on after a restart and never go back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from benchd.errors import RunRefused
from benchd.instruments import Cooling, RunAbout, unit_of
from benchd.protocol_file import Protocol, parse_protocol
from benchd.running.bench import OpenBench
from benchd.running.found import Found
from benchd.running.plan import Plan, plan_of
from benchd.running.points import measured_point, skipped_point
from benchd.running.recovery import background_is_stale
from benchd.running.sampler import Sample
from benchd.running.schedule import Stage, background_stages
from benchd.running.states import FINISHED, Ending, RunEvent, RunState, next_state
from benchd.running.steps.base import Outcome
from benchd.store import queries
from benchd.store.records import REPEAT, TAKEN, TRIP, ChannelRow, EventRow, WaitsFor
from benchd.store.writer import Writer

#: How a step ends that is open when its run leaves it.
_LEFT: dict[RunEvent, Ending] = {
    RunEvent.ABORT: Ending.ABORTED,
    RunEvent.TRIP: Ending.TRIPPED,
    RunEvent.FAIL: Ending.FAILED,
    RunEvent.LOSE: Ending.LOST,
}


class RunBook:
    """Everything that is kept of one run. Made for a run that stands in the database; `open` begins to write."""

    def __init__(self, writer: Writer, run_id: int, bench: OpenBench) -> None:
        self.run_id = run_id
        self._writer = writer
        self._bench = bench
        with writer.reading() as connection:
            self._row = queries.run(connection, run_id)
        # From the texts as they were queued: a file that was edited since changes nothing here.
        self.protocol: Protocol = parse_protocol(self._row.protocol_text, f"protocol of run {run_id}")
        self.state = self._row.state
        self._channel_ids: dict[str, int] = {}
        self._wall: datetime | None = None
        self._from_ms = 0
        self._now_ms = 0
        self._step: int | None = None
        self._prompt: int | None = None
        self.found = Found(channels=bench.channels, over_limit_c=self.protocol.limits.over_limit_c)

    @property
    def specimen(self) -> str:
        """The specimen's name."""
        return self._row.specimen

    @property
    def cooling(self) -> Cooling:
        """How the specimen cools."""
        return self._row.cooling

    @property
    def seed(self) -> int:
        """The run's seed."""
        return self._row.seed

    @property
    def about(self) -> RunAbout:
        """What instruments are told of the run."""
        return RunAbout(self.specimen, self.cooling, self.seed, self._row.mount)

    @property
    def now_s(self) -> float:
        """Bench time of the run [s], as of its last tick."""
        return self._now_ms / 1000

    # Begin and end

    def open(self, wall: datetime) -> None:
        """An engine takes the run, at wall time `wall`. Raises `RunRefused` by the state table or the trip latch."""
        with self._writer.reading() as connection:
            trip = queries.trip_latch(connection, self._row.bench)
            last_ms = queries.last_t_ms(connection, self.run_id)
            spans = queries.spans(connection, self.run_id)
        if trip is not None:
            raise RunRefused(
                f"bench {self._row.bench!r} tripped and has not been cleared: {trip.what}",
                "find and mend the cause on the bench itself before clearing it",
            )
        begun = last_ms is not None
        # A start may have failed halfway: then the run is still queued though its first span is there.
        fresh = self.state is RunState.QUEUED or not begun
        was, self.state = self.state, next_state(self.state, RunEvent.START if fresh else RunEvent.RESUME)
        if not self._writer.set_state(self.run_id, self.state, wall, was=was):
            raise RunRefused(f"run {self.run_id} is no longer {was}: somebody else has taken it")
        self._from_ms = self._now_ms = last_ms + self._tick_ms if last_ms is not None else 0
        self._channel_ids = self._writer.add_channels(self.run_id, self._channels())
        self._wall = wall
        self._writer.add_span(self.run_id, self._from_ms, wall)
        self.event("start" if fresh else "resume", TAKEN)
        if last_ms is not None:
            stood_still = wall - spans[-1].utc - timedelta(milliseconds=last_ms - spans[-1].from_ms)
            self._call_off_background(stood_still)

    def close(self, event: RunEvent, reason: str, wall: datetime) -> None:
        """The engine leaves the run at wall time `wall`."""
        if self._step is not None:
            self.end_step(Outcome(_LEFT[event], reason), None)
        self._writer.commit()
        self.state = next_state(self.state, event)
        if event is RunEvent.TRIP:
            self.event(TRIP, reason)
        self.event(str(self.state), reason)
        # Only its quiet window puts a run aside that has begun.
        waits_for = WaitsFor.QUIET if event is RunEvent.WAIT else None
        self._writer.set_state(self.run_id, self.state, wall, reason, waits_for)

    def turn(self, event: RunEvent) -> None:
        """Hold or resume within a run. Raises `RunRefused` by the state table."""
        self.state = next_state(self.state, event)
        self._writer.set_state(self.run_id, self.state, self._utc())

    def would_turn(self, event: RunEvent) -> None:
        """Raises `RunRefused` when the state table does not allow the event now."""
        next_state(self.state, event)

    def _call_off_background(self, stood_still: timedelta) -> None:
        stages = background_stages(self.protocol)
        if background_is_stale(stood_still.total_seconds() / 60, stages):
            for stage in stages:
                self.event(REPEAT, stage)

    # What the schedule is made from

    def plan(self) -> Plan:
        """What there is to play as of now, anew from protocol and findings; `found` is brought up to date with it."""
        with self._writer.reading() as connection:
            plan = plan_of(connection, self._row, self.protocol)
        self.found = Found(plan.findings, self.found.channels, self.found.over_limit_c)
        return plan

    def attempts(self, stage: str) -> int:
        """How many attempts at a stage were begun."""
        with self._writer.reading() as connection:
            return queries.attempts(connection, self.run_id).get(stage, 0)

    # Steps and samples

    def begin_step(self, stage: str, attempt: int, seq: int, kind: str, spec: str) -> None:
        """A step begins; `spec` is its settings as JSON."""
        self._step = self._writer.begin_step(self.run_id, stage, attempt, seq, kind, spec, self._now_ms)

    def end_step(self, outcome: Outcome, stage: Stage | None) -> None:
        """The open step ends; with `stage` it is the last of its stage, whose point goes into the same transaction."""
        if self._step is None:
            raise ValueError("no step is open")
        asked = stage.point if stage else None
        point = measured_point(asked, outcome, self.found) if asked and outcome.ending in FINISHED else None
        self._writer.end_step(self._step, self._now_ms, outcome.ending, outcome.reason, outcome.findings, point)
        self._step = self._prompt = None

    def skip(self, stage: Stage) -> None:
        """A stage is not played."""
        self._writer.add_point(self.run_id, stage.key, skipped_point(stage))
        self.event("skipped", f"{stage.key}: {stage.skip}")

    def record(self, engine_s: float, samples: Sequence[Sample]) -> float:
        """Samples taken engine_s [s] after the engine began. Gives the bench time of the run [s]."""
        if self._step is None:
            raise ValueError("samples belong to a step")
        self._now_ms = max(self._now_ms, self._from_ms + round(engine_s * 1000))
        ids = self._channel_ids
        self._writer.record(self._step, self._now_ms, [(ids[name], value, flag.value) for name, value, flag in samples])
        return self._now_ms / 1000

    def commit(self) -> None:
        """What is recorded so far outlives a crash."""
        self._writer.commit()

    # Questions to a person

    def ask(self, what: str, until_s: float) -> None:
        """The open step asks a person; asked again it is the same question. until_s: in bench time of the run [s]."""
        if self._step is None:
            raise ValueError("a question belongs to a step")
        if self._prompt is None:
            limit = None if math.isinf(until_s) else self._utc() + timedelta(seconds=until_s - self.now_s)
            self._prompt = self._writer.ask(self.run_id, self._step, what, self._utc(), limit)
            self.event("asked", what)

    def answer(self, text: str, who: str) -> bool:
        """A person answers what is asked; whether anything was."""
        if self._prompt is None:
            return False
        self._writer.answer(self._prompt, text, who, self._utc())
        self.event("answered", text or "confirmed", who)
        self._prompt = None
        return True

    # Events

    def event(self, kind: str, what: str, who: str = "") -> None:
        """Something happened."""
        self._writer.add_event(
            EventRow(
                bench=self._row.bench,
                utc=self._utc(),
                kind=kind,
                what=what,
                run_id=self.run_id,
                t_ms=self._now_ms,
                who=who or None,
            )
        )

    def jumped(self, jump_s: float, wall: datetime) -> None:
        """The wall clock jumped by jump_s [s] and now shows `wall`."""
        self._wall = wall - timedelta(milliseconds=self._now_ms - self._from_ms)
        self._writer.add_span(self.run_id, self._now_ms, wall)
        self.event("clock_jump", f"the wall clock jumped by {jump_s:+.1f} s")

    def _utc(self) -> datetime:
        if self._wall is None:
            raise ValueError("the book is not open")
        return self._wall + timedelta(milliseconds=self._now_ms - self._from_ms)

    @property
    def _tick_ms(self) -> int:
        return round(self._bench.file.tick_s * 1000)

    def _channels(self) -> list[ChannelRow]:
        return [
            ChannelRow(
                name=name,
                unit=unit_of(name) or "",
                instrument=owner,
                resolution=spec.resolution,
                uncertainty=spec.uncertainty,
                uncertainty_pct=spec.uncertainty_pct,
            )
            for name, (owner, spec) in self._bench.file.channels(self.cooling).items()
        ]
