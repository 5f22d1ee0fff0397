"""The sound level meter: time weighting, self-noise, tolerance, reading noise, display, and its battery.

It is handed the A-weighted energy at its microphone and knows nothing of where that comes from (sound.py, room.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from sim.seeds import clipped_normal, normals, stream
from sim.sensors import Failing, Reading
from sim.sound import Burst, energy, level_of

Weighting: TypeAlias = Literal["F", "S"]

#: Time constants F and S [s]: IEC 61672-1:2013.
TIME_CONSTANT_S: dict[Weighting, float] = {"F": 0.125, "S": 1.0}


@dataclass(frozen=True)
class MeterKind:
    """Figures of one sound level meter. Defaults: a calibrated class 2 meter; usual, no source."""

    weighting: Weighting = "S"
    """F or S."""
    resolution_db: float = 0.1
    """Smallest step of the display, 1/n or n for a whole n [dB]."""
    uncertainty_db: float = 0.7
    """Half width of the 95 % interval of its offset [dB]. Class 2 allows 1.0 at 1 kHz (IEC 61672-1:2013 Table 3)."""
    bandwidth_hz: float = 420.0
    """Effective bandwidth of what it hears, which makes its readings scatter: see `reading_noise_db` [Hz]."""
    lowest_dba: float = 28.0
    """Lower limit of its range: it never shows less [dBA]."""
    self_noise_dba: float = 22.0
    """What it would show in perfect silence if its range went so low [dBA]."""


def reading_noise_db(weighting: Weighting, bandwidth_hz: float) -> float:
    """Scatter of readings of a steady broad noise [dB]: 4.34 / sqrt(B T) with T = 2 tau.

    4.34 / sqrt(B T): diracdelta.co.uk, bandwidth time product; T = 2 tau for exponential averaging: Bendat and
    Piersol, Random Data, from memory. Valid for B T well above 10. Readings nearer than 2 tau are alike, which is not
    in it.

    Args:
        weighting: F or S [no unit]
        bandwidth_hz: effective bandwidth B of the noise, above 0 [Hz]

    >>> round(reading_noise_db("S", 500.0), 3), round(reading_noise_db("F", 500.0), 3)
    (0.137, 0.388)
    """
    return 10.0 / math.log(10.0) / math.sqrt(2.0 * bandwidth_hz * TIME_CONSTANT_S[weighting])


class Meter(Failing):
    """One meter at one microphone. Its battery may die: `fail("silent")` or `fail("stuck")` at the last reading.

    The weighting is the first-order response to the energy, tau dE/dt = E_in - E (IEC 61672-1:2013), solved exactly, so
    that the level at a time does not depend on how the way there was cut. Valid for energies of 0 or more. The
    offset belongs to the bench (copy_number), the noise to the night (seed and specimen).

    Args:
        kind: its figures [each its own]
        seed: of the run [1]
        specimen: what is mounted [no unit]
        start_energy: what it has heard for long at the mount, relative to 0 dB [1]
        copy_number: of the bench [1]

    >>> meter = Meter(MeterKind("F"), seed=1, specimen="brook 2x140", start_energy=0.0)
    >>> meter.hear(0.2, energy(80.0))  # a burst of 200 ms: -1.0 dB
    >>> round(meter.level_dba, 2)
    79.02
    """

    __slots__ = (
        "_kept",
        "_lowest",
        "_normals",
        "_offset",
        "_self_noise",
        "_spread",
        "_step_s",
        "_steps_per_db",
        "_tau_s",
        "heard",
        "t_s",
    )

    def __init__(self, kind: MeterKind, seed: int, specimen: str, start_energy: float, copy_number: int = 1) -> None:
        super().__init__("meter", seed, kind.lowest_dba)
        self.t_s = 0.0
        """Time since the mount up to which it has heard [s]."""
        self.heard = start_energy
        """The weighted energy without its own noise, relative to 0 dB [1]."""
        self._tau_s = TIME_CONSTANT_S[kind.weighting]
        self._step_s = -1.0
        self._kept = 1.0
        self._lowest = kind.lowest_dba
        self._self_noise = energy(kind.self_noise_dba)
        self._steps_per_db = 1.0 / kind.resolution_db
        self._offset = clipped_normal(stream(copy_number, "sensor", "level"), kind.uncertainty_db) / kind.resolution_db
        self._spread = reading_noise_db(kind.weighting, kind.bandwidth_hz) / kind.resolution_db
        self._normals = normals(stream(seed, "noise", "level", specimen))

    def hear(self, until_s: float, sound: float, bursts: Sequence[Burst] = ()) -> None:
        """Go on in time with a constant sound, and bursts on top of it where they fall into this time.

        Args:
            until_s: time since the mount [s], not before `t_s`
            sound: energy of everything but the bursts, relative to 0 dB [1]
            bursts: those that may fall into this time [each its own]

        >>> meter = Meter(MeterKind("S"), seed=1, specimen="brook 2x140", start_energy=0.0)
        >>> meter.hear(1.0, 0.0, [Burst(0.25, 0.75, energy(80.0))])  # half a second: -4.1 dB, then 4.34 dB/s down
        >>> round(meter.level_dba, 2)
        74.86
        """
        if bursts:
            from_s = self.t_s
            edges = {edge for burst in bursts for edge in (burst.start_s, burst.end_s) if from_s < edge < until_s}
            for edge_s in sorted(edges):
                self._step(edge_s, sound + _bursting(bursts, self.t_s))
            sound += _bursting(bursts, self.t_s)
        self._step(until_s, sound)

    @property
    def level_dba(self) -> float:
        """The weighted level with its own noise added by energy, but no error of reading [dBA]."""
        return level_of(self.heard + self._self_noise)

    def show(self) -> float:
        """What a whole meter shows now [dBA]; each call draws new noise.

        >>> meter = Meter(MeterKind(), seed=1, specimen="brook 2x140", start_energy=energy(40.0))
        >>> abs(meter.show() - 40.0) < 1.5
        True
        """
        level = 10.0 * math.log10(self.heard + self._self_noise)
        per_db = self._steps_per_db
        shown = round(level * per_db + self._offset + self._spread * next(self._normals)) / per_db
        self._last = shown = shown if shown > self._lowest else self._lowest
        return shown

    def read(self) -> Reading:
        """What the meter answers now [dBA]: like `show`, or what its fault makes of it.

        >>> meter = Meter(MeterKind(), seed=1, specimen="brook 2x140", start_energy=energy(40.0))
        >>> meter.fail("silent")
        >>> meter.read() is None
        True
        """
        return self.show() if self._mode is None else self._instead()

    def _step(self, until_s: float, sound: float) -> None:
        h_s = until_s - self.t_s
        if h_s != self._step_s:
            self._step_s = h_s
            self._kept = math.exp(-h_s / self._tau_s)
        self.t_s = until_s
        self.heard = sound + self._kept * (self.heard - sound)


def _bursting(bursts: Sequence[Burst], t_s: float) -> float:
    """Energy of the bursts that sound right after this time [1]."""
    return sum(burst.energy for burst in bursts if burst.start_s <= t_s < burst.end_s)
