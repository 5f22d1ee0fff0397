"""What the bench's sensors make of a true value: offset, gain error, noise, resolution, lag, lower limit.

Owns the figures of every simulated sensor; `benchd/benches/simulated.toml` states the same ones.
Offset and gain belong to the bench, not to the specimen: one seed, one bench, whatever is mounted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from sim.seeds import clipped_normal, normals, stream

Source: TypeAlias = Literal[
    "die",
    "coolant",
    "ambient",
    "inlet",
    "heat",
    "supply_voltage",
    "supply_current",
    "fan_speed",
    "pump_speed",
    "level",
    "humidity",
    "pressure",
]


@dataclass(frozen=True)
class SensorKind:
    """Figures of one sensor, in the unit of its source unless said otherwise."""

    resolution: float
    """Smallest step of the display [unit], 1/n or n for a whole n."""
    uncertainty: float = 0.0
    """Half width of the 95 % interval of the offset [unit]."""
    uncertainty_pct: float = 0.0
    """The same for the gain [% of the reading]."""
    noise: float = 0.0
    """Standard deviation of one reading [unit]."""
    lag_s: float = 0.0
    """Time constant with which it follows [s]; 0 follows at once."""
    lowest: float = -math.inf
    """It never shows less [unit]."""


#: Invented, of the size that is usual: common practice, no source.
KINDS: dict[Source, SensorKind] = {
    "die": SensorKind(resolution=0.1, uncertainty=0.5, noise=0.05, lag_s=1.5),  # [degC]
    "coolant": SensorKind(resolution=0.01, uncertainty=0.2, noise=0.02, lag_s=3.0),  # [degC]
    "ambient": SensorKind(resolution=0.01, uncertainty=0.15, noise=0.01, lag_s=20.0),  # [degC]
    "inlet": SensorKind(resolution=0.01, uncertainty=0.2, noise=0.02, lag_s=5.0),  # [degC]
    "heat": SensorKind(resolution=0.1, uncertainty=0.2, uncertainty_pct=0.3, noise=0.05, lowest=0.0),  # [W]
    "supply_voltage": SensorKind(resolution=0.01, uncertainty_pct=0.1, noise=0.005, lowest=0.0),  # [V]
    "supply_current": SensorKind(resolution=0.001, uncertainty_pct=0.2, noise=0.002, lowest=0.0),  # [A]
    "fan_speed": SensorKind(resolution=10.0, uncertainty_pct=0.5, lowest=0.0),  # [1/min], pulses of 3 s
    "pump_speed": SensorKind(resolution=10.0, uncertainty_pct=0.5, lowest=0.0),  # [1/min]
    "level": SensorKind(resolution=0.1, uncertainty=0.7, noise=0.15, lowest=28.0),  # [dBA], each second
    "humidity": SensorKind(resolution=0.1, uncertainty=2.0, noise=0.1, lowest=0.0),  # [%]
    "pressure": SensorKind(resolution=0.1, uncertainty=0.5, noise=0.05),  # [hPa]
}


class Sensor:
    """One sensor of one bench. Valid for every value; displays round to the nearest step.

    Args:
        source: what it measures [no unit]
        kind: its figures [each its own]
        seed: of the bench [1]
        specimen: what is mounted; only chooses the noise, so that two nights differ [no unit]
        start: what it shows at first [unit of the source]

    >>> sensor = Sensor("die", KINDS["die"], seed=1, specimen="brook 2x140", start=23.0)
    >>> abs(sensor.show(60.0) - 60.0) < 1.0
    True
    """

    __slots__ = (
        "_divide",
        "_gain",
        "_lag_s",
        "_lowest",
        "_multiply",
        "_noise",
        "_normals",
        "_offset",
        "_share",
        "_step_s",
        "followed",
    )

    def __init__(self, source: Source, kind: SensorKind, seed: int, specimen: str, start: float) -> None:
        bench = stream(seed, "sensor", source)
        self.followed = start
        """The true value as it has reached the sensing element [unit]."""
        self._lag_s = kind.lag_s
        self._lowest = kind.lowest
        self._step_s = -1.0
        self._share = 1.0
        # Gain, offset and noise count in steps of the display, which then shows whole steps. Dividing by a
        # whole number of steps per unit gives 23.1, where multiplying by 0.1 would give 23.1 and a bit.
        per_unit = 1.0 / kind.resolution
        self._gain = per_unit * (1.0 + clipped_normal(bench, kind.uncertainty_pct) / 100.0)
        self._offset = per_unit * clipped_normal(bench, kind.uncertainty)
        self._noise = per_unit * kind.noise
        self._normals = normals(stream(seed, "noise", source, specimen))
        self._multiply, self._divide = (1.0, round(per_unit)) if per_unit >= 1 else (kind.resolution, 1)

    def follow(self, true: float, h_s: float) -> None:
        """Let the sensing element follow a true value as a first-order lag, exact while the value holds.

        Args:
            true: the true value [unit of the source]
            h_s: how long it holds, above 0 [s]

        >>> sensor = Sensor("die", KINDS["die"], seed=1, specimen="brook 2x140", start=20.0)
        >>> sensor.follow(30.0, h_s=1.5)  # one time constant: 1 - 1/e
        >>> round(sensor.followed, 3)
        26.321
        """
        if h_s != self._step_s:
            self._step_s = h_s
            self._share = -math.expm1(-h_s / self._lag_s)
        self.followed += self._share * (true - self.followed)

    def show(self, value: float) -> float:
        """What the display shows [unit of the source]; each call draws new noise.

        Args:
            value: at the sensing element [unit of the source]

        >>> Sensor("level", KINDS["level"], seed=1, specimen="brook 2x140", start=0.0).show(12.0)
        28.0
        """
        steps = round(value * self._gain + self._offset + self._noise * next(self._normals))
        shown = steps * self._multiply / self._divide
        return shown if shown > self._lowest else self._lowest
