"""Thermal resistance: rise over ambient for each watt, with its uncertainty.

Owns the two steps from samples to K/W: the mean rise over a reading, and its division by the measured heat.
It must not know how a reading was begun or ended.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from benchd.analysis.uncertainty import (
    Estimate,
    Part,
    combine,
    from_expanded,
    from_resolution,
    mean_of_series,
)


def thermal_resistance(rise: Estimate, heat: Estimate) -> Estimate:
    """Thermal resistance R = rise / heat.

    `rise` [K] of the heat source over the reference at the same time, in the steady state; `heat` [W]
    measured, not set, above 0. Gives [K/W], u^2 = (u_rise / heat)^2 + (R u_heat / heat)^2. Valid while heat
    that leaves by other ways is negligible or belongs to the comparison. Raises ValueError for heat not above
    0. Source: JEDEC JESD51-8 and JESD51-12 (theta = (T_J - T_X) / P_H in the steady state); JCGM 100:2008
    5.1.

    >>> r = thermal_resistance(Estimate(60.0, 0.5), Estimate(300.0, 1.5))
    >>> round(r.value, 4), round(r.u_std, 5)
    (0.2, 0.00194)
    """
    if not heat.value > 0:
        raise ValueError(f"a resistance needs heat above 0 W, got {heat.value}")
    value = rise.value / heat.value
    both = combine([Part(rise.u_std, 1 / heat.value, rise.dof), Part(heat.u_std, value / heat.value, heat.dof)])
    return Estimate(value, both.u_std, both.dof)


def mean_rise(
    die_c: ArrayLike,
    ambient_c: ArrayLike,
    *,
    die_u_k: float = 0.0,
    ambient_u_k: float = 0.0,
    die_resolution_k: float = 0.0,
    ambient_resolution_k: float = 0.0,
) -> Estimate:
    """Mean rise of the die over ambient in a reading, both taken at the same time.

    Type A from the scatter of the rise (`uncertainty.mean_of_series`), and for each sensor its calibration
    and its resolution; a step of the display does not average out when the reading stands still, so it counts
    in full. `die_c` [degC] and `ambient_c` [degC] equally spaced samples of the same length, NaN where one is
    missing; a sample counts when both are there. `die_u_k` [K] and `ambient_u_k` [K] expanded uncertainty (95
    %) of each sensor's calibration; `die_resolution_k` [K] and `ambient_resolution_k` [K] smallest step of
    each. Gives [K]. Valid in the steady state. Raises ValueError for different lengths or fewer than two
    pairs. Source: JEDEC dictionary, thermal impedance (the drift of the reference is subtracted); JCGM
    100:2008 4.2, 4.3, F.2.2.1.

    >>> rise = mean_rise([60.1, 60.3, math.nan, 60.2], [20.0, 20.1, 20.1, 20.0], die_u_k=0.5)
    >>> round(rise.value, 2), round(rise.u_std, 2)
    (40.17, 0.26)
    """
    die, ambient = np.asarray(die_c, dtype=float), np.asarray(ambient_c, dtype=float)
    if die.shape != ambient.shape:
        raise ValueError(f"die and ambient differ in length: {die.shape} and {ambient.shape}")
    sensors = math.hypot(
        from_expanded(die_u_k),
        from_expanded(ambient_u_k),
        from_resolution(die_resolution_k),
        from_resolution(ambient_resolution_k),
    )
    return mean_of_series(die - ambient).widened(sensors)
