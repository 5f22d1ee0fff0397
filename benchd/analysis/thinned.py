"""A series that grows for hours, kept in bounded memory: what is old is grouped, what is recent is kept as it came.

A mode of a curve that is still visible at an age t is slower than about t / 10, so groups may grow with age without
losing anything. It must not know what the series means.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_GROWTH = 0.04
"""A group spans this part of its age [1]: a hundred groups or so for every hundredfold of time."""

_LEAST_S = 1.0
"""And at least this [s]: nothing on a bench is faster."""

_RECENT = 600
"""So many of the latest samples are kept as they came [1]."""

_NONE = np.zeros(0)


class Thinned:
    """Samples of one series, each with a row of companions (what else was worth keeping of that moment).

    `companions` [1] how many values go along with each sample, at least 0; `origin_s` [s] from when age is counted.
    Raises ValueError below 0.

    >>> thinned = Thinned()
    >>> for t in range(3600):
    ...     thinned.put(float(t), 20.0)
    >>> len(thinned.t_s), float(thinned.count.sum()) > 3400, len(thinned.recent()[0])
    (137, True, 600)
    """

    def __init__(self, companions: int = 0, origin_s: float = 0.0) -> None:
        if companions < 0:
            raise ValueError(f"companions must be at least 0, got {companions}")
        self._width = companions
        self._origin_s = origin_s
        self._rows = np.zeros((256, 4 + companions))
        self._used = 0
        self._recent = np.zeros((2 * _RECENT, 2 + companions))
        self._recent_used = 0
        self._last_s = math.nan
        self._open(math.nan)

    def _open(self, from_s: float) -> None:
        self._from_s = from_s
        self._n = 0
        self._t = self._tt = self._x = 0.0
        self._with = np.zeros(self._width) if self._width else _NONE

    def put(self, t_s: float, x: float, companions: Floats = _NONE) -> None:
        """Takes a sample.

        `t_s` [s] since the start, later than the last; `x` [any unit]; `companions` [any unit], as many as said.

        >>> thinned = Thinned(1)
        >>> thinned.put(0.0, 20.0, np.array([1.0]))
        >>> thinned.companions.tolist()
        [[1.0]]
        """
        if self._n == 0:
            self._from_s = t_s
        self._n += 1
        self._t += t_s
        self._tt += t_s * t_s
        self._x += x
        if self._width:
            self._with += companions
        self._keep(t_s, x, companions)
        # A sample stands for the time since the one before: a group of one spans that.
        since_s = t_s - self._last_s if self._last_s < t_s else _LEAST_S
        self._last_s = t_s
        if t_s + since_s - self._from_s >= max(_GROWTH * (t_s - self._origin_s), _LEAST_S) - 1e-9:
            self._close()

    def _close(self) -> None:
        if self._used == len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros_like(self._rows)])
        row, n = self._rows[self._used], self._n
        mean = self._t / n
        row[0], row[1], row[2], row[3] = mean, max(self._tt / n - mean * mean, 0.0), n, self._x / n
        if self._width:
            row[4:] = self._with / n
        self._used += 1
        self._open(math.nan)

    def _keep(self, t_s: float, x: float, companions: Floats) -> None:
        if self._recent_used == len(self._recent):
            self._recent[:_RECENT] = self._recent[_RECENT:]
            self._recent_used = _RECENT
        row = self._recent[self._recent_used]
        row[0], row[1] = t_s, x
        if self._width:
            row[2:] = companions
        self._recent_used += 1

    def since(self, from_s: float) -> Thinned:
        """The same without what lies before a time, and with age counted from there.

        `from_s` [s]. As finely grouped as if it had begun there where the recent samples reach that far, else whole
        groups only.

        >>> thinned = Thinned()
        >>> for t in range(1000):
        ...     thinned.put(float(t), 20.0)
        >>> float(thinned.since(900.5).t_s[0]), float(thinned.since(100.0).t_s[0]) > 100
        (901.0, True)
        """
        left = Thinned(self._width, from_s)
        t, x, companions = self.recent()
        if not len(t) or t[0] <= from_s or self._used == 0:
            for row in np.flatnonzero(t >= from_s):
                left.put(float(t[row]), float(x[row]), companions[row])
            return left
        begins_s = self.t_s - np.sqrt(3 * self.spread_s2)
        rows = self._rows[: self._used][begins_s >= from_s]
        left._rows, left._used = np.concatenate([rows, np.zeros_like(left._rows)]), len(rows)
        left._recent, left._recent_used = self._recent.copy(), self._recent_used
        left._from_s, left._n, left._last_s = self._from_s, self._n, self._last_s
        left._t, left._tt, left._x, left._with = self._t, self._tt, self._x, self._with.copy()
        return left

    @property
    def t_s(self) -> Floats:
        """Mean time of each group [s]."""
        return self._rows[: self._used, 0]

    @property
    def spread_s2(self) -> Floats:
        """Variance of the times in each group [s^2]."""
        return self._rows[: self._used, 1]

    @property
    def count(self) -> Floats:
        """How many samples each group holds [1]."""
        return self._rows[: self._used, 2]

    @property
    def x(self) -> Floats:
        """Their mean [the unit of the series]."""
        return self._rows[: self._used, 3]

    @property
    def companions(self) -> Floats:
        """Mean of the companions, a row a group."""
        return self._rows[: self._used, 4:]

    def recent(self) -> tuple[Floats, Floats, Floats]:
        """The latest samples as they came: times [s], values, companions."""
        rows = self._recent[max(self._recent_used - _RECENT, 0) : self._recent_used]
        return rows[:, 0], rows[:, 1], rows[:, 2:]
