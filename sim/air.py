"""Fans and pumps: what speed a duty asks for, and how the speed follows.

Owns inertia and the lowest speed. Knows nothing of what the speed does to heat or noise.
"""

from __future__ import annotations

import math

#: Closer than this to what is asked for, the speed has arrived [share of full speed].
_ARRIVED = 1e-4


def speed_wanted(duty_pct: float, min_pct: float) -> float:
    """Share of full speed that a duty asks for [1].

    Speed goes with the duty; below the lowest speed the rotor stays at it; at 0 it stops. That is a fan of
    type B in the public "4-Wire Pulse Width Modulation (PWM) Controlled Fans Specification", which allows a
    lowest speed of at most 30 % and +- 10 % between duty and speed.

    Args:
        duty_pct: commanded duty, 0 to 100 [%]
        min_pct: lowest speed [% of full speed]

    >>> speed_wanted(60.0, 20.0), speed_wanted(5.0, 20.0), speed_wanted(0.0, 20.0)
    (0.6, 0.2, 0.0)
    """
    return max(duty_pct, min_pct) / 100.0 if duty_pct > 0 else 0.0


class Rotor:
    """A fan or a pump: its speed follows the duty as a first-order lag, from full speed, as without a signal.

    Args:
        min_pct: lowest speed [% of full speed]
        lag_s: time constant, above 0 [s]

    >>> fan = Rotor(20.0, 3.0)
    >>> fan.command(50.0)
    >>> fan.advance(3.0), round(fan.speed, 4)
    (True, 0.6839)
    """

    __slots__ = ("_lag_s", "_min_pct", "_wanted", "speed")

    def __init__(self, min_pct: float, lag_s: float) -> None:
        self._min_pct = min_pct
        self._lag_s = lag_s
        self._wanted = 1.0
        self.speed = 1.0
        """Share of full speed [1]."""

    def command(self, duty_pct: float) -> None:
        """Ask for a duty.

        Args:
            duty_pct: 0 to 100 [%]

        >>> fan = Rotor(20.0, 3.0)
        >>> fan.command(0.0)
        >>> fan.advance(60.0), fan.speed
        (True, 0.0)
        """
        self._wanted = speed_wanted(duty_pct, self._min_pct)

    def advance(self, h_s: float) -> bool:
        """Go on in time, exactly; whether the speed has changed.

        Args:
            h_s: how far, above 0 [s]

        >>> Rotor(20.0, 3.0).advance(1.0)
        False
        """
        away = self.speed - self._wanted
        if away == 0.0:
            return False
        away *= math.exp(-h_s / self._lag_s)
        self.speed = self._wanted + away if abs(away) > _ARRIVED else self._wanted
        return True
