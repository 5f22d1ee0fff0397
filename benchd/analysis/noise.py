"""How noisy a series is around a curve, and how much its samples depend on each other.

It must not know where the curve came from.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MOST_CORRELATED = 0.97
"""A lag-1 correlation beyond this cannot be told from a curve that does not fit [1]."""


_BLOCK = 40
_parabola = np.vander(np.linspace(-1, 1, _BLOCK), 3)
_WITHOUT_PARABOLA: Floats = np.eye(_BLOCK) - _parabola @ np.linalg.pinv(_parabola)


class Noise(NamedTuple):
    """Standard deviation of one sample `sd_k` [K] and correlation of neighbours `r` [1]."""

    sd_k: float
    r: float

    @property
    def variance(self) -> float:
        """Of one sample, as if samples were independent [K^2]: sd^2 (1 + r) / (1 - r), so that a mean over many
        comes out as wide as it is."""
        return self.sd_k**2 * (1 + self.r) / (1 - self.r)

    def variance_of_mean(self, count: Floats) -> Floats:
        """Variance of the mean of neighbours in a row [K^2].

        `count` [1] how many. For a first-order autoregressive series: sd^2 / n [(1 + r) / (1 - r) - 2 r (1 - r^n) /
        (n (1 - r)^2)]. Source: T. W. Anderson, The Statistical Analysis of Time Series (1971), section 8.3 (cited from
        memory).

        >>> [round(float(v), 3) for v in Noise(1.0, 0.5).variance_of_mean(np.array([1.0, 2.0, 100.0]))]
        [1.0, 0.75, 0.03]
        """
        r = self.r
        return self.sd_k**2 / count * ((1 + r) / (1 - r) - 2 * r * (1 - r**count) / (count * (1 - r) ** 2))


def noise_of(off_k: Floats, fitted: int, resolution_k: float) -> Noise:
    """The noise that residuals show.

    `off_k` [K] residuals in order of time, at least 8; `fitted` [1] how many parameters the curve had; `resolution_k`
    [K] smallest step of the sensor, which a flat line hides behind. A fitted curve takes away what is slow in noise:
    each parameter takes sd^2 (1 + r) / (1 - r) from the squares, and as much from the products of neighbours, which is
    given back; besides, r comes out too low by 2 r / n. Raises ValueError for fewer than eight.

    >>> rng = np.random.default_rng(1)
    >>> noise = noise_of(rng.normal(0, 0.1, 500), 5, 0.01)
    >>> round(noise.sd_k, 1), noise.r < 0.2
    (0.1, True)
    """
    n = len(off_k)
    if n < 8:
        raise ValueError(f"noise needs at least eight residuals, got {n}")
    return _noise(float(off_k @ off_k), float(off_k[1:] @ off_k[:-1]), n, fitted, resolution_k)


def _noise(squares: float, products: float, n: int, fitted: int, resolution_k: float) -> Noise:
    r = products / squares if squares > 0 else 0.0
    r = min(max(r + (fitted * (1 + max(r, 0.0)) + 2 * max(r, 0.0)) / n, 0.0), _MOST_CORRELATED)
    taken = min(fitted * (1 + r) / (1 - r), n / 2)
    least = resolution_k**2 / 24 + 1e-12
    sd = math.sqrt(max(squares / (n - taken), least))
    # Few independent samples know their own scatter badly: the variance of Student's t with so many degrees of freedom.
    independent = n * (1 - r) / (1 + r)
    return Noise(sd * math.sqrt(1 + 2 / max(independent - 4, 4)), r)


def local_noise(x_k: Floats, resolution_k: float) -> Noise | None:
    """The noise that a series shows from sample to sample, whatever curve lies under it; None for too few samples.

    `x_k` [K] samples at equal distances; `resolution_k` [K] smallest step of the sensor. Takes a parabola off each
    forty samples in a row. Range of validity: noise with a memory of up to some ten samples; of a longer one it sees a
    part.

    >>> t = np.arange(600.0)
    >>> noise = local_noise(40 - 40 * np.exp(-t / 100) + np.random.default_rng(1).normal(0, 0.1, 600), 0.01)
    >>> noise is not None and abs(noise.sd_k - 0.1) < 0.02 and noise.r < 0.2
    True
    """
    blocks = len(x_k) // _BLOCK
    if not blocks:
        return None
    off = x_k[len(x_k) - blocks * _BLOCK :].reshape(blocks, _BLOCK) @ _WITHOUT_PARABOLA
    # The usual of the blocks: what happened in one of them is no noise.
    usual = np.argsort((off**2).sum(axis=1))[: max(1, (3 * blocks + 3) // 4)]
    kept = off[np.sort(usual)]
    squares, products = float((kept**2).sum()), float((kept[:, 1:] * kept[:, :-1]).sum())
    return _noise(squares, products, kept.size, 3 * len(kept), resolution_k)


def rounding_bias(sd_k: float, resolution_k: float) -> float:
    """What rounding may shift a long mean by, as a standard uncertainty [K].

    `sd_k` [K] noise of the rounded values; `resolution_k` [K] step they are rounded to, at least 0. Noise dithers:
    the mean of values rounded to a step q with normal noise s before rounding is off by at most (q / pi) exp(-2 pi^2
    s^2 / q^2), the first term of a series. Source: B. Widrow and I. Kollar, Quantization Noise (2008) (cited from
    memory).

    >>> round(rounding_bias(0.0, 1.0), 3), round(rounding_bias(0.42, 1.0), 3), round(rounding_bias(1.0, 1.0), 6)
    (0.225, 0.036, 0.0)
    """
    if resolution_k <= 0:
        return 0.0
    before = max(sd_k**2 - resolution_k**2 / 12, 0.0)
    return resolution_k / math.pi * math.exp(-2 * math.pi**2 * before / resolution_k**2) / math.sqrt(2)
