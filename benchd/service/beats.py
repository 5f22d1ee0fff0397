"""The pipe on which a child tells its guard that it lives, and on which each sees that the other has gone.

A beat is one byte. `READY` is the first of them: from then on the guard is strict.
"""

from __future__ import annotations

import os
from contextlib import suppress

from benchd.clock import real_s

#: What the child sends: it has come up; it makes progress; it has taken a changed bench file, or not; the bench is safe
#: and it is about to end, which may take longer than a beat.
READY, BEAT, TAKEN, NOT_TAKEN, LEAVING = b"R", b".", b"F", b"N", b"L"
#: No more often than this [s].
EVERY_S = 0.1


class Heart:
    """The child's end. Beating costs next to nothing and never waits."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._beaten_s = 0.0
        os.set_blocking(descriptor, False)

    def ready(self) -> None:
        """The child has come up."""
        self._send(READY)

    def taken(self, taken: bool) -> None:
        """The child has taken the changed bench file that it was offered, or not: the guard keeps to the same bench."""
        self._send(TAKEN if taken else NOT_TAKEN)

    def leaving(self) -> None:
        """The bench is safe and the child is about to end."""
        self._send(LEAVING)

    def beat(self) -> None:
        """The loop that drives the bench makes progress."""
        now_s = real_s()
        if now_s - self._beaten_s >= EVERY_S:
            self._beaten_s = now_s
            self._send(BEAT)

    def _send(self, what: bytes) -> None:
        # A full pipe says that enough beats wait to be read; a broken one is told by the other pipe.
        with suppress(BlockingIOError, BrokenPipeError):
            os.write(self._descriptor, what)
