"""How far a measured rise was from its end, judged afterwards from the soak that led to it.

A plain rule says that a rise has become slow, not that it is over. What it leaves open belongs into the uncertainty of
the result. This file must not know how a soak was ended.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_STEADIEST = 0.75
"""Largest ratio of successive changes that is believed [1]."""


def still_to_come(t_s: ArrayLike, rise_k: ArrayLike, in_s: float, average_s: float = 60.0) -> float:
    """How far a rise probably still was from its end when a plain rule ended its soak, without a sign.

    Three means over `average_s`, `in_s` apart, the last at the end: the changes between them shrink by a ratio q, and a
    geometric series leaves change * q / (1 - q) (Aitken 1926, cited from memory). q is taken as at most 3/4, since a
    ratio nearer to 1 cannot be told from a drift at this distance; changes of different sign leave the last of them.
    `t_s` [s] and `rise_k` [K] the whole soak, NaN where a sample is missing; `in_s` [s] and `average_s` [s] as above.
    A soak shorter than two `in_s` is judged over halves of what there is, one without the first mean by the largest q.
    Gives [K], infinite where it cannot be said. Raises ValueError for lengths that differ.

    An estimate of the size of an error, not a bound: slower parts of a cooler leave more.

    >>> t_s = np.arange(1200.0)
    >>> rise_k = 40 * (1 - np.exp(-t_s / 300))
    >>> round(float(40 - rise_k[-30]), 2), round(still_to_come(t_s, rise_k, in_s=300.0), 2)
    (0.81, 0.81)
    """
    t, rise = np.asarray(t_s, dtype=float), np.asarray(rise_k, dtype=float)
    if t.shape != rise.shape or t.ndim != 1:
        raise ValueError(f"times and rises differ in length: {t.shape} and {rise.shape}")
    if not t.size:
        return math.inf
    apart_s = min(in_s, (t[-1] - t[0] - average_s) / 2)
    first, second, last = (_mean_at(t, rise, t[-1] - back * apart_s, average_s) for back in (2, 1, 0))
    if apart_s <= 0 or math.isnan(second + last):
        return math.inf
    before_k, change_k = second - first, last - second
    if before_k * change_k <= 0:
        return abs(change_k)
    q = min(change_k / before_k, _STEADIEST) if before_k == before_k else _STEADIEST
    return abs(change_k) * q / (1 - q)


def _mean_at(t_s: Floats, rise_k: Floats, end_s: float, average_s: float) -> float:
    values = rise_k[(t_s > end_s - average_s) & (t_s <= end_s) & ~np.isnan(rise_k)]
    return float(values.mean()) if values.size else math.nan
