"""When a soak is over: the plain rule that used to end it.

Fed once a tick for a whole night, so it is plain Python on plain floats, with bounded memory and constant
work for each tick. NaN is a gap; a time that does not advance raises ValueError. It must not know what is
heated.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

_FIXED = 1_000_000
"""Sums are kept in whole millionths: a sum of integers, added to and taken from all night, does not drift."""

_ENOUGH = 0.8
"""Share of a window that has to be there [1]."""


class Verdict(NamedTuple):
    """What the plain rule says: `settled`, and `change_k` [K], the change it judged; None while it cannot
    say."""

    settled: bool
    change_k: float | None


_CANNOT_SAY = Verdict(False, None)


class _Window:
    """Mean of the last `length_s` of what is put in, and how much of that time is there."""

    __slots__ = ("_covered", "_length_s", "_samples", "_sum")

    def __init__(self, length_s: float) -> None:
        self._length_s = length_s
        self._samples: deque[tuple[float, int, int]] = deque()
        self._sum = 0
        self._covered = 0

    def put(self, t_s: float, value: int, covers: int) -> None:
        self._samples.append((t_s, value, covers))
        self._sum += value
        self._covered += covers

    def forget(self, now_s: float) -> None:
        samples = self._samples
        oldest_s = now_s - self._length_s
        while samples and samples[0][0] <= oldest_s:
            _, value, covers = samples.popleft()
            self._sum -= value
            self._covered -= covers

    def mean(self) -> float | None:
        if not self._samples or self._covered < _ENOUGH * self._length_s * _FIXED:
            return None
        return self._sum / (len(self._samples) * _FIXED)


class PlainRule:
    """Settled when the rise changes by less than `change_k` in `in_s`.

    Compares the mean over the last `average_s` with the mean over the `average_s` that ended `in_s` earlier.
    Says nothing before both windows lie after the start, nor while more than a fifth of either is missing. A
    sample stands for the time since the one before, at most for a fifth of `average_s`: the rule needs five
    samples in that time.

    `change_k` [K] above 0; `in_s` [s] above 0; `average_s` [s] above 0. Raises ValueError otherwise.

    Range of validity: what remains is not bounded by the rule. With one time constant tau, a rise that just
    passes is still change / (exp(in / tau) - 1) from its end: for 1 K in 15 min, 0.3 K at tau = 10 min but
    3.5 K at 60 min. With several time constants the slowest counts. Source: the same form stands in IEC
    62368-1 B.1.6 (3 K in 30 min) and IEC 60335-2-6 (1 K in 15 min); the figures follow from exp(-t / tau).

    >>> rule = PlainRule(change_k=0.5, in_s=600)
    >>> verdicts = [rule.update(float(t), 40 * (1 - math.exp(-t / 300))) for t in range(3600)]
    >>> next(t for t, verdict in enumerate(verdicts) if verdict.settled)
    1901
    """

    def __init__(self, change_k: float, in_s: float, average_s: float = 60.0) -> None:
        for name, value in (("change_k", change_k), ("in_s", in_s), ("average_s", average_s)):
            if not 0 < value < math.inf:
                raise ValueError(f"{name} must be above 0, got {value}")
        self.change_k = change_k
        self.in_s = in_s
        self.average_s = average_s
        self._longest_s = average_s / 5
        self._start_s: float | None = None
        self._last_s = -math.inf
        self._recent = _Window(average_s)
        self._earlier = _Window(average_s)
        self._between: deque[tuple[float, int, int]] = deque()

    def update(self, t_s: float, rise_k: float) -> Verdict:
        """Takes one sample and judges.

        `t_s` [s] later than the last one; `rise_k` [K], NaN where it is missing. Raises ValueError for a time
        that does not advance.

        >>> PlainRule(0.5, 600).update(0.0, 20.0)
        Verdict(settled=False, change_k=None)
        """
        if not self._last_s < t_s < math.inf:
            raise ValueError(f"time has to advance: {t_s} s after {self._last_s} s")
        if self._start_s is None:
            self._start_s = self._last_s = t_s
        since_s = t_s - self._last_s
        self._last_s = t_s
        if math.isfinite(rise_k):
            covers = round(min(since_s, self._longest_s) * _FIXED)
            value = round(rise_k * _FIXED)
            self._recent.put(t_s, value, covers)
            self._between.append((t_s, value, covers))
        self._age(t_s)
        if t_s - self._start_s < self.in_s + self.average_s:
            return _CANNOT_SAY
        now, before = self._recent.mean(), self._earlier.mean()
        if now is None or before is None:
            return _CANNOT_SAY
        change_k = now - before
        return Verdict(abs(change_k) < self.change_k, change_k)

    def _age(self, t_s: float) -> None:
        earlier_s = t_s - self.in_s
        between = self._between
        while between and between[0][0] <= earlier_s:
            self._earlier.put(*between.popleft())
        self._recent.forget(t_s)
        self._earlier.forget(earlier_s)
