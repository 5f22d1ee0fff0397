"""How well a specimen is mounted, from a few minutes of heat: the resistance from the die to what takes its heat.

Owns the one figure of a mount check. Between the die and the coolant (or the fins) little heat is stored, so that their
difference is nearly at its end long before the specimen is. It must not know which sensor it is read from.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from benchd.analysis.remainder import still_to_come
from benchd.analysis.resistance import mean_rise, thermal_resistance
from benchd.analysis.uncertainty import Estimate, rectangular

_BETWEEN_J_PER_K = 100.0
"""Most heat capacity that lies between a heat source and the coolant or fins: die, spreader, cold plate [J/K]."""


def mount_resistance(
    t_s: ArrayLike,
    die_c: ArrayLike,
    sink_c: ArrayLike,
    heat: Estimate,
    *,
    die_u_k: float = 0.0,
    sink_u_k: float = 0.0,
    die_resolution_k: float = 0.0,
    sink_resolution_k: float = 0.0,
    average_s: float = 60.0,
) -> Estimate | None:
    """Thermal resistance from the die to what takes its heat, as it would be in the steady state.

    R = mean(T_die - T_sink) / heat over the last `average_s` of a constant heat. What the difference would still
    change (`remainder.still_to_come`, over steps of `average_s`) counts as a standard uncertainty and is not
    added: it is a guess. So does, as a rectangular part, the heat that a drifting sink keeps back: up to 100 J/K
    between die and sink (common practice, no source) times the drift over the last two `average_s`.

    `t_s` [s], `die_c` [degC] and `sink_c` [degC] of the same length, from the moment at which the heat came on,
    NaN where a sample is missing; `heat` [W] measured in the last `average_s` [s]. `die_u_k` [K] and `sink_u_k`
    [K] expanded uncertainty (95 %) of each sensor's calibration; `die_resolution_k` [K] and `sink_resolution_k`
    [K] smallest step of each. Gives [K/W]; None where the last `average_s` holds fewer than two pairs or nothing
    can be said of the end. Raises ValueError for lengths that differ and for heat not above 0.

    Range of validity: at least 3 min of heat, a die that follows its sink within half a minute, a sink that drifts
    by at most 1 K/min. Source: JEDEC JESD51-8 and JESD51-12 (theta = (T_J - T_X) / P_H in the steady state); JCGM
    100:2008 4.2, 4.3.7, 5.1.

    >>> t_s = np.arange(300.0)
    >>> coolant_c = 23 + 0.01 * t_s
    >>> die_c = coolant_c + 9 * (1 - np.exp(-t_s / 20))
    >>> found = mount_resistance(t_s, die_c, coolant_c, Estimate(60.0, 0.2), die_u_k=0.5, sink_u_k=0.2)
    >>> round(found.value, 4), round(found.expanded, 4)
    (0.15, 0.0095)
    """
    t, die, sink = (np.asarray(series, dtype=float) for series in (t_s, die_c, sink_c))
    if not t.shape == die.shape == sink.shape or t.ndim != 1:
        raise ValueError(f"times, die and sink differ in length: {t.shape}, {die.shape} and {sink.shape}")
    left_k = still_to_come(t, die - sink, in_s=average_s, average_s=average_s)
    last = t > t[-1] - average_s if t.size else np.zeros(0, dtype=bool)
    if not heat.value > 0:
        raise ValueError(f"a resistance needs heat above 0 W, got {heat.value}")
    if not math.isfinite(left_k) or np.count_nonzero(~np.isnan(die[last] - sink[last])) < 2:
        return None
    difference = mean_rise(
        die[last],
        sink[last],
        die_u_k=die_u_k,
        ambient_u_k=sink_u_k,
        die_resolution_k=die_resolution_k,
        ambient_resolution_k=sink_resolution_k,
    )
    before = (t > t[-1] - 2 * average_s) & ~last
    drift_k_per_s = abs(float(np.nanmean(sink[last]) - np.nanmean(sink[before]))) / average_s
    kept_back = rectangular(_BETWEEN_J_PER_K * drift_k_per_s / heat.value)
    return thermal_resistance(difference.widened(left_k).widened(abs(difference.value) * kept_back), heat)
