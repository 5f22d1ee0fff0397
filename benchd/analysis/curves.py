"""Curves through measured points, read only between them.

Owns the two ways of interpolating: a smooth curve that never overshoots its points (temperature over speed),
and the level of a fan over its speed; and which speeds count as one. Nothing is ever extrapolated; where a
curve ends is a `Reach`, which is a result. It must not know what a specimen or a test point is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from benchd.analysis.uncertainty import Estimate, Part, combine, rectangular

T = TypeVar("T")

SAME_SPEED_PART = 0.01
"""Speeds this near to each other count as one [1]: 1 % is 0.2 dB by the fan law. A soak never meets the speed
of the sweep exactly, and the level asked of it should be readable from it."""


class Reach(NamedTuple):
    """From where to where there are measured points: `low` and `high` [`unit`]. As text: "33.9 to 41.2
    dBA"."""

    low: float
    high: float
    unit: str = ""

    def __str__(self) -> str:
        return f"{self.low:.1f} to {self.high:.1f} {self.unit}".rstrip()

    def holds(self, x: float) -> bool:
        """Whether it lies between the ends or on one of them.

        `x` [unit of the axis].

        >>> Reach(33.9, 41.2, "dBA").holds(36.0)
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

    # Slopes next to nothing make the harmonic mean of the knots' slopes run over; the limit, zero, is right.
    with np.errstate(over="ignore"):
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


def by_speed(readings: Iterable[T], speed_of: Callable[[T], float]) -> list[list[T]]:
    """Readings in order of speed, those at one speed together: at most 1 % above the slowest of their group.

    `readings` in any order; `speed_of` gives the speed of one, in any unit. Otherwise the noise between two
    readings at one setting would make a slope.

    >>> by_speed([1003.0, 700.0, 998.0], float)
    [[700.0], [998.0, 1003.0]]
    """
    groups: list[list[T]] = []
    for reading in sorted(readings, key=speed_of):
        if groups and speed_of(reading) <= speed_of(groups[-1][0]) * (1 + SAME_SPEED_PART):
            groups[-1].append(reading)
        else:
            groups.append([reading])
    return groups


@dataclass(frozen=True, slots=True)
class _Knot:
    lg: float
    level_dba: float
    u_std_db: float
    dof: float


class LevelCurve:
    """Level of a fan over its speed, straight in lg(speed) between neighbouring points, never beyond the
    last.

    `speeds_rpm` [rpm] above 0, at least two different, in any order; `levels_dba` [dBA] as many; `u_std_db`
    [dB] standard uncertainty of the levels and `dof` [1] its degrees of freedom, for all or for each. Speeds
    within 1 % of each other count as one, with the mean of their levels and the larger of their
    uncertainties. Noise can make a measured level fall while the speed rises: such points are pooled
    (`never_falling`), and `repair_db` [dB] says by how much at most a level was moved. Raises ValueError for
    fewer than two speeds, speeds not above 0, or lengths that differ.

    Range of validity: between two points the error of a straight line in lg(speed) is second order; a tone or
    a resonance between them is missed. Errors of neighbouring points are taken as shared (same meter, same
    room), so between two points the uncertainty is interpolated and not averaged down; it has the smaller of
    their degrees of freedom. Source: the fan law, level = const + 50..60 lg(speed): follows from Lw = 40 + 10
    lg Q + 20 lg p dB with flow as speed and pressure as its square (engineeringtoolbox.com, fan noise).

    >>> curve = LevelCurve([500.0, 1000.0], [25.0, 40.0], u_std_db=0.3)
    >>> round(curve.speed_at(32.5)), round(curve.level_at(707.0), 1), str(curve.reach)
    (707, 32.5, '25.0 to 40.0 dBA')
    """

    def __init__(
        self,
        speeds_rpm: ArrayLike,
        levels_dba: ArrayLike,
        u_std_db: ArrayLike = 0.0,
        dof: ArrayLike = math.inf,
    ) -> None:
        speeds, levels = np.asarray(speeds_rpm, dtype=float), np.asarray(levels_dba, dtype=float)
        if speeds.ndim != 1 or speeds.shape != levels.shape:
            raise ValueError(f"speeds and levels differ in length: {speeds.shape} and {levels.shape}")
        if not (np.isfinite(speeds).all() and (speeds > 0).all() and np.isfinite(levels).all()):
            raise ValueError("speeds must be above 0 rpm and levels finite")
        # Estimate refuses what cannot be an uncertainty.
        each = [
            Estimate(float(level), float(u), float(nu))
            for level, u, nu in zip(
                levels,
                np.broadcast_to(u_std_db, levels.shape),
                np.broadcast_to(dof, levels.shape),
                strict=True,
            )
        ]
        groups = by_speed(zip(speeds.tolist(), each, strict=True), lambda pair: pair[0])
        if len(groups) < 2:
            raise ValueError(f"a level curve needs at least two different speeds, got {len(groups)}")
        knots = [_knot(group) for group in groups]
        measured = [knot.level_dba for knot in knots]
        levels_up = never_falling(measured)
        self._knots = [replace(knot, level_dba=up) for knot, up in zip(knots, levels_up, strict=True)]
        self.repair_db = max(abs(up - was) for up, was in zip(levels_up, measured, strict=True))

    @property
    def speeds(self) -> Reach:
        """Reach in speed [rpm]."""
        return Reach(10 ** self._knots[0].lg, 10 ** self._knots[-1].lg, "rpm")

    @property
    def reach(self) -> Reach:
        """Reach in level [dBA]."""
        return Reach(self._knots[0].level_dba, self._knots[-1].level_dba, "dBA")

    def level_at(self, speed_rpm: float) -> float | None:
        """The level at a speed [dBA]; None beyond the points.

        `speed_rpm` [rpm] above 0. Raises ValueError otherwise.

        >>> curve = LevelCurve([500.0, 1000.0], [25.0, 40.0])
        >>> curve.level_at(1000.0), curve.level_at(1200.0)
        (40.0, None)
        """
        if not speed_rpm > 0:
            raise ValueError(f"a speed must be above 0 rpm, got {speed_rpm}")
        lg = math.log10(speed_rpm)
        # An end of the reach, handed back, may differ from itself in the last digit.
        at = min(max(lg, self._knots[0].lg), self._knots[-1].lg)
        if abs(at - lg) > 1e-12:
            return None
        return next(_between(a, b, at) for a, b in pairwise(self._knots) if at <= b.lg)

    def level_estimate(self, speed: Estimate) -> Estimate | None:
        """The level at a measured speed, with its uncertainty [dBA]; None beyond the points.

        A speed up to 1 % beyond the last point counts as that point's, as within the curve. Parts: the
        uncertainty of the points, interpolated; that of the speed through the slope, u(L) = dL / d lg n
        u(n) / (n ln 10); and, as a rectangular one, how far a level was moved (`repair_db`). `speed` [rpm]
        above 0. Raises ValueError otherwise.

        >>> curve = LevelCurve([500.0, 1000.0], [25.0, 40.0], u_std_db=0.3)
        >>> level = curve.level_estimate(Estimate(1000.0, 14.0))
        >>> round(level.value, 1), round(level.u_std, 2)
        (40.0, 0.43)
        """
        if not speed.value > 0:
            raise ValueError(f"a speed must be above 0 rpm, got {speed.value}")
        lg = math.log10(speed.value)
        at = min(max(lg, self._knots[0].lg), self._knots[-1].lg)
        if abs(lg - at) > math.log10(1 + SAME_SPEED_PART):
            return None
        a, b = next((a, b) for a, b in pairwise(self._knots) if at <= b.lg)
        share = (at - a.lg) / (b.lg - a.lg)
        slope = (b.level_dba - a.level_dba) / (b.lg - a.lg)
        both = combine(
            [
                Part(a.u_std_db + share * (b.u_std_db - a.u_std_db), 1.0, min(a.dof, b.dof)),
                Part(speed.u_std / (speed.value * math.log(10)), slope, speed.dof),
                Part(rectangular(self.repair_db)),
            ]
        )
        return Estimate(_between(a, b, at), both.u_std, both.dof)

    def speed_at(self, level_dba: float) -> float | None:
        """The speed at which a level is reached [rpm]; None beyond the points, the lowest where the curve is
        flat.

        `level_dba` [dBA].

        >>> curve = LevelCurve([500.0, 1000.0], [25.0, 40.0])
        >>> round(curve.speed_at(40.0)), curve.speed_at(41.0)
        (1000, None)
        """
        estimate = self.speed_estimate(level_dba)
        return None if estimate is None else estimate.value

    def speed_estimate(self, level_dba: float) -> Estimate | None:
        """The speed at which a level is reached, with its uncertainty [rpm]; None beyond the points.

        The uncertainty of the curve goes through its slope: u(n) = u(L) n ln 10 / (dL / d lg n). A curve that
        is flat from end to end has the level everywhere: its lowest speed, uncertain by the whole reach.
        `level_dba` [dBA], taken as exact.

        >>> speed = LevelCurve([500.0, 1000.0], [25.0, 40.0], u_std_db=0.3).speed_estimate(40.0)
        >>> round(speed.value), round(speed.u_std)
        (1000, 14)
        """
        if not self.reach.holds(level_dba):
            return None
        rising = [
            (a, b)
            for a, b in pairwise(self._knots)
            if a.level_dba <= level_dba <= b.level_dba and b.level_dba > a.level_dba
        ]
        if not rising:
            low, high, _ = self.speeds
            return Estimate(low, (high - low) / math.sqrt(3), min(knot.dof for knot in self._knots))
        a, b = rising[0]
        share = (level_dba - a.level_dba) / (b.level_dba - a.level_dba)
        u_lg = (a.u_std_db + share * (b.u_std_db - a.u_std_db)) * (b.lg - a.lg) / (b.level_dba - a.level_dba)
        speed_rpm = float(10 ** (a.lg + share * (b.lg - a.lg)))
        return Estimate(speed_rpm, u_lg * speed_rpm * math.log(10), min(a.dof, b.dof))


def _knot(group: Sequence[tuple[float, Estimate]]) -> _Knot:
    """One point from the readings at one speed."""
    return _Knot(
        sum(math.log10(speed) for speed, _ in group) / len(group),
        sum(level.value for _, level in group) / len(group),
        max(level.u_std for _, level in group),
        min(level.dof for _, level in group),
    )


def _between(a: _Knot, b: _Knot, lg: float) -> float:
    return a.level_dba + (lg - a.lg) / (b.lg - a.lg) * (b.level_dba - a.level_dba)
