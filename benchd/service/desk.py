"""Where orders are carried out, on the thread that plays: see `orders.Desk`. `desk_queue` does mounts and the queue."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.errors import InputError, NotFound, RunRefused
from benchd.running.engine import Command
from benchd.running.states import ALIVE, RunEvent, RunState, next_state
from benchd.service.asked import Question, questions
from benchd.service.desk_queue import QueueDesk
from benchd.service.resuming import STOPPED, check_may_go_on, is_resumable, what_it_lacks
from benchd.store import queries
from benchd.store.records import CLEAR, RunRow

#: A run in one of these can be given up.
UNFINISHED = (RunState.QUEUED, RunState.WAITING, *STOPPED)


class BenchDesk(QueueDesk):
    """The desk of one bench."""

    def hold(self, who: str) -> str:
        """Heat off, sampling goes on. Raises `RunRefused`."""
        playing = self._shift.playing
        if playing is None:
            raise RunRefused("nothing runs, so nothing can be held", "see benchd status")
        playing.book.would_turn(RunEvent.HOLD)
        playing.engine.ask(Command.HOLD, who)
        return f"run {playing.row.id} is held: heat off, sampling goes on; benchd resume repeats its stage"

    def resume(self, run: int | None, who: str) -> str:
        """A held run goes on, or one that waits for a person to say so. Raises `RunRefused`, `NotFound`."""
        playing = self._shift.playing
        if playing is not None:
            if run not in (None, playing.row.id):
                raise RunRefused(f"run {playing.row.id} is played now", "wait for its end, or benchd abort it")
            playing.book.would_turn(RunEvent.RESUME)
            playing.engine.ask(Command.RESUME, who)
            return f"run {playing.row.id} goes on: it repeats the stage in which it was held"
        row = self._to_resume(run)
        check_may_go_on(self._shift, row)
        self._shift.event("resume", "asked to", who, row.id)
        self._shift.to_play.append(row.id)
        return f"run {row.id} goes on; what is done is not measured again"

    def _to_resume(self, run: int | None) -> RunRow:
        """The run that is to go on: the given one, else the only one that needs a person to say so."""
        if run is not None:
            return self._given(run)
        with self._shift.writer.reading() as connection:
            rows = queries.runs_in(connection, self._shift.name, (RunState.WAITING, *STOPPED))
        rows = [row for row in rows if is_resumable(row)]
        # Those that go on already are not meant, unless there is no other: then it is told.
        return _only([row for row in rows if row.id not in self._shift.to_play] or rows, "resume")

    def abort(self, run: int | None, who: str) -> str:
        """End a run for good. Raises `RunRefused`, `NotFound`."""
        playing = self._shift.playing
        if playing is not None and run in (None, playing.row.id):
            playing.engine.ask(Command.ABORT, who)
            return f"run {playing.row.id} ends: heat off first, then cooling as the bench file says"
        row = self._to_abort(run)
        state = next_state(row.state, RunEvent.ABORT)
        self._shift.writer.set_state(row.id, state, self._shift.now(), f"aborted by {who}")
        self._shift.to_play[:] = [one for one in self._shift.to_play if one != row.id]
        self._shift.event("abort", "asked to", who, row.id)
        return f"run {row.id} is given up"

    def _to_abort(self, run: int | None) -> RunRow:
        if run is not None:
            return self._given(run)
        with self._shift.writer.reading() as connection:
            return _only(queries.runs_in(connection, self._shift.name, UNFINISHED), "abort")

    def _given(self, run: int) -> RunRow:
        with self._shift.writer.reading() as connection:
            row = queries.run(connection, run)
        if row.bench != self._shift.name:
            raise RunRefused(f"run {run} belongs to bench {row.bench}, this is {self._shift.name}")
        return row

    def confirm(self, text: str, run: int | None, who: str) -> str:
        """Answer what is asked of a person. Raises `RunRefused` when nothing is, `InputError` when two things are."""
        with self._shift.writer.reading() as connection:
            asked = [one for one in questions(connection, self._shift.name) if one.confirmable]
        meant = [one for one in asked if run in (None, one.run)]
        if not meant and run is not None:
            # A run that has stopped asks for nothing but a decision, and may lack something before it can go on.
            lacks = what_it_lacks(self._shift, self._given(run))
            meant = [] if lacks is None else [lacks]
        if not meant:
            whose = f" by run {run}" if run is not None else ""
            raise RunRefused(f"nothing is asked{whose} that could be confirmed", "see benchd status")
        # Two runs that wait for one mount ask the same thing.
        if len({one.what for one in meant}) > 1:
            listed = "; ".join(f"run {one.run}: {one.what}" for one in meant)
            raise InputError(f"which one? {listed}", "benchd confirm [TEXT] --run RUN")
        return self._answer(meant[0], text, who)

    def _answer(self, question: Question, text: str, who: str) -> str:
        match question.kind:
            case "mount":
                return self._mounted(question.run, who)
            case "bench_file":
                return self._bench_file_taken(question.run, who)
            case _:
                return self._prompt_answered(question, text, who)

    def _prompt_answered(self, question: Question, text: str, who: str) -> str:
        playing = self._shift.playing
        if playing is not None and playing.row.id == question.run and not question.pending:
            playing.engine.ask(Command.ANSWER, who, text)
        elif question.prompt is None:
            raise NotFound("there is no such prompt")
        else:
            self._shift.writer.answer(question.prompt, text, who, self._shift.now())
            self._shift.event("answered", text or "confirmed", who, question.run)
        return f"run {question.run}: {question.what}: {text or 'confirmed'}"

    def _mounted(self, run: int, who: str) -> str:
        with self._shift.writer.reading() as connection:
            row = queries.run(connection, run)
        self._refuse_while_played("another mount cannot be on the bench")
        self._shift.writer.stand(row.mount_id, self._shift.name, self._shift.now())
        self._let_go_on(row)
        what = f"mount {row.mount} of {row.specimen} is on the bench"
        self._shift.event("mounted", what, who, run)
        return f"{what}; {self._and_then(run)}"

    def _bench_file_taken(self, run: int, who: str) -> str:
        with self._shift.writer.reading() as connection:
            row = queries.run(connection, run)
        self._shift.writer.take_bench_text(run, self._shift.loaded.text)
        self._let_go_on(row)
        self._shift.event("bench_file", "the bench file as it is now", who, run)
        return f"run {run} will be played on the bench as its file says now; {self._and_then(run)}"

    def _and_then(self, run: int) -> str:
        """How a run goes on, now that what it asked has been confirmed."""
        resumed = is_resumable(self._given(run))
        return f"benchd resume {run} goes on with it" if resumed else f"run {run} may start"

    def _let_go_on(self, row: RunRow) -> None:
        """A waiting run waits for nobody any more; the queue decides when it starts."""
        if row.state is RunState.WAITING:
            self._shift.writer.set_state(row.id, row.state, self._shift.now(), "waits for its turn")

    def _refuse_while_played(self, why: str) -> None:
        playing = self._shift.playing
        if playing is not None and playing.book.state in ALIVE:
            raise RunRefused(f"run {playing.row.id} is played now: {why}", "wait for its end, or benchd abort")

    def clear(self, who: str) -> str:
        """Re-arm the bench after a trip. Raises `RunRefused` when none latches it."""
        with self._shift.writer.reading() as connection:
            latch = queries.trip_latch(connection, self._shift.name)
        if latch is None:
            raise RunRefused("the bench has not tripped, or was cleared already")
        self._shift.event(CLEAR, f"cleared: {latch.what}", who)
        run = f"; benchd resume {latch.run_id} goes on with its run" if latch.run_id is not None else ""
        return f"the bench is armed again{run}"


def _only(rows: Sequence[RunRow], verb: str) -> RunRow:
    if not rows:
        raise RunRefused(f"there is no run to {verb}", "see benchd status and benchd runs")
    if len(rows) > 1:
        them = ", ".join(f"{row.id} ({row.state})" for row in rows)
        raise InputError(f"which run? {them}", f"benchd {verb} RUN")
    return rows[0]
