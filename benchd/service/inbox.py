"""How other threads ask the one that plays: it answers at its next tick, or the asker is told that it is busy.

Nobody else touches the engine, the writer or the bench.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any, Generic, TypeVar

from benchd.errors import BenchdError

D = TypeVar("D")
T = TypeVar("T")


class Busy(BenchdError):
    """The bench did not answer within two ticks. What was asked for will not be done."""


class Inbox(Generic[D]):
    """Calls waiting for the thread that plays. D is what they are made with: the desk.

    within_s: how long an asker waits [s] of real time, two ticks.
    """

    def __init__(self, within_s: float) -> None:
        self.within_s = within_s
        self._calls: queue.SimpleQueue[tuple[Callable[[D], Any], Future[Any]]] = queue.SimpleQueue()
        self._something = threading.Event()

    def ask(self, call: Callable[[D], T]) -> T:
        """Have `call` made with the desk by the thread that plays, and give its result or raise its error.

        Raises `Busy` when it did not come to it in time; then it is not made at all.
        """
        future: Future[T] = Future()
        self._calls.put((call, future))
        self._something.set()
        try:
            return future.result(self.within_s)
        except (FutureTimeout, CancelledError):
            if future.cancel() or future.cancelled():
                raise Busy(
                    f"the bench did not come to it within {self.within_s:g} s", "try again; see benchd status"
                ) from None
            # It has just begun and is as good as done.
            return future.result()

    def serve(self, desk: D) -> None:
        """Make all calls that wait, on this thread. Their errors go to who asked."""
        self._something.clear()
        while not self._calls.empty():
            call, future = self._calls.get()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(call(desk))
            except Exception as error:  # noqa: BLE001 - raised again in the thread that asked
                future.set_exception(error)

    def wait(self, timeout_s: float) -> bool:
        """Whether something waits, at the latest after timeout_s [s] of real time."""
        return self._something.wait(timeout_s)
