"""How far a measured rise was from its end, judged afterwards from the soak that led to it.

A plain rule says that a rise has become slow, not that it is over. What it leaves open belongs into the uncertainty of
the result. This file must not know how a soak was ended.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_STEADIEST = 0.75
"""Largest ratio of successive changes that is believed [1]: one nearer to 1 cannot be told from a drift."""

_PLAIN_K = 0.5
"""A change from which a ratio can be read: smaller ones may be what ambient leaks into the rise [K]."""

_UNKNOWN = 0.65
"""Ratio where no change was plain: nearly twice as much again may still come [1]."""


def still_to_come(t_s: ArrayLike, rise_k: ArrayLike, in_s: float, average_s: float = 60.0) -> float:
    """How far a rise probably still was from its end when a plain rule ended its soak, without a sign.

    Means over `average_s`, `in_s` apart, back from the end: when their changes shrink by a ratio q, what is left is the
    geometric series change * q / (1 - q) (Aitken 1926, cited from memory). q is read from the latest change of at least
    0.5 K and the one after it, and taken as at most 0.75; without such a change it is 0.65.
    `t_s` [s] and `rise_k` [K] the whole soak, NaN where a sample is missing; `in_s` [s] and `average_s` [s] as above.
    A soak shorter than two `in_s` is judged over halves of what there is. Gives [K], infinite where it cannot be said.
    Raises ValueError for lengths that differ.

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
    lasted_s = t[-1] - t[0] - average_s
    apart_s = min(in_s, lasted_s / 2)
    if apart_s <= 0:
        return math.inf
    ends_s = t[-1] - apart_s * np.arange(int(lasted_s / apart_s + 1e-9), -1, -1)
    changes_k = np.diff([_mean_at(t, rise, end_s, average_s) for end_s in ends_s])
    last_k = abs(float(changes_k[-1]))
    if math.isnan(last_k):
        return math.inf
    q = _ratio(np.abs(changes_k))
    return last_k * q / (1 - q)


def _ratio(changes_k: Floats) -> float:
    """By how much successive changes shrink, from the latest pair of which the first is plain [1]."""
    pairs = pairwise(changes_k)
    plain = [after / before for before, after in pairs if before >= _PLAIN_K and not math.isnan(after)]
    return min(float(plain[-1]), _STEADIEST) if plain else _UNKNOWN


def _mean_at(t_s: Floats, rise_k: Floats, end_s: float, average_s: float) -> float:
    values = rise_k[(t_s > end_s - average_s) & (t_s <= end_s) & ~np.isnan(rise_k)]
    return float(values.mean()) if values.size else math.nan
