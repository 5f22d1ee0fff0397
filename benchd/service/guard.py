"""The guard: a small parent that starts the daemon's child, sees whether it lives, and brings the bench down when not.

It has imported the drivers and opened none, so that it can make the bench safe without anything else. It knows no
database, no queue and no API; the socket it only hands over.
"""

from __future__ import annotations

import json
import os
import selectors
import signal
import socket
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum, auto

from benchd.bench_file import LoadedBench, load_bench
from benchd.clock import on_beat, real_s
from benchd.errors import BenchdError, InputError
from benchd.named_files import find_bench
from benchd.running.bench import OpenBench
from benchd.running.safe_state import make_safe
from benchd.service.beats import LEAVING, NOT_TAKEN, READY, TAKEN
from benchd.service.bench_lock import BenchLock
from benchd.service.hook import Hook
from benchd.service.logs import log
from benchd.service.notify import notify, watchdog_every_s

#: A child whose last beat is older than this [s] makes no progress.
LATE_S = 1.5
#: It gets so long [s] to say where it stands, before it is killed.
LAST_WORDS_S = 0.2
#: Until it has come up it may take this long [s]: a large database may have to be upgraded.
START_S = 300.0
#: Asked to stop, it gets this long [s].
STOP_S = 30.0
#: More losses than this within LOSSES_IN_S [s] of real time, and something else is wrong: the guard gives up.
LOSSES_AT_MOST = 3
LOSSES_IN_S = 120.0
#: After a loss it waits this long [s], then twice as long, and so on.
PAUSE_S = 1.0
PAUSE_AT_MOST_S = 60.0
#: How often it looks [s].
LOOK_S = 0.1


def check_speed(loaded: LoadedBench, speed: float | None) -> None:
    """Raise `InputError` when a speed is asked of real instruments."""
    if speed is not None and not loaded.bench.immediate:
        raise InputError(
            f"{loaded.file}: bench {loaded.bench.bench} has real instruments, and they know only one speed",
            "leave --speed out; to rehearse, serve its twin",
        )


class End(Enum):
    """How a child ended."""

    STOPPED = auto()
    REFUSED = auto()  # before it came up: starting it again would help nobody
    LOST = auto()


@dataclass
class Child:
    """The process with the engine, and what the guard has of it."""

    process: subprocess.Popen[bytes]
    beats: int
    """Where its beats are read."""
    life: int
    """Closed, by whatever end of the guard, it tells the child to make safe and end."""
    up: bool = False
    leaving: bool = False
    """The bench is safe by its own hand, and it is about to end."""
    answer: bool | None = None
    """Whether it has taken the bench file that it was offered; None while it has not said so."""
    heard_s: float = field(default_factory=real_s)

    def read_beats(self) -> bool:
        """Take what has come; whether anything did."""
        try:
            came = os.read(self.beats, 4096)
        except BlockingIOError:
            return False
        if came:
            self.heard_s = real_s()
            self.up = self.up or READY in came
            self.leaving = self.leaving or LEAVING in came
            if TAKEN in came or NOT_TAKEN in came:
                self.answer = TAKEN in came
        return bool(came)

    @property
    def late(self) -> bool:
        """Whether its last beat is too old."""
        allowed_s = STOP_S if self.leaving else LATE_S if self.up else START_S
        return real_s() - self.heard_s > allowed_s

    def close(self) -> None:
        """Let go of its pipes."""
        os.close(self.beats)
        os.close(self.life)


def _text_file(name: str) -> int:
    """A file in memory for a text that the children read; its descriptor."""
    return os.memfd_create(f"benchd-{name}", 0)


def _put_text(descriptor: int, text: str) -> None:
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, text.encode(), 0)


