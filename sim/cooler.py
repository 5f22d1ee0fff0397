"""What every cooler has: die, spreader, paste, load, the air of the case, time and books.

Owns the nodes at both ends of a cooler and what their numbers mean; liquid_cooler.py and heat_sink.py put their own in
between. Knows no fan, pump, fluid or exchanger: flows come in as capacity rates, exchangers as conductances and
effectivenesses.

    die - spreader - paste - (cooler) - case - ambient, and die - ambient past all that
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

from sim.convection import StillAir
from sim.load import Load, LoadParameters
from sim.network import Network
from sim.wiring import Wiring

#: The paste follows its settling in steps of this share [1].
_PASTE_STEP = 2e-4
#: What goes from the metal to the air follows natural convection in steps of this share [1].
_STILL_STEP = 1e-3


@dataclass(frozen=True)
class Paste:
    """The paste of one mount. It settles in service: R = k_per_w (1 - settles (1 - exp(-h/settle_h))).

    h counts the hours in which the spreader is above hot_c. The form is invented; tens of per cent over hours of
    heat cycles are common practice, no source.
    """

    k_per_w: float = 0.05
    """Resistance of this mount before it settles, above 0 [K/W]."""
    settles: float = 0.2
    """Share of it that goes in the end, 0 to below 1 [1]."""
    settle_h: float = 4.0
    """Time constant, in hours of heat, above 0 [h]."""
    hot_c: float = 45.0
    """Spreader temperature above which an hour counts [degC]."""

    def after_k_per_w(self, hot_h: float) -> float:
        """Resistance after some hours of heat [K/W]. Valid from 0 on.

        Args:
            hot_h: hours above hot_c [h]

        >>> [round(Paste().after_k_per_w(hot_h), 5) for hot_h in (0.0, 4.0, 100.0)]
        [0.05, 0.04368, 0.04]
        """
        return self.k_per_w * (1.0 + self.settles * math.expm1(-hot_h / self.settle_h))


@dataclass(frozen=True)
class HeatPath:
    """From the die to the cooler, the same for both kinds. Defaults are plausible; invented."""

    die_j_per_k: float = 12.0
    """Heat capacity of the die [J/K]."""
    spreader_j_per_k: float = 48.0
    """Heat capacity of the spreader [J/K]."""
    die_k_per_w: float = 0.03
    """Resistance from die to spreader, above 0 [K/W]."""
    paste: Paste = field(default_factory=Paste)
    side_w_per_k: float = 0.05
    """Loss from the die to ambient past the cooler; the meter counts it as power [W/K]."""


@dataclass(frozen=True)
class Case:
    """The closed case with its slow air and walls, which the cooler breathes. Defaults are plausible; invented."""

    j_per_k: float = 220_000.0
    """Heat capacity [J/K]; over w_per_k it gives the slow time constant of a bench, about 1000 s."""
    w_per_k: float = 220.0
    """What it passes on to ambient [W/K]."""


@dataclass(frozen=True)
class Energy:
    """Heat since the start: in_j = stored_j + cooler_j + side_j, each from its own book."""

    in_j: float
    """Of the load [J]."""
    stored_j: float
    """In all nodes, the case too, above the start [J]."""
    cooler_j: float
    """Through the cooler and the case to ambient [J]."""
    side_j: float
    """From the die to ambient, past the cooler [J]."""


class Cooler:
    """What both kinds have in common: load, paste, the air of the case, time, books. Made by its subclasses only."""

    _METAL: ClassVar[str]
    """The node that warms the air."""
    _FIRST: ClassVar[str]
    """The node under the paste."""
    _ALIASES: Mapping[str, str]

    def _begin(
        self,
        path: HeatPath,
        case: Case,
        load: LoadParameters,
        spread_k_per_w: float,
        still: StillAir,
        wiring: Wiring,
        start_c: float,
    ) -> None:
        wiring.conduct("die", "die", "spreader", 1.0 / path.die_k_per_w)
        wiring.conduct("side", "die", "side", path.side_w_per_k)
        wiring.conduct("paste", "spreader", self._FIRST, 0.0)
        wiring.conduct("air", self._METAL, "case", 0.0)
        wiring.conduct("case", "case", "ambient", case.w_per_k)
        self.load = Load(load)
        """What heats the die; its counters and its limit are there."""
        self._hot_h = 0.0
        self._path = path
        self._spread_k_per_w = spread_k_per_w
        self._still = still
        self._air_w_per_k = 0.0
        self._network = Network(wiring, {"ambient": start_c, "side": start_c}, start_c)
        self._numbers: tuple[float, ...] | None = None
        self._paste_k_per_w = self._paste_factor = 0.0
        self._hook: Callable[[], None] | None = None
        self._forced_w_per_k = self._inlet_k_per_w = self._exhaust_k_per_w = 0.0

    @property
    def t_s(self) -> float:
        """Time since the mount [s]."""
        return self._network.t_s

    @property
    def power_w(self) -> float:
        """What the load draws now, which is what an ideal meter reads [W]."""
        return self._network.heat_w("load")

    @property
    def hot_h(self) -> float:
        """Hours of heat that the paste has had [h]; set it for one that is settled."""
        return self._hot_h

    @hot_h.setter
    def hot_h(self, hot_h: float) -> None:
        self._hot_h = hot_h
        self._settle()

    def advance_to(self, t_s: float, at_grid: Callable[[], None] | None = None) -> None:
        """Go on to a time. `at_grid` is called at each whole second that time leaves; it may call `refresh`.

        After it, at the same whole second, the cooler sees to its load, its paste and its heat pipes. Raises
        ValueError for a time that goes back.

        Args:
            t_s: time since the mount [s]
            at_grid: refreshes for the second to come [no unit]

        >>> from sim.heat_sink import HeatSink, Sink
        >>> cooler = HeatSink(HeatPath(), Sink(), Case(), LoadParameters(lag_s=0.0), start_c=23.0)
        >>> breeze = {"effectiveness": 0.7, "air_w_per_k": 20.0, "recirculated": 0.05}
        >>> cooler.advance_to(10.0, lambda: cooler.refresh(ambient_c=23.0, set_w=120.0, **breeze))
        >>> 1190.0 < cooler.energy().in_j < 1200.0
        True
        """
        self._hook = at_grid
        self._network.advance_to(t_s, self._at_grid)

    def temperature_c(self, name: str) -> float:
        """A temperature now [degC]: a node, `hot_tube` or `cold_tube` where it ends, `ambient`, `inlet`, `exhaust`.

        `inlet` is the air that the fins get, case air and what comes back of the exhaust; `exhaust` what they give,
        without any fan the same. Raises KeyError for a name that is not there.

        Args:
            name: of the temperature [no unit]
        """
        network = self._network
        if name == "ambient":
            return network.outside_c("ambient")
        if name in ("inlet", "exhaust"):
            return self._air_c(name, network.temperature_c(self._METAL), network.temperature_c("case"))
        return network.temperature_c(self._ALIASES.get(name, name))

    def energy(self) -> Energy:
        """The books since the start [J]."""
        network = self._network
        return Energy(
            in_j=network.put_in_j("load"),
            stored_j=network.stored_j(),
            cooler_j=network.given_off_j("ambient"),
            side_j=network.given_off_j("side"),
        )

    def steady_state(self) -> dict[str, float]:
        """Where all temperatures would end as things are set, unthrottled, paste as it is [degC]; changes nothing.

        For a heat sink beyond the limit of its heat pipes it is iterated; raises ValueError when that comes to no end.
        """
        ends_c = self._steady_c()
        ends_c |= {alias: ends_c[node] for alias, node in self._ALIASES.items()}
        for name in ("inlet", "exhaust"):
            ends_c[name] = self._air_c(name, ends_c[self._METAL], ends_c["case"])
        ends_c["ambient"] = self._network.outside_c("ambient")
        return ends_c

    def _steady_c(self) -> dict[str, float]:
        return self._network.steady_c(heats={"load": self.load.settled_heat()})

    def _air_c(self, name: str, metal_c: float, case_c: float) -> float:
        heat_w = self._forced_w_per_k * (metal_c - case_c)
        return case_c + heat_w * (self._inlet_k_per_w if name == "inlet" else self._exhaust_k_per_w)

    def _surround(self, ambient_c: float, set_w: float, paste_factor: float) -> None:
        self._network.set_outside("ambient", ambient_c)
        self._network.set_outside("side", ambient_c)
        self.load.set_w = set_w
        if paste_factor != self._paste_factor:
            self._paste_factor = paste_factor
            self._settle()

    def _breathe(self, metal_k_per_w: float, air_w_per_k: float, recirculated: float) -> None:
        """From the metal to case air, in series with the exhaust that comes back, and with natural convection.

        T_inlet - T_case = r (T_exhaust - T_case) and T_exhaust = T_inlet + Q / C give with k = r / (1 - r)
        T_inlet = T_case + k Q / C. Forced and natural convection go together as the cube root of the sum of cubes
        (Incropera, Fundamentals of Heat and Mass Transfer, section 9.9; cited from memory).
        """
        if not 0 <= recirculated < 1:
            raise ValueError(f"recirculated must be 0 to below 1, got {recirculated}")
        if not air_w_per_k >= 0:
            raise ValueError(f"air_w_per_k must be 0 or more, got {air_w_per_k}")
        if air_w_per_k > 0 and metal_k_per_w < math.inf:
            self._inlet_k_per_w = recirculated / (1.0 - recirculated) / air_w_per_k
            self._exhaust_k_per_w = self._inlet_k_per_w + 1.0 / air_w_per_k
            self._forced_w_per_k = 1.0 / (metal_k_per_w + self._inlet_k_per_w)
        else:
            self._forced_w_per_k = self._inlet_k_per_w = self._exhaust_k_per_w = 0.0
        self._blow()

    def _blow(self) -> None:
        """Forced and natural convection together; natural convection follows the temperature of the metal."""
        network = self._network
        natural_w_per_k = self._still.w_per_k(network.temperature_c(self._METAL) - network.temperature_c("case"))
        w_per_k = math.cbrt(self._forced_w_per_k**3 + natural_w_per_k**3)
        if abs(w_per_k - self._air_w_per_k) > _STILL_STEP * w_per_k:
            self._air_w_per_k = w_per_k
            network.set_link("air", w_per_k)

    def _settle(self) -> None:
        k_per_w = self._path.paste.after_k_per_w(self._hot_h) * self._paste_factor
        if abs(k_per_w - self._paste_k_per_w) > _PASTE_STEP * self._paste_k_per_w:
            self._paste_k_per_w = k_per_w
            self._network.set_link("paste", 1.0 / (k_per_w + self._spread_k_per_w))

    def _at_grid(self) -> None:
        if self._hook is not None:
            self._hook()
        network, load = self._network, self.load
        if network.temperature_c("spreader") > self._path.paste.hot_c:
            self._hot_h += 1.0 / 3600.0
            self._settle()
        self._adapt()
        self._blow()
        load.feel(network.temperature_c("die"))
        network.set_heat("load", load.next_heat())
        if load.could_throttle(network.temperature_c("die"), self._path.die_j_per_k):
            network.set_heat("load", load.throttle(network.needed_heat_w("load", "die", load.limit_c)))

    def _adapt(self) -> None:
        """What else follows the state at a whole second."""
