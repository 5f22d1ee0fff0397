"""Whether a sensor hangs: it shows the same value for minutes although something moved that it must follow.

A flat line alone is no sign: a sensor of whole degrees is flat at equilibrium. It must not know what is done about it.
"""

from __future__ import annotations

import math

_FLAT_S = 120.0
"""Flat for this long [s]."""
_STEPS = 1.3
"""What moved must move the reading by so many of its steps [1]"""
_MOVES_K = 0.1
"""and this besides [K]."""
_DITHERS = 0.35
"""Noise of so many steps [1] keeps a reading from standing still."""
_AIR_LAG_S = 240.0
"""Air reaches the die about this late [s]."""
_LEAST_K_PER_W = 0.03
"""Every cooler's rise grows by this with each watt at least [K/W] (common practice, no source)."""
_FAN_POWER = 0.2
"""The rise falls at least with this power of the fan setting [1] (common practice, no source)."""


class Sensor:
    """Watches one temperature.

    `resolution_k` [K] its step, at least 0.

    >>> sensor = Sensor(0.1)
    >>> for t in range(600):
    ...     sensor.put(float(t), 45.0, 25.0, 20.0 + 0.003 * t, None, None)
    >>> sensor.hangs
    'the sensor shows 45.00 degC for 10 min although the air moved by 1.1 K'
    """

    def __init__(self, resolution_k: float) -> None:
        self._resolution_k = resolution_k
        self._least_k = _STEPS * resolution_k + _MOVES_K
        self._same = 0.01 * resolution_k + 1e-6
        self._value = math.nan
        self._since_s = math.nan
        self._last_s = math.nan
        self._air = math.nan
        self._then: tuple[float, float | None, float | None] = (math.nan, None, None)
        self.hangs = ""
        self._noise_k = 0.0

    def noisy(self, noise_k: float) -> None:
        """Takes what is known of its noise; while it stands still there is none to be seen.

        `noise_k` [K] standard deviation of a reading.

        >>> Sensor(0.1).noisy(0.05)
        """
        if self._last_s - self._since_s < _FLAT_S / 4:
            self._noise_k = noise_k

    def put(
        self,
        t_s: float,
        reading_c: float,
        rise_k: float,
        ambient_c: float | None,
        heat_w: float | None,
        fan_pct: float | None,
    ) -> None:
        """Takes one reading and what it must follow.

        `t_s` [s]; `reading_c` [degC]; `rise_k` [K] over the air; `ambient_c` [degC], `heat_w` [W] and `fan_pct` [%]
        where they are known.

        >>> sensor = Sensor(0.1)
        >>> sensor.put(0.0, 20.0, 0.0, None, None, None)
        >>> sensor.hangs
        ''
        """
        if ambient_c is not None and not math.isnan(ambient_c):
            share = -math.expm1(-(t_s - self._last_s) / _AIR_LAG_S) if not math.isnan(self._air) else 1.0
            self._air = self._air + share * (ambient_c - self._air) if share < 1.0 else ambient_c
        self._last_s = t_s
        if not abs(reading_c - self._value) <= self._same:
            self._value, self._since_s, self.hangs = reading_c, t_s, ""
            self._then = self._air, heat_w, fan_pct
            return
        for_s = t_s - self._since_s
        if for_s >= _FLAT_S:
            moved = self._moved(rise_k, heat_w, fan_pct) or self._stilled()
            minutes = f"{for_s / 60:.0f} min"
            self.hangs = f"the sensor shows {self._value:.2f} degC for {minutes} although {moved}" if moved else ""

    def _stilled(self) -> str:
        before = math.sqrt(max(self._noise_k**2 - self._resolution_k**2 / 12, 0.0))
        # What is no larger than the difference that counts as none is no noise either.
        dithers = before > max(_DITHERS * self._resolution_k, 10 * self._same)
        return f"it had a noise of {self._noise_k:.2f} K" if dithers else ""

    def _moved(self, rise_k: float, heat_w: float | None, fan_pct: float | None) -> str:
        air, heat_then_w, fan_then_pct = self._then
        by_air_k = abs(self._air - air)
        if by_air_k > self._least_k:
            return f"the air moved by {by_air_k:.1f} K"
        if heat_w is not None and heat_then_w is not None:
            change_w = abs(heat_w - heat_then_w)
            by_heat_k = change_w * max(_LEAST_K_PER_W, rise_k / heat_then_w if heat_then_w > 1 else 0.0)
            if by_heat_k > self._least_k:
                return f"the watts went from {heat_then_w:.0f} to {heat_w:.0f} W"
        if fan_pct and fan_then_pct:
            by_fan_k = _FAN_POWER * abs(rise_k * math.log(fan_pct / fan_then_pct))
            if by_fan_k > self._least_k:
                return f"the fans went from {fan_then_pct:.0f} to {fan_pct:.0f} %"
        return ""
