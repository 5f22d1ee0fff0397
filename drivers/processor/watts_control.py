"""The slow controller that holds a processor's measured watts: from what was measured to what is to be done next.

Pure: it is told what the package took since the last step, and how long that was. Two ways to hold watts:

- by the power limit, at full work: steady, since the processor itself trims its clock. The limit is the set point plus
  a correction that integrates what is missing,  c += (P_set - P) dt / T;
- by the share of time in which the workers work (their duty), where there is no limit that may be set or the watts lie
  below the lowest one. Power grows with the duty from what the idle package takes; each step goes a part of the way
  that the slope seen so far would need,  d += g (P_set - P) / ((P - P_idle) / d).

The figures are of our own; common practice for an integrating controller, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Time constant of the limit's correction [s].
_INTEGRATES_S = 8.0
#: The correction never exceeds this share of the set point, and waits while more than this is missing.
_MOST_CORRECTION = 0.25
#: Part of the way that a step of the duty goes: far off, and when it is nearly there, where noise is most of it.
_FAR, _NEAR = 0.7, 0.3
_NEARLY = 0.02
#: The most by which the duty moves in one step.
_MOST_STEP = 0.25
#: The duty that it begins with, before anything was seen.
_FIRST_DUTY = 0.1
#: Below this duty the slope is not told by what is measured.
_LEAST_DUTY = 0.001
#: A slope is never taken for less than this share of the set point a unit of duty.
_LEAST_SLOPE = 0.2


@dataclass(frozen=True)
class Drive:
    """What is to be done until the next step."""

    duty: float
    """Share of the time in which each worker works, 0 to 1."""
    limit_w: float | None
    """The power limit [W]; None: it is left alone."""


IDLE = Drive(0.0, None)


class WattsControl:
    """One processor under control. `lowest_limit_w` [W]: the lowest power limit, None where there is none to set.

    >>> control = WattsControl(lowest_limit_w=10.0)
    >>> control.set_w(100.0)
    >>> control.step(None, 1.0)
    Drive(duty=1.0, limit_w=100.0)
    >>> control.step(96.0, 1.0)
    Drive(duty=1.0, limit_w=100.5)
    """

    def __init__(self, lowest_limit_w: float | None) -> None:
        self._lowest_w = lowest_limit_w
        self._set_w = 0.0
        self._correction_w = 0.0
        self._duty = 0.0
        self._idle_w = 0.0

    @property
    def setpoint_w(self) -> float:
        """What is to be held [W]."""
        return self._set_w

    def set_w(self, watts: float) -> None:
        """Hold so many watts from now on [W]; 0 is off."""
        if watts != self._set_w:
            self._correction_w = 0.0
        if watts == 0 or self._set_w == 0:
            self._duty = 0.0
        self._set_w = watts

    def without_limit(self) -> None:
        """The power limit cannot be set after all: the duty alone from now on."""
        self._lowest_w = None

    def step(self, measured_w: float | None, dt_s: float) -> Drive:
        """What is to be done next, after the package took measured_w [W] for dt_s [s]; None: it is not known."""
        if self._set_w == 0:
            if measured_w is not None:
                self._idle_w = measured_w
            return IDLE
        if self._lowest_w is not None and self._set_w >= self._lowest_w:
            return Drive(1.0, self._limit(measured_w, dt_s))
        self._duty = self._next_duty(measured_w)
        return Drive(self._duty, self._lowest_w)

    def _limit(self, measured_w: float | None, dt_s: float) -> float:
        most_w = _MOST_CORRECTION * self._set_w
        if measured_w is not None and abs(self._set_w - measured_w) <= most_w:
            correction_w = self._correction_w + (self._set_w - measured_w) * dt_s / _INTEGRATES_S
            self._correction_w = min(max(correction_w, -most_w), most_w)
        return max(self._set_w + self._correction_w, self._lowest_w or 0.0)

    def _next_duty(self, measured_w: float | None) -> float:
        if self._duty == 0:
            return _FIRST_DUTY
        if measured_w is None:
            return self._duty
        missing_w = self._set_w - measured_w
        slope_w = max(
            (measured_w - min(self._idle_w, measured_w)) / max(self._duty, _LEAST_DUTY), _LEAST_SLOPE * self._set_w
        )
        part = _NEAR if abs(missing_w) <= _NEARLY * self._set_w else _FAR
        step = min(max(part * missing_w / slope_w, -_MOST_STEP), _MOST_STEP)
        return min(max(self._duty + step, _LEAST_DUTY), 1.0)
