"""Where the rise of a die over what carries its heat away will end, when the die's own sensor shows it in coarse steps.

The die follows its coolant or fins within seconds, so what is left after that is a constant, and a little more that
goes as the coolant goes on getting warmer (viscosity, outlet over inlet). A straight line over the coolant's own way to
its end therefore says all there is, where a curve with time constants of its own would look for them in vain.
It must not know how the coolant's end was found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.noise import local_noise, noise_of, rounding_bias

Floats = NDArray[np.float64]
SinkLeft: TypeAlias = Callable[[Floats], Floats]

AFTER_S = 90.0
"""Until then the die itself warms up [s]: five times the longest time constant between a die and its sink, about 20 s
(common practice, no source)."""
FOLLOWS = 0.1
"""By so much of what the sink has left to go the die over it may still change, as a standard deviation [1] (common
practice, no source)."""
_BIN_S = 5.0
_MOST_BINS = 1024
_LEAST_BINS = 8
_FITS = 3.5
"""The newest third must lie within so many standard uncertainties of the line [1]."""


class Over(NamedTuple):
    """What is known of the die over its sink."""

    final_k: float
    """Where it ends [K] at the set watts."""
    u_std_k: float
    """Standard uncertainty of it [K], but for `steps_k`."""
    steps_k: float
    """What the steps of the display may shift it by, as a standard uncertainty [K]: no waiting makes this smaller."""
    left_k: float
    """Its value now, without noise, less its end [K]."""
    fits: bool
    """Whether the newest samples go where the line says."""
    slope: float
    """By how much it still changes [K] for each kelvin that its sink has left."""
    since_s: float
    """Samples before this are not used [s], in the caller's time."""


class _Bin(NamedTuple):
    """Some samples in a row: sums of times, of values and of their squares, and how many."""

    t_s: float
    total: float
    squares: float
    n: float

    def plus(self, other: _Bin) -> _Bin:
        return _Bin(*(a + b for a, b in zip(self, other, strict=True)))


class OverSink:
    """Collects the rise of a die over its sink and looks for its end.

    `resolution_k` [K] step of the die's sensor, at least 0; `heat_set_w` [W] watts the end is told for. Raises
    ValueError for a resolution below 0.

    >>> over = OverSink(1.0, 200.0)
    >>> rng = np.random.default_rng(1)
    >>> for t in range(600):
    ...     over.put(float(t), round(24.3 + rng.normal(0, 0.5)), 200.0)
    >>> found = over.look(np.zeros_like)
    >>> abs(found.final_k - 24.3) < 0.1, found.u_std_k < 0.05
    (True, True)
    """

    def __init__(self, resolution_k: float, heat_set_w: float) -> None:
        if not 0 <= resolution_k < math.inf:
            raise ValueError(f"resolution_k must be at least 0, got {resolution_k}")
        self._resolution_k = resolution_k
        self._set_w = heat_set_w
        self._begun_s = math.nan
        self._bin_s = _BIN_S
        self._bins: list[_Bin] = []
        self._opened_s = -math.inf

    def put(self, t_s: float, over_k: float, heat_w: float) -> None:
        """Takes one sample.

        `t_s` [s] later than the last one; `over_k` [K] die over sink of the same moment, `heat_w` [W] the watts; NaN
        is a gap in either.

        >>> OverSink(1.0, 200.0).put(0.0, 24.0, math.nan)
        """
        if math.isnan(self._begun_s):
            self._begun_s = t_s
        if t_s - self._begun_s < AFTER_S or math.isnan(over_k):
            return
        # Measured watts that creep take the die with them at once.
        share = heat_w / self._set_w if heat_w > 0.5 * self._set_w > 0 else 1.0
        value = over_k / share
        if t_s - self._opened_s >= self._bin_s:
            self._opened_s = t_s
            if len(self._bins) == _MOST_BINS:
                self._bin_s *= 2
                self._bins = [a.plus(b) for a, b in zip(self._bins[::2], self._bins[1::2], strict=True)]
            self._bins.append(_Bin(0.0, 0.0, 0.0, 0.0))
        self._bins[-1] = self._bins[-1].plus(_Bin(t_s, value, value * value, 1.0))

    def look(self, sink_left_k: SinkLeft) -> Over | None:
        """Where it will end, None before enough has been seen.

        `sink_left_k` [K] the sink's rise less its end, as a function of times [s] in the caller's time, NaN where
        it is not known: that is left out. With y = final +
        a x, x what the sink had left and a ~ N(0, `FOLLOWS`^2): weighted least squares with that prior. Source: A.
        Gelman et al., Bayesian Data Analysis (2013), section 14.8, prior as additional data (cited from memory).

        >>> OverSink(1.0, 200.0).look(np.zeros_like) is None
        True
        """
        if len(self._bins) < _LEAST_BINS:
            return None
        bins = np.array(self._bins)
        x = sink_left_k(bins[:, 0] / bins[:, 3])
        known = np.isfinite(x)
        if np.count_nonzero(known) < _LEAST_BINS:
            return None
        x, (_, total, squares, n) = x[known], bins[known].T
        y = total / n
        several = n > 1
        scatter = np.maximum(squares - total * y, 0.0)[several].sum() / max(float((n - 1)[several].sum()), 1.0)
        weight, per_bin = n / n.mean(), float(n.mean())
        variance = max(scatter, self._resolution_k**2 / 24 + 1e-12) / per_bin
        for _ in range(3):
            final, slope, final_variance = _fitted(x, y, weight / variance)
            off = (y - final - slope * x) * np.sqrt(weight)
            variance = noise_of(off, 2, self._resolution_k / math.sqrt(per_bin)).variance
        newest = slice(-max(len(y) // 3, 4), None)
        # What the line leaves must not be excused as noise where the values scatter less among themselves.
        local = local_noise(y, self._resolution_k / math.sqrt(per_bin))
        u_newest = math.sqrt((local.variance if local else variance) / float(weight[newest].sum()))
        drift_k = float((off * np.sqrt(weight))[newest].sum() / weight[newest].sum())
        left_k = slope * float(x[-1])
        steps_k = rounding_bias(math.sqrt(scatter), self._resolution_k)
        fits = abs(drift_k) <= _FITS * u_newest
        since_s = self._begun_s + AFTER_S
        return Over(final, math.sqrt(final_variance), steps_k, left_k, fits, slope, since_s)


def _fitted(x: Floats, y: Floats, weight: Floats) -> tuple[float, float, float]:
    """Final value and slope of the line, and the variance of the final value."""
    sum_x = float(weight @ x)
    inverse = np.linalg.inv([[float(weight.sum()), sum_x], [sum_x, float(weight @ x**2) + FOLLOWS**-2]])
    final, slope = inverse @ [float(weight @ y), float(weight @ (x * y))]
    return float(final), float(slope), float(inverse[0, 0])
