"""What becomes of the runs that are still to be played: facts from the database for `dispatch`, words for people."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

from sqlalchemy import Connection

from benchd.errors import InputError
from benchd.protocol_file import Protocol, parse_protocol
from benchd.running.forecast import Expectation, expectation, expected_s
from benchd.running.plan import plan_of
from benchd.running.schedule import Stage, step_of
from benchd.running.states import RunEvent, RunState, next_state
from benchd.service.dispatch import Candidate, Decision, decide, fits_at_all, may_begin
from benchd.service.shift import Playing, Shift
from benchd.store import queries
from benchd.store.records import RunRow, WaitsFor

#: What the queue decides on by itself; a run that waits for a person's decision is not among them.
DECIDED = (RunState.QUEUED, RunState.WAITING)
#: What is shown as still to be played.
SHOWN = (*DECIDED, RunState.TRIPPED, RunState.FAILED, RunState.INTERRUPTED)


@dataclass(frozen=True)
class Outlook:
    """One run of the queue."""

    row: RunRow
    why: str
    """What it waits for, or when it starts."""
    starts_utc: datetime | None = None
    ends_utc: datetime | None = None


@dataclass(frozen=True)
class Due:
    """What the queue says now: the run to be played, and runs that now wait for a person, each with what for."""

    run: int | None
    waiting: tuple[tuple[int, str], ...]


def outlooks(connection: Connection, shift: Shift) -> list[Outlook]:
    """All runs that are still to be played, in the order in which they come."""
    rows = queries.runs_in(connection, shift.name, SHOWN)
    decided = _decided(connection, shift, rows)
    by_a_person = [Outlook(row, row.reason) for row in rows if row.id not in {one.row.id for one, _ in decided}]
    return [_outlook(shift, one, decision) for one, decision in decided] + by_a_person


def outlook_of(connection: Connection, shift: Shift, row: RunRow) -> tuple[str, ...]:
    """Sentences on when one run is expected to start and to end."""
    looked = next((one for one in outlooks(connection, shift) if one.row.id == row.id), None)
    if looked is None:
        return ()
    return (f"{looked.why}{_ends(shift, looked.ends_utc)}",)


def never_fits(connection: Connection, shift: Shift, row: RunRow) -> str:
    """Why a run can never be played in its quiet window, empty when it can."""
    return fits_at_all(_expected(connection, row), row.quiet, row.due_utc or shift.now(), shift.zone)


def next_to_play(shift: Shift) -> Due:
    """Look at the queue: enter which runs wait for what, and find the one that starts now."""
    with shift.writer.reading() as connection:
        rows = queries.runs_in(connection, shift.name, DECIDED)
        decided = _decided(connection, shift, rows)
    waiting = []
    for one, decision in decided:
        row = one.row
        if decision.kind == "wait" and row.waits_for is not decision.waits_for:
            state = row.state if row.state is RunState.WAITING else next_state(row.state, RunEvent.WAIT)
            shift.writer.set_state(row.id, state, shift.now(), decision.why, decision.waits_for)
            shift.event("waiting", decision.why, run=row.id)  # and so it is looked at once more
            waiting.append((row.id, decision.why))
    starting = next((one.row.id for one, decision in decided if decision.kind == "start"), None)
    return Due(starting, tuple(waiting))


def stage_may_begin(shift: Shift, playing: Playing, stage: Stage) -> str:
    """Why a stage of the run that is played may not begin now, empty when it may."""
    quiet, protocol = playing.row.quiet, playing.book.protocol
    step = step_of(protocol, stage.key)
    if quiet is None or not step.quiet:
        return ""
    takes_s = expected_s(protocol, stage, playing.book.plan().took_s)
    return may_begin(step.quiet, takes_s, quiet, shift.now(), shift.zone)


def _decided(connection: Connection, shift: Shift, rows: Iterable[RunRow]) -> list[tuple[Candidate, Decision]]:
    on_bench = shift.standing(connection)
    latch = queries.trip_latch(connection, shift.name)
    candidates = [
        Candidate(
            row=row,
            expected=_expected(connection, row),
            on_bench=on_bench is not None and on_bench.id == row.mount_id,
            bench_same=row.bench_text == shift.loaded.text,
        )
        for row in rows
        if row.state in DECIDED and row.waits_for is not WaitsFor.PERSON and _protocol(row) is not None
    ]
    latched = None if latch is None else latch.what
    return decide(candidates, latch=latched, now=shift.now(), zone=shift.zone)


def _expected(connection: Connection, row: RunRow) -> Expectation:
    protocol = _protocol(row)
    assert protocol is not None
    plan = plan_of(connection, row, protocol)
    return expectation(protocol, plan.schedule, plan.done, plan.took_s)


def _protocol(row: RunRow) -> Protocol | None:
    """The protocol of a run; None when it was queued by another benchd and cannot be read any more."""
    return _parsed(row.protocol_text)


@lru_cache(maxsize=32)
def _parsed(text: str) -> Protocol | None:
    try:
        return parse_protocol(text, "queued protocol")
    except InputError:
        return None


def _outlook(shift: Shift, one: Candidate, decision: Decision) -> Outlook:
    starts = decision.starts_utc
    why = decision.why
    if decision.kind == "start" and shift.playing is not None:
        starts, why = None, f"after run {shift.playing.row.id}"
    ends = None if starts is None else starts + timedelta(seconds=one.expected.lasts_s)
    return Outlook(one.row, why, starts, ends)


def _ends(shift: Shift, ends: datetime | None) -> str:
    return "" if ends is None else f", ends about {ends.astimezone(shift.zone):%H:%M}"
