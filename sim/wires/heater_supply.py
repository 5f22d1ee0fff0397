"""The supply that feeds the load: what it is told, what it lets through, and what it does when nobody speaks to it.

Like a careful real one it opens its output by itself when it has heard nothing for its communication time-out, and
stays off until it is told again to heat. Pure computation: it is told the time. Knows no protocol, and not what the
load makes of the watts (sim/load.py has its lag and its error).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

from sim.supply import Supply


class SupplyState(IntEnum):
    """What it says of itself; the numbers are those of its state register."""

    OFF = 0
    ON = 1
    SILENCE = 2
    """Off, because nobody spoke to it for the communication time-out."""


@dataclass(frozen=True)
class SupplyLimits:
    """What it can do: the table [supply] of a station. Raises ValueError for what makes no sense."""

    max_w: float = 300.0
    """The most that it can be told to give [W]; above that it refuses."""
    max_v: float = 60.0
    """The same in volts [V]."""
    max_a: float = 10.0
    """The same in amperes [A]."""
    silence_s: float = 3.0
    """Communication time-out [s], in real seconds at every speed; a master may change it."""
    shortest_silence_s: float = 0.5
    """The shortest communication time-out that it takes [s]."""
    longest_silence_s: float = 60.0
    """The longest; it cannot be switched off [s]."""

    def __post_init__(self) -> None:
        for name in ("max_w", "max_v", "max_a"):
            if not 0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} of the supply must be above 0, got {getattr(self, name)}")
        if not 0 < self.shortest_silence_s <= self.silence_s <= self.longest_silence_s < math.inf:
            raise ValueError(
                "silence_s of the supply must lie between shortest_silence_s and longest_silence_s, both above 0"
            )


class HeaterSupply:
    """A supply under way, output off. All times are one steady clock's, whatever its zero.

    It holds watts (power mode) or volts, whichever it was told last, and never more amperes than its limit:

        P = min(P_set, P(U_max), P(I_set))   or   P = min(P_max, P(U_set), P(I_set))

    with P(U) = U^2/R and P(I) = R I^2 at a heater (Ohm and Joule), P(I) = U I at a rail, whose volts are fixed.

    Args:
        limits: what it can do [each its own]
        load: what hangs on it [each its own]
        now_s: the time at which it is switched on [s]

    >>> supply = HeaterSupply(SupplyLimits(silence_s=3.0), Supply(ohm=8.0), now_s=0.0)
    >>> supply.heat(200.0)
    >>> supply.watts, supply.state.name
    (200.0, 'ON')
    >>> supply.falls_silent_by(3.1), supply.watts, supply.state.name
    (True, 0.0, 'SILENCE')
    """

    def __init__(self, limits: SupplyLimits, load: Supply, now_s: float) -> None:
        self.limits = limits
        self.set_w = 0.0
        """Watts that it was told to hold [W]."""
        self.set_v = 0.0
        """Volts that it was told to hold [V]."""
        self.set_a = limits.max_a
        """The most amperes [A]."""
        self.cap_w = limits.max_w
        """A limit on top of all others, for a load that limits itself [W]."""
        self.silence_s = limits.silence_s
        """Communication time-out [s]."""
        self._load = load
        self._holds_watts = True
        self._on = False
        self._fell_silent = False
        self._heard_s = now_s

    @property
    def state(self) -> SupplyState:
        """Off, on, or off because nobody spoke to it."""
        if self._fell_silent:
            return SupplyState.SILENCE
        return SupplyState.ON if self._on else SupplyState.OFF

    @property
    def watts(self) -> float:
        """What it lets through now [W]."""
        if not self._on:
            return 0.0
        load, ohm = self._load, self._load.ohm
        by_current_w = self.set_a**2 * ohm if ohm else self.set_a * load.volts
        set_v = self.limits.max_v if self._holds_watts else self.set_v
        by_voltage_w = set_v**2 / ohm if ohm else math.inf
        by_power_w = self.set_w if self._holds_watts else self.limits.max_w
        return min(by_power_w, by_voltage_w, by_current_w, self.cap_w)

    @property
    def silent_from_s(self) -> float:
        """When it will open its output if it hears nothing more [s]; infinite while it is open."""
        return self._heard_s + self.silence_s if self._on else math.inf

    def hear(self, now_s: float) -> None:
        """Somebody has spoken to it: the communication time-out begins anew.

        Args:
            now_s: the time now [s]

        >>> supply = HeaterSupply(SupplyLimits(silence_s=3.0), Supply(ohm=8.0), now_s=0.0)
        >>> supply.heat(100.0)
        >>> supply.hear(2.0)
        >>> supply.falls_silent_by(4.0), supply.falls_silent_by(5.1)
        (False, True)
        """
        self._heard_s = now_s

    def falls_silent_by(self, now_s: float) -> bool:
        """Whether the communication time-out has run out, in which case the output is open now.

        Args:
            now_s: the time now [s]

        >>> HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0).falls_silent_by(100.0)  # it did not heat
        False
        """
        if now_s <= self.silent_from_s:
            return False
        self._on = False
        self._fell_silent = True
        self.set_w = self.set_v = 0.0
        return True

    def heat(self, watts: float) -> None:
        """Take a setpoint of a load that has no switch: watts, and on unless they are 0.

        Args:
            watts: 0 to `max_w` [W]; else ValueError, and nothing changes

        >>> supply = HeaterSupply(SupplyLimits(max_w=300.0), Supply(ohm=8.0), now_s=0.0)
        >>> supply.heat(301.0)
        Traceback (most recent call last):
        ValueError: the supply gives 0 to 300 W, not 301
        """
        self.hold_watts(watts)
        self.switch(float(watts > 0))

    def hold_watts(self, watts: float) -> None:
        """Hold watts from now on.

        Args:
            watts: 0 to `max_w` [W]; else ValueError, and nothing changes

        >>> HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0).hold_watts(200.0)
        """
        self.set_w = _within(watts, self.limits.max_w, "W")
        self._holds_watts = True

    def hold_volts(self, volts: float) -> None:
        """Hold volts from now on.

        Args:
            volts: 0 to `max_v` [V]; else ValueError, and nothing changes

        >>> supply = HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0)
        >>> supply.hold_volts(40.0)
        >>> supply.switch(1.0)
        >>> supply.watts
        200.0
        """
        if not self._load.ohm:
            raise ValueError("the volts of this supply are fixed")
        self.set_v = _within(volts, self.limits.max_v, "V")
        self._holds_watts = False

    def limit_amperes(self, amperes: float) -> None:
        """Give no more than so many amperes from now on.

        Args:
            amperes: 0 to `max_a` [A]; else ValueError, and nothing changes

        >>> supply = HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0)
        >>> supply.heat(200.0)
        >>> supply.limit_amperes(2.0)
        >>> supply.watts
        32.0
        """
        self.set_a = _within(amperes, self.limits.max_a, "A")

    def cap_watts(self, watts: float) -> None:
        """Never more than so many watts, whatever else it is told.

        Args:
            watts: above 0 [W]; else ValueError, and nothing changes

        >>> supply = HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0)
        >>> supply.heat(200.0)
        >>> supply.cap_watts(65.0)
        >>> supply.watts
        65.0
        """
        if not watts > 0:
            raise ValueError(f"a limit of power must be above 0 W, got {watts:g}")
        self.cap_w = watts

    def switch(self, on: float) -> None:
        """Open or close the output.

        Args:
            on: 1 closes it, 0 opens it [1]; else ValueError, and nothing changes

        >>> HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0).switch(0.0)
        """
        if on not in (0, 1):
            raise ValueError(f"an output is on, 1, or off, 0, not {on:g}")
        self._on = bool(on)
        self._fell_silent = False

    def set_silence(self, silence_s: float) -> None:
        """Take another communication time-out.

        Args:
            silence_s: after so long without a word it opens its output [s]; within its limits, else ValueError, and
                nothing changes

        >>> HeaterSupply(SupplyLimits(), Supply(ohm=8.0), now_s=0.0).set_silence(0.0)
        Traceback (most recent call last):
        ValueError: the communication time-out must be 0.5 to 60 s, got 0
        """
        low_s, high_s = self.limits.shortest_silence_s, self.limits.longest_silence_s
        if not low_s <= silence_s <= high_s:
            raise ValueError(f"the communication time-out must be {low_s:g} to {high_s:g} s, got {silence_s:g}")
        self.silence_s = silence_s


def _within(value: float, most: float, unit: str) -> float:
    if not 0 <= value <= most:
        raise ValueError(f"the supply gives 0 to {most:g} {unit}, not {value:g}")
    return value
