"""Curves through measured points, read only between them.

Owns the two ways of interpolating: a smooth curve that never overshoots its points (temperature over speed),
and the level of a fan over its speed. Nothing is ever extrapolated; where a curve ends is a `Reach`, which is
a result. It must not know what a specimen or a test point is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from benchd.analysis.uncertainty import Estimate


class Reach(NamedTuple):
    """From where to where there are measured points: `low` and `high` [unit of the axis]."""

    low: float
    high: float

    def holds(self, x: float) -> bool:
        """Whether it lies between the ends or on one of them.

        `x` [unit of the axis].

        >>> Reach(33.9, 41.2).holds(36.0)
        True
        """
        return self.low <= x <= self.high


class Inside(NamedTuple):
    """What a curve says between its points: `value` [unit of y] and `slope` [unit of y / unit of x]."""

    value: float
    slope: float


def within(x: ArrayLike, y: ArrayLike, x0: float) -> Inside | None:
    """Reads a monotone piecewise cubic through points, between them only.

    `x` [any unit] and `y` [any unit] the points, in any order, at least two, x all different; `x0` [unit of
    x] where to read. Gives the value and the slope there, None outside the points. Between two points the
    curve never leaves the range of their y. Raises ValueError for fewer than two points, lengths that differ,
    equal x, or values that are not finite. Source: F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17
    (1980) 238-246 (PCHIP).

    >>> within([1.0, 2.0, 3.0], [10.0, 20.0, 30.0], 2.5)
    Inside(value=25.0, slope=10.0)
    >>> within([1.0, 2.0, 3.0], [10.0, 20.0, 30.0], 3.1) is None
    True
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < 2:
        raise ValueError(f"a curve needs at least two points, as many x as y, got {xs.shape} and {ys.shape}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise ValueError("the points must be finite")
    order = np.argsort(xs)
    xs, ys = xs[order], ys[order]
    if (np.diff(xs) == 0).any():
        raise ValueError("two points have the same x")
    if not xs[0] <= x0 <= xs[-1]:
        return None
    from scipy.interpolate import PchipInterpolator

    curve = PchipInterpolator(xs, ys)
    return Inside(float(curve(x0)), float(curve(x0, 1)))


def never_falling(y: Sequence[float]) -> list[float]:
    """The non-decreasing values that lie closest to the given ones by least squares: values that fall are
    pooled.

    `y` [any unit] finite, in order of x. Gives as many values in the same unit; unchanged when none falls.
    Source: isotonic regression by pooling adjacent violators, M. Ayer et al., Ann. Math. Stat. 26 (1955)
    641-647.

    >>> never_falling([30.0, 33.0, 32.0, 36.0])
    [30.0, 32.5, 32.5, 36.0]
    """
    pools: list[tuple[float, int]] = []
    for value in y:
        mean, count = value, 1
        while pools and pools[-1][0] > mean:
            below, n = pools.pop()
            mean, count = (below * n + mean * count) / (n + count), n + count
        pools.append((mean, count))
    return [mean for mean, count in pools for _ in range(count)]


@dataclass(frozen=True, slots=True)
class Heard:
    """The level at one speed: `speed_rpm` [rpm] above 0, `level` [dBA]."""

    speed_rpm: float
    level: Estimate


class LevelCurve:
    """Level of a fan over its speed, straight in lg(speed) between neighbouring points, never beyond the
    last.

    `heard` [rpm, dBA] at least two speeds, in any order. Speeds within 1 % of each other count as one, with
    the mean of their levels. Noise can make a measured level fall while the speed rises: such points are
    pooled (`never_falling`), and `repaired` says that it happened and `repair_db` [dB] by how much at most.
    Raises ValueError for fewer than two speeds, or speeds not above 0.

    Range of validity: between two points the error of a straight line in lg(speed) is second order; a tone or
    a resonance between them is missed. Errors of neighbouring points are taken as shared (same meter, same
    room), so between two points the uncertainty is interpolated and not averaged down; it has the smaller of
    their degrees of freedom. Source: the fan law, level = const + 50..60 lg(speed): follows from Lw = 40 + 10
    lg Q + 20 lg p dB with flow as speed and pressure as its square (engineeringtoolbox.com, fan noise).

    >>> curve = LevelCurve([Heard(500.0, Estimate(25.0, 0.3)), Heard(1000.0, Estimate(40.0, 0.3))])
    >>> round(curve.speed_at(32.5).value), round(curve.level_at(707.0).value, 1)
    (707, 32.5)
    """

    _SAME_SPEED = 1.01

    def __init__(self, heard: Sequence[Heard]) -> None:
        if not all(0 < one.speed_rpm < math.inf for one in heard):
            raise ValueError("speeds must be above 0 rpm")
        groups = self._grouped(heard)
        if len(groups) < 2:
            raise ValueError(f"a level curve needs at least two different speeds, got {len(groups)}")
        self._lg = [sum(math.log10(one.speed_rpm) for one in group) / len(group) for group in groups]
        measured = [sum(one.level.value for one in group) / len(group) for group in groups]
        # The larger of what each is worth: points of one speed share the meter, and tell of repeatability.
        self._u_std = [max(one.level.u_std for one in group) for group in groups]
        self._dof = [min(one.level.dof for one in group) for group in groups]
        self._level = never_falling(measured)
        self.repair_db = max(abs(a - b) for a, b in zip(self._level, measured, strict=True))

    @classmethod
    def _grouped(cls, heard: Sequence[Heard]) -> list[list[Heard]]:
        groups: list[list[Heard]] = []
        for one in sorted(heard, key=lambda h: h.speed_rpm):
            if groups and one.speed_rpm <= groups[-1][0].speed_rpm * cls._SAME_SPEED:
                groups[-1].append(one)
            else:
                groups.append([one])
        return groups

    @property
    def repaired(self) -> bool:
        """Whether a measured level fell while the speed rose."""
        return self.repair_db > 0

    @property
    def speeds(self) -> Reach:
        """Reach in speed [rpm]."""
        return Reach(10 ** self._lg[0], 10 ** self._lg[-1])

    @property
    def levels(self) -> Reach:
        """Reach in level [dBA]."""
        return Reach(self._level[0], self._level[-1])

    def level_at(self, speed_rpm: float) -> Estimate | None:
        """The level at a speed, [dBA]; None beyond the points.

        `speed_rpm` [rpm] above 0, taken as exact.

        >>> curve = LevelCurve([Heard(500.0, Estimate(25.0, 0.3)), Heard(1000.0, Estimate(40.0, 0.3))])
        >>> curve.level_at(1200.0) is None
        True
        """
        if not speed_rpm > 0:
            raise ValueError(f"a speed must be above 0 rpm, got {speed_rpm}")
        lg = math.log10(speed_rpm)
        # An end of the reach, given back, may differ from itself in the last digit.
        at = min(max(lg, self._lg[0]), self._lg[-1])
        if not math.isclose(at, lg, rel_tol=1e-12):
            return None
        i = self._segment(self._lg, at)
        share = (at - self._lg[i]) / (self._lg[i + 1] - self._lg[i])
        level = self._level[i] + share * (self._level[i + 1] - self._level[i])
        return Estimate(level, *self._worth(i, share))

    def speed_at(self, level_dba: float) -> Estimate | None:
        """The speed at which a level is reached, [rpm]; None beyond the points. The lowest one where the
        curve is flat.

        `level_dba` [dBA], taken as exact; the uncertainty of the curve goes through its slope,
        u(n) = u(L) n ln 10 / (dL / d lg n).

        >>> curve = LevelCurve([Heard(500.0, Estimate(25.0, 0.3)), Heard(1000.0, Estimate(40.0, 0.3))])
        >>> speed = curve.speed_at(40.0)
        >>> round(speed.value), round(speed.u_std)
        (1000, 14)
        """
        if not self.levels.holds(level_dba):
            return None
        rising = [
            i
            for i, (low, high) in enumerate(pairwise(self._level))
            if low <= level_dba <= high and high > low
        ]
        if not rising:
            # The whole curve is one flat stretch: every speed has this level.
            low, high = self.speeds
            return Estimate(low, (high - low) / math.sqrt(3), min(self._dof))
        i = rising[0]
        slope = (self._level[i + 1] - self._level[i]) / (self._lg[i + 1] - self._lg[i])
        share = (level_dba - self._level[i]) / (self._level[i + 1] - self._level[i])
        speed_rpm = float(10 ** (self._lg[i] + share * (self._lg[i + 1] - self._lg[i])))
        u_db, dof = self._worth(i, share)
        return Estimate(speed_rpm, u_db / slope * speed_rpm * math.log(10), dof)

    def _worth(self, i: int, share: float) -> tuple[float, float]:
        u_db = self._u_std[i] + share * (self._u_std[i + 1] - self._u_std[i])
        return u_db, min(self._dof[i], self._dof[i + 1])

    @staticmethod
    def _segment(knots: Sequence[float], x: float) -> int:
        return next(i for i, right in enumerate(knots[1:]) if x <= right)
