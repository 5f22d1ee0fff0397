"""The simulated heater load without its plugs: what it does with set points and silence. Pure computation.

It is told the time and asks for none. It knows nothing of Modbus registers or sockets.

Like a careful real load it opens its output by itself when nobody has spoken to it for its communication
time-out, and then stays off until a new set point arrives.
"""

from __future__ import annotations

import math
from enum import IntEnum

#: Resistance of the heater [ohm]: 48 V give 400 W.
RESISTANCE_OHM = 5.76
#: Time constant with which the watts follow the set point [s].
LAG_S = 0.5
#: What the output settles at, as a part of the set point [1]: it is 0.2 % low.
GAIN = 0.998
#: The shortest and the longest communication time-out that it accepts [s].
COMM_TIMEOUT_S = (0.5, 60.0)


class LoadState(IntEnum):
    """What the load says of itself. The numbers are what its state register holds."""

    OFF = 0
    ON = 1
    SILENCE = 2
    """Off, because nobody spoke to it for the communication time-out."""


class HeaterLoad:
    """A supply with a heater of fixed resistance. All times are one steady clock's, whatever its zero.

    The watts follow the set point with a first order lag (our own invention, no source):

        P' = (GAIN * P_set - P) / LAG_S,  U = sqrt(P R),  I = sqrt(P / R)

    Valid for set points from 0 to `max_w`; others are refused.

    Args:
        now_s: the time at which it is switched on [s]
        max_w: the highest set point [W], above 0
        comm_timeout_s: silence after which it turns off [s], within COMM_TIMEOUT_S

    >>> load = HeaterLoad(now_s=0.0, max_w=400.0, comm_timeout_s=3.0)
    >>> load.set_w(0.0, 200.0)
    >>> [round(load.watts(t_s), 1) for t_s in (0.0, 0.5, 2.9)]
    [0.0, 126.2, 199.0]
    >>> load.watts(3.1), load.setpoint_w, load.state
    (0.0, 0.0, <LoadState.SILENCE: 2>)
    """

    def __init__(self, now_s: float, max_w: float = 400.0, comm_timeout_s: float = 3.0) -> None:
        if not max_w > 0:
            raise ValueError(f"max_w must be above 0, got {max_w}")
        self.max_w = max_w
        self.setpoint_w = 0.0
        self.set_comm_timeout(comm_timeout_s)
        self._watts = 0.0
        self._at_s = now_s
        self._heard_s = now_s
        self._fell_silent = False

    @property
    def state(self) -> LoadState:
        """Off, on, or off after silence, as of the last time it was asked or told anything."""
        if self._fell_silent:
            return LoadState.SILENCE
        return LoadState.ON if self.setpoint_w > 0 else LoadState.OFF

    def allows(self, watts: float) -> bool:
        """Whether a set point lies between 0 and the most it takes.

        Args:
            watts: the set point [W]

        >>> HeaterLoad(0.0, max_w=400.0).allows(400.1)
        False
        """
        return 0 <= watts <= self.max_w

    def set_w(self, now_s: float, watts: float) -> None:
        """Take a set point.

        Args:
            now_s: the time [s], never before an earlier one
            watts: the set point [W]; outside 0 to `max_w` a ValueError is raised and nothing changes

        >>> load = HeaterLoad(0.0)
        >>> load.set_w(0.0, 100.0)
        >>> load.setpoint_w
        100.0
        """
        if not self.allows(watts):
            raise ValueError(f"{watts} W is not between 0 and {self.max_w} W")
        self.hear(now_s)
        self.setpoint_w = watts
        self._fell_silent = False

    def set_comm_timeout(self, comm_timeout_s: float) -> None:
        """Take a communication time-out. Outside COMM_TIMEOUT_S: ValueError, and nothing changes.

        Args:
            comm_timeout_s: after this long without a request the heat goes off [s]

        >>> HeaterLoad(0.0).set_comm_timeout(0.0)
        Traceback (most recent call last):
        ValueError: the communication time-out must be 0.5 to 60 s, got 0.0
        """
        low_s, high_s = COMM_TIMEOUT_S
        if not low_s <= comm_timeout_s <= high_s:
            raise ValueError(f"the communication time-out must be {low_s:g} to {high_s:g} s, got {comm_timeout_s}")
        self.comm_timeout_s = comm_timeout_s

    def hear(self, now_s: float) -> None:
        """Somebody has spoken to it at `now_s` [s]: the communication time-out begins anew.

        >>> load = HeaterLoad(0.0, comm_timeout_s=3.0)
        >>> load.set_w(0.0, 200.0)
        >>> load.hear(2.0)
        >>> load.watts(4.0) > 0, load.watts(5.1) > 0
        (True, False)
        """
        self._advance(now_s)
        self._heard_s = now_s

    def watts(self, now_s: float) -> float:
        """The power [W] that flows into the heater at `now_s` [s].

        >>> HeaterLoad(0.0).watts(1.0)
        0.0
        """
        self._advance(now_s)
        return self._watts

    def volts(self, now_s: float) -> float:
        """The voltage [V] over the heater at `now_s` [s].

        >>> load = HeaterLoad(0.0, comm_timeout_s=60.0)
        >>> load.set_w(0.0, 400.0)
        >>> round(load.volts(20.0), 2)
        47.95
        """
        return math.sqrt(self.watts(now_s) * RESISTANCE_OHM)

    def amperes(self, now_s: float) -> float:
        """The current [A] through the heater at `now_s` [s].

        >>> load = HeaterLoad(0.0, comm_timeout_s=60.0)
        >>> load.set_w(0.0, 400.0)
        >>> round(load.amperes(20.0), 2)
        8.32
        """
        return math.sqrt(self.watts(now_s) / RESISTANCE_OHM)

    def _advance(self, now_s: float) -> None:
        target_w = GAIN * self.setpoint_w
        self._watts = target_w + (self._watts - target_w) * math.exp((self._at_s - now_s) / LAG_S)
        self._at_s = now_s
        if now_s - self._heard_s > self.comm_timeout_s:
            self._fell_silent = self._fell_silent or self.setpoint_w > 0
            self.setpoint_w = self._watts = 0.0
