"""A worker that heats one processor core: a program of its own, run by its path, that knows nothing of benchd.

It is told on its standard input which share of the time it is to work, a line each, such as `0.35`. It ends when that
input ends, which it does when its parent dies, however that dies. It rests when it has been told nothing for 3 s: then
its parent hangs. Arguments: `spin` (whole numbers) or `matrix` (products of matrices, which heat more), and its delay
in the common period, as a share, so that the workers do not all rest at once.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Callable

PERIOD_S = 0.02
SILENCE_S = 3.0


def spin() -> None:
    """Whole numbers for some hundredths of a millisecond."""
    number = 1
    for _ in range(300):
        number = (1103515245 * number + 12345) & 0x7FFFFFFF


def matrices() -> Callable[[], None]:
    """Products of matrices, each of a fraction of a millisecond."""
    import numpy as np  # only who wants it waits for it

    left, right, out = (np.full((96, 96), 1.0) for _ in range(3))
    return lambda: void(np.matmul(left, right, out=out))


def void(_: object) -> None:
    """Nothing of it is wanted."""


class Told:
    """What the worker was told last, and when."""

    def __init__(self) -> None:
        self._duty = 0.0
        self._heard_s = time.monotonic()
        self._half = b""

    def duty(self) -> float:
        """The share to work now: 0 after a silence."""
        return self._duty if time.monotonic() - self._heard_s < SILENCE_S else 0.0

    def listen(self, rest_s: float) -> bool:
        """Rest for so long, or until something is said; False when nobody is there any more."""
        if not select.select([0], [], [], max(0.0, rest_s))[0]:
            return True
        data = os.read(0, 4096)
        lines = (self._half + data).split(b"\n")
        self._half = lines.pop()[-64:]
        for line in lines:
            self._take(line)
        return bool(data)

    def _take(self, line: bytes) -> None:
        try:
            duty = float(line)
        except ValueError:
            return
        self._duty = duty if 0 <= duty <= 1 else 0.0
        self._heard_s = time.monotonic()


def main(work: Callable[[], None], delay: float) -> None:
    """Work and rest until standard input ends."""
    told = Told()
    while told.listen(0.0):
        now_s = time.monotonic()
        # All workers count by the same clock, each with its own delay.
        begun_s = now_s - (now_s - delay * PERIOD_S) % PERIOD_S
        until_s = begun_s + told.duty() * PERIOD_S
        while time.monotonic() < until_s:
            work()
        while (rest_s := begun_s + PERIOD_S - time.monotonic()) > 0:
            if not told.listen(rest_s):
                return


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, and its end is ours
    main(matrices() if sys.argv[1] == "matrix" else spin, float(sys.argv[2]))
