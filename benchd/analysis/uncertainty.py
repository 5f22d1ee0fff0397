"""A small toolbox for measurement uncertainty after JCGM 100:2008 (the GUM).

Owns `Estimate`: a value with its standard uncertainty and degrees of freedom. Everything else in
`benchd.analysis` passes estimates around; expanded uncertainties (half width of the 95 % interval) are made
only where they are shown. It must not know what is measured. The only piece of scipy is the quantile of
Student's t, imported when it is first asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@lru_cache(maxsize=1024)
def t95(dof: float) -> float:
    """Student's t for a two-sided 95 % interval.

    `dof` [1] degrees of freedom, at least 1, may be infinite. Gives the coverage factor [1]. Raises
    ValueError below 1. Source: JCGM 100:2008 table G.2.

    >>> round(t95(10), 2), round(t95(math.inf), 2)
    (2.23, 1.96)
    """
    if not dof >= 1:
        raise ValueError(f"degrees of freedom must be at least 1, got {dof}")
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


def expanded(u_std: float, dof: float = math.inf) -> float:
    """Expanded uncertainty, half width of the 95 % interval: t95(dof) * u.

    `u_std` [any unit] standard uncertainty, at least 0; `dof` [1] its degrees of freedom, at least 1. Gives
    the half width in the unit of `u_std` [any unit]. Source: JCGM 100:2008 G.3.

    >>> round(expanded(0.5, 10), 3)
    1.114
    """
    return t95(dof) * u_std


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured value with what is known about its error, in one unit.

    `value` [any unit]; `u_std` [the same unit] standard uncertainty, finite and at least 0; `dof` [1] its
    degrees of freedom, at least 1, infinite when it is taken as known. Raises ValueError otherwise.

    >>> round(Estimate(40.0, 0.2, 10).expanded, 3)
    0.446
    """

    value: float
    u_std: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"the value must be finite, got {self.value}")
        if not 0 <= self.u_std < math.inf:
            raise ValueError(f"the standard uncertainty must be finite and at least 0, got {self.u_std}")
        if not self.dof >= 1:
            raise ValueError(f"degrees of freedom must be at least 1, got {self.dof}")

    @property
    def expanded(self) -> float:
        """Half width of the 95 % interval, in the unit of the value."""
        return expanded(self.u_std, self.dof)

    def widened(self, u_std: float, dof: float = math.inf) -> Estimate:
        """The same value with one more independent source of error.

        `u_std` [the same unit] standard uncertainty of that source; `dof` [1] its degrees of freedom.

        >>> Estimate(40.0, 0.3).widened(0.4).u_std
        0.5
        """
        both = combine([Part(self.u_std, 1.0, self.dof), Part(u_std, 1.0, dof)])
        return Estimate(self.value, both.u_std, both.dof)

    def minus(self, other: Estimate) -> Estimate:
        """The difference from an independent estimate; errors that both share are counted twice, which errs
        wide.

        `other` [the same unit] what is subtracted.

        >>> Estimate(40.0, 0.3).minus(Estimate(38.0, 0.4))
        Estimate(value=2.0, u_std=0.5, dof=inf)
        """
        both = combine([Part(self.u_std, 1.0, self.dof), Part(other.u_std, -1.0, other.dof)])
        return Estimate(self.value - other.value, both.u_std, both.dof)


class Part(NamedTuple):
    """One source of error in a budget.

    `u_std` [unit of the input] standard uncertainty; `sensitivity` [unit of the result / unit of the input];
    `dof` [1] degrees of freedom.
    """

    u_std: float
    sensitivity: float = 1.0
    dof: float = math.inf


class Combined(NamedTuple):
    """What a budget comes to: `u_std` [unit of the result] and `dof` [1] effective degrees of freedom."""

    u_std: float
    dof: float


