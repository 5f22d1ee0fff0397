"""The pulses of a tachometer, which can fail like any sensor (sensors.py). Knows nothing of what turns."""

from __future__ import annotations

import math

from sim.seeds import stream
from sim.sensors import Failing, Reading


class Tachometer(Failing):
    """Speed from the pulses of a fan or pump, counted over a gate of whole seconds.

    It shows whole pulses, 60 / (pulses per turn x gate) 1/min each: 10 1/min for 2 pulses and 3 s, and knows of a
    change only when the gate closes. Two pulses a turn: "4-Wire Pulse Width Modulation (PWM) Controlled Fans
    Specification". Valid for speeds of 0 or more.

    Args:
        name: of what turns [no unit]
        seed: of the bench [1]
        start_rpm: what it shows until the first gate has closed [1/min]
        gate_s: length of the gate, whole seconds from 1 [s]
        pulses_per_turn: how many [1]

    >>> tacho = Tachometer("fan", seed=1, start_rpm=0.0)
    >>> for second in range(7):
    ...     tacho.turn(float(second), 1234.0)
    >>> tacho.read()
    1230.0
    """

    __slots__ = ("_closed", "_gate_s", "_per_turn", "_pulses", "_rpm", "_rpm_per_pulse", "_shown", "_t_s")

    def __init__(self, name: str, seed: int, start_rpm: float, gate_s: int = 3, pulses_per_turn: int = 2) -> None:
        super().__init__(name, seed, start_rpm)
        self._gate_s = gate_s
        self._per_turn = pulses_per_turn
        self._rpm_per_pulse = 60.0 / (pulses_per_turn * gate_s)
        self._shown = start_rpm
        self._rpm = start_rpm
        self._pulses = float(stream(seed, "tachometer", name).uniform())  # the rotor stands anywhere
        self._closed = 0
        self._t_s = 0.0

    def turn(self, t_s: float, rpm: float) -> None:
        """At each whole second: the rotor has turned up to now, its speed changing straight from the last one.

        Args:
            t_s: time since the mount, a whole second [s]
            rpm: speed now [1/min]

        >>> tacho = Tachometer("fan", seed=1, start_rpm=600.0)
        >>> tacho.turn(1.0, 0.0)
        >>> tacho.read()
        600.0
        """
        self._pulses += (self._rpm + rpm) * (t_s - self._t_s) * self._per_turn / 120.0
        self._rpm = rpm
        self._t_s = t_s
        if t_s % self._gate_s == 0.0 and t_s > 0.0:
            pulses = math.floor(self._pulses + 1e-9)
            self._shown = self._rpm_per_pulse * (pulses - self._closed)
            self._closed = pulses

    def read(self) -> Reading:
        """What it shows [1/min], or what a fault makes of it.

        >>> Tachometer("pump", seed=1, start_rpm=3000.0).read()
        3000.0
        """
        if self._mode is not None:
            return self._instead()
        self._last = self._shown
        return self._last
