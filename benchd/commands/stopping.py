"""Ctrl-C, and the system's wish that we end, while runs are played: the engine ends its run safely, none follows.

Never as an exception in the middle of something: it could strike between two halves of a transaction.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

from benchd.running.engine import Command, Engine


class Stopper:
    """Asks the running engine to end its run safely, and lets no further run begin."""

    def __init__(self) -> None:
        self._engine: Engine | None = None
        self.stopped = False

    def take(self, engine: Engine) -> None:
        """This engine is the one that plays now."""
        self._engine = engine

    def _stop(self, *_: object) -> None:
        self.stopped = True
        if self._engine is not None:
            self._engine.ask(Command.ABORT, "keyboard")

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Signals come here; afterwards they go where they went before."""
        before = {number: signal.signal(number, self._stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
