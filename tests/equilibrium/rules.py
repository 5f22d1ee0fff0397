"""Rules that others end a soak by, to compare with: a fixed time, "less than so many kelvins in so many minutes", and
the R statistic. All are fed one sample after the other and say whether they would end here.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

_FIXED = 1_000_000
"""Sums are kept in whole millionths: a sum of integers, added to and taken from all night, does not drift."""

_ENOUGH = 0.8
"""Share of a window that has to be there [1]."""

MEMORIES = 5
"""The R statistic judges after so many memories of its slowest filter [1]."""


class FixedTime:
    """Ends after `for_s` [s], whatever is seen: the trade's habit (common practice, no source)."""

    def __init__(self, for_s: float) -> None:
        self.for_s = for_s
        self._start_s: float | None = None

    def ended(self, t_s: float, rise_k: float) -> bool:  # noqa: ARG002
        if self._start_s is None:
            self._start_s = t_s
        return t_s - self._start_s >= self.for_s


class Verdict(NamedTuple):
    """What the plain rule says: `settled`, and `change_k` [K], the change it judged; None while it cannot say."""

    settled: bool
    change_k: float | None


_CANNOT_SAY = Verdict(False, None)


class _Window:
    """Mean of the last `length_s` of what is put in, and how much of that time is there."""

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
    """Settled when the rise changes by less than `change_k` [K] in `in_s` [s].

    Compares the mean over the last `average_s` [s] with the mean over the `average_s` that ended `in_s` earlier. Says
    nothing before both windows lie after the start, nor while more than a fifth of either is missing. A sample stands
    for the time since the one before, at most for a fifth of `average_s`. NaN is a gap.

    What remains is not bounded by the rule: with one time constant tau, a rise that just passes is still
    change / (exp(in / tau) - 1) from its end. Source: the form stands in IEC 62368-1 B.1.6 (3 K in 30 min, 1 K in
    5 min) and IEC 60335-2-6 (1 K in 15 min), as quoted in public discussions of these standards.
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
        """Takes one sample and judges; raises ValueError for a time that does not advance."""
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

    def ended(self, t_s: float, rise_k: float) -> bool:
        return self.update(t_s, rise_k).settled

    def _age(self, t_s: float) -> None:
        earlier_s = t_s - self.in_s
        between = self._between
        while between and between[0][0] <= earlier_s:
            self._earlier.put(*between.popleft())
        self._recent.forget(t_s)
        self._earlier.forget(earlier_s)


class RStatistic:
    """Steady when the ratio of two variances, one of them about a filtered mean, is at most `critical` [1].

    For each sample x: v = l2 (x - f)^2 + (1 - l2) v with the filtered value f as it was before; f = l1 x + (1 - l1) f;
    d = l3 (x - x before)^2 + (1 - l3) d; R = (2 - l1) v / d. White noise about a constant gives R near 1. Judges after
    `MEMORIES` of its slowest filter, which begin from the first sample. Source: S. Cao and R. R. Rhinehart, "An
    efficient method for on-line identification of steady state", J. Process Control 5 (1995) 363-374, the recursion as
    transcribed in public code; the critical value 1.435 (95 % at 0.2, 0.1, 0.1) is computed, not taken from their
    tables.
    """

    def __init__(self, critical: float = 1.435, l1: float = 0.2, l2: float = 0.1, l3: float = 0.1) -> None:
        self.critical = critical
        self.lambdas = (l1, l2, l3)
        self._filtered: float | None = None
        self._last = math.nan
        self._v2 = self._d2 = 0.0
        self._left = MEMORIES / min(self.lambdas)

    def begin(self, filtered: float, v2: float, d2: float, last: float) -> None:
        """Sets what the recursion starts from, instead of the first sample."""
        self._filtered, self._v2, self._d2, self._last = filtered, v2, d2, last

    def update(self, value: float) -> float:
        """Takes one sample; R, or NaN while nothing has ever changed."""
        if self._filtered is None:
            self._filtered = self._last = value
        l1, l2, l3 = self.lambdas
        self._v2 = l2 * (value - self._filtered) ** 2 + (1 - l2) * self._v2
        self._filtered = l1 * value + (1 - l1) * self._filtered
        self._d2 = l3 * (value - self._last) ** 2 + (1 - l3) * self._d2
        self._last = value
        return (2 - l1) * self._v2 / self._d2 if self._d2 > 0 else math.nan

    def ended(self, t_s: float, rise_k: float) -> bool:  # noqa: ARG002
        self._left -= 1
        return self.update(rise_k) <= self.critical and self._left < 0
