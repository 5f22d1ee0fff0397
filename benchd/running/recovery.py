"""After a crash or a loss of supply: find the runs that lost their engine, make safe, and decide whether to go on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from benchd.errors import InputError
from benchd.protocol_file import Protocol, parse_protocol
from benchd.running.bench import OpenBench
from benchd.running.safe_state import SafeReport, make_safe
from benchd.running.states import ALIVE, Ending, RunEvent, RunState, next_state
from benchd.running.windows import QuietWindow
from benchd.store import queries
from benchd.store.records import AUTO_RESUME, EventRow, RunRow, StepRow, WaitsFor
from benchd.store.writer import Writer

#: A run may go on by itself so many times.
AUTO_AT_MOST = 3
#: After a gap longer than this [min] the background is measured anew.
GAP_MIN = 30.0


@dataclass(frozen=True)
class Decision:
    """Whether an interrupted run goes on by itself, and why or why not."""

    go_on: bool
    reason: str


@dataclass(frozen=True)
class Recovered:
    """A run that lost its engine."""

    run_id: int
    stage: str
    """The stage it was in, empty when it had not come to one."""
    decision: Decision


def recover(writer: Writer, bench: OpenBench, now: datetime, *, never: str = "") -> list[Recovered]:
    """Make the bench safe, then put right the runs of it that lost their engine; oldest first.

    now: an aware local time, for it is held against quiet windows. never: why none goes on by itself, empty when one
    may. No engine may be at work on the bench. A run that goes on by itself stays interrupted, for the caller to
    resume; any other waits, with the reason. Raises `StoreError` when that cannot be written; the bench is safe then.
    """
    safe = make_safe(bench, "no engine is at work")
    with writer.reading() as connection:
        # Those found interrupted were given back at an earlier start, and nobody took them.
        lost = queries.runs_in(connection, bench.file.bench, ALIVE | {RunState.INTERRUPTED})
    return [_put_right(writer, row, safe, now, never) for row in lost]


def _put_right(writer: Writer, row: RunRow, safe: SafeReport, now: datetime, never: str) -> Recovered:
    with writer.reading() as connection:
        steps = queries.steps(connection, row.id)
        last_ms = queries.last_t_ms(connection, row.id) or 0
    stage = steps[-1].stage if steps else ""

    def event(kind: str, what: str) -> None:
        writer.add_event(EventRow(bench=row.bench, utc=now, kind=kind, what=what, run_id=row.id, t_ms=last_ms))

    for line in safe.lines:
        event("not_safe" if line.problem else "safe", line.words)
    decision = Decision(False, never) if never else _decision(writer, row, steps, safe, now)
    if row.state in ALIVE:
        _mark_lost(writer, row, steps, last_ms, now)
        event(str(RunState.INTERRUPTED), f"its engine was lost at stage {stage}")
    if decision.go_on:
        event(AUTO_RESUME, stage)
    else:
        writer.set_state(row.id, next_state(RunState.INTERRUPTED, RunEvent.WAIT), now, decision.reason, WaitsFor.PERSON)
    return Recovered(row.id, stage, decision)


def _was_held(row: RunRow, steps: Sequence[StepRow]) -> bool:
    """Whether a person held it and nobody has said since that it goes on, whatever became of its daemon."""
    last = steps[-1] if steps else None
    # A hold that was resumed ended as held; one that was left is open, or lost.
    return row.state is RunState.HELD or (last is not None and last.kind == "hold" and last.ending is not Ending.HELD)


def _mark_lost(writer: Writer, row: RunRow, steps: Sequence[StepRow], last_ms: int, now: datetime) -> None:
    for step in steps:
        if step.ending is None:
            writer.end_step(step.id, last_ms, Ending.LOST, "its engine was lost")
    writer.set_state(row.id, next_state(row.state, RunEvent.LOSE), now, "its engine was lost")


def _decision(writer: Writer, row: RunRow, steps: Sequence[StepRow], safe: SafeReport, now: datetime) -> Decision:
    with writer.reading() as connection:
        trip = queries.trip_latch(connection, row.bench)
        resumed_at = [event.what for event in queries.events(connection, row.id) if event.kind == AUTO_RESUME]
    if trip is not None:
        return Decision(False, f"its bench tripped: {trip.what}")
    if _was_held(row, steps):
        return Decision(False, "it was held")
    try:
        protocol = parse_protocol(row.protocol_text, f"protocol of run {row.id}")
    except InputError as error:  # queued by another benchd; one such run must not hold up the start
        return Decision(False, f"its protocol cannot be read: {error.message}")
    decision = decide(protocol, steps[-1].stage if steps else "", resumed_at, row.quiet, now)
    if decision.go_on and not safe.confirmed:
        return Decision(False, "the safe state of its bench is not confirmed")
    return decision


def decide(
    protocol: Protocol, stage: str, resumed_at: Sequence[str], quiet: str | None, local_now: datetime
) -> Decision:
    """Whether a run that lost its engine in `stage` may go on without a person.

    resumed_at: the stages at which it went on by itself before. quiet: its quiet window as "HH:MM-HH:MM" local time, or
    None when it has none. local_now: an aware local time.
    """
    if protocol.resume == "wait":
        return Decision(False, "its protocol says to wait for a person")
    if len(resumed_at) >= AUTO_AT_MOST:
        return Decision(False, f"it has already gone on by itself {AUTO_AT_MOST} times")
    if stage in resumed_at:
        return Decision(False, f"it has already gone on by itself once at stage {stage}")
    if quiet is not None and QuietWindow.parse(quiet).around(local_now, local_now.tzinfo or UTC) is None:
        return Decision(False, f"it is outside its quiet window {quiet}")
    return Decision(True, "its protocol says to go on by itself")


def background_is_stale(gap_min: float, stages: Collection[str]) -> bool:
    """Whether a run that stood still for gap_min [min] must measure its background stages anew."""
    return bool(stages) and gap_min > GAP_MIN
