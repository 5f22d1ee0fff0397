"""A liquid loop as a thermal network.

Owns its nodes, and how flows and effectivenesses become conductances between well mixed cells. Knows no pump, fan or
exchanger: their numbers come in by `refresh`.

    paste - plate - its coolant > hot tube > radiator's coolant > cold tube > reservoir and pump block > its coolant
                                             radiator's coolant - radiator - case
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sim.convection import StillAir
from sim.cooler import Case, Cooler, HeatPath
from sim.load import LoadParameters
from sim.wiring import Wiring

#: Outlet of an exchanger no nearer to the other side than exp(-7), one part in a thousand [1].
_MOST_NTU = 7.0
#: A radiator's resistance, seen from its outlet, is at least this share of 1/C: the same part in a thousand [1].
_LEAST_SHARE = 1e-3


@dataclass(frozen=True)
class Loop:
    """A liquid loop. Defaults are plausible for a radiator of two 120 mm fans; invented."""

    plate_j_per_k: float = 150.0
    """Heat capacity of the cold plate's metal [J/K]."""
    spread_k_per_w: float = 0.02
    """Resistance of spreading in the cold plate, in series with the paste [K/W]."""
    plate_m3: float = 8e-6
    """Coolant in the cold plate [m3]."""
    tube_m3: float = 30e-6
    """Coolant in each of the two tubes [m3]."""
    tube_cells: int = 2
    """Cells of each tube: n of them spread a front over 1/sqrt(n) of the delay [1]."""
    radiator_m3: float = 120e-6
    """Coolant in the radiator [m3]."""
    radiator_j_per_k: float = 540.0
    """Heat capacity of the radiator's metal [J/K]; 0.6 kg of aluminium."""
    inside_k_per_w: float = 0.004
    """Resistance from the coolant to the radiator's metal [K/W]; at most half of the radiator's whole is taken."""
    still: StillAir = field(default_factory=lambda: StillAir(0.1))
    """From the radiator to the air of the case without any fan."""
    reservoir_m3: float = 40e-6
    """Coolant in reservoir and pump block [m3]."""
    reservoir_j_per_k: float = 150.0
    """Heat capacity of their solid parts [J/K]."""
    coolant_j_per_m3_k: float = 3.96e6
    """Heat capacity of the coolant [J/(m3 K)]; 30 % propylene glycol at 40 degC, CoolProp 8.0.0: 1013.43 x 3910.42."""


def outlet_w_per_k(stream_w_per_k: float, wall_w_per_k: float) -> float:
    """Conductance from a wall of one temperature to a stream's outlet temperature [W/K]: C (exp(UA/C) - 1).

    With it a well mixed cell gets what the stream along the wall gets, C (1 - exp(-UA/C)) (T_wall - T_inlet) (Kays
    and London, Compact Heat Exchangers, capacity ratio 0; cited from memory). Without a stream it is UA.

    Args:
        stream_w_per_k: capacity rate C, 0 or more [W/K]
        wall_w_per_k: UA, 0 or more [W/K]

    >>> round(outlet_w_per_k(70.0, 60.0), 3), outlet_w_per_k(0.0, 60.0)
    (94.949, 60.0)
    """
    if stream_w_per_k <= 0:
        return wall_w_per_k
    return max(wall_w_per_k, stream_w_per_k * math.expm1(min(wall_w_per_k / stream_w_per_k, _MOST_NTU)))


