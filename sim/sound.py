"""What reaches the microphone from the bench itself: fans, pump, supply, case fans, coil whine, and how levels add.

Levels are A-weighted, at the microphone of the simulated bench [dBA]. Knows nothing of the meter (meter.py) or of the
room's own noise (room.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.seeds import stream

#: One 120 mm fan at 2200 1/min at this bench's microphone; common practice, no source.
_FAN_DBA, _FAN_RPM, _FAN_MM = 44.0, 2200.0, 120.0
#: The same without the room: it reads 44 in a room that reads 34, and 10^4.4 - 10^3.4 is 43.54 dB.
_FAN_ALONE_DBA = 43.6
#: By how much the speeds of neighbouring fans on one radiator differ [%]; invented.
_APART_PCT = (0.05 / 7, 0.15 / 7)
_REV_PER_MIN_TO_RAD_PER_S = 2.0 * math.pi / 60.0


def energy(level_dba: float) -> float:
    """Energy of a level, relative to that of 0 dB [1]: 10^(L/10). Valid for every level.

    Args:
        level_dba: level [dBA]

    >>> energy(30.0)
    1000.0
    """
    return math.pow(10.0, 0.1 * level_dba)


def level_of(relative_energy: float) -> float:
    """Level of an energy [dBA], the inverse of `energy`. Energies of different noises add.

    Args:
        relative_energy: above 0 [1]

    >>> round(level_of(energy(60.0) + energy(50.0)), 4)
    60.4139
    """
    return 10.0 * math.log10(relative_energy)


def fans_dba(rpm: float, diameter_mm: float, count: float, reference_dba: float = _FAN_DBA) -> float:
    """Level of equal fans [dBA]: L_ref + 50 lg(n/2200) + 70 lg(D/120 mm) + 10 lg N.

    From Lw = 40 + 10 lg Q + 20 lg p (engineeringtoolbox.com, fan-noise-d_61, eq. 1b) with Q ~ n D^3 and
    p ~ n^2 D^2 (affinity laws). One fan of 120 mm at 2200 1/min is put at 44 dBA: common practice, no source.
    Valid for fans alike in shape and mounting; says nothing of tones.

    Args:
        rpm: speed, above 0 [1/min]
        diameter_mm: diameter of each fan [mm]
        count: how many [1]
        reference_dba: level of one fan of 120 mm at 2200 1/min [dBA]

    >>> [round(fans_dba(*fans), 2) for fans in ((2200, 120, 1), (2200, 120, 2), (2000, 140, 2))]
    [44.0, 47.01, 49.63]
    """
    return (
        reference_dba
        + 50.0 * math.log10(rpm / _FAN_RPM)
        + 70.0 * math.log10(diameter_mm / _FAN_MM)
        + 10.0 * math.log10(count)
    )


def pump_dba(speed_pct: float, knee_pct: float, knee_dba: float, steep_db_per_pct: float) -> float:
    """Level of a pump [dBA]: L_knee + 50 lg(s/s_knee), and steep_db_per_pct more for each % above the knee.

    Invented law: a pump is heard when it is fast.

    Args:
        speed_pct: speed, above 0 [% of full speed]
        knee_pct: speed from which it rises steeply [% of full speed]
        knee_dba: level there [dBA]
        steep_db_per_pct: how steeply [dB/%]

    >>> round(pump_dba(60, 60, 21.0, 0.2), 2), round(pump_dba(100, 60, 21.0, 0.2), 2)
    (21.0, 40.09)
    """
    above = max(0.0, speed_pct - knee_pct) * steep_db_per_pct
    return knee_dba + 50.0 * math.log10(speed_pct / knee_pct) + above


@dataclass(frozen=True, slots=True)
class Burst:
    """A short noise, of constant energy while it lasts, on top of the rest."""

    start_s: float
    """Since the mount [s]."""
    end_s: float
    """Since the mount [s]."""
    energy: float
    """Relative to 0 dB [1]."""


@dataclass(frozen=True)
class Hump:
    """A speed at which fan, fins and case resonate. Gaussian over the speed: invented shape."""

    centre_rpm: float
    """Where it is loudest [1/min]."""
    height_db: float
    """How much louder than the 50 lg law there [dB]."""
    width_rpm: float
    """Distance from the centre at which 1/e of the height is left, above 0 [1/min]."""


@dataclass(frozen=True)
class FanNoise:
    """What the fans of one specimen sound like. Defaults: usual, no source."""

    count: int
    """How many stand on one radiator or heat sink [1]."""
    diameter_mm: float
    """Of each [mm]."""
    reference_dba: float = _FAN_ALONE_DBA
    """What one of them alone would have as a 120 mm fan at 2200 1/min [dBA]."""
    humps: tuple[Hump, ...] = ()
    """Resonances."""
    tonal: float = 0.23
    """Share of the energy in blade tones, 0 to 1: those of fans at almost one speed beat [1]."""
    blades: int = 7
    """Blades of a fan [1]."""
    hysteresis_db: float = 0.3
    """How much louder a speed is when it was reached from above than from below [dB]."""
    play_rpm: float = 40.0
    """The speed must move twice this far before it counts as reached from the other side, above 0 [1/min]."""

    def fan_dba(self, rpm: float) -> float:
        """Level of one fan with its humps, reached half from above and half from below [dBA].

        Args:
            rpm: its speed, above 0 [1/min]

        >>> fan = FanNoise(1, 120.0, humps=(Hump(1300.0, 2.0, 60.0),))
        >>> [round(fan.fan_dba(rpm), 2) for rpm in (1300.0, 1360.0, 2200.0)]
        [34.18, 33.89, 43.6]
        """
        humps_db = sum(
            hump.height_db * math.exp(-(((rpm - hump.centre_rpm) / hump.width_rpm) ** 2)) for hump in self.humps
        )
        return fans_dba(rpm, self.diameter_mm, 1, self.reference_dba) + humps_db


@dataclass(frozen=True)
class PumpNoise:
    """What a pump sounds like: a broad band, a tone, and bubbles. Invented figures: not heard up to some 60 %."""

    knee_pct: float = 60.0
    """The speed at which the two levels below hold, above 0 [%]."""
    broad_dba: float = 19.0
    """Broadband part there; goes with 50 lg of the speed [dBA]."""
    tone_dba: float = 16.0
    """Tonal part there [dBA]."""
    steep_db_per_pct: float = 0.6
    """How steeply the tone grows with the speed [dB per % of speed]."""
    bubbles_dba: float = 30.0
    """What bubbles right after filling add there; goes with 50 lg of the speed [dBA]."""

    def pump_dba(self, speed_pct: float, bubbles: float = 0.0) -> float:
        """Level of the pump [dBA]: energies of broad band, tone and bubbles together.

        Args:
            speed_pct: speed, above 0 [% of full speed]
            bubbles: how much of the bubbles after filling is left, 0 to 1 [1]

        >>> pump = PumpNoise()
        >>> [round(pump.pump_dba(pct), 1) for pct in (40, 60, 80, 100)]
        [11.1, 20.8, 29.8, 40.4]
        >>> round(pump.pump_dba(60, bubbles=1.0), 1)
        30.5
        """
        pure, with_bubbles = self._energies(speed_pct)
        return level_of(pure + bubbles * with_bubbles)

    def _energies(self, speed_pct: float) -> tuple[float, float]:
        """Of broad band and tone, and of all the bubbles [1]."""
        fifth = (speed_pct / self.knee_pct) ** 5
        tone = energy(self.tone_dba + self.steep_db_per_pct * (speed_pct - self.knee_pct))
        return energy(self.broad_dba) * fifth + tone, energy(self.bubbles_dba) * fifth


@dataclass(frozen=True)
class Auxiliaries:
    """What else on the bench makes noise and belongs to the background. Invented figures of a quiet bench."""

    supply_dba: float = 24.0
    """The fan of the supply without load [dBA]."""
    supply_db_per_w: float = 0.005
    """How much louder it gets with the load [dB/W]."""
    case_fans_dba: float = 25.5
    """Fans of the case, which run at one speed [dBA]."""
    coil_dba: float = 14.0
    """Coil whine at 100 W; goes with 20 lg of the watts: the force with the square of the current [dBA]."""

    def auxiliaries_dba(self, load_w: float) -> float:
        """Level of all of them together [dBA].

        Args:
            load_w: what the load takes, 0 or more [W]

        >>> [round(Auxiliaries().auxiliaries_dba(load_w), 2) for load_w in (0, 100, 260)]
        [27.82, 28.21, 29.36]
        """
        supply = energy(self.supply_dba + self.supply_db_per_w * load_w)
        return level_of(supply + energy(self.case_fans_dba) + energy(self.coil_dba) * (load_w / 100.0) ** 2)


class Noise:
    """Everything on the bench that sounds, at the microphone, refreshed at whole seconds.

    Fans: one fan's level by `FanNoise.fan_dba`. Of N fans the share m of the energy is in the tones of their b blades
    passing, at b n / 60. Fan i runs at n (1 + e_i) with a small e_i of its own, so its tone gains on the others by the
    angle phi_i, d phi_i / dt = 2 pi b e_i n / 60, and the energy is E1 [N (1 - m) + m |sum exp(j phi_i)|^2], which is
    E1 [N + 2 m sum cos(phi_i - phi_k)] over all pairs: on average N E1, but beating (interference of coherent
    sources, from memory). With m = 0.23 two fans swing by +0.9 and -1.1 dB in 20 to 60 s at 2000 1/min. Hysteresis:
    a play of +- `play_rpm` that the speed drags along tells from which side it came.

    The level depends on the speeds at the seconds at which it was refreshed, and on nothing in between. Valid for any
    speeds and loads of 0 or more.

    Args:
        fans: of the specimen; None without any [no unit]
        pump: of the specimen; None without one [no unit]
        auxiliaries: of the bench [no unit]
        seed: of the run [1]
        specimen: what is mounted; other fans, another beat [no unit]

    >>> noise = Noise(FanNoise(1, 120.0), PumpNoise(), Auxiliaries(), seed=1, specimen="brook 1x120")
    >>> round(level_of(noise.refresh(0.0, fan_rpm=2200.0, pump_pct=60.0, load_w=0.0)), 1)
    43.7
    >>> round(level_of(noise.refresh(1.0, fan_rpm=0.0, pump_pct=0.0, load_w=0.0)), 1)
    27.8
    """

    __slots__ = (
        "_apart",
        "_auxiliaries",
        "_background",
        "_dragged_rpm",
        "_fan",
        "_fan_rpm",
        "_fans",
        "_load_w",
        "_phases",
        "_pump",
        "_pump_energies",
        "_pump_pct",
        "_t_s",
        "energy",
    )

    def __init__(
        self, fans: FanNoise | None, pump: PumpNoise | None, auxiliaries: Auxiliaries, seed: int, specimen: str
    ) -> None:
        self._fans = fans
        self._pump = pump
        self._auxiliaries = auxiliaries
        self._t_s = 0.0
        self._fan_rpm = self._dragged_rpm = -1.0
        self._pump_pct = self._load_w = -1.0
        self._fan = self._background = 0.0
        self._pump_energies = 0.0, 0.0
        self.energy = 0.0
        """Of all together since the last refresh, relative to 0 dB [1]."""
        draw = stream(seed, "beat", specimen)
        count = fans.count if fans else 0
        faster = np.cumsum(draw.uniform(*_APART_PCT, count) / 100.0).tolist()
        phases = draw.uniform(0.0, 2.0 * math.pi, count).tolist()
        # Of each pair of fans; those of the first k fans stand in the first k (k - 1) / 2 places.
        pairs = [(i, j) for j in range(count) for i in range(j)]
        self._apart: tuple[float, ...] = tuple(faster[j] - faster[i] for i, j in pairs)
        self._phases: list[float] = [phases[j] - phases[i] for i, j in pairs]

    def refresh(
        self,
        t_s: float,
        fan_rpm: float,
        pump_pct: float,
        load_w: float,
        bubbles: float = 0.0,
        turning: int | None = None,
        supplied: bool = True,
    ) -> float:
        """Energy at the microphone from this second on, relative to 0 dB [1]; also kept as `energy`.

        Args:
            t_s: time since the mount, a whole second, later than the last [s]
            fan_rpm: speed of the fans, 0 or more [1/min]
            pump_pct: speed of the pump, 0 or more [% of full speed]
            load_w: what the load takes, 0 or more [W]
            bubbles: how much of the bubbles after filling is left, 0 to 1 [1]
            turning: how many fans have not stalled; None for all [1]
            supplied: whether the bench's own fans have anything to turn them [no unit]

        >>> noise = Noise(FanNoise(2, 120.0), None, Auxiliaries(), seed=1, specimen="brook 2x120")
        >>> levels = [level_of(noise.refresh(float(t), 2000.0, 0.0, 0.0)) for t in range(120)]
        >>> 1.5 < max(levels) - min(levels) < 2.2
        True
        """
        if load_w != self._load_w:
            self._load_w = load_w
            self._background = energy(self._auxiliaries.auxiliaries_dba(load_w))
        total = self._background if supplied else 0.0
        if self._fans is not None:
            total += self._fans_energy(self._fans, t_s - self._t_s, fan_rpm, turning)
        if self._pump is not None and pump_pct > 0.0:
            if pump_pct != self._pump_pct:
                self._pump_pct = pump_pct
                self._pump_energies = self._pump._energies(pump_pct)
            pure, with_bubbles = self._pump_energies
            total += pure + bubbles * with_bubbles
        self._t_s = t_s
        self.energy = total
        return total

    def _fans_energy(self, fans: FanNoise, span_s: float, rpm: float, turning: int | None) -> float:
        before_rpm = self._fan_rpm
        if rpm != before_rpm:
            if before_rpm < 0.0:  # the first time: from neither side
                before_rpm = self._dragged_rpm = rpm
            self._fan_rpm = rpm
            self._fan = self._one_fan(fans, rpm)
        count = fans.count if turning is None else turning
        if fans.count > 1:
            gained = fans.blades * _REV_PER_MIN_TO_RAD_PER_S * 0.5 * (before_rpm + rpm) * span_s
            phases = self._phases
            for i, apart in enumerate(self._apart):
                phases[i] += gained * apart
        if count < 2:
            return count * self._fan
        beating = sum(map(math.cos, self._phases[: count * (count - 1) // 2]))
        return self._fan * (count + 2.0 * fans.tonal * beating)

    def _one_fan(self, fans: FanNoise, rpm: float) -> float:
        """Energy of one fan at this speed; moves the play of the hysteresis."""
        self._dragged_rpm = min(max(self._dragged_rpm, rpm - fans.play_rpm), rpm + fans.play_rpm)
        if rpm <= 0.0:
            return 0.0
        from_above = (self._dragged_rpm - rpm) / fans.play_rpm  # +1 from above, -1 from below
        return energy(fans.fan_dba(rpm) + 0.5 * fans.hysteresis_db * from_above)