def combine(parts: Sequence[Part]) -> Combined:
    """Combined standard uncertainty of independent sources and its effective degrees of freedom
    (Welch-Satterthwaite).

    u = sqrt(sum (c_i u_i)^2); dof = u^4 / sum((c_i u_i)^4 / dof_i). `parts` [each its own unit] the budget.
    Valid for independent sources only. Source: JCGM 100:2008 equations (10) and (G.2b).

    >>> u, dof = combine([Part(0.25, 1, 9), Part(0.57, 1, 4), Part(0.82, 1, 14)])
    >>> round(u, 2), round(dof, 1)
    (1.03, 19.0)
    """
    u_std = math.hypot(*(part.sensitivity * part.u_std for part in parts))
    if u_std == 0:
        return Combined(0.0, math.inf)
    # The ratios are taken first: fourth powers of small uncertainties would underflow.
    spread = sum((part.sensitivity * part.u_std / u_std) ** 4 / part.dof for part in parts)
    return Combined(u_std, 1 / spread if spread > 0 else math.inf)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of an error that lies anywhere within +-a with equal chance: a / sqrt(3).

    `half_width` [any unit] a, at least 0. Gives the same unit. Source: JCGM 100:2008 4.3.7.

    >>> round(rectangular(1.0), 5)
    0.57735
    """
    if not half_width >= 0:
        raise ValueError(f"a half width must be at least 0, got {half_width}")
    return half_width / math.sqrt(3)


def from_resolution(step: float) -> float:
    """Standard uncertainty of a reading with a given smallest step: d / sqrt(12).

    `step` [any unit] d, at least 0. Gives the same unit. Source: JCGM 100:2008 F.2.2.1.

    >>> round(from_resolution(0.1), 5)
    0.02887
    """
    return rectangular(step / 2)


def from_expanded(half_width: float, dof: float = math.inf) -> float:
    """Standard uncertainty behind an expanded one, as a calibration certificate states it: U / t95(dof).

    `half_width` [any unit] U, half width of the 95 % interval, at least 0; `dof` [1] its degrees of freedom.
    Gives the same unit. Source: JCGM 100:2008 4.3.4.

    >>> round(from_expanded(0.5), 4)
    0.2551
    """
    if not half_width >= 0:
        raise ValueError(f"an expanded uncertainty must be at least 0, got {half_width}")
    return half_width / t95(dof)


def lag1_correlation(series: ArrayLike) -> float:
    """Correlation of a series with itself one sample later.

    r = sum (x_i - m)(x_{i+1} - m) / sum (x_i - m)^2. `series` [any unit] equally spaced samples, NaN where
    one is missing; pairs with a gap are left out and the sum is scaled up to the pairs there could be. Gives
    r [1]; 0 for a constant series. Source: NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.12.

    >>> round(lag1_correlation([1.0, 2.0, 3.0, 4.0]), 2)
    0.25
    """
    x = _series(series)
    there = np.isfinite(x)
    n = int(there.sum())
    if n < 2:
        return 0.0
    first = x[there][0]
    off = x - first
    off = off - off[there].mean()
    scatter = float(np.sum(off[there] ** 2))
    pairs = there[:-1] & there[1:]
    if scatter == 0 or not pairs.any():
        return 0.0
    together = float(np.sum(off[:-1][pairs] * off[1:][pairs]))
    return together / scatter * (n - 1) / int(pairs.sum())


def effective_count(n: int, r: float) -> float:
    """How many independent samples an autocorrelated series is worth: n (1 - r) / (1 + r).

    `n` [1] samples; `r` [1] lag-1 correlation, taken as 0 when negative, so that the count never exceeds n,
    and raised before use by (1 + 4 r) / n, the amount by which short series understate it. The result is at
    least 1 [1]. Valid for noise with an exponential memory. Sources: Bayley and Hammersley, J. R. Stat. Soc.
    Suppl. 8 (1946) 184-197 (count); Marriott and Pope, Biometrika 41 (1954) 390-402 (bias); both cited from
    memory.

    >>> round(effective_count(1000, 0.5))
    331
    >>> effective_count(100, -0.3)
    100.0
    """
    if r <= 0:
        return float(n)
    raised = min(r + (1 + 4 * r) / n, 1.0)
    return max(n * (1 - raised) / (1 + raised), 1.0)


def mean_of_series(series: ArrayLike) -> Estimate:
    """Mean of an autocorrelated series with its type A uncertainty: s / sqrt(n_eff), n_eff - 1 degrees of
    freedom.

    `series` [any unit] equally spaced samples, NaN where one is missing. The degrees of freedom are at least
    1: a series that is worth two samples or fewer gets t95(1) = 12.7, and rightly so. A drift shows as strong
    correlation and widens the result. Raises ValueError with fewer than two samples. Source: JCGM 100:2008
    4.2 with the effective count of `effective_count` for n.

    >>> mean = mean_of_series([20.1, 20.3, 20.0, 20.2, 20.1, 20.3])
    >>> round(mean.value, 3), round(mean.u_std, 3), round(mean.dof, 1)
    (20.167, 0.049, 5.0)
    """
    x = _series(series)
    there = x[np.isfinite(x)]
    n = there.size
    if n < 2:
        raise ValueError(f"a mean with an uncertainty needs at least two samples, got {n}")
    # Twice over the data, from its first value: a large offset costs no digits.
    off = there - there[0]
    shift = float(off.mean())
    s = math.sqrt(float(np.sum((off - shift) ** 2)) / (n - 1))
    n_eff = effective_count(n, lag1_correlation(x))
    return Estimate(float(there[0]) + shift, s / math.sqrt(n_eff), max(n_eff - 1, 1.0))


def propagate(f: Callable[..., float], estimates: Sequence[Estimate], correlation: ArrayLike | None = None) -> Estimate:
    """Law of propagation of uncertainty by central differences of one standard uncertainty each way.

    u_i(y) = (f(.., x_i + u_i, ..) - f(.., x_i - u_i, ..)) / 2, u^2 = sum_ij u_i(y) u_j(y) r_ij. `f` takes one
    number for each estimate; `estimates` [each its own unit] the inputs; `correlation` [1] the matrix r of
    their errors, independent unless given. Degrees of freedom: Welch-Satterthwaite for independent inputs;
    that formula does not hold for correlated ones, for which the smallest of the inputs' is taken. Valid
    where f is close to a straight line over +-u. Raises ValueError when the matrix has the wrong shape or
    gives a negative variance. Source: JCGM 100:2008 5.1.3 note 2, 5.2.2.

    >>> r = propagate(lambda rise, heat: rise / heat, [Estimate(60.0, 0.5), Estimate(300.0, 1.5)])
    >>> round(r.value, 4), round(r.u_std, 5)
    (0.2, 0.00194)
    """
    values = [estimate.value for estimate in estimates]
    shares = [_share(f, values, i, estimate.u_std) for i, estimate in enumerate(estimates)]
    value = f(*values)
    if correlation is None:
        both = combine([Part(share, 1.0, e.dof) for share, e in zip(shares, estimates, strict=True)])
        return Estimate(value, both.u_std, both.dof)
    r = np.asarray(correlation, dtype=float)
    if r.shape != (len(values), len(values)):
        raise ValueError(f"the correlation matrix must be {len(values)} by {len(values)}, got {r.shape}")
    variance = float(np.asarray(shares) @ r @ np.asarray(shares))
    if variance < -1e-12 * sum(share**2 for share in shares):
        raise ValueError("the correlation matrix gives a negative variance")
    return Estimate(value, math.sqrt(max(variance, 0.0)), min(e.dof for e in estimates))


def _share(f: Callable[..., float], values: Sequence[float], i: int, u_std: float) -> float:
    if u_std == 0:
        return 0.0
    up, down = list(values), list(values)
    up[i] += u_std
    down[i] -= u_std
    return (f(*up) - f(*down)) / 2


def _series(series: ArrayLike) -> Floats:
    x = np.asarray(series, dtype=float)
    if x.ndim != 1:
        raise ValueError(f"a series has one dimension, got {x.ndim}")
    if np.isinf(x).any():
        raise ValueError("a sample is infinite; a missing one is NaN")
    return x
