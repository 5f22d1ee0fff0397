"""How well the end of a soak can be known at a given time at all: the Cramer-Rao bound.

The curve has six unknowns: final, two amplitudes, two time constants, and the amplitude of a slow mode of 1000 s, of
which only the standard deviation is known beforehand. Samples come at 1 Hz from 0 s on; one has the variance sd^2 +
resolution^2 / 12, times (1 + r) / (1 - r) where neighbours are correlated by r, as if they were then independent. No
unbiased estimate of the final value has a smaller variance than its element of the inverse of the information.
Source: C. R. Rao, Linear Statistical Inference and Its Applications, 2nd edition (1973), section 5a (cited from
memory); variance of a step: JCGM 100:2008, F.2.2.1; knowledge beforehand added to the information: H. L. Van Trees,
Detection, Estimation, and Modulation Theory, part I (1968), section 2.4 (cited from memory).

The inverse is taken by an orthogonal decomposition of the sensitivities, never of their squares: two exponentials that
have hardly bent yet are the textbook case of a matrix that squaring would spoil.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tests.equilibrium.plants import Plant

Floats: TypeAlias = NDArray[np.float64]

K = 1.96
"""Half widths are so many standard uncertainties [1]: 95 % of a normal distribution."""
TAIL_S = 1000.0
"""The slow mode's time constant [s]."""
LATEST_S = 1 << 20
"""Nobody waits longer [s]."""


def standard_uncertainty(sensitivity: Floats, row: Floats, sd: float) -> float:
    """Of a linear combination `row` of parameters, when samples have the sensitivities (n, parameters) and the sd."""
    triangle = np.asarray(np.linalg.qr(sensitivity / sd, mode="r"))
    if (np.abs(np.diagonal(triangle)) == 0).any() or len(sensitivity) < len(row):
        return math.inf
    return float(np.linalg.norm(np.linalg.solve(triangle.T, row)))


def effective_sd_k(plant: Plant) -> float:
    """Standard deviation of one sample, as if samples were independent [K]."""
    r = plant.correlation
    return math.sqrt((plant.noise_sd_k**2 + plant.resolution_k**2 / 12) * (1 + r) / (1 - r))


def bound_half_width(plant: Plant, seconds: float, slow_tail_k: float = 0.3) -> float:
    """Half width of the 95 % interval of the final value [K] by samples from 0 to `seconds` [s]."""
    t_s = np.arange(math.floor(seconds) + 1.0)
    fast, slow = np.exp(-t_s / plant.fast_s), np.exp(-t_s / plant.slow_s)
    # With the logarithm of a time constant as the parameter, all columns are of one size.
    columns = [
        fast,
        plant.fast_k * t_s / plant.fast_s * fast,
        slow,
        plant.slow_k * t_s / plant.slow_s * slow,
        np.ones_like(t_s),
    ]
    sd_k = effective_sd_k(plant)
    if slow_tail_k > 0:
        columns.insert(0, np.exp(-t_s / TAIL_S))
    sensitivity = np.column_stack(columns)
    if slow_tail_k > 0:
        known_before = np.zeros((1, len(columns)))
        known_before[0, 0] = sd_k / slow_tail_k
        sensitivity = np.vstack([sensitivity, known_before])
    final = np.zeros(len(columns))
    final[-1] = 1.0
    return K * standard_uncertainty(sensitivity, final, sd_k)


def bound_time(plant: Plant, tolerance_k: float, slow_tail_k: float = 0.3) -> float:
    """First whole second [s] at which the half width is at most `tolerance_k` [K]; infinite if none is."""
    late = 64
    while bound_half_width(plant, late, slow_tail_k) > tolerance_k:
        late *= 2
        if late > LATEST_S:
            return math.inf
    early = late // 2 if late > 64 else 0
    while late - early > 1:
        middle = (early + late) // 2
        if bound_half_width(plant, middle, slow_tail_k) > tolerance_k:
            early = middle
        else:
            late = middle
    return float(late)
