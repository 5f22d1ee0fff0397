"""The pump of a liquid loop: what flows, what bubbles, a kink, trapped air or lost coolant make of it.

Owns the hydraulics of the loop. The pump's rotor is a `Fan4Wire` (a pump that stalls is a rotor that is hindered);
how long the coolant is under way, and what it carries, is not known here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.flow import Curve, OperatingPoint, Resistance, operating_point
from sim.fluids import Fluid

#: Share of a hose's bore that the tightest kink leaves open [1]; invented.
_KINK_LEAK = 0.002
#: Share of the pump's pressure that bubbles take which are all at the pump [1]; invented.
_BUBBLES_TAKE = 0.25


@dataclass(frozen=True, slots=True)
class Hydraulics:
    """A pump and the path that it pumps through."""

    pump: Curve
    """The pump at rated speed."""
    path: Resistance
    """Cold plate, hoses and radiator: a laminar part (fine channels) and a quadratic one (bends, hoses)."""
    hose_bore_m: float
    """Inner diameter of the hoses [m]."""

    def operating(
        self,
        speed: float,
        coolant: Fluid,
        at_pump: float = 0.0,
        kink: float = 0.0,
        air_lock: float = 0.0,
    ) -> OperatingPoint:
        """Flow and pressure of the loop, by the affinity laws against its resistance.

        Bubbles take a quarter of the pump's pressure, trapped air all of it. A kink that leaves the
        share a of the bore adds the loss of the sudden widening behind it, (1/a - 1)^2 rho v^2 / 2 (Borda-Carnot);
        the tightest one leaves 0.2 %.

        Args:
            speed: of the pump, share of rated speed, 0 or more [1]
            coolant: at the mean temperature of the loop [no unit]
            at_pump: bubbles at the pump, `Bubbles.at_pump`, 0 to 1 [1]
            kink: how far a hose is closed, 0 to 1 [1]
            air_lock: how far air fills the pump, 0 to 1 [1]

        >>> from sim.fluids import water
        >>> path = Resistance.through(1e-3 / 60, 12e3, 0.25, density_kg_m3=992.2, mu_pa_s=6.53e-4)
        >>> loop = Hydraulics(Curve(15e3, 4e-3 / 60, density_kg_m3=992.2, droop=0.5), path, hose_bore_m=6e-3)
        >>> def litres(*args, **faults):
        ...     return round(60e3 * loop.operating(*args, **faults).flow_m3_s, 3)
        >>> litres(1.0, water(40.0)), litres(0.5, water(40.0)), litres(1.0, water(20.0))
        (1.027, 0.455, 0.963)
        >>> litres(1.0, water(40.0), at_pump=1.0), litres(1.0, water(40.0), kink=1.0), litres(0.0, water(40.0))
        (0.886, 0.019, 0.0)
        """
        path = self.path
        if kink > 0.0:
            bore_m2 = 0.25 * math.pi * self.hose_bore_m * self.hose_bore_m
            loss = 1.0 / max(1.0 - kink, _KINK_LEAK) - 1.0
            added = 0.5 * path.density_kg_m3 * (loss / bore_m2) ** 2
            path = Resistance(path.linear_pa_s_m3, path.quadratic_pa_s2_m6 + added, path.density_kg_m3, path.mu_pa_s)
        full = 1.0 - air_lock
        return operating_point(
            self.pump,
            path,
            speed,
            coolant.density_kg_m3,
            coolant.mu_pa_s,
            head=full * (1.0 - _BUBBLES_TAKE * at_pump),
        )


class Bubbles:
    """Air left in a loop after filling; it disperses while the pump runs: df/dt = -(ln 2 / half-life) q f.

    q is the flow as a share of the full flow: twice the flow, half the half-life. Invented law; that bubbles go in
    hours of running, and that the way the hoses leave the pump matters until then, is common practice, no source.
    With q constant over a step the solution is exact for any step.

    Args:
        fraction: what is left of a fresh filling's bubbles, 0 to 1 [1]
        half_life_h: at full flow, above 0 [h]
        orientation: share of them that the pump gets: 1 with the pump highest, near 0 with the radiator's end
            tank above it and the hoses below the air there, 0 to 1 [1]

    >>> bubbles = Bubbles(1.0, half_life_h=1.5, orientation=0.6)
    >>> bubbles.advance(5400.0, flow=1.0)
    >>> round(bubbles.fraction, 6), round(bubbles.at_pump, 6)
    (0.5, 0.3)
    """

    __slots__ = ("_orientation", "_rate_per_s", "fraction")

    def __init__(self, fraction: float, half_life_h: float, orientation: float) -> None:
        self._rate_per_s = math.log(2.0) / (3600.0 * half_life_h)
        self._orientation = orientation
        self.fraction = fraction
        """What is left [1]."""

    @property
    def at_pump(self) -> float:
        """Bubbles at the pump [1]."""
        return self.fraction * self._orientation

    def advance(self, h_s: float, flow: float) -> None:
        """Go on in time.

        Args:
            h_s: how far, 0 or more [s]
            flow: share of the full flow, 0 or more [1]

        >>> bubbles = Bubbles(1.0, half_life_h=1.5, orientation=1.0)
        >>> bubbles.advance(5400.0, flow=0.0)
        >>> bubbles.fraction
        1.0
        """
        self.fraction *= math.exp(-self._rate_per_s * flow * h_s)


class Filling:
    """The coolant of a loop, of which a leak takes some: first the spare, then what the pump needs.

    Once the spare has gone, the pump draws air; with as much gone again as its chamber holds it is full of
    air. Invented law. What the lost coolant would have stored as heat stays in the books of the network.

    Args:
        spare_m3: what may go before the pump draws air, 0 or more [m3]
        chamber_m3: what the pump's chamber holds, above 0 [m3]

    >>> filling = Filling(spare_m3=10e-6, chamber_m3=4e-6)
    >>> filling.advance(60.0, leak_m3_s=0.2e-6)
    >>> round(filling.lost_m3 * 1e6, 6), round(filling.air_lock, 6)
    (12.0, 0.5)
    """

    __slots__ = ("_chamber_m3", "_spare_m3", "lost_m3")

    def __init__(self, spare_m3: float, chamber_m3: float) -> None:
        self._spare_m3 = spare_m3
        self._chamber_m3 = chamber_m3
        self.lost_m3 = 0.0
        """What has leaked out [m3]."""

    @property
    def air_lock(self) -> float:
        """How far air fills the pump for want of coolant, 0 to 1 [1]."""
        return min(1.0, max(0.0, (self.lost_m3 - self._spare_m3) / self._chamber_m3))

    def advance(self, h_s: float, leak_m3_s: float) -> None:
        """Go on in time.

        Args:
            h_s: how far, 0 or more [s]
            leak_m3_s: what leaks, 0 or more [m3/s]

        >>> filling = Filling(10e-6, 4e-6)
        >>> filling.advance(3600.0, 0.0)
        >>> filling.lost_m3, filling.air_lock
        (0.0, 0.0)
        """
        self.lost_m3 += h_s * leak_m3_s
