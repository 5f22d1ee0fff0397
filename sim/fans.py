"""Fans: their curve, and what a 4-wire drive makes of a duty: speed, spin-up, coast-down, tach.

Owns the fan and its rotor; a pump on a 4-wire connector has the same drive. The operating point against a fin pack
is in flow.py. Knows nothing of what the air does to heat or noise.

"The specification" is the public "4-Wire Pulse Width Modulation (PWM) Controlled Fans Specification": lowest speed
at most 30 % of full speed, start pulse at most 30 % and 2 s, speed = duty within 10 % of full speed, full speed
without a signal, two tach pulses a revolution, and three types below the lowest speed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sim.flow import Curve

_PULSES_PER_REV = 2.0


def tach_hz(rpm: float) -> float:
    """Frequency of the tach line [Hz]: two pulses a revolution (the specification).

    Args:
        rpm: speed, 0 or more [1/min]

    >>> tach_hz(1200.0)
    40.0
    """
    return rpm * _PULSES_PER_REV / 60.0


def tach_rpm(frequency_hz: float) -> float:
    """Speed that a tach frequency means [1/min]: 30 f (the specification).

    Args:
        frequency_hz: pulses in a second, 0 or more [Hz]

    >>> tach_rpm(40.0)
    1200.0
    """
    return frequency_hz * 60.0 / _PULSES_PER_REV


@dataclass(frozen=True, slots=True)
class FanCurve(Curve):
    """A fan's curve at its rated speed, and the power it then takes."""

    rated_rpm: float
    """Speed at which the curve holds [1/min]."""
    rated_w: float
    """Power of the rotor at rated speed in its usual place [W]."""

    def power_w(self, speed: float, density_kg_m3: float) -> float:
        """Power of the rotor [W]: P ~ rho N^3 (affinity law), along one system curve dp ~ Q^2.

        Args:
            speed: share of rated speed, 0 or more [1]
            density_kg_m3: density of the air [kg/m3]

        >>> fan = FanCurve(30.0, 0.0306, density_kg_m3=1.2, droop=0.5, rated_rpm=2200.0, rated_w=2.0)
        >>> [round(fan.power_w(speed, 1.2), 3) for speed in (1.0, 0.8, 0.5)]
        [2.0, 1.024, 0.25]
        """
        return self.rated_w * speed**3 * density_kg_m3 / self.density_kg_m3


@dataclass(frozen=True, slots=True)
class Drive:
    """How a 4-wire drive answers its duty. Refuses with a ValueError what the specification does not allow."""

    rated_rpm: float
    """Speed of this one at full duty, above 0 [1/min]."""
    kind: Literal["A", "B", "C"]
    """Below the lowest speed: A stays at it, B stays at it and is off at 0, C is off."""
    min_pct: float
    """Lowest speed, 0 to 30 [% of rated speed]."""
    bow_pct: float = 0.0
    """By how much the speed lies above the duty in the middle of the range, -10 to 10 [% of rated speed]."""
    start_pct: float = 30.0
    """Duty of the pulse that gets a standing rotor going, up to 30 [%]."""
    start_s: float = 1.0
    """How long that pulse lasts, up to 2 [s]."""
    spin_up_s: float = 1.0
    """Time constant towards a higher speed, above 0 [s]."""
    coast_s: float = 2.0
    """Time constant towards a lower speed, above 0 [s]."""
    friction: float = 0.03
    """Bearing friction, as the share of rated speed at which drag equals it, above 0 [1]."""

    def __post_init__(self) -> None:
        limits = (
            ("min_pct", 0.0, self.min_pct, 30.0),
            ("bow_pct", -10.0, self.bow_pct, 10.0),
            ("start_pct", 0.0, self.start_pct, 30.0),
            ("start_s", 0.0, self.start_s, 2.0),
        )
        for name, low, value, high in limits:
            if not low <= value <= high:
                raise ValueError(f"{name} must be {low:g} to {high:g}, got {value}")
        if self.kind not in ("A", "B", "C"):
            raise ValueError(f"kind must be A, B or C, got {self.kind!r}")

    def wanted(self, duty_pct: float | None) -> float:
        """Share of rated speed that a duty asks for in the end [1]: s = duty + bow duty (100 - duty) / 2500, and
        below the lowest speed what the type does. Never falls with rising duty.

        Args:
            duty_pct: 0 to 100, beyond that the nearest; None without a signal, which means full speed [%]

        >>> drives = [Drive(2200.0, kind, min_pct=20.0) for kind in ("A", "B", "C")]
        >>> [[drive.wanted(duty_pct) for duty_pct in (None, 60.0, 5.0, 0.0)] for drive in drives]
        [[1.0, 0.6, 0.2, 0.2], [1.0, 0.6, 0.2, 0.0], [1.0, 0.6, 0.0, 0.0]]
        """
        if duty_pct is None:
            return 1.0
        duty_pct = min(max(duty_pct, 0.0), 100.0)
        speed_pct = duty_pct + self.bow_pct * duty_pct * (100.0 - duty_pct) / 2500.0
        if speed_pct < self.min_pct or duty_pct == 0.0:
            stands = self.kind == "C" or (self.kind == "B" and duty_pct == 0.0)
            speed_pct = 0.0 if stands else self.min_pct
        return speed_pct / 100.0


