"""What heats the die: a heater or a processor, from the setpoint to the watts of the next second.

Owns lag, error, growth with temperature, idle power and throttling. Knows nothing of coolers: whether it gets too hot
it is told, and with how many watts it would be just at its limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sim.network import Heat

#: While power moves, its growth follows only when it is this far off; settled, it is exact [share].
_GROWTH_STEP = 0.01
#: Nearer than this to its target the power is there [W].
_THERE_W = 1e-4


@dataclass(frozen=True)
class LoadParameters:
    """What one load does with its setpoint. Defaults are a plausible heater; invented."""

    kind: Literal["heater", "processor"] = "heater"
    gain: float = 1.0
    """Power in the end over setpoint: its error [1]."""
    lag_s: float = 1.5
    """Time constant with which power follows the setpoint, 0 or more [s]."""
    growth_per_k: float = 0.0002
    """Share by which power grows per kelvin of the die [1/K]; a processor's leakage is about ten times that."""
    growth_at_c: float = 60.0
    """Temperature of the die at which power is what it should be [degC]."""
    idle_w: float = 0.0
    """Power that it never falls below [W]; above 0 for a processor."""
    limit_c: float = math.inf
    """Temperature of the die at which a processor throttles [degC]; a heater never does."""
    cut_out_c: float = math.inf
    """Temperature of the die at which it is off for good: a heater's thermal cut-out, a processor's own [degC]."""
    release_s: float = 20.0
    """How long a throttled processor takes to be given back its whole power, above 0 [s]."""


