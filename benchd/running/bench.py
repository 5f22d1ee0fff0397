"""The opened bench: its instruments, and the threads behind those that may block.

A blocking instrument lives behind one worker with at most one request in flight. Unanswered at its real deadline, the
request is left to itself: its late answer is thrown away, and the instrument counts as silent until it is free again.
One dead instrument never costs another its samples. An immediate instrument is called inline.

This file knows no run, no step and no database.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from typing import Any, Generic, TypeVar

from benchd.bench_file import HEAT_SETPOINT, BenchFile
from benchd.clock import real_s, wait_real
from benchd.errors import InstrumentError, NoAnswer
from benchd.instruments import Answer, Cooling, Instrument, RunAbout, Setup, find_driver

T = TypeVar("T")

#: Opening may take longer than reading: a link is built up, a device wakes. Real seconds.
OPEN_S = 5.0
#: How much of its deadline a silent instrument gets to take heat off [1]: a tick waits; one that lives needs little.
LITTLE_PATIENCE = 0.25
#: The longest pause between two tries at an instrument that does not answer [s of bench time].
PAUSE_AT_MOST_S = 10.0


class Request(Generic[T]):
    """One call into a driver, answered later by its worker."""

    def __init__(self, name: str, call: Callable[[], T]) -> None:
        self._name = name
        self._call = call
        self._asked_s = real_s()
        self._done = threading.Event()
        self._result: T | None = None
        self._error: InstrumentError | None = None

    def serve(self) -> None:
        try:
            self._result = self._call()
        except InstrumentError as error:
            self._error = error
        except Exception as error:  # noqa: BLE001 - a fault inside a driver must cost its own samples only
            self._error = InstrumentError(
                f"{self._name}: the driver failed: {error!r}", "this is a fault of the driver"
            )
        self._done.set()

    @property
    def done(self) -> bool:
        return self._done.is_set()

    def answer(self, due_s: float) -> T:
        """What the call gave. Raises its error, or `NoAnswer` when real time due_s [s] comes first."""
        if not wait_real(self._done, due_s - real_s()):
            raise NoAnswer(f"{self._name}: no answer within {due_s - self._asked_s:.2g} s")
        if self._error is not None:
            raise self._error
        return self._result  # type: ignore[return-value]  # set by serve() whenever there is no error


class Worker:
    """The thread of one blocking instrument."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._inbox: queue.SimpleQueue[Request[Any] | None] = queue.SimpleQueue()
        self._current: Request[Any] | None = None
        self._ended = threading.Event()
        # A driver that hangs for ever must not keep the process from ending.
        self._thread = threading.Thread(target=self._serve, name=f"instrument {name}", daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while (request := self._inbox.get()) is not None:
            request.serve()
        self._ended.set()

    @property
    def busy(self) -> bool:
        """Whether the instrument has not come back from its last call."""
        return self._current is not None and not self._current.done

    def ask(self, call: Callable[[], T], wait_until_s: float = 0.0) -> Request[T]:
        """Put a call to the instrument. Raises `NoAnswer` while it is still busy with the one before.

        wait_until_s [s]: real time until which to wait for it to become free.
        """
        if self._current is not None and not self._current.done:
            try:
                self._current.answer(wait_until_s)
            except NoAnswer:
                raise NoAnswer(f"{self._name}: still busy with an earlier request") from None
            except InstrumentError:
                pass  # the earlier request's trouble was its asker's
        request = Request(self._name, call)
        self._current = request
        self._inbox.put(request)
        return request

    def stop(self, join_s: float) -> None:
        """End the thread after its present call; wait at most join_s [s] for it."""
        self._inbox.put(None)
        if wait_real(self._ended, join_s):
            self._thread.join()


class Pause:
    """When to try again: at once while the loss is fresh, then after half the time that it has lasted, at most 10 s.

    All in bench time, so that a rehearsal tries as a night would.
    """

    def __init__(self) -> None:
        self._lost_s: float | None = None
        self._until_s = 0.0

    def over(self, t_s: float) -> bool:
        """Whether it is time to ask the instrument at t_s [s]; always, while it answers."""
        return self._lost_s is None or not self._lost_s <= t_s < self._until_s

    def failed(self, t_s: float) -> None:
        """It gave no answer at t_s [s]."""
        if self._lost_s is None or t_s < self._lost_s:  # bench time of another run begins anew
            self._lost_s = t_s
        self._until_s = t_s + min(PAUSE_AT_MOST_S, 0.5 * (t_s - self._lost_s))

    def end(self) -> None:
        """It answers."""
        self._lost_s = None


class OpenInstrument:
    """One instrument on the bench, with its worker if it may block."""

    def __init__(self, name: str, driver: Instrument, deadline_s: float) -> None:
        self.name = name
        self.driver = driver
        self.deadline_s = deadline_s
        self.opened = False
        self.pause = Pause()
        self.told = Pause()
        """When heat off is tried again at an instrument that has fallen silent."""
        self._worker = None if driver.immediate else Worker(name)

    @property
    def busy(self) -> bool:
        """Whether an earlier call has not come back yet."""
        return self._worker is not None and self._worker.busy

    def begin_call(self, call: Callable[[], T], patience_s: float = 0.0) -> Request[T]:
        """Start a call; an immediate instrument has answered when this returns. Raises `NoAnswer` while busy."""
        if self._worker is not None:
            return self._worker.ask(call, real_s() + patience_s)
        request = Request(self.name, call)
        request.serve()
        return request

    def call(self, call: Callable[[], T], limit_s: float | None = None) -> T:
        """Call the instrument and wait for its answer, at most limit_s [s], its deadline unless given."""
        limit_s = self.deadline_s if limit_s is None else limit_s
        return self.begin_call(call, limit_s).answer(real_s() + limit_s)

    def open(self) -> None:
        """Open the instrument. Raises its `InstrumentError`."""
        if not self.opened:
            self.call(self._open, max(OPEN_S, self.deadline_s))

    def _open(self) -> None:
        self.driver.open()
        self.opened = True

    def read(self, t_s: float) -> Mapping[str, Answer]:
        """Read the instrument at bench time t_s [s], opened first when it could not be opened before.

        To be given to `begin_call`.
        """
        if not self.opened:
            self._open()
        return self.driver.read(t_s)

    def close(self) -> None:
        """Close the instrument and end its thread; an instrument that hangs is left behind."""
        with suppress(InstrumentError):  # it hangs or has gone: nothing more can be done for it here
            self.call(self.driver.close)
        self.opened = False
        if self._worker is not None:
            self._worker.stop(self.deadline_s)


class OpenBench:
    """All instruments of a bench file. A context manager: opens them on entry, lets go of them on exit.

    cooling: which channels there are, those of a liquid or an air specimen; None: all.
    """

    def __init__(self, bench: BenchFile, cooling: Cooling | None = None) -> None:
        self.file = bench
        shared: dict[str, Any] = {}
        self.instruments = {
            name: OpenInstrument(name, find_driver(spec.driver)(Setup(name, spec, shared)), spec.deadline_s)
            for name, spec in bench.instruments.items()
        }
        self._owner = {name: owner for name, (owner, _) in bench.setpoints(None).items()}
        self._t_s = 0.0
        #: Instruments whose last request went unanswered, and why.
        self.silent: dict[str, str] = {}
        self.fit(cooling)

    def fit(self, cooling: Cooling | None) -> None:
        """From now on there are the channels and setpoints of a specimen of this kind; None: all."""
        self.cooling = cooling
        self.channels = {name: spec for name, (_, spec) in self.file.channels(cooling).items()}
        self.setpoints = {name: spec for name, (_, spec) in self.file.setpoints(cooling).items()}
        owners = {owner for owner, _ in self.file.channels(cooling).values()}
        self._readable = [instrument for name, instrument in self.instruments.items() if name in owners]
        self.silent = {name: why for name, why in self.silent.items() if name in owners}

    @property
    def immediate(self) -> bool:
        """Whether every instrument answers at once, so that the bench can be played in virtual time."""
        return self.file.immediate

    def __enter__(self) -> OpenBench:
        try:
            self.open()
        except InstrumentError:
            self.close()
            raise
        return self

    def open(self) -> None:
        """Open all instruments that are not open yet. Raises the `InstrumentError` of the first that cannot be.

        Those that are not open are opened when the bench is read.
        """
        for instrument in self.instruments.values():
            instrument.open()

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all instruments; never raises."""
        for instrument in self.instruments.values():
            instrument.close()

    def specimens(self) -> dict[str, Cooling]:
        """The specimens that a simulated bench can mount."""
        return {
            name: kind
            for instrument in self.instruments.values()
            for name, kind in instrument.driver.specimens().items()
        }

    def begin(self, about: RunAbout) -> None:
        """Tell every instrument that a run begins."""
        for instrument in self.instruments.values():
            instrument.call(_beginning(instrument.driver, about))

    def read(self, t_s: float) -> dict[str, Answer]:
        """All channels of all instruments at bench time t_s [s]; a channel that gave nothing is left out.

        An instrument that has not answered is asked again after a pause that grows, since asking costs time.
        """
        self._t_s = t_s
        answers: dict[str, Answer] = {}
        asked: list[tuple[OpenInstrument, Request[Mapping[str, Answer]], float]] = []
        for instrument in self._readable:
            if not instrument.pause.over(t_s):
                continue
            try:
                request = instrument.begin_call(_reading(instrument, t_s))
            except NoAnswer as error:
                # Busy costs no waiting, so it is looked at each time.
                self.silent[instrument.name] = error.message
                continue
            asked.append((instrument, request, real_s() + instrument.deadline_s))
        for instrument, request, due_s in asked:
            try:
                given = request.answer(due_s)
            except InstrumentError as error:
                self.silent[instrument.name] = error.message
                instrument.pause.failed(t_s)
            else:
                self.silent.pop(instrument.name, None)
                instrument.pause.end()
                answers.update(given)
        return answers

    def silent_setpoints(self) -> list[str]:
        """The setpoints of instruments that did not answer their last reading."""
        return [name for name in self.setpoints if self._owner[name] in self.silent] if self.silent else []

    def write(self, values: Mapping[str, float]) -> dict[str, str]:
        """Command setpoints [unit of each], in the order given. Returns what failed: setpoint -> why.

        An instrument that did not answer its last reading is not asked: waiting for it again would cost the others
        time. Only heat off is tried in any case, now and then and with little patience, unless it is still busy.
        """
        failed: dict[str, str] = {}
        for name, value in values.items():
            instrument = self.instruments[self._owner[name]]
            silent = instrument.name in self.silent
            heat_off = name == HEAT_SETPOINT and value == 0 and not instrument.busy
            if silent and not (heat_off and instrument.told.over(self._t_s)):
                failed[name] = self.silent[instrument.name]
                continue
            try:
                limit_s = instrument.deadline_s * (LITTLE_PATIENCE if silent else 1.0)
                instrument.call(_writing(instrument.driver, {name: value}), limit_s)
            except InstrumentError as error:
                failed[name] = error.message
                instrument.told.failed(self._t_s)
            else:
                instrument.told.end()
        return failed


def _beginning(driver: Instrument, about: RunAbout) -> Callable[[], None]:
    return lambda: driver.begin(about)


def _reading(instrument: OpenInstrument, t_s: float) -> Callable[[], Mapping[str, Answer]]:
    return lambda: instrument.read(t_s)


def _writing(driver: Instrument, values: Mapping[str, float]) -> Callable[[], None]:
    return lambda: driver.write(values)


def safe_values(bench: BenchFile, names: Iterable[str]) -> dict[str, float]:
    """What the safe state commands for these setpoints [unit of each]."""
    setpoints = bench.setpoints(None)
    return {name: setpoints[name][1].safe for name in names}
