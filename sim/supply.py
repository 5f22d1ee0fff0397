"""What the supply of a load gives at so many watts: a resistance takes volts and amperes, a rail amperes only.

Owns the way from watts to volts and amperes, and back. Knows no time and no load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Supply:
    """A supply and what hangs on it: a resistance, or a rail of fixed voltage. Raises ValueError for both or neither.

    >>> heater, rail = Supply(ohm=8.0), Supply(volts=12.0)
    >>> heater.voltage_v(200.0), heater.current_a(200.0), rail.voltage_v(240.0), rail.current_a(240.0)
    (40.0, 5.0, 12.0, 20.0)
    """

    ohm: float = 0.0
    """Of a heater, above 0; 0 for a rail [ohm]."""
    volts: float = 0.0
    """Of a rail, above 0; 0 for a heater [V]."""

    def __post_init__(self) -> None:
        if (self.ohm > 0) == (self.volts > 0):
            raise ValueError("a supply has either a resistance, ohm, or a rail, volts, above 0")

    def voltage_v(self, power_w: float) -> float:
        """Voltage [V]: sqrt(P R) over a resistance (Ohm and Joule), else that of the rail.

        Valid from 0 on.

        Args:
            power_w: what the load takes [W]

        >>> Supply(ohm=2.0).voltage_v(50.0)
        10.0
        """
        return math.sqrt(power_w * self.ohm) if self.ohm else self.volts

    def current_a(self, power_w: float) -> float:
        """Current [A]: sqrt(P / R) through a resistance, P / U from a rail.

        Valid from 0 on.

        Args:
            power_w: what the load takes [W]

        >>> Supply(ohm=2.0).current_a(50.0)
        5.0
        """
        return math.sqrt(power_w / self.ohm) if self.ohm else power_w / self.volts