class Guard:
    """Keeps one child alive on one bench. `run` gives the exit status.

    listening: the socket that the child serves. options: what the child is told, as JSON values.
    """

    def __init__(
        self, loaded: LoadedBench, lock: BenchLock, listening: socket.socket, options: Mapping[str, object]
    ) -> None:
        self._loaded = loaded
        self._lock = lock
        self._offered: tuple[LoadedBench, BenchLock] | None = None
        self._bench_text, self._offer_text = _text_file("bench"), _text_file("offer")
        _put_text(self._bench_text, loaded.text)
        self._listening = listening
        self._options = options
        self._was_up = False
        self._stop: int | None = None
        self._stop_since_s = 0.0
        self._reread = False
        self._kick_every_s = watchdog_every_s()
        self._kicked_s = 0.0
        self._refusals = 0
        self._losses: deque[float] = deque(maxlen=LOSSES_AT_MOST + 1)

    def run(self) -> int:
        """Until asked to stop, or until starting again helps nobody. Signals are raised again by who called this."""
        # Making safe may wait for dead instruments longer than the manager's watchdog waits for a word.
        on_beat(self._kick_watchdog)
        with self._signals():
            while True:
                child = self._start()
                try:
                    end = self._watch(child)
                finally:
                    child.close()
                status = child.process.returncode
                self._was_up = self._was_up or child.up
                self._answered(False)  # an offer that it did not live to take
                if end is End.STOPPED:
                    return 0
                if end is End.REFUSED and not self._was_up:
                    return status
                self._make_safe(f"the engine's process was lost (status {status})")
                if self._stop is not None:
                    return 1
                if not self._again(refused=end is End.REFUSED):
                    self._give_up()
                    return 1

    @property
    def stopped_by(self) -> int | None:
        """The signal that asked it to stop."""
        return self._stop

    def _start(self) -> Child:
        beats_r, beats_w = os.pipe()
        life_r, life_w = os.pipe()
        os.set_blocking(beats_r, False)
        inherited = {
            "beats": beats_w,
            "life": life_r,
            "socket": self._listening.fileno(),
            "bench_text": self._bench_text,
            "offer_text": self._offer_text,
        }
        command = [sys.executable, "-m", "benchd.service.child", json.dumps({**self._options, **inherited})]
        try:
            # A session of its own: Ctrl-C on the terminal is the guard's alone to pass on.
            process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, pass_fds=tuple(inherited.values()), start_new_session=True
            )
        finally:
            os.close(beats_w)
            os.close(life_r)
        log("info", "child_started", process=process.pid)
        return Child(process, beats_r, life_w)

    def _watch(self, child: Child) -> End:
        was_up = False
        passed_on = False
        with selectors.DefaultSelector() as selector:
            selector.register(child.beats, selectors.EVENT_READ)
            while child.process.poll() is None:
                selector.select(LOOK_S)
                heard = child.read_beats()
                if child.up and not was_up:
                    was_up = True
                    notify("READY=1", f"MAINPID={os.getpid()}")
                if heard or not child.up:
                    self._kick_watchdog()
                if self._stop is not None and not passed_on:
                    passed_on = True
                    notify("STOPPING=1")
                    child.process.send_signal(signal.SIGTERM)
                if self._reread and child.up and self._offered is None:
                    # Before it is up it would not know what to do with it, and end.
                    self._reread = False
                    self._offer(child)
                if child.answer is not None:
                    self._answered(child.answer)
                    child.answer = None
                if child.late or (passed_on and real_s() - self._stop_since_s > STOP_S):
                    self._kill(child)
                    return End.LOST
        child.read_beats()
        if self._stop is not None and child.process.returncode in (0, -signal.SIGTERM):
            return End.STOPPED
        # One that ends by itself before it has come up says what is wrong, and would say it again.
        return End.REFUSED if not child.up and child.process.returncode > 0 else End.LOST

    def _kick_watchdog(self) -> None:
        now_s = real_s()
        if self._kick_every_s is not None and now_s - self._kicked_s >= self._kick_every_s:
            self._kicked_s = now_s
            notify("WATCHDOG=1")

    def _kill(self, child: Child) -> None:
        log("error", "child_late", process=child.process.pid, late_s=round(real_s() - child.heard_s, 2))
        for number, patience_s in ((signal.SIGABRT, LAST_WORDS_S), (signal.SIGKILL, 5.0)):
            child.process.send_signal(number)
            try:
                child.process.wait(patience_s)
            except subprocess.TimeoutExpired:
                continue
            return
        log("critical", "child_cannot_be_killed", process=child.process.pid)

    def _make_safe(self, cause: str) -> None:
        log("warning", "making_safe", what=cause)
        bench = OpenBench(self._loaded.bench)
        try:
            for line in make_safe(bench, cause).lines:
                log("error" if line.problem else "info", "not_safe" if line.problem else "safe", what=line.words)
        finally:
            bench.close()

    def _again(self, refused: bool) -> bool:
        """Whether to start once more, after a pause that grows with the losses of late.

        refused: it ended by itself before it was up, though one was up before. What stands in its way, such as a full
        disk, may go away in the night: it is tried for ever, with pauses of a minute at most.
        """
        now_s = real_s()
        self._refusals = self._refusals + 1 if refused else 0
        if not refused:
            self._losses.append(now_s)
        late = [loss for loss in self._losses if now_s - loss < LOSSES_IN_S]
        if len(late) > LOSSES_AT_MOST:
            return False
        until_s = now_s + min(PAUSE_AT_MOST_S, PAUSE_S * 2 ** max(len(late) - 1, self._refusals))
        with selectors.DefaultSelector() as selector:
            while self._stop is None and (left_s := until_s - real_s()) > 0:
                selector.select(min(left_s, LOOK_S))
        return self._stop is None

    # A changed bench file: read here, its places locked here, and offered to the child, which takes it between runs.

    def _offer(self, child: Child) -> None:
        try:
            found = find_bench(str(self._options["bench"]))
            loaded = load_bench(found.text, found.file)
            check_speed(loaded, self._speed)
            if loaded.bench.bench != self._loaded.bench.bench:
                raise InputError(f"it is bench {loaded.bench.bench} now: that needs a daemon of its own")
            lock = BenchLock.take(loaded.bench, beside=self._lock)
        except BenchdError as error:
            log("error", "bench_file_refused", what=error.message)
            return
        self._offered = loaded, lock
        _put_text(self._offer_text, loaded.text)
        child.process.send_signal(signal.SIGHUP)

    def _answered(self, taken: bool) -> None:
        """The child has taken the bench file that it was offered, or not: both keep to the same bench."""
        if self._offered is None:
            return
        loaded, lock = self._offered
        self._offered = None
        if taken:
            self._loaded = loaded
            _put_text(self._bench_text, loaded.text)
            self._lock.release()
            self._lock = lock
        else:
            lock.release()

    @property
    def _speed(self) -> float | None:
        speed = self._options["speed"]
        return speed if isinstance(speed, float) else None

    def _give_up(self) -> None:
        what = (
            f"the daemon was lost {LOSSES_AT_MOST + 1} times in {LOSSES_IN_S:g} s and gives up; the bench was made safe"
        )
        log("critical", "guard_gives_up", what=what)
        hook = Hook(self._loaded.bench.on_event)
        hook.tell("failed", None, what)
        hook.close()

    # Signals only set flags

    @contextmanager
    def _signals(self) -> Iterator[None]:
        stops = (signal.SIGTERM, signal.SIGINT)
        taken: dict[signal.Signals, Callable[[int, object], None]] = dict.fromkeys(stops, self._asked_to_stop)
        taken[signal.SIGHUP] = self._asked_to_read
        before = {number: signal.signal(number, handler) for number, handler in taken.items()}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _asked_to_stop(self, number: int, _frame: object) -> None:
        if self._stop is None:
            self._stop, self._stop_since_s = number, real_s()

    def _asked_to_read(self, _number: int, _frame: object) -> None:
        self._reread = True
