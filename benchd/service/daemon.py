"""The child: engine, queue and books on its main thread, the API in another. It lives as long as its guard does.

Signals only set flags; the loop looks at them at each tick, and at least four times a second while nothing is played.
"""

from __future__ import annotations

import faulthandler
import os
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tzlocal import get_localzone

from benchd.bench_file import LoadedBench, load_bench
from benchd.clock import on_beat, real_s
from benchd.errors import BenchdError, RunRefused, StoreError
from benchd.instruments import RunAbout
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Command, Engine
from benchd.running.idle import IdleReader
from benchd.running.recovery import recover
from benchd.running.safe_state import make_safe
from benchd.running.sampler import Sample
from benchd.running.schedule import Stage
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunEvent, RunState, next_state
from benchd.service.api import Desks, make_app
from benchd.service.backup import back_up
from benchd.service.beats import Heart
from benchd.service.board import Board
from benchd.service.calendar import Calendar
from benchd.service.desk import BenchDesk
from benchd.service.hook import Hook
from benchd.service.inbox import Inbox
from benchd.service.logs import log, set_up
from benchd.service.orders import Desk
from benchd.service.outlook import next_to_play, stage_may_begin
from benchd.service.resuming import next_to_go_on
from benchd.service.server import ApiServer
from benchd.service.shift import Playing, Shift, clock_of
from benchd.service.status import StatusMaker, slow_part
from benchd.store import queries
from benchd.store.records import WaitsFor
from benchd.store.writer import Writer

#: While nothing is played the loop looks around so often [s of real time].
LOOK_S = 0.2
#: The queue is looked at at least so often [s of bench time], whatever the calendar says.
LOOK_AT_LEAST_S = 60.0
#: Pictures are published no more often than this [s of real time].
PUBLISH_S = 0.05
#: What the database says is read again no more often than this [s of real time], unless something was written here.
SLOW_S = 1.0
#: The guard is gone: the bench is made safe and this process ends, within this time [s] in any case.
ORPHAN_S = 20.0

#: How the states that a run may be left in are told to the bench's `on_event` command.
TOLD = {
    RunState.COMPLETE: "done",
    RunState.TRIPPED: "tripped",
    RunState.FAILED: "failed",
    RunState.INTERRUPTED: "interrupted",
    RunState.WAITING: "waiting",
}


@dataclass(frozen=True, kw_only=True)
class Options:
    """What the guard tells its child."""

    bench: str
    """Name or path of the bench file, for the guard: the child reads only what the guard has read."""
    bench_file: str
    """What the bench file is called in messages."""
    db: str
    speed: float | None
    beats: int
    """Descriptors: where it beats,"""
    life: int
    """what is closed when the guard is gone,"""
    socket: int
    """the socket that it serves,"""
    bench_text: int
    """the text of the bench file as it is served, and"""
    offer_text: int
    """what is offered in its place at a SIGHUP."""


def serve(options: Options) -> int:
    """Be the child until asked to stop. The exit status; errors are logged."""
    faulthandler.enable()
    set_up()
    try:
        with Daemon(options) as daemon:
            daemon.run()
    except BenchdError as error:
        log("critical", "ended", what=error.message, hint=error.hint)
        return error.exit_code
    return 0


def bench_in(descriptor: int, file: str) -> LoadedBench:
    """The bench whose text the guard has put there; `file` is what it is called in messages. Raises `InputError`.

    Only the guard reads the file itself: both always know the same bench, whatever becomes of the file meanwhile.
    """
    return load_bench(os.pread(descriptor, os.fstat(descriptor).st_size, 0).decode(), file)


@dataclass
class _Flags:
    """Set by signals and other threads, obeyed by the loop."""

    stop: str = ""  # why it is to stop; empty while it goes on
    read_again: bool = False
    look: bool = True
    """The calendar says to look at the queue."""
    remind: bool = False