class Fan4Wire:
    """A rotor on a 4-wire drive: a state machine of standing, starting pulse and running, exact for any step.

    Running: dn/dt = (wanted - n) / tau, tau by the direction. Off: dn/dt = -(n + friction) / coast_s, down to 0,
    where it stays. The laws are invented (common practice, no source); both have closed solutions.

    Args:
        drive: how it answers [no unit]
        speed: at first, as the share of rated speed; there is no signal yet [1]

    >>> fan = Fan4Wire(Drive(2200.0, "B", min_pct=20.0), speed=0.0)
    >>> fan.command(20.0)
    >>> fan.advance(1.0), round(fan.speed, 4)  # the start pulse of 30 %
    (True, 0.1896)
    >>> fan.advance(20.0), round(fan.rpm)
    (True, 440)
    """

    __slots__ = ("_drag", "_drive", "_duty_pct", "_pulse_s", "_supplied", "_wanted", "speed")

    def __init__(self, drive: Drive, speed: float = 1.0) -> None:
        self._drive = drive
        self._duty_pct: float | None = None
        self._drag = 0.0
        self._supplied = True
        self._pulse_s = 0.0
        self._wanted = 0.0
        self.speed = speed
        """Share of rated speed [1]."""
        self._decide()

    @property
    def rpm(self) -> float:
        """Speed [1/min]."""
        return self.speed * self._drive.rated_rpm

    def command(self, duty_pct: float | None) -> None:
        """Ask for a duty, or take the signal away.

        Args:
            duty_pct: 0 to 100; None: no signal, full speed [%]

        >>> fan = Fan4Wire(Drive(2200.0, "B", min_pct=20.0))
        >>> fan.command(0.0)
        >>> fan.advance(60.0), fan.speed
        (True, 0.0)
        """
        self._duty_pct = duty_pct
        self._decide()

    def supply(self, on: bool) -> None:
        """Give or take the 12 V; without them it coasts down whatever the duty.

        >>> fan = Fan4Wire(Drive(2200.0, "A", min_pct=20.0))
        >>> fan.supply(False)
        >>> fan.advance(60.0), fan.speed
        (True, 0.0)
        """
        self._supplied = on
        self._decide()

    def hinder(self, drag: float) -> None:
        """The fault: something brakes the rotor, or lets it go again.

        Args:
            drag: share of the wanted speed that is lost, 0 to 1; at 1 it stands at once [1]

        >>> fan = Fan4Wire(Drive(2200.0, "A", min_pct=20.0))
        >>> fan.hinder(1.0)
        >>> fan.advance(1.0), fan.rpm
        (False, 0.0)
        """
        self._drag = drag
        if drag >= 1.0:
            self.speed = 0.0
        self._decide()

    def advance(self, h_s: float) -> bool:
        """Go on in time, exactly; whether the speed has changed.

        Args:
            h_s: how far, 0 or more [s]

        >>> Fan4Wire(Drive(2200.0, "B", min_pct=20.0)).advance(1.0)
        False
        """
        before = self.speed
        if self._pulse_s > 0.0:
            pulse_s = min(h_s, self._pulse_s)
            self._glide(pulse_s, max(self._wanted, (1.0 - self._drag) * self._drive.start_pct / 100.0))
            self._pulse_s -= pulse_s
            h_s -= pulse_s
        if self.speed != self._wanted:
            self._glide(h_s, self._wanted)
        return self.speed != before

    def _decide(self) -> None:
        live = self._supplied and self._drag < 1.0
        self._wanted = (1.0 - self._drag) * self._drive.wanted(self._duty_pct) if live else 0.0
        if self._wanted == 0.0:
            self._pulse_s = 0.0
        elif self.speed == 0.0:
            self._pulse_s = self._drive.start_s

    def _glide(self, h_s: float, towards: float) -> None:
        drive = self._drive
        if towards == 0.0:
            left = (self.speed + drive.friction) * math.exp(-h_s / drive.coast_s) - drive.friction
            self.speed = max(left, 0.0)
            return
        lag_s = drive.spin_up_s if self.speed < towards else drive.coast_s
        self.speed = towards + (self.speed - towards) * math.exp(-h_s / lag_s)
