"""Effectiveness of heat exchangers by their number of transfer units (NTU), and what that means in watts.

The simulator's radiators use `crossflow_unmixed`, the exact series; the textbook approximation stands beside it to
be compared. NTU = UA / C_min, Cr = C_min / C_max, C the capacity rates of the two streams. Knows nothing of what
makes UA; that is surfaces.py.

Sources: Kays, London, Compact Heat Exchangers; Incropera, DeWitt, Fundamentals of Heat and Mass Transfer, table 11.3
(both from memory); values in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

#: Beyond this many transfer units nothing changes that could be measured [1].
_NTU_MOST = 300.0
#: Below this Cr NTU one stream keeps its temperature to eight digits [1].
_ONE_SIDED = 1e-7
#: The series ends when its terms fall below this part of the sum [1].
_SERIES_END = 1e-12

#: Effectiveness [1] of NTU [1] and Cr [1].
Relation = Callable[[float, float], float]


def one_sided(ntu: float) -> float:
    """Effectiveness where one side has one temperature, as in any arrangement at Cr = 0 [1]: 1 - exp(-NTU).

    Args:
        ntu: transfer units, 0 or more [1]

    >>> round(one_sided(1.5), 4)
    0.7769
    """
    return -math.expm1(-ntu)


def counterflow(ntu: float, cr: float) -> float:
    """Effectiveness in counter-flow [1]: (1 - e) / (1 - Cr e), e = exp(-NTU (1 - Cr)); NTU / (1 + NTU) at Cr = 1.

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(counterflow(2.0, 0.5), 6)
    0.7746
    """
    rest = 1.0 - cr
    if rest < 1e-9:
        return ntu / (1.0 + ntu)
    e = math.exp(-ntu * rest)
    return (1.0 - e) / (1.0 - cr * e)


def parallel_flow(ntu: float, cr: float) -> float:
    """Effectiveness in parallel flow [1]: (1 - exp(-NTU (1 + Cr))) / (1 + Cr).

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(parallel_flow(2.0, 0.5), 6)
    0.633475
    """
    return -math.expm1(-ntu * (1.0 + cr)) / (1.0 + cr)


def crossflow_cmax_mixed(ntu: float, cr: float) -> float:
    """Effectiveness in cross-flow, the larger stream mixed [1]: (1 - exp(-Cr (1 - exp(-NTU)))) / Cr.

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(crossflow_cmax_mixed(2.0, 0.5), 6)
    0.702013
    """
    if cr < 1e-12:
        return one_sided(ntu)
    return -math.expm1(-cr * one_sided(ntu)) / cr


def crossflow_cmin_mixed(ntu: float, cr: float) -> float:
    """Effectiveness in cross-flow, the smaller stream mixed [1]: 1 - exp(-(1 - exp(-Cr NTU)) / Cr).

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(crossflow_cmin_mixed(2.0, 0.5), 6)
    0.717546
    """
    if cr < 1e-12:
        return one_sided(ntu)
    return -math.expm1(-one_sided(cr * ntu) / cr)


def crossflow_unmixed(ntu: float, cr: float) -> float:
    """Effectiveness in cross-flow, both streams unmixed, exact [1]. This is what the radiators use.

    The double series of Mason (Proc. 2nd US Nat. Congress of Applied Mechanics, 1955; from memory):

        1 / (Cr NTU) * sum over n of S_n(NTU) S_n(Cr NTU),  S_n(x) = 1 - exp(-x) sum over m <= n of x^m / m!

    Valid from 0 to 300 transfer units, beyond that as at 300; to about 1e-8. The smaller of the two arguments ends the
    series: some 10 terms at a radiator's working point.

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(crossflow_unmixed(2.0, 0.5), 6), round(crossflow_unmixed(5.0, 0.7), 6)
    (0.732409, 0.844482)
    """
    a = min(ntu, _NTU_MOST)
    b = cr * a
    if b < _ONE_SIDED:
        return one_sided(a)
    rest_a, rest_b = -math.expm1(-a), -math.expm1(-b)
    term_a, term_b = math.exp(-a), math.exp(-b)
    total = term = rest_a * rest_b
    n = 0
    while term > _SERIES_END * total:
        n += 1
        term_a *= a / n
        term_b *= b / n
        rest_a -= term_a
        rest_b -= term_b
        if rest_a <= 0.0 or rest_b <= 0.0:
            break
        term = rest_a * rest_b
        total += term
    return min(total / b, 1.0)  # rounding may leave a little more


def crossflow_unmixed_approximate(ntu: float, cr: float) -> float:
    """The textbooks' approximation of `crossflow_unmixed` [1]: 1 - exp(NTU^0.22 (exp(-Cr NTU^0.78) - 1) / Cr).

    Incropera, equation 11.32. Up to 0.011 off within 0.5 to 5 transfer units; the simulator does not use it.

    Args:
        ntu: transfer units, 0 or more [1]
        cr: ratio of capacity rates, 0 to 1 [1]

    >>> round(crossflow_unmixed_approximate(2.0, 0.5), 6)
    0.738758
    """
    if cr < 1e-12:
        return one_sided(ntu)
    return -math.expm1(math.pow(ntu, 0.22) * math.expm1(-cr * math.pow(ntu, 0.78)) / cr)


def inlet_w_per_k(ua_w_per_k: float, one_w_per_k: float, other_w_per_k: float, relation: Relation) -> float:
    """Heat for each kelvin between the two inlets [W/K]: eps C_min. 0 when a stream stands.

    Args:
        ua_w_per_k: UA, 0 or more [W/K]
        one_w_per_k: capacity rate of one stream, 0 or more [W/K]
        other_w_per_k: of the other [W/K]
        relation: effectiveness of the arrangement [no unit]

    >>> round(inlet_w_per_k(40.0, 20.0, 70.0, crossflow_unmixed), 3)
    15.759
    """
    least, most = (one_w_per_k, other_w_per_k) if one_w_per_k < other_w_per_k else (other_w_per_k, one_w_per_k)
    if least <= 0.0:
        return 0.0
    return least * relation(ua_w_per_k / least, least / most)


def wall_w_per_k(ua_w_per_k: float, stream_w_per_k: float) -> float:
    """Heat for each kelvin between a wall of one temperature and a stream's inlet [W/K]: C (1 - exp(-UA / C)).

    Args:
        ua_w_per_k: UA between wall and stream, 0 or more [W/K]
        stream_w_per_k: capacity rate C, 0 or more [W/K]

    >>> round(wall_w_per_k(40.0, 20.0), 3)
    17.293
    """
    if stream_w_per_k <= 0.0:
        return 0.0
    return stream_w_per_k * one_sided(ua_w_per_k / stream_w_per_k)


class Exchange(NamedTuple):
    """What an exchanger does with two streams."""

    heat_w: float
    """Heat from the hot to the cold stream [W]."""
    hot_out_c: float
    """Where the hot stream leaves [degC]."""
    cold_out_c: float
    """Where the cold stream leaves [degC]."""


def exchange(
    ua_w_per_k: float,
    hot_w_per_k: float,
    cold_w_per_k: float,
    hot_in_c: float,
    cold_in_c: float,
    relation: Relation = crossflow_unmixed,
) -> Exchange:
    """Heat and outlet temperatures for given inlets: Q = eps C_min (T_hot - T_cold). Steady, no loss to outside.

    Args:
        ua_w_per_k: UA, 0 or more [W/K]
        hot_w_per_k: capacity rate of the hot stream, above 0 [W/K]
        cold_w_per_k: of the cold one, above 0 [W/K]
        hot_in_c: where the hot stream enters [degC]
        cold_in_c: where the cold one enters [degC]
        relation: effectiveness of the arrangement [no unit]

    >>> [round(value, 2) for value in exchange(40.0, 70.0, 20.0, 40.0, 24.0)]
    [252.15, 36.4, 36.61]
    """
    heat_w = inlet_w_per_k(ua_w_per_k, hot_w_per_k, cold_w_per_k, relation) * (hot_in_c - cold_in_c)
    return Exchange(heat_w, hot_in_c - heat_w / hot_w_per_k, cold_in_c + heat_w / cold_w_per_k)
