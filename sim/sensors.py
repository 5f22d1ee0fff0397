"""What the bench's sensors make of a true value: lag, offset, gain error, noise, resolution, lower limit, and faults.

Owns the figures of the usual sensors; a bench may have others (benches.toml). The bench files of benchd state the same.
Offset and gain belong to the bench, not to the night or the specimen: one copy number, one bench, all its nights.
A reading is a number; None when nothing answers; NaN when what comes is not a number.
The sound level meter (meter.py) and what counts (counters.py) have modules of their own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
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
    "leak",
    "smoke",
    "throttled",
    "clock",
]

Mode: TypeAlias = Literal["stuck", "silent", "nonsense"]

#: A number, NaN for what is not a number, None for no answer.
Reading: TypeAlias = float | None

#: How long a drop-out lasts: shortest and longest [s]; invented.
_DROPOUT_S = (1.0, 5.0)


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
    dropouts_per_h: float = 0.0
    """How often it does not answer for 1 to 5 s, on average [1/h]."""


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
    "leak": SensorKind(resolution=1.0, lag_s=3.0),  # 1 when wet, 0 when dry; 2.1 s after the first drop [1]
    "throttled": SensorKind(resolution=1.0),  # seconds in which the load has throttled, counted by the load itself [s]
    "clock": SensorKind(resolution=1.0, lowest=0.0),  # of a processor, of what the work would have unthrottled [%]
    "smoke": SensorKind(resolution=1.0, lag_s=10.0),  # 1 when there is smoke, which takes its time to get there [1]
}


class Failing:
    """Whatever gives readings can fail: stuck at its last reading, silent, or talking nonsense.

    Args:
        name: of the sensor, for its nonsense [no unit]
        seed: of the bench [1]
        last: at what it sticks before it gave any reading [its unit]

    >>> Failing("die", seed=1, last=20.0).faulty
    False
    """

    __slots__ = ("_last", "_mode", "_name", "_nonsense", "_seed")

    def __init__(self, name: str, seed: int, last: float) -> None:
        self._name = name
        self._seed = seed
        self._last = last
        self._mode: Mode | None = None
        self._nonsense: Iterator[float] = iter(())

    @property
    def faulty(self) -> bool:
        """Whether a fault is switched on."""
        return self._mode is not None

    def fail(self, mode: Mode) -> None:
        """Switch a fault on, from the next reading.

        Args:
            mode: "stuck" at the last reading, "silent" (None), or "nonsense": wild values and NaN [no unit]

        >>> sensor = Sensor("die", KINDS["die"], seed=1, specimen="brook 2x140", start=23.0)
        >>> sensor.fail("stuck")
        >>> sensor.read(0.0, 60.0)
        23.0
        """
        self._mode = mode
        self._nonsense = normals(stream(self._seed, "nonsense", self._name))

    def mend(self) -> None:
        """Switch the fault off.

        >>> sensor = Sensor("leak", KINDS["leak"], seed=1, specimen="brook 2x140", start=0.0)
        >>> sensor.fail("silent")
        >>> sensor.mend()
        >>> sensor.read(0.0, 0.0)
        0.0
        """
        self._mode = None

    def _instead(self) -> Reading:
        """What a fault answers."""
        if self._mode == "silent":
            return None
        if self._mode == "stuck":
            return self._last
        wild = next(self._nonsense)
        return math.nan if wild > 0.5 else round(1000.0 * wild, 1)


class Sensor(Failing):
    """One sensor of one bench. Valid for every value; displays round to the nearest step.

    `sense` it at whole seconds, `read` it at any time: the element follows the straight line from the true value at the
    last whole second to that now, solved exactly, so that a reading between them disturbs nothing and the element does
    not know how often it is read. A sensor without lag need not be sensed.

    Args:
        source: what it measures [no unit]
        kind: its figures [each its own]
        seed: of the run: noise and drop-outs [1]
        specimen: what is mounted; only chooses the noise, so that two nights differ [no unit]
        start: what it shows at first [unit of the source]
        copy_number: of the bench: offset and gain [1]

    >>> sensor = Sensor("die", KINDS["die"], seed=1, specimen="brook 2x140", start=23.0)
    >>> abs(sensor.show(60.0) - 60.0) < 1.0
    True
    """

    __slots__ = (
        "_divide",
        "_dropouts",
        "_dropouts_per_h",
        "_from_share",
        "_gain",
        "_gap_end_s",
        "_gap_start_s",
        "_kept",
        "_lag_s",
        "_lowest",
        "_multiply",
        "_noise",
        "_normals",
        "_offset",
        "_ramp_s",
        "_share",
        "_step_s",
        "_t_s",
        "_to_share",
        "_true",
        "followed",
    )

    def __init__(
        self, source: Source, kind: SensorKind, seed: int, specimen: str, start: float, copy_number: int = 1
    ) -> None:
        super().__init__(source, seed, start)
        bench = stream(copy_number, "sensor", source)
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
        self._t_s = 0.0
        self._true = start
        self._ramp_s = -1.0
        self._kept = self._from_share = self._to_share = 0.0
        self._dropouts = stream(seed, "dropouts", source, specimen)
        self._dropouts_per_h = kind.dropouts_per_h
        self._gap_start_s = self._gap_end_s = 0.0 if kind.dropouts_per_h else math.inf

    def drop_out(self, t_s: float, per_h: float) -> None:
        """From now on it does not answer now and then, for 1 to 5 s; 0 puts an end to that.

        Args:
            t_s: time since the mount [s]
            per_h: how often, on average [1/h]

        >>> sensor = Sensor("ambient", KINDS["ambient"], seed=1, specimen="brook 2x140", start=23.0)
        >>> sensor.drop_out(0.0, 600.0)
        >>> 100 < sum(sensor.read(float(t_s), 23.0) is None for t_s in range(600)) < 300
        True
        """
        self._dropouts_per_h = per_h
        self._gap_start_s = self._gap_end_s = t_s if per_h else math.inf

    def sense(self, t_s: float, true: float) -> None:
        """At a whole second: the element has followed the true value up to now.

        Args:
            t_s: time since the mount, not before the last [s]
            true: the true value now [unit of the source]

        >>> sensor = Sensor("die", KINDS["die"], seed=1, specimen="brook 2x140", start=20.0)
        >>> for second in range(1, 61):
        ...     sensor.sense(float(second), 20.0 + 0.5 * second)
        >>> round(50.0 - sensor.followed, 6)  # it lags behind a slope by slope times time constant
        0.75
        """
        self.followed = self._at(t_s, true)
        self._true = true
        self._t_s = t_s

    def read(self, t_s: float, true: float) -> Reading:
        """What it answers [unit of the source]: a reading, None in a drop-out, or what its fault makes of it.

        Args:
            t_s: time since the mount [s], not before the last `sense`
            true: the true value now [unit of the source]

        >>> sensor = Sensor("coolant", KINDS["coolant"], seed=1, specimen="brook 2x140", start=30.0)
        >>> sensor.sense(1.0, 30.0)
        >>> abs(sensor.read(1.5, 30.1) - 30.0) < 0.3
        True
        """
        if t_s >= self._gap_start_s and self._dropped_out(t_s):
            return None
        if self._mode is not None:
            return self._instead()
        if self._lag_s > 0.0:
            true = self.followed if t_s == self._t_s else self._at(t_s, true)
        return self.show(true)

    def show(self, value: float) -> float:
        """What the display shows [unit of the source]; each call draws new noise.

        Args:
            value: at the sensing element [unit of the source]

        >>> Sensor("level", KINDS["level"], seed=1, specimen="brook 2x140", start=0.0).show(12.0)
        28.0
        """
        steps = round(value * self._gain + self._offset + self._noise * next(self._normals))
        shown = steps * self._multiply / self._divide
        self._last = shown = shown if shown > self._lowest else self._lowest
        return shown

    def _at(self, t_s: float, true: float) -> float:
        """The element at a time, had the true value moved straight from that of the last `sense` to this one."""
        span_s = t_s - self._t_s
        if span_s != self._ramp_s:
            self._prepare(span_s)
        return self._kept * self.followed + self._from_share * self._true + self._to_share * true

    def _prepare(self, span_s: float) -> None:
        """The response of a first-order lag to a straight line: x = kept x0 + from_share u0 + to_share u."""
        self._ramp_s = span_s
        if self._lag_s == 0.0:
            self._kept, self._from_share, self._to_share = 0.0, 0.0, 1.0
        elif span_s == 0.0:
            self._kept, self._from_share, self._to_share = 1.0, 0.0, 0.0
        else:
            moved = -math.expm1(-span_s / self._lag_s)
            self._kept = 1.0 - moved
            self._to_share = 1.0 - self._lag_s * moved / span_s
            self._from_share = moved - self._to_share

    def _dropped_out(self, t_s: float) -> bool:
        while t_s >= self._gap_end_s:
            self._gap_start_s = self._gap_end_s + float(self._dropouts.exponential(3600.0 / self._dropouts_per_h))
            self._gap_end_s = self._gap_start_s + float(self._dropouts.uniform(*_DROPOUT_S))
        return t_s >= self._gap_start_s
