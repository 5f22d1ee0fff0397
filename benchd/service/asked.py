"""What is asked of a person by the runs of a bench, as the database says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection

from benchd.running.states import ALIVE, RunState
from benchd.store import queries
from benchd.store.records import RunRow, WaitsFor

#: States in which a run goes on only when a person says so.
DECIDED_BY_A_PERSON = (RunState.TRIPPED, RunState.FAILED, RunState.INTERRUPTED, RunState.WAITING)


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing that a person has to do or to decide."""

    kind: Literal["mount", "bench_file", "prompt", "decision"]
    run: int
    what: str
    how: str
    """The command to type."""
    asked_utc: datetime | None = None
    limit_utc: datetime | None = None
    pending: bool = False
    """Nobody answered in time: it can still be answered."""
    prompt: int | None = None

    @property
    def confirmable(self) -> bool:
        """Whether `benchd confirm` answers it."""
        return self.kind != "decision"


def questions(connection: Connection, bench: str) -> list[Question]:
    """What is asked on a bench now, prompts first."""
    alive = {row.id for row in queries.runs_in(connection, bench, ALIVE)}
    asked = [
        Question(
            kind="prompt",
            run=prompt.run_id,
            what=prompt.what,
            how=f"benchd confirm --run {prompt.run_id} TEXT",
            asked_utc=prompt.asked_utc,
            limit_utc=prompt.limit_utc,
            pending=prompt.run_id not in alive,
            prompt=prompt.id,
        )
        for prompt in queries.open_prompts(connection, bench)
    ]
    waiting = queries.runs_in(connection, bench, DECIDED_BY_A_PERSON)
    return asked + [question for row in waiting if (question := question_of(row)) is not None]


def mount_question(row: RunRow) -> Question:
    """What is asked when the mount of a run is not on the bench."""
    what = f"mount {row.mount} of {row.specimen} is to be on the bench"
    return Question(kind="mount", run=row.id, what=what, how=f"benchd confirm --run {row.id}")


def bench_file_question(row: RunRow) -> Question:
    """What is asked when the bench file is another than the one that a run was queued or confirmed with."""
    what = "the bench file was changed since it was queued: play it on the bench as it is now?"
    return Question(kind="bench_file", run=row.id, what=what, how=f"benchd confirm --run {row.id}")


def question_of(row: RunRow) -> Question | None:
    """What a run that is not played asks, None when it goes on by itself: at its turn, or in its quiet window."""
    if row.waits_for is WaitsFor.MOUNT:
        return mount_question(row)
    if row.waits_for is WaitsFor.BENCH_FILE:
        return bench_file_question(row)
    if row.state is RunState.WAITING and row.waits_for is not WaitsFor.PERSON:
        return None  # for its window, or for its turn: nobody has to do anything
    first = "benchd clear, then " if row.state is RunState.TRIPPED else ""
    how = f"{first}benchd resume {row.id}, or benchd abort {row.id}"
    return Question(kind="decision", run=row.id, what=f"{row.state}: {row.reason}", how=how, asked_utc=row.ended_utc)