class Daemon:
    """One bench, served. A context manager: what was opened first is closed last."""

    def __init__(self, options: Options) -> None:
        self._options = options
        self._flags = _Flags()
        self._heart = Heart(options.beats)
        self._stack = ExitStack()
        self._published_s = self._slow_s = self._looked_s = 0.0
        self._samples: tuple[Sample, ...] = ()

    def __enter__(self) -> Daemon:
        try:
            self._build()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        self._stack.close()

    def _build(self) -> None:
        options, enter = self._options, self._stack.enter_context
        enter(self._signals())
        loaded = bench_in(options.bench_text, options.bench_file)
        writer = enter(Writer.open(Path(options.db), durable=not loaded.bench.immediate))
        on_beat(self._heart.beat)
        threading.Thread(target=self._watch_guard, name="guard is there", daemon=True).start()
        clock = clock_of(options.speed, writer, loaded.bench.bench)
        self._shift = Shift(loaded, OpenBench(loaded.bench), writer, clock, get_localzone())
        self._stack.callback(lambda: self._shift.bench.close())
        self._desk: Desk = BenchDesk(self._shift)
        self._status = StatusMaker(self._shift, options.speed or 1.0, clock.utc())
        self._board = Board()
        self._inbox: Inbox[Desk] = Inbox(max(1.0, 2 * loaded.bench.tick_s / (options.speed or 1.0)))
        self._hook = Hook(loaded.bench.on_event)
        self._stack.callback(lambda: self._hook.close())
        self._recover()
        self._mount_for_show()
        self._reader = IdleReader(self._shift.bench)
        self._look_idle()
        desks = Desks(
            self._board, self._inbox, writer.path, self._shift.zone, clock.utc, lambda: self._shift.loaded.bench
        )
        app = make_app(desks)
        server = ApiServer(app, socket.socket(fileno=options.socket))
        server.start()
        self._stack.callback(server.stop)
        calendar = Calendar(
            dispatch=lambda: setattr(self._flags, "look", True),
            back_up=self._back_up,
            remind=lambda: setattr(self._flags, "remind", True),
            idle=lambda: self._shift.playing is None,
            zone=self._shift.zone,
            speed=options.speed or 1.0,
        )
        calendar.start()
        self._stack.callback(calendar.stop)

    # The loop

    def run(self) -> None:
        """Play what is due, look around in between, until asked to stop. The bench is safe when this returns."""
        self._heart.ready()
        log("info", "serving", bench=self._shift.name, database=self._shift.writer.path)
        while not self._flags.stop:
            run_id = self._next_run()
            if run_id is None:
                self._idle()
            else:
                self._play(run_id)
        self._make_safe(self._flags.stop)
        self._heart.leaving()

    def _next_run(self) -> int | None:
        shift = self._shift
        # The calendar goes by the wall clock, which may be set back; bench time never is.
        now_s = shift.clock.now_s()
        overdue = now_s - self._looked_s > LOOK_AT_LEAST_S
        if not (shift.to_play or shift.look or self._flags.look or overdue):
            return None
        shift.look = self._flags.look = False
        self._looked_s = now_s
        due = next_to_go_on(shift) if shift.to_play else next_to_play(shift)
        for run_id, what in due.waiting:
            self._hook.tell("waiting", run_id, what)
        return due.run

    def _idle(self) -> None:
        clock, speed = self._shift.clock, self._options.speed or 1.0
        clock.wait_until(clock.now_s() + LOOK_S * speed)
        self._inbox.serve(self._desk)
        if self._flags.read_again:
            self._read_bench_again()
        if self._flags.remind:
            self._remind()
        if self._reader.due(clock.now_s()):
            self._look_idle()
        elif self._shift.changed:
            self._publish_idle()

    def _look_idle(self) -> None:
        self._samples = self._reader.take(self._shift.clock)
        self._publish_idle()

    def _publish_idle(self) -> None:
        self._refresh()
        self._board.publish(self._status.idle(self._reader.read_s, self._samples))

    def _refresh(self) -> None:
        """See anew what the database says, when something was written, and now and then."""
        now_s = real_s()
        if self._shift.changed or now_s - self._slow_s > SLOW_S:
            self._slow_s = now_s
            self._shift.changed = False
            with self._shift.writer.reading() as connection:
                self._status.slow = slow_part(connection, self._shift)

    # A run

    def _play(self, run_id: int) -> None:
        shift = self._shift
        with shift.writer.reading() as connection:
            row = queries.run(connection, run_id)
        try:
            shift.bench.fit(row.cooling)
            shift.bench.open()
            book = RunBook(shift.writer, run_id, shift.bench)
        except BenchdError as error:
            self._put_aside(run_id, row.state, error)
            return
        engine = Engine(book, shift.bench, shift.clock, self._on_tick, self._gate)
        shift.playing = Playing(row, engine, book)
        log("info", "run_begins", run=run_id, protocol=row.protocol, specimen=row.specimen, mount=row.mount)
        try:
            engine.play()
        except StoreError:
            raise
        except BenchdError as error:
            if isinstance(error, RunRefused) and book.state is row.state:
                self._put_aside(run_id, row.state, error)
            else:
                log("error", "run_failed", run=run_id, what=error.message)
        finally:
            shift.playing = None
            shift.changed = shift.look = True
        self._after(run_id)

    def _after(self, run_id: int) -> None:
        with self._shift.writer.reading() as connection:
            row = queries.run(connection, run_id)
        log("info", "run_ended", run=run_id, state=row.state, what=row.reason)
        if row.state in TOLD and row.waits_for is not WaitsFor.QUIET:
            self._hook.tell(TOLD[row.state], run_id, row.reason)
        self._shift.writer.fold_log()
        self._shift.bench.fit(None)
        self._look_idle()

    def _put_aside(self, run_id: int, state: RunState, error: BenchdError) -> None:
        """A run that could not begin: a person decides. One that the engine took, it has closed itself."""
        log("error", "run_not_begun", run=run_id, what=error.message)
        shift = self._shift
        shift.event("refused", error.message, run=run_id)
        if state in (RunState.QUEUED, RunState.INTERRUPTED, RunState.WAITING):
            waiting = state if state is RunState.WAITING else next_state(state, RunEvent.WAIT)
            shift.writer.set_state(run_id, waiting, shift.now(), error.message, WaitsFor.PERSON)
        self._hook.tell("waiting", run_id, error.message)

    def _gate(self, stage: Stage) -> str:
        playing = self._shift.playing
        return "" if playing is None else stage_may_begin(self._shift, playing, stage)

    def _on_tick(self, snapshot: Snapshot) -> None:
        now_s = real_s()
        if now_s - self._published_s >= PUBLISH_S:
            self._published_s = now_s
            self._refresh()
            self._board.publish(self._status.playing(snapshot, self._shift.clock.now_s()))
        self._inbox.serve(self._desk)
        playing = self._shift.playing
        if self._flags.stop and playing is not None:
            playing.engine.ask(Command.LEAVE, text=self._flags.stop)
        if self._flags.read_again:
            self._flags.read_again = False
            self._heart.taken(False)
            log("warning", "bench_file_not_read", what="a run is played: it is read again only between runs")

    # Between runs

    def _mount_for_show(self) -> None:
        """A simulated bench shows what stands on it by the books, else its first specimen."""
        shift = self._shift
        there = shift.bench.specimens()
        if not there:
            return
        with shift.writer.reading() as connection:
            on_bench = shift.standing(connection)
            names = {row.id: row.name for row in queries.specimens(connection)}
        named = names.get(on_bench.specimen_id, "") if on_bench else ""
        name = named if named in there else next(iter((*shift.bench.file.specimens, *there)))
        shift.bench.begin(RunAbout(name, there[name], seed=1, mount=on_bench.number if on_bench else 1))

    def _recover(self) -> None:
        shift = self._shift
        for lost in recover(shift.writer, shift.bench, shift.now().astimezone(shift.zone)):
            log("warning", "run_was_lost", run=lost.run_id, stage=lost.stage, what=lost.decision.reason)
            if lost.decision.go_on:
                shift.to_play.append(lost.run_id)
            self._hook.tell("interrupted", lost.run_id, lost.decision.reason)

    def _make_safe(self, cause: str) -> None:
        for line in make_safe(self._shift.bench, cause).lines:
            log("error" if line.problem else "info", "not_safe" if line.problem else "safe", what=line.words)

    def _read_bench_again(self) -> None:
        self._flags.read_again = False
        shift = self._shift
        loaded = bench_in(self._options.offer_text, self._options.bench_file)
        shift.bench.close()
        shift.loaded, shift.bench = loaded, OpenBench(loaded.bench)
        self._reader = IdleReader(shift.bench)
        # What is under way may take longer than a beat.
        threading.Thread(target=self._hook.close, name="on_event ends", daemon=True).start()
        self._hook = Hook(loaded.bench.on_event)
        self._heart.taken(True)
        self._make_safe("the bench file was read again")
        self._mount_for_show()
        shift.event("bench_file", "read again")
        log("info", "bench_file_read", file=loaded.file)

    def _remind(self) -> None:
        self._flags.remind = False
        for question in self._status.slow.questions:
            self._hook.tell("waiting", question.run, f"{question.what}: {question.how}")

    def _back_up(self) -> bool:
        database = self._shift.writer.path
        try:
            today = self._shift.now().astimezone(self._shift.zone).date()
            copy = back_up(database, database.parent / "backups", today, called_off=lambda: bool(self._flags.stop))
        except BenchdError as error:
            log("error", "backup_failed", what=error.message)
            return False
        if copy is not None:
            log("info", "backed_up", file=copy)
        return True

    # Signals and the guard

    @contextmanager
    def _signals(self) -> Iterator[None]:
        def stop(*_: object) -> None:
            self._flags.stop = self._flags.stop or "the daemon was asked to stop"

        def read_again(*_: object) -> None:
            self._flags.read_again = True

        taken = {signal.SIGTERM: stop, signal.SIGINT: stop, signal.SIGHUP: read_again}
        before = {number: signal.signal(number, handler) for number, handler in taken.items()}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _watch_guard(self) -> None:
        """The guard has gone when its pipe is closed: nobody would see this process hang any more."""
        os.read(self._options.life, 1)
        log("error", "guard_lost", what="making safe and ending")
        self._flags.stop = self._flags.stop or "the daemon's guard was lost"
        threading.Event().wait(ORPHAN_S)
        os._exit(1)
