"""How heat goes from the die through the coolant into the air: conductances, and two nodes solved exactly.

Owns the energy balance. Knows nothing of fans, sensors, specimens or time of day: it is given conductances
and steps.
"""

from __future__ import annotations

import math

#: Heat that a cubic metre of air carries away per kelvin [J/(m3 K)]: 1.18432 kg/m3 x 1006.308 J/(kg K), dry
#: air at 25 degC and 101.325 kPa (CoolProp 8.0.0).
AIR_J_PER_M3_K = 1.18432 * 1006.308

#: Flow at which the film of the cold plate has come within 1/e of its best [share of full flow]; invented.
_FILM_FLOW = 0.12
#: Flow by buoyancy when the pump stands [share of full flow]; invented.
_CREEP = 0.01


def air_w_per_k(airflow_m3_per_s: float) -> float:
    """Capacity rate of an air stream [W/K]: C = rho cp Q. Valid near 25 degC; 5 % off at 40 degC.

    Args:
        airflow_m3_per_s: volume flow, 0 or more [m3/s]

    >>> round(air_w_per_k(0.0167), 2)
    19.9
    """
    return AIR_J_PER_M3_K * airflow_m3_per_s


def effectiveness(ntu: float) -> float:
    """Part of the possible heat that an exchanger passes on [1]: 1 - exp(-NTU).

    Valid where the coolant's capacity rate is far above the air's, as in these radiators. At a ratio of 0 it
    holds for every arrangement (Kays and London, Compact Heat Exchangers; cited from memory).

    Args:
        ntu: number of transfer units, 0 or more [1]

    >>> round(effectiveness(1.5), 4)
    0.7769
    """
    return -math.expm1(-ntu)


def fins(full_w_per_k: float, ntu_full: float, speed: float, recirculated: float) -> tuple[float, float]:
    """What fins do: conductance to the room [W/K], and how much of their rise the inlet air has [1].

    The air stream goes with the speed (affinity law), the transfer from the fins with its square root (common
    practice, no source), so NTU = ntu_full / sqrt(speed), and the fins pass on C eps (T_fins - T_inlet). A
    share r of the exhaust comes back: T_inlet - T_room = r (T_exhaust - T_room). Both together, with k = r /
    (1 - r):
    G = C / (1/eps + k),  (T_inlet - T_room) / (T_fins - T_room) = k / (1/eps + k).
    Natural convection is not in it.

    Args:
        full_w_per_k: capacity rate of the air at full speed [W/K]
        ntu_full: transfer units at full speed, above 0 [1]
        speed: share of full speed, 0 to 1 [1]
        recirculated: r, 0 to below 1 [1]

    >>> g, share = fins(20.0, 1.5, 1.0, 0.1)
    >>> round(g, 2), round(share, 4)
    (14.3, 0.0795)
    >>> fins(20.0, 1.5, 0.0, 0.1)[0]
    0.0
    """
    back = recirculated / (1.0 - recirculated)
    passed_on = effectiveness(ntu_full / math.sqrt(speed)) if speed > 0 else 1.0
    resistance = 1.0 / passed_on + back
    return full_w_per_k * speed / resistance, back / resistance


def film_k_per_w(full_k_per_w: float, flow: float) -> float:
    """Resistance from a cold plate into its coolant [K/W]: R_full / (1 - exp(-flow / 0.12)).

    Invented law: beyond half flow there is hardly any gain. Below a flow of 0.01 buoyancy keeps 0.01 going.

    Args:
        full_k_per_w: resistance at unlimited flow [K/W]
        flow: share of full flow, 0 to 1; goes with the pump's speed (affinity law) [1]

    >>> [round(film_k_per_w(0.04, flow), 5) for flow in (1.0, 0.5, 0.2)]
    [0.04001, 0.04063, 0.04931]
    """
    return full_k_per_w / -math.expm1(-max(flow, _CREEP) / _FILM_FLOW)


