"""Where a curve of two exponentials ends, with everything that is not known about it.

The model is x(t) = final + a1 exp(-t / tau1) + a2 exp(-t / tau2) + b exp(-t / 1000 s) + g c(t) + ..., with noise.
For given time constants it is linear, so final, amplitudes and b have a normal distribution that is computed exactly;
the two time constants are integrated out numerically, on a grid that follows their distribution and shrinks with it.
What is told is therefore averaged over all curves that agree with the samples, not taken from the one that agrees
best: the usual fit with its own error bar covers the truth in 75 to 88 of 100 cases only. Being a conditional
distribution, it stays right however often it is looked at and whenever one stops.

Source: linear model with normal priors and integration over the rest: Gelman et al., Bayesian Data Analysis, 3rd
edition (2013), chapters 3 and 10.3 (cited from memory); elimination of the linear parameters: Golub and Pereyra, SIAM
J. Numer. Anal. 10 (1973) 413-432 (cited from memory). It must not know when a soak is over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TAIL_S = 1000.0
"""Time constant of the slow mode that may be present [s]."""
_TAIL_OFF = 0.2
"""It is only about that: within a factor of e^0.2 or so [1]."""

_LOG_TAU = np.log([30.0, 250.0])
_LOG_TAU_SPREAD = np.array([1.0, 1.0])
"""What is known of the two time constants beforehand: log-normal about 30 s (die, block, plate) and 250 s (coolant,
radiator, case), two thirds of them within 11 to 82 s and 92 to 680 s. Wide, so that the samples decide."""

_FINAL = 1000.0
"""Nothing is known of the final value beforehand: it may be so many times the size of an amplitude [1]."""

_AMPLITUDE = 1.5
"""Amplitudes are of the size of the change seen, times this [1]: keeps two equal exponentials from cancelling."""


_SLOPE_SPREAD = 3e-3
"""Standard deviation of a drift beforehand [K/s]: any."""

_NODES = np.arange(-3.0, 4.0)
_GRID = np.array([(a, b) for a in _NODES for b in _NODES])
_FIRST_NODES = np.linspace(-2.0, 2.0, 9)
_FIRST_GRID = np.array([(a, b) for a in _FIRST_NODES for b in _FIRST_NODES])
_MOST = 300.0
"""A logarithm that is far beyond all that can be drawn or weighed."""
_ROUNDS = 12
"""A grid that misses its distribution is moved at most so often."""
_MOVED, _NARROW, _WIDE = 0.7, 0.15, 2.2
"""It misses it when the mean lies so many steps off, or the variance is under or over so many squares of a step [1]."""


class Series(NamedTuple):
    """What is fitted: one row a group of samples taken close together."""

    t_s: Floats
    """Mean time since the start [s]."""
    spread_s2: Floats
    """Variance of the times in a group [s^2]."""
    number: Floats
    """How many samples [1]."""
    x_k: Floats
    """Their mean [K]."""
    given_k: Floats
    """What else is known to move it, the columns c(t) ... (n, m) [K], with unknown factors g ..."""
    given_spread: Floats
    """Standard deviation of those factors beforehand (m) [1]."""

    def rows(self, chosen: NDArray[np.bool_]) -> Series:
        """Some of the rows.

        `chosen` [1] whether, for each.

        >>> example().rows(example().t_s > 500).t_s.size
        19
        """
        t_s, spread_s2, number, x_k, given_k = (column[chosen] for column in self[:-1])
        return Series(t_s, spread_s2, number, x_k, given_k, self.given_spread)


@dataclass(frozen=True)
class Curves:
    """All curves that agree with the samples, each with its weight and its own normal distribution.

    log_tau (K, 2); coefficient (K, p) and covariance (K, p, p) of final, b, a1, a2, the m factors of the given columns,
    and of the drift [K/s] where one was allowed: p is 4 + m or 5 + m.
    """

    weight: Floats
    log_tau: Floats
    coefficient: Floats
    covariance: Floats
    middle_s: float
    """A drift is counted from here [s]."""
    drifts: bool = False
    """Whether one was allowed."""

    @cached_property
    def best(self) -> int:
        """The most likely of the curves."""
        return int(np.argmax(self.weight))

    def log_tau_spread(self) -> tuple[Floats, Floats]:
        """Mean of the logarithms of the time constants, and their covariance [1]."""
        mean = self.weight @ self.log_tau
        off = self.log_tau - mean
        return mean, (off * self.weight[:, None]).T @ off

    def final(self) -> tuple[float, float]:
        """Final value [K] and its standard uncertainty [K]."""
        return self._mixed(self._rows(np.zeros((len(self.weight), 3)), level=1.0))

    def tail_off(self, t_s: float) -> float:
        """What may be wrong with the final value as the slow mode has not quite that time constant, as a standard
        uncertainty [K].

        `t_s` [s] since the start. Of b exp(-t / tau) a change of tau by a factor e^d moves what lies beyond t by
        b d (1 + t / tau) exp(-t / tau).

        >>> TwoExponentials(0.3).fit(example(), 1e-4).tail_off(600.0) < 0.01
        True
        """
        b = float(self.coefficient[self.best, 1])
        return _TAIL_OFF * abs(b) * (1 + t_s / TAIL_S) * math.exp(-t_s / TAIL_S)

    def left(self, t_s: float) -> tuple[float, float]:
        """What still separates the curve from its final value at a time [K], and its standard uncertainty [K].

        `t_s` [s] since the start.

        >>> curves = TwoExponentials(0.3).fit(example(), 1e-4)
        >>> [round(value, 1) for value in curves.left(600.0)]
        [-0.5, 0.0]
        """
        return self._mixed(self._rows(self._shapes(np.array([t_s]), np.zeros(1))[:, :, 0], level=0.0))

    def mean_over(self, series: Series, weights: Floats) -> tuple[float, float]:
        """What the curve says the weighted mean of groups of samples is [K], and its standard uncertainty [K].

        `weights` [1] of the groups, adding up to 1.

        >>> some = example()
        >>> curves = TwoExponentials(0.3).fit(some, 1e-4)
        >>> round(curves.mean_over(some, some.number / some.number.sum())[0], 1)
        32.3
        """
        rows = self._rows(self._shapes(series.t_s, series.spread_s2) @ weights, level=1.0)
        given = series.given_k.shape[1]
        rows[:, 4 : 4 + given] = weights @ series.given_k
        rows[:, 4 + given :] = series.t_s @ weights - self.middle_s
        return self._mixed(rows)

    def drift(self) -> tuple[float, float]:
        """The drift [K/s] and its standard uncertainty [K/s]; only where one was allowed."""
        row = np.zeros(self.coefficient.shape)
        row[:, -1] = 1.0
        return self._mixed(row)

    def best_at(self, t_s: Floats, spread_s2: Floats | float = 0.0, given_k: Floats | None = None) -> Floats:
        """The most likely curve [K] at times.

        `t_s` [s] since the start; `spread_s2` [s^2] variance of the times of each; `given_k` [K] the
        given columns there.

        >>> curves = TwoExponentials(0.3).fit(example(), 1e-4)
        >>> [round(float(x), 1) for x in curves.best_at(np.array([0.0, 600.0, 1e6]))]
        [0.0, 39.5, 40.0]
        """
        final, b, a1, a2, *factors = self.coefficient[self.best]
        drift = factors.pop() if self.drifts else 0.0
        tau1, tau2 = np.exp(self.log_tau[self.best])
        tail = b * np.exp(-t_s / TAIL_S)
        # Long before its begin a curve is larger than a number can be.
        two = sum(
            a * np.exp(np.minimum(-t_s / tau, _MOST)) * (1 + spread_s2 / (2 * tau**2))
            for a, tau in ((a1, tau1), (a2, tau2))
        )
        given = 0.0 if given_k is None else given_k @ np.array(factors)
        return np.asarray(final + tail + two + given + drift * (t_s - self.middle_s))

    def _shapes(self, t_s: Floats, spread_s2: Floats) -> Floats:
        """(K, 3, n): tail, first and second exponential at each time."""
        tau = np.exp(self.log_tau)[:, :, None]
        shapes = np.empty((len(tau), 3, len(t_s)))
        shapes[:, 0] = np.exp(-t_s / TAIL_S)
        shapes[:, 1:] = np.exp(-t_s / tau) * (1 + spread_s2 / (2 * tau**2))
        return shapes

    def _rows(self, shapes: Floats, level: float) -> Floats:
        rows = np.zeros(self.coefficient.shape)
        rows[:, 0] = level
        rows[:, 1:4] = shapes
        return rows

    def _mixed(self, rows: Floats) -> tuple[float, float]:
        """Mean and standard deviation of a linear combination over all curves."""
        each = np.einsum("ki,ki->k", rows, self.coefficient)
        own = np.einsum("ki,kij,kj->k", rows, self.covariance, rows)
        mean = float(self.weight @ each)
        variance = float(self.weight @ (own + (each - mean) ** 2))
        return mean, math.sqrt(max(variance, 0.0))


class TwoExponentials:
    """Fits the model to a series that grows.

    `slow_tail_k` [K] standard deviation of b beforehand, at least 0; 0 switches the slow mode off. Keeps where the time
    constants were found, so that the next fit begins there. Raises ValueError for a negative or infinite slow_tail_k.
    Range of validity: time constants that differ from each other and lie within some seconds and some hours.

    >>> final_k, u_k = TwoExponentials(slow_tail_k=0.3).fit(example(), variance=1e-4).final()
    >>> abs(final_k - 40) < 2 * u_k
    True
    """

    def __init__(self, slow_tail_k: float) -> None:
        if not 0 <= slow_tail_k < math.inf:
            raise ValueError(f"slow_tail_k must be at least 0, got {slow_tail_k}")
        self._tail_precision = 1 / max(slow_tail_k, 1e-6) ** 2
        self._begun = False
        self._centre: Floats = _LOG_TAU
        self._shape: Floats = np.eye(2)

    def fit(self, series: Series, variance: float) -> Curves:
        """The curves that agree with a series of at least six rows.

        `variance` [K^2] of one sample's noise, above 0, as if samples were independent: for a lag-1 correlation r,
        sd^2 (1 + r) / (1 - r).

        >>> TwoExponentials(0.3).fit(example(), 1e-4).weight.size
        49
        """
        if not self._begun:
            self._locate(series, variance)
        return self._followed(series, variance, drifting=False)

    def with_drift(self, series: Series, variance: float) -> Curves:
        """The curves that agree with a series if it may drift steadily besides; after `fit`.

        `variance` [K^2] as there. Drift and a slow exponential look alike for long, so the time constants are looked
        for anew.

        >>> model = TwoExponentials(0.3)
        >>> found = model.fit(example(), 1e-4)
        >>> drift, u = model.with_drift(example(), 1e-4).drift()
        >>> abs(drift) < 3 * u
        True
        """
        centre, shape = self._centre, self._shape
        found = self._followed(series, variance, drifting=True)
        self._centre, self._shape = centre, shape
        return found

    def _followed(self, series: Series, variance: float, drifting: bool) -> Curves:
        for _ in range(_ROUNDS):
            found = self._weighed(self._centre + _GRID @ self._shape.T, series, variance, drifting)
            if self._follow(found):
                break
        return found

    def _locate(self, series: Series, variance: float) -> None:
        """Looks over all that is thought possible; a distribution much narrower than that is only located by it."""
        found = self._weighed(_LOG_TAU + _FIRST_GRID * _LOG_TAU_SPREAD, series, variance)
        step = (_FIRST_NODES[1] - _FIRST_NODES[0]) * _LOG_TAU_SPREAD
        self._centre, covariance = found.log_tau_spread()
        self._shape = _root(covariance + np.diag(step**2) / 4)
        self._begun = True

    def _follow(self, found: Curves) -> bool:
        """Centres the grid on what it found, as wide as that; whether it had held it already."""
        mean, covariance = found.log_tau_spread()
        inverse = np.linalg.inv(self._shape)
        moved = np.abs(inverse @ (mean - self._centre)).max()
        sizes = np.linalg.eigvalsh(inverse @ covariance @ inverse.T)
        narrow = sizes[0] < _NARROW
        # Narrower than the grid's own step its size is not known: taken as a third of it, to look again.
        covariance += (0.1 if narrow else 1e-9) * self._shape @ self._shape.T + 1e-14 * np.eye(2)
        self._centre, self._shape = mean, _root(covariance)
        return bool(moved < _MOVED and not narrow and sizes[1] < _WIDE)

    def _weighed(self, log_tau: Floats, series: Series, variance: float, drifting: bool = False) -> Curves:
        t, w = series.t_s, series.number / variance
        middle_s = float(t.mean())
        scale = _AMPLITUDE * max(float(np.ptp(series.x_k)), 1.0)
        known = [1 / (_FINAL * scale) ** 2, self._tail_precision, 1 / scale**2, 1 / scale**2, *series.given_spread**-2]
        columns = [*series.given_k.T]
        if drifting:
            known.append(1 / _SLOPE_SPREAD**2)
            columns.append(t - middle_s)
        precision = np.array(known)
        tau = np.exp(log_tau)[:, :, None]
        kinds, size = len(log_tau), len(known)
        design = np.empty((kinds, size, len(t)))
        design[:, :2] = np.array([np.ones_like(t), np.exp(-t / TAIL_S)])
        design[:, 2:4] = np.exp(-t / tau) * (1 + series.spread_s2 / (2 * tau**2))
        if columns:
            design[:, 4:] = np.array(columns)
        weighed = design * w
        gram = weighed @ design.transpose(0, 2, 1)
        moment = weighed @ series.x_k
        diagonal = np.arange(size)
        gram[:, diagonal, diagonal] += precision
        norm = np.sqrt(gram[:, diagonal, diagonal])
        scaled = gram / norm[:, :, None] / norm[:, None, :]
        # Two exponentials that can hardly be told apart leave a matrix that rounding could make indefinite.
        scaled[:, diagonal, diagonal] += 1e-12
        root = np.linalg.cholesky(scaled)
        inverse = np.linalg.inv(scaled) / norm[:, :, None] / norm[:, None, :]
        coefficient = np.einsum("kij,kj->ki", inverse, moment)
        # A rise is ten thousand times its noise, the squares of both a hundred million times apart: how well a curve
        # fits is taken from what it leaves, and one step more takes away what rounding did to its coefficients.
        off = series.x_k - (coefficient[:, None] @ design)[:, 0]
        slope = (weighed @ off[:, :, None])[:, :, 0] - coefficient * precision
        step = np.einsum("kij,kj->ki", inverse, slope)
        misfit = off**2 @ w + coefficient**2 @ precision - np.einsum("ki,ki->k", step, slope)
        coefficient += step
        log_det = np.log(root[:, diagonal, diagonal]).sum(axis=1) + np.log(norm).sum(axis=1)
        prior = (((log_tau - _LOG_TAU) / _LOG_TAU_SPREAD) ** 2).sum(axis=1)
        likely = -0.5 * (misfit + prior) - log_det
        weight = np.exp(likely - likely.max())
        return Curves(weight / weight.sum(), log_tau, coefficient, inverse, middle_s, drifting)


def _root(covariance: Floats) -> Floats:
    return np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)


def example() -> Series:
    """A curve from 0 to 40 K with 8 s and 150 s, without noise, for the examples of this module."""
    t = np.arange(0.0, 600.0, 5.0)
    x = 40 - 10 * np.exp(-t / 8) - 30 * np.exp(-t / 150)
    return Series(t, np.zeros_like(t), np.ones_like(t), x, np.zeros((len(t), 0)), np.zeros(0))