class Load:
    """A load under way; goes on by one second with each `next_heat`.

    Args:
        parameters: of the load [no unit]

    Raises ValueError for a processor without idle power, and for what lies outside the ranges given there.

    >>> load = Load(LoadParameters(lag_s=0.0))
    >>> load.set_w = 200.0
    >>> load.next_heat()
    Heat(w=200.0, growth_w_per_k=0.04, at_c=60.0)
    """

    def __init__(self, parameters: LoadParameters) -> None:
        if parameters.kind == "processor" and not parameters.idle_w > 0:
            raise ValueError("a processor idles at some watts: idle_w must be above 0")
        if not (parameters.lag_s >= 0 and parameters.release_s > 0 and parameters.idle_w >= 0):
            raise ValueError("lag_s and idle_w must be 0 or more, release_s above 0")
        self.parameters = parameters
        self.set_w = 0.0
        """What is asked for, by a setpoint or by the work to be done [W]."""
        self.limit_c = self.own_limit_c
        """Temperature of the die at which it throttles [degC]; a fault may set it lower."""
        self.supplied = True
        """Whether there is anything to draw from."""
        self.cut_out = False
        """Whether it has become too hot, and is off until the next mount."""
        self.throttled_s = 0
        """How long it has throttled since the start [s]."""
        self.clock_pct = 100.0
        """Clock, of what the work would have without a limit [%]."""
        self._decay = math.exp(-1.0 / parameters.lag_s) if parameters.lag_s > 0 else 0.0
        self._mean = parameters.lag_s * (1.0 - self._decay)
        self._w = parameters.idle_w
        self._allowed_w = math.inf
        self._asked = Heat(parameters.idle_w)

    @property
    def own_limit_c(self) -> float:
        """Temperature of the die at which it throttles of itself [degC]; infinite for a heater."""
        return self.parameters.limit_c if self.parameters.kind == "processor" else math.inf

    @property
    def target_w(self) -> float:
        """Where power goes at `growth_at_c` if nothing throttles it [W]; 0 without supply and once cut out."""
        if self.cut_out or not self.supplied:
            return 0.0
        return max(self.set_w * self.parameters.gain, self.parameters.idle_w)

    def feel(self, die_c: float) -> None:
        """At a whole second: whether it is too hot, and then it is off for good.

        Args:
            die_c: temperature of the die now [degC]

        >>> load = Load(LoadParameters(cut_out_c=200.0))
        >>> load.set_w = 100.0
        >>> load.feel(200.5)
        >>> load.target_w, load.cut_out
        (0.0, True)
        """
        if die_c > self.parameters.cut_out_c:
            self.cut_out = True

    def settled_heat(self) -> Heat:
        """What it gives once it has followed, not throttled [W].

        >>> load = Load(LoadParameters(growth_per_k=0.0))
        >>> load.set_w = 100.0
        >>> load.settled_heat().w
        100.0
        """
        w = self.target_w
        return Heat(w, self.parameters.growth_per_k * w, self.parameters.growth_at_c)

    def next_heat(self) -> Heat:
        """What it would give over the next second if nothing throttled it: the mean of its exponential approach.

        >>> load = Load(LoadParameters(lag_s=1.0, growth_per_k=0.0))
        >>> load.set_w = 100.0
        >>> [round(load.next_heat().w, 3) for _ in range(3)]
        [36.788, 76.746, 91.445]
        """
        target_w, parameters = self.target_w, self.parameters
        missing_w = self._w - target_w
        if abs(missing_w) < _THERE_W:
            self._w = mean_w = target_w
        else:
            self._w = target_w + missing_w * self._decay
            mean_w = target_w + missing_w * self._mean
        given_w = min(mean_w, self._allowed_w)
        growth_w_per_k = parameters.growth_per_k * given_w
        was_w_per_k = self._asked.growth_w_per_k
        moving = given_w != target_w
        if moving and abs(growth_w_per_k - was_w_per_k) <= _GROWTH_STEP * was_w_per_k:
            growth_w_per_k = was_w_per_k
        if mean_w != self._asked.w or growth_w_per_k != was_w_per_k:
            self._asked = Heat(mean_w, growth_w_per_k, parameters.growth_at_c)
        return self._asked

    def could_throttle(self, die_c: float, die_j_per_k: float) -> bool:
        """Whether the next second could bring the die over its limit, or is held back after one that did.

        True is not yet certain; False is: the die cannot warm faster than with all heat kept in it.

        Args:
            die_c: its temperature now [degC]
            die_j_per_k: its own heat capacity, above 0 [J/K]

        >>> load = Load(LoadParameters(kind="processor", idle_w=8.0, limit_c=95.0))
        >>> load.could_throttle(60.0, 20.0), load.could_throttle(96.0, 20.0)
        (False, True)
        """
        if self.limit_c == math.inf and self._allowed_w == math.inf:
            return False
        w = self._asked.w + self._asked.growth_w_per_k * max(0.0, self.limit_c - self._asked.at_c)
        return self._allowed_w < math.inf or die_c + w / die_j_per_k > self.limit_c

    def throttle(self, holding_w: float) -> Heat:
        """Cut the next second to what holds the die at its limit, at once; give back over `release_s`.

        Watts fall with the third power of the clock above idle (voltage goes with clock; common practice, no source).

        Args:
            holding_w: what would bring the die just to its limit [W]

        >>> load = Load(LoadParameters(kind="processor", idle_w=8.0, lag_s=0.0, limit_c=95.0))
        >>> load.set_w = 208.0
        >>> load.next_heat().w, load.throttle(33.0).w, load.clock_pct, load.throttled_s
        (208.0, 33.0, 50.0, 1)
        """
        asked, idle_w = self._asked, self.parameters.idle_w
        given_back_w = self._allowed_w + asked.w / self.parameters.release_s
        allowed_w = max(min(idle_w, asked.w), min(holding_w, given_back_w))
        if allowed_w >= asked.w:
            self._allowed_w = math.inf
            self.clock_pct = 100.0
            return asked
        self._allowed_w = allowed_w
        self.throttled_s += 1
        self.clock_pct = 100.0 * ((allowed_w - idle_w) / (asked.w - idle_w)) ** (1.0 / 3.0)
        return asked._replace(w=allowed_w)
