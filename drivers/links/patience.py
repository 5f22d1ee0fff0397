"""How long something may still take: the only module of the drivers that looks at a clock.

A driver is given the time of its samples and asks for none. But whoever collects an answer piece by piece must know
when to give up, so a link measures a span of real seconds, steady and without a date. And whoever makes watts of a
counter of joules must know how much later he has read it.
"""

from __future__ import annotations

from time import monotonic


class Patience:
    """A span of real seconds that runs from now on.

    >>> Patience(10.0).left_s > 9.0, Patience(0.0).over
    (True, True)
    """

    __slots__ = ("_end_s",)

    def __init__(self, span_s: float) -> None:
        self._end_s = monotonic() + span_s

    @property
    def left_s(self) -> float:
        """What is left of it [s], 0 when it is over."""
        return max(0.0, self._end_s - monotonic())

    @property
    def over(self) -> bool:
        """Whether nothing is left of it."""
        return self.left_s == 0.0


class Stopwatch:
    """Real seconds that have passed since it was made, steady and without a date.

    >>> 0.0 <= Stopwatch().elapsed_s < 10.0
    True
    """

    __slots__ = ("_began_s",)

    def __init__(self) -> None:
        self._began_s = monotonic()

    @property
    def elapsed_s(self) -> float:
        """How long it has run [s]."""
        return monotonic() - self._began_s
