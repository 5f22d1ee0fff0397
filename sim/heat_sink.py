"""A heat sink with heat pipes as a thermal network.

Owns its nodes and the limit of its heat pipes. Knows no fan or fin: their numbers come in by `refresh`.

    paste - base - heat pipes - fins - case
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sim.convection import StillAir
from sim.cooler import Case, Cooler, HeatPath
from sim.load import LoadParameters
from sim.wiring import Wiring

#: Heat pipes follow their load in steps of this share [1].
_STEP = 1e-3
#: Sharpness of the limit of heat pipes; invented [1].
_POWER = 8
#: How often the steady state is put into itself, and when it has come to an end [1], [K].
_MOST_TURNS = 2000
_END_K = 1e-10


@dataclass(frozen=True)
class Sink:
    """A heat sink. Defaults are plausible for a tower of six heat pipes; invented."""

    base_j_per_k: float = 130.0
    """Heat capacity of base and heat pipes [J/K]."""
    spread_k_per_w: float = 0.02
    """Resistance of spreading in the base, in series with the paste [K/W]."""
    fins_j_per_k: float = 620.0
    """Heat capacity of the fins [J/K]."""
    solid_w_per_k: float = 2.0
    """From base to fins through metal alone [W/K]."""
    pipes_w_per_k: float = 25.0
    """What the heat pipes add to it far below their limit [W/K]."""
    pipes_max_w: float = 240.0
    """Most that they carry: beyond it they dry out, softly [W]."""
    still: StillAir = field(default_factory=lambda: StillAir(0.16))
    """From the fins to the air of the case without any fan."""


def pipes_w_per_k(full_w_per_k: float, max_w: float, drop_k: float) -> float:
    """Conductance of heat pipes with a dry-out limit [W/K]: G / (1 + (G dT / q_max)^8)^(1/8).

    Far below the limit G, far beyond it q_max / dT: what they carry rises to q_max and stays there, so that one
    temperature belongs to one heat. That there is such a (capillary) limit: Faghri, Heat Pipe Science and Technology
    (cited from memory); the form is invented.

    Args:
        full_w_per_k: G, 0 or more [W/K]
        max_w: q_max, above 0 [W]
        drop_k: dT from base to fins [K]

    >>> [round(drop_k * pipes_w_per_k(25.0, 240.0, drop_k), 1) for drop_k in (4.0, 8.0, 9.6, 20.0)]
    [100.0, 194.8, 220.1, 239.9]
    """
    asked = full_w_per_k * abs(drop_k) / max_w
    return float(full_w_per_k * (1.0 + asked**_POWER) ** (-1.0 / _POWER))


class HeatSink(Cooler):
    """A heat sink from its mount on, everything at one temperature, no air moving until `refresh` says so.

    Args:
        path: from the die to the paste [no unit]
        sink: the heat sink itself [no unit]
        case: what the fins breathe [no unit]
        load: what heats [no unit]
        start_c: temperature of everything at first [degC]

    >>> cooler = HeatSink(HeatPath(), Sink(), Case(), LoadParameters(), start_c=23.0)
    >>> cooler.refresh(ambient_c=23.0, set_w=120.0, effectiveness=0.7, air_w_per_k=20.0, recirculated=0.05)
    >>> cooler.advance_to(3 * 3600.0)
    >>> round(cooler.temperature_c("die"), 1), round(cooler.temperature_c("fins"), 1)
    (48.5, 32.3)
    """

    _METAL = "fins"
    _FIRST = "base"

    def __init__(self, path: HeatPath, sink: Sink, case: Case, load: LoadParameters, start_c: float) -> None:
        nodes = {
            "die": path.die_j_per_k,
            "spreader": path.spreader_j_per_k,
            "base": sink.base_j_per_k,
            "fins": sink.fins_j_per_k,
            "case": case.j_per_k,
        }
        wiring = Wiring(nodes, ["ambient", "side"], {"load": "die"})
        self._pipes_w_per_k = sink.pipes_w_per_k
        wiring.conduct("pipes", "base", "fins", sink.solid_w_per_k + sink.pipes_w_per_k)
        self._ALIASES = {}
        self._sink = sink
        self._begin(path, case, load, sink.spread_k_per_w, sink.still, wiring, start_c)
        self._surround(start_c, 0.0, 1.0)

    def refresh(
        self,
        *,
        ambient_c: float,
        set_w: float,
        effectiveness: float,
        air_w_per_k: float,
        recirculated: float,
        paste_factor: float = 1.0,
    ) -> None:
        """Set everything for the seconds to come; what is as it was costs nothing.

        Meant for `at_grid` of `advance_to`, and once before the first. The fins, of one temperature, give
        Q = effectiveness air (T_fins - T_inlet). Raises ValueError for a number outside its
        range.

        Args:
            ambient_c: of the room [degC]
            set_w: setpoint of the load [W]
            effectiveness: of the fins, 1 - exp(-NTU), 0 to 1 [1]
            air_w_per_k: capacity rate of the air through the fins, 0 or more [W/K]
            recirculated: share of the exhaust in what the fins breathe, 0 to below 1 [1]
            paste_factor: resistance of the paste over what it should be; above 1 when pumped out [1]

        >>> path, load = HeatPath(side_w_per_k=0.0), LoadParameters(growth_per_k=0.0)
        >>> cooler = HeatSink(path, Sink(), Case(), load, start_c=23.0)
        >>> cooler.refresh(ambient_c=20.0, set_w=120.0, effectiveness=0.7, air_w_per_k=20.0, recirculated=0.0)
        >>> round(cooler.steady_state()["case"], 6)
        20.545455
        """
        self._surround(ambient_c, set_w, paste_factor)
        numbers = (effectiveness, air_w_per_k, recirculated)
        if numbers == self._numbers:
            return
        if not 0 <= effectiveness <= 1:
            raise ValueError(f"effectiveness must be 0 to 1, got {effectiveness}")
        passed_w_per_k = effectiveness * air_w_per_k
        fins_k_per_w = 1.0 / passed_w_per_k if passed_w_per_k > 0 else math.inf
        self._breathe(fins_k_per_w, air_w_per_k, recirculated)
        self._numbers = numbers

    def _pipes(self, drop_k: float) -> float:
        return pipes_w_per_k(self._sink.pipes_w_per_k, self._sink.pipes_max_w, drop_k)

    def _adapt(self) -> None:
        drop_k = self._network.temperature_c("base") - self._network.temperature_c("fins")
        w_per_k = self._pipes(drop_k)
        if abs(w_per_k - self._pipes_w_per_k) > _STEP * self._pipes_w_per_k:
            self._pipes_w_per_k = w_per_k
            self._network.set_link("pipes", self._sink.solid_w_per_k + w_per_k)

    def _steady_c(self) -> dict[str, float]:
        heats, drop_k = {"load": self.load.settled_heat()}, 0.0
        for _ in range(_MOST_TURNS):
            links_w_per_k = {"pipes": self._sink.solid_w_per_k + self._pipes(drop_k)}
            ends_c = self._network.steady_c(links_w_per_k, heats)
            was_k, drop_k = drop_k, ends_c["base"] - ends_c["fins"]
            if abs(drop_k - was_k) < _END_K:
                return ends_c
        raise ValueError(f"the heat pipes come to no steady state at {self.load.target_w} W")