class TwoNodes:
    """A heated block, a sink behind it, the room behind that; every step solved exactly.

    C1 dT1/dt = P - G1 (T1 - T2);  C2 dT2/dt = G1 (T1 - T2) - G2 (T2 - T_room).
    With P, G1, G2 and T_room constant over a step the solution is two exponentials, so a step of any length
    is stable and exact, and the rejected heat G2 integral(T2 - T_room) dt comes from that solution, not from
    the balance. Valid where one temperature stands for each body (Biot number well below 0.1).

    Args:
        block_j_per_k: C1, above 0 [J/K]
        sink_j_per_k: C2, above 0 [J/K]
        start_c: both temperatures at first [degC]

    >>> nodes = TwoNodes(200.0, 2000.0, 23.0)
    >>> nodes.couple(6.0, 15.0)
    >>> nodes.step(86400.0, 120.0, 23.0)
    >>> round(nodes.block_c, 6), round(nodes.sink_c, 6)
    (51.0, 31.0)
    >>> abs(nodes.in_j - nodes.stored_j - nodes.rejected_j) < 1e-6
    True
    """

    __slots__ = (
        "_block_j_per_k",
        "_g1",
        "_g2",
        "_h_s",
        "_i1",
        "_i2",
        "_p11",
        "_p12",
        "_p21",
        "_p22",
        "_sink_j_per_k",
        "_start_c",
        "block_c",
        "in_j",
        "rejected_j",
        "sink_c",
    )

    def __init__(self, block_j_per_k: float, sink_j_per_k: float, start_c: float) -> None:
        self._block_j_per_k = block_j_per_k
        self._sink_j_per_k = sink_j_per_k
        self._start_c = start_c
        self.block_c = start_c
        self.sink_c = start_c
        self.in_j = 0.0
        self.rejected_j = 0.0
        self.couple(1.0, 1.0)

    def couple(self, block_w_per_k: float, sink_w_per_k: float) -> None:
        """Set G1 and G2 for the steps to come.

        Args:
            block_w_per_k: G1, block to sink, above 0 [W/K]
            sink_w_per_k: G2, sink to room, above 0 [W/K]

        >>> nodes = TwoNodes(200.0, 2000.0, 23.0)
        >>> nodes.couple(10.0, 20.0)
        >>> nodes.step(1e6, 100.0, 23.0)
        >>> round(nodes.block_c - nodes.sink_c, 6), round(nodes.sink_c - 23.0, 6)
        (10.0, 5.0)
        """
        self._g1 = block_w_per_k
        self._g2 = sink_w_per_k
        self._h_s = -1.0

    @property
    def stored_j(self) -> float:
        """Heat held above the start [J]."""
        return self._block_j_per_k * (self.block_c - self._start_c) + self._sink_j_per_k * (self.sink_c - self._start_c)

    def step(self, h_s: float, heat_w: float, room_c: float) -> None:
        """Go on by one step of constant conditions.

        Args:
            h_s: its length, above 0 [s]
            heat_w: P [W]
            room_c: T_room [degC]

        >>> nodes = TwoNodes(200.0, 2000.0, 23.0)
        >>> nodes.step(1e-3, 100.0, 23.0)
        >>> round(nodes.block_c, 6)
        23.0005
        """
        if h_s != self._h_s:
            self._prepare(h_s)
        sink_end_c = room_c + heat_w / self._g2
        block_end_c = sink_end_c + heat_w / self._g1
        block_k = self.block_c - block_end_c
        sink_k = self.sink_c - sink_end_c
        self.block_c = block_end_c + self._p11 * block_k + self._p12 * sink_k
        self.sink_c = sink_end_c + self._p21 * block_k + self._p22 * sink_k
        heat_j = heat_w * h_s
        self.in_j += heat_j
        self.rejected_j += heat_j + self._g2 * (self._i1 * block_k + self._i2 * sink_k)

    def _prepare(self, h_s: float) -> None:
        """The propagator exp(A h) and the second row of its integral, by Sylvester's formula."""
        a = self._g1 / self._block_j_per_k
        b = self._g1 / self._sink_j_per_k
        c = self._g2 / self._sink_j_per_k
        total = a + b + c
        fast = -(total + math.sqrt(total * total - 4.0 * a * c)) / 2.0
        slow = a * c / fast  # from the product of the roots: their difference would cancel
        apart = slow - fast
        e_slow = math.exp(slow * h_s) / apart
        e_fast = math.exp(fast * h_s) / apart
        i_slow = math.expm1(slow * h_s) / slow / apart
        i_fast = math.expm1(fast * h_s) / fast / apart
        self._p11 = e_slow * (-a - fast) - e_fast * (-a - slow)
        self._p12 = (e_slow - e_fast) * a
        self._p21 = (e_slow - e_fast) * b
        self._p22 = e_slow * (-b - c - fast) - e_fast * (-b - c - slow)
        self._i1 = (i_slow - i_fast) * b
        self._i2 = i_slow * (-b - c - fast) - i_fast * (-b - c - slow)
        self._h_s = h_s
