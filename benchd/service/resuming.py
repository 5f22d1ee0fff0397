"""Which runs go on because a person says so, or by themselves after a loss; and whether one may at this moment.

A run is asked for at one time and taken at another: what counts is checked both times.
"""

from __future__ import annotations

from benchd.errors import RunRefused
from benchd.running.states import RunEvent, RunState, next_state
from benchd.service.asked import Question, bench_file_question, mount_question, question_of
from benchd.service.outlook import Due, outlook_of
from benchd.service.shift import Shift
from benchd.store import queries
from benchd.store.records import RunRow, WaitsFor

#: A run in one of these has stopped, and goes on when a person says so.
STOPPED = (RunState.TRIPPED, RunState.FAILED, RunState.INTERRUPTED)


def is_resumable(row: RunRow) -> bool:
    """Whether it is `benchd resume` that takes a run further."""
    return row.state in STOPPED or (row.state is RunState.WAITING and row.waits_for is WaitsFor.PERSON)


def check_may_go_on(shift: Shift, row: RunRow) -> None:
    """Raises `RunRefused` when a run may not go on now, with what is to be done first.

    One that lacks only a word on the changed bench file asks for it from then on, if it can wait.
    """
    if row.id in shift.to_play:
        raise RunRefused(f"run {row.id} goes on already", "see benchd status")
    _check_waits_for_a_person(shift, row)
    next_state(row.state, RunEvent.RESUME)
    with shift.writer.reading() as connection:
        latch = queries.trip_latch(connection, shift.name)
    if latch is not None:
        raise RunRefused(
            f"the bench tripped and has not been cleared: {latch.what}",
            "find and mend the cause on the bench itself, then: benchd clear",
        )
    lacks = what_it_lacks(shift, row)
    if lacks is None:
        return
    if lacks.kind == "mount":
        raise RunRefused(
            f"mount {row.mount} of {row.specimen} is not on the bench",
            f"when it is: {lacks.how}, or benchd abort {row.id}",
        )
    _ask(shift, row, lacks)
    raise RunRefused(f"run {row.id}: {lacks.what}", f"when it may be played so: {lacks.how}, or benchd abort {row.id}")


def _check_waits_for_a_person(shift: Shift, row: RunRow) -> None:
    """Raises `RunRefused` when a waiting run waits for something else than for a person to say that it goes on."""
    if row.state is not RunState.WAITING or is_resumable(row):
        return
    question = question_of(row)
    if question is not None:
        raise RunRefused(f"run {row.id} waits: {question.what}", question.how)
    with shift.writer.reading() as connection:
        when = "".join(outlook_of(connection, shift, row)) or row.reason
    raise RunRefused(f"run {row.id} needs nobody, it starts by itself: {when}", "see benchd status")


def what_it_lacks(shift: Shift, row: RunRow) -> Question | None:
    """What has to be confirmed before a run that has stopped can go on, None when nothing has to be."""
    if row.state is not RunState.WAITING and row.state not in STOPPED:
        return None
    with shift.writer.reading() as connection:
        on_bench = shift.standing(connection)
    if on_bench is None or on_bench.id != row.mount_id:
        return mount_question(row)
    return None if row.bench_text == shift.loaded.text else bench_file_question(row)


def _ask(shift: Shift, row: RunRow, lacks: Question) -> None:
    """A run asks whether it is played on the changed bench.

    One that tripped or failed stays as it is: what became of it is not to be lost. `benchd confirm --run` takes it too.
    """
    if row.state not in (RunState.WAITING, RunState.INTERRUPTED):
        return
    state = row.state if row.state is RunState.WAITING else next_state(row.state, RunEvent.WAIT)
    shift.writer.set_state(row.id, state, shift.now(), lacks.what, WaitsFor.BENCH_FILE)
    shift.event("waiting", lacks.what, run=row.id)


def next_to_go_on(shift: Shift) -> Due:
    """Take the first run that is to go on and still may. One that may not is left as it is, or asks."""
    waiting: list[tuple[int, str]] = []
    while shift.to_play:
        run_id = shift.to_play.pop(0)
        with shift.writer.reading() as connection:
            row = queries.run(connection, run_id)
        try:
            check_may_go_on(shift, row)
        except RunRefused as error:
            shift.event("refused", f"it does not go on: {error.message}", run=run_id)
            waiting.append((run_id, error.message))
            continue
        return Due(run_id, tuple(waiting))
    return Due(None, tuple(waiting))
