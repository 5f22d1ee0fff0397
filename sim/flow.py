"""A fan or a pump against what resists it: the operating point, in closed form.

Owns the curve of a machine, the resistance of a path and where they meet. Knows no fan, pump, coolant or heat;
fans.py and pump.py say what the figures are.

Affinity laws (Q ~ N, dp ~ rho N^2, P ~ rho N^3) scale a machine's curve. The operating point follows them only
along dp ~ Q^2: a laminar part of the resistance, or a fixed lift, breaks them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple


class OperatingPoint(NamedTuple):
    """Where curve and resistance meet."""

    flow_m3_s: float
    """Flow of all machines together [m3/s]."""
    pressure_pa: float
    """What the path takes [Pa]."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Pressure of a machine over its flow at rated speed: dp = p_0 (1 - d q - (1 - d) q^2), q = Q / Q_0.

    The form is invented; it falls all the way, so there is one operating point: the dip of an axial fan that
    stalls is left out. Beyond Q_0 it is the machine that resists.
    """

    shut_off_pa: float
    """Pressure p_0 without flow [Pa]."""
    free_m3_s: float
    """Flow Q_0 without pressure [m3/s]."""
    density_kg_m3: float
    """Density at which this holds [kg/m3]."""
    droop: float
    """How steeply it falls at first, d, 0 to 1 [1]."""

    def pressure_pa(self, flow_m3_s: float, speed: float, density_kg_m3: float) -> float:
        """Pressure that one machine gives [Pa], by the affinity laws.

        Args:
            flow_m3_s: its flow, 0 or more [m3/s]
            speed: share of rated speed, 0 or more [1]
            density_kg_m3: density of what it moves [kg/m3]

        >>> curve = Curve(shut_off_pa=30.0, free_m3_s=0.03, density_kg_m3=1.2, droop=0.5)
        >>> [round(curve.pressure_pa(0.015 * speed, speed, 1.2), 2) for speed in (1.0, 0.5)]
        [18.75, 4.69]
        """
        q = flow_m3_s / self.free_m3_s
        shape = speed * speed - self.droop * speed * q - (1.0 - self.droop) * q * q
        return self.shut_off_pa * shape * density_kg_m3 / self.density_kg_m3


@dataclass(frozen=True, slots=True)
class Resistance:
    """Pressure that a path takes: dp = L Q + K Q^2, the laminar part with the viscosity, the other with the density."""

    linear_pa_s_m3: float
    """L, at `mu_pa_s` [Pa s/m3]."""
    quadratic_pa_s2_m6: float
    """K, at `density_kg_m3` [Pa s2/m6]."""
    density_kg_m3: float
    """Density at which K holds [kg/m3]."""
    mu_pa_s: float
    """Viscosity at which L holds [Pa s]."""

    @classmethod
    def through(
        cls, flow_m3_s: float, pressure_pa: float, laminar: float, density_kg_m3: float, mu_pa_s: float
    ) -> Resistance:
        """The resistance that takes a pressure at a flow.

        Args:
            flow_m3_s: the flow, above 0 [m3/s]
            pressure_pa: the pressure there [Pa]
            laminar: share of that pressure that goes with the flow and not with its square, 0 to 1 [1]
            density_kg_m3: density there [kg/m3]
            mu_pa_s: viscosity there [Pa s]

        >>> pack = Resistance.through(0.02, 10.0, 0.4, 1.2, 1.83e-5)
        >>> round(pack.pressure_pa(0.01, 1.2, 1.83e-5), 3)
        3.5
        """
        linear = laminar * pressure_pa / flow_m3_s
        return cls(linear, (1.0 - laminar) * pressure_pa / flow_m3_s**2, density_kg_m3, mu_pa_s)

    def pressure_pa(self, flow_m3_s: float, density_kg_m3: float, mu_pa_s: float) -> float:
        """Pressure that it takes [Pa].

        Args:
            flow_m3_s: the flow, 0 or more [m3/s]
            density_kg_m3: density of what flows [kg/m3]
            mu_pa_s: its viscosity [Pa s]

        >>> Resistance(100.0, 1e4, 1.2, 1.8e-5).pressure_pa(0.01, 1.2, 1.8e-5)
        2.0
        """
        linear = self.linear_pa_s_m3 * mu_pa_s / self.mu_pa_s
        quadratic = self.quadratic_pa_s2_m6 * density_kg_m3 / self.density_kg_m3
        return (linear + quadratic * flow_m3_s) * flow_m3_s

    def side_by_side(self, parts: float) -> Resistance:
        """So many of it side by side, each with its share of the flow: L / n, K / n^2. A part of it is n below 1.

        Args:
            parts: how many, above 0 [1]

        >>> Resistance(100.0, 1e4, 1.2, 1.8e-5).side_by_side(2).pressure_pa(0.02, 1.2, 1.8e-5)
        2.0
        """
        linear = self.linear_pa_s_m3 / parts
        return Resistance(linear, self.quadratic_pa_s2_m6 / parts**2, self.density_kg_m3, self.mu_pa_s)


def operating_point(
    curve: Curve,
    resistance: Resistance,
    speed: float,
    density_kg_m3: float,
    mu_pa_s: float,
    count: float = 1.0,
    head: float = 1.0,
) -> OperatingPoint:
    """Where machines side by side and the path that they blow through meet.

    Both curves are of second order in Q, so a Q^2 + b Q = c has its solution in closed form: a = K + (1 - d) p_0 / (n
    Q_0)^2, b = L + d p_0 N / (n Q_0), c = p_0 N^2 + lift, with p_0 and K in proportion to the density, L to the
    viscosity. Takes less than a microsecond, so nothing is tabulated. Never negative: no back-flow.

    Args:
        curve: one machine [no unit]
        resistance: the whole path of all of them [no unit]
        speed: share of rated speed, 0 or more [1]
        density_kg_m3: density of what flows [kg/m3]
        mu_pa_s: its viscosity [Pa s]
        count: how many machines side by side, above 0 [1]
        head: share of its pressure that a machine gives, below 1 with gas in a pump, 0 to 1 [1]

    >>> fan = Curve(shut_off_pa=30.0, free_m3_s=0.0306, density_kg_m3=1.2, droop=0.5)
    >>> pack = Resistance.through(0.0167, 17.0, 0.5, 1.2, 1.83e-5)
    >>> one = [operating_point(fan, pack, speed, 1.2, 1.83e-5).flow_m3_s for speed in (1.0, 0.5)]
    >>> [round(flow, 4) for flow in one]  # half the speed gives less than half the flow
    [0.0168, 0.007]
    >>> round(operating_point(fan, pack.side_by_side(3), 1.0, 1.2, 1.83e-5, count=3).flow_m3_s / one[0], 6)
    3.0
    """
    heavier = density_kg_m3 / resistance.density_kg_m3
    shut_off_pa = head * curve.shut_off_pa * density_kg_m3 / curve.density_kg_m3
    free_m3_s = curve.free_m3_s * count
    falls = shut_off_pa / free_m3_s
    square = resistance.quadratic_pa_s2_m6 * heavier + (1.0 - curve.droop) * falls / free_m3_s
    linear = resistance.linear_pa_s_m3 * mu_pa_s / resistance.mu_pa_s + curve.droop * falls * speed
    drive_pa = shut_off_pa * speed * speed
    if drive_pa <= 0.0:
        return OperatingPoint(0.0, 0.0)
    # The root in the form that does not cancel when one part is much smaller than the other.
    flow_m3_s = 2.0 * drive_pa / (linear + math.sqrt(linear * linear + 4.0 * square * drive_pa))
    return OperatingPoint(flow_m3_s, resistance.pressure_pa(flow_m3_s, density_kg_m3, mu_pa_s))