class LiquidCooler(Cooler):
    """A liquid loop from its mount on, everything at one temperature, nothing flowing until `refresh` says so.

    Args:
        path: from the die to the paste [no unit]
        loop: the loop itself [no unit]
        case: what the radiator breathes [no unit]
        load: what heats [no unit]
        start_c: temperature of everything at first [degC]

    >>> cooler = LiquidCooler(HeatPath(), Loop(), Case(), LoadParameters(), start_c=23.0)
    >>> cooler.refresh(
    ...     ambient_c=23.0, set_w=200.0, coolant_w_per_k=65.0, plate_w_per_k=40.0,
    ...     effectiveness=0.55, smaller_w_per_k=40.0, air_w_per_k=40.0, recirculated=0.1,
    ... )
    >>> cooler.advance_to(3 * 3600.0)
    >>> round(cooler.temperature_c("die"), 1), round(cooler.temperature_c("cold_tube"), 1)
    (55.8, 30.4)
    """

    _METAL = "radiator"
    _FIRST = "plate"

    def __init__(self, path: HeatPath, loop: Loop, case: Case, load: LoadParameters, start_c: float) -> None:
        per_m3 = loop.coolant_j_per_m3_k
        hot, cold = ([f"{tube} tube {n + 1}" for n in range(loop.tube_cells)] for tube in ("hot", "cold"))
        nodes = {
            "die": path.die_j_per_k,
            "spreader": path.spreader_j_per_k,
            "plate": loop.plate_j_per_k,
            "plate_coolant": loop.plate_m3 * per_m3,
            **dict.fromkeys([*hot, *cold], loop.tube_m3 * per_m3 / loop.tube_cells),
            "radiator_coolant": loop.radiator_m3 * per_m3,
            "radiator": loop.radiator_j_per_k,
            "reservoir": loop.reservoir_j_per_k + loop.reservoir_m3 * per_m3,
            "case": case.j_per_k,
        }
        wiring = Wiring(nodes, ["ambient", "side"], {"load": "die"})
        wiring.conduct("plate", "plate", "plate_coolant", 0.0)
        wiring.conduct("inside", "radiator_coolant", "radiator", 1.0 / loop.inside_k_per_w)
        wiring.carry("loop", ["plate_coolant", *hot, "radiator_coolant", *cold, "reservoir", "plate_coolant"], 0.0)
        self._ALIASES = {"hot_tube": hot[-1], "cold_tube": cold[-1]}
        self._loop = loop
        self._begin(path, case, load, loop.spread_k_per_w, loop.still, wiring, start_c)
        self._surround(start_c, 0.0, 1.0)

    def refresh(
        self,
        *,
        ambient_c: float,
        set_w: float,
        coolant_w_per_k: float,
        plate_w_per_k: float,
        effectiveness: float,
        smaller_w_per_k: float,
        air_w_per_k: float,
        recirculated: float,
        paste_factor: float = 1.0,
    ) -> None:
        """Set everything for the seconds to come; what is as it was costs nothing.

        Meant for `at_grid` of `advance_to`, and once before the first. The radiator gives Q = effectiveness smaller
        (T_coolant in - T_inlet) in the steady state, exactly, because its cell, which is at the outlet temperature, is
        coupled by 1 / (1 / (effectiveness smaller) - 1 / C). With the coolant at rest only natural convection cools
        the radiator. Raises ValueError for a number outside its range.

        Args:
            ambient_c: of the room [degC]
            set_w: setpoint of the load [W]
            coolant_w_per_k: capacity rate C of the coolant, 0 or more [W/K]
            plate_w_per_k: UA from the plate's metal to its coolant at that flow, 0 or more [W/K]
            effectiveness: of the radiator, coolant in to air in, 0 to 1 [1]
            smaller_w_per_k: the smaller of the two capacity rates [W/K]
            air_w_per_k: capacity rate of the air through the radiator, 0 or more [W/K]
            recirculated: share of the exhaust in what the radiator breathes, 0 to below 1 [1]
            paste_factor: resistance of the paste over what it should be; above 1 when pumped out [1]

        >>> cooler = LiquidCooler(HeatPath(), Loop(), Case(), LoadParameters(), start_c=23.0)
        >>> cooler.refresh(
        ...     ambient_c=20.0, set_w=200.0, coolant_w_per_k=65.0, plate_w_per_k=40.0,
        ...     effectiveness=0.5, smaller_w_per_k=40.0, air_w_per_k=40.0, recirculated=0.0,
        ... )
        >>> ends_c = cooler.steady_state()
        >>> round(ends_c["hot_tube"] - ends_c["cold_tube"], 3)
        3.047
        """
        self._surround(ambient_c, set_w, paste_factor)
        numbers = (coolant_w_per_k, plate_w_per_k, effectiveness, smaller_w_per_k, air_w_per_k, recirculated)
        if numbers == self._numbers:
            return
        if not 0 <= effectiveness <= 1:
            raise ValueError(f"effectiveness must be 0 to 1, got {effectiveness}")
        loop, network = self._loop, self._network
        network.set_link("loop", coolant_w_per_k)
        network.set_link("plate", outlet_w_per_k(coolant_w_per_k, plate_w_per_k))
        passed_w_per_k = effectiveness * smaller_w_per_k
        inside_k_per_w, metal_k_per_w = loop.inside_k_per_w, math.inf
        if passed_w_per_k > 0 and coolant_w_per_k > 0:
            whole_k_per_w = max(1.0 / passed_w_per_k - 1.0 / coolant_w_per_k, _LEAST_SHARE / coolant_w_per_k)
            inside_k_per_w = min(inside_k_per_w, 0.5 * whole_k_per_w)
            metal_k_per_w = whole_k_per_w - inside_k_per_w
        network.set_link("inside", 1.0 / inside_k_per_w)
        self._breathe(metal_k_per_w, air_w_per_k, recirculated)
        self._numbers = numbers
