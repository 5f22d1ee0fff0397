"""Random plants that an equilibrium is looked for on: two exponentials, perhaps a slow mode, noise, a sensor's steps.

What is true of a plant is known here, so that what is said of it can be held against it. Every plant has a random
stream of its own: the first hundred of a thousand are the hundred of the same seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, product
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

FAMILIES = tuple(
    " ".join(words)
    for words in product(("white", "correlated"), ("heating", "cooling"), ("without slow mode", "with slow mode"))
)
"""All that plants are grouped by; every eight plants in a row are one of each."""

RESOLUTION_CLASSES = ("resolution to 0.05 K", "resolution 0.05 to 0.2 K", "resolution over 0.2 K")

FAST_S, SLOW_S = (5.0, 30.0), (80.0, 600.0)
CORRELATION = (0.2, 0.9)
RESOLUTION_K = (0.01, 1.0)
NOISE_PER_RESOLUTION = (0.3, 3.0)
MOST_NOISE_K = 0.5
CHANGE_K = (10.0, 70.0)
COOLED_TO_K = (5.0, 30.0)
PART_OF_FAST = (0.1, 0.6)
SLOW_MODE_K = 0.3
SLOW_MODE_S, SLOW_MODE_LOG_SD = 1000.0, 0.15


@dataclass(frozen=True)
class Plant:
    """rise(t) = final + fast exp(-t / fast_s) + slow exp(-t / slow_s) + tail exp(-t / tail_s), with noise, in steps."""

    family: str
    start_k: float
    """Rise at 0 s, before noise [K]."""
    final_k: float
    """Where it ends [K]: the truth."""
    fast_s: float
    slow_s: float
    tail_s: float
    """Time constants [s]."""
    fast_k: float
    slow_k: float
    tail_k: float
    """Amplitudes at 0 s [K]; a plant without the slow mode has tail_k = 0."""
    noise_sd_k: float
    """Standard deviation of the noise before the steps [K]."""
    correlation: float
    """Of neighbours at 1 Hz [1]: first-order autoregressive."""
    resolution_k: float
    """The sensor's step [K]."""
    noise_seed: tuple[int, int]

    def rise_at(self, t_s: Floats) -> Floats:
        """The true rise [K] at times [s]."""
        fast, slow = self.fast_k * np.exp(-t_s / self.fast_s), self.slow_k * np.exp(-t_s / self.slow_s)
        return np.asarray(self.final_k + fast + slow + self.tail_k * np.exp(-t_s / self.tail_s))

    def series(self, seconds: int) -> tuple[Floats, Floats]:
        """Times 0, 1 ... [s], so many of them, and what the sensor shows [K]; a longer series begins like a shorter."""
        t_s = np.arange(float(seconds))
        shown = self.rise_at(t_s) + self._noise(seconds)
        return t_s, np.round(shown / self.resolution_k) * self.resolution_k

    @property
    def resolution_class(self) -> str:
        """Which of the classes its sensor belongs to."""
        return RESOLUTION_CLASSES[(self.resolution_k > 0.05) + (self.resolution_k > 0.2)]

    def _noise(self, seconds: int) -> Floats:
        drawn = self.noise_sd_k * np.random.default_rng((*self.noise_seed, 1)).standard_normal(seconds)
        if self.correlation == 0 or seconds == 0:
            return drawn
        r = self.correlation
        drawn[1:] *= math.sqrt(1 - r * r)
        return np.array(list(accumulate(drawn.tolist(), lambda before, new: r * before + new)))


def random_plants(n: int, seed: int) -> list[Plant]:
    """`n` plants, the families in turn; the same seed gives the same ones."""
    return [_random_plant(FAMILIES[i % len(FAMILIES)], (seed, i)) for i in range(n)]


def _random_plant(family: str, seed: tuple[int, int]) -> Plant:
    rng = np.random.default_rng((*seed, 0))
    fast_s, slow_s, resolution_k = (_log_uniform(rng, *limits) for limits in (FAST_S, SLOW_S, RESOLUTION_K))
    least, most = NOISE_PER_RESOLUTION
    noise_sd_k = _log_uniform(rng, least * resolution_k, min(most * resolution_k, MOST_NOISE_K))
    correlation = rng.uniform(*CORRELATION)
    change_k, cooled_to_k, part = (rng.uniform(*limits) for limits in (CHANGE_K, COOLED_TO_K, PART_OF_FAST))
    tail_k, tail_s = rng.normal(0, SLOW_MODE_K), SLOW_MODE_S * math.exp(rng.normal(0, SLOW_MODE_LOG_SD))
    if "without slow mode" in family:
        tail_k = 0.0
    start_k, final_k = (0.0, change_k) if "heating" in family else (cooled_to_k + change_k, cooled_to_k)
    two_k = start_k - final_k - tail_k
    return Plant(
        family=family,
        start_k=start_k,
        final_k=final_k,
        fast_s=fast_s,
        slow_s=slow_s,
        tail_s=tail_s,
        fast_k=part * two_k,
        slow_k=(1 - part) * two_k,
        tail_k=tail_k,
        noise_sd_k=noise_sd_k,
        correlation=correlation if "correlated" in family else 0.0,
        resolution_k=resolution_k,
        noise_seed=seed,
    )


def _log_uniform(rng: np.random.Generator, least: float, most: float) -> float:
    return float(np.exp(rng.uniform(math.log(least), math.log(most))))
