"""What the microphone hears: fans, pump, and how levels add.

Levels are A-weighted, at the microphone of the simulated bench [dBA]. Knows nothing of the meter (sensors.py)
or of the room's own noise (room.py).
"""

from __future__ import annotations

import math

#: One 120 mm fan at 2200 1/min, alone, at this bench's microphone; common practice, no source.
_FAN_DBA, _FAN_RPM, _FAN_MM = 44.0, 2200.0, 120.0


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


def fans_dba(rpm: float, diameter_mm: float, count: float) -> float:
    """Level of equal fans [dBA]: 44 + 50 lg(n/2200) + 70 lg(D/120 mm) + 10 lg N.

    From Lw = 40 + 10 lg Q + 20 lg p (engineeringtoolbox.com, fan-noise-d_61, eq. 1b) with Q ~ n D^3 and
    p ~ n^2 D^2 (affinity laws). One fan of 120 mm at 2200 1/min is put at 44 dBA: common practice, no source.
    Valid for fans alike in shape and mounting; says nothing of tones.

    Args:
        rpm: speed, above 0 [1/min]
        diameter_mm: diameter of each fan [mm]
        count: how many [1]

    >>> [round(fans_dba(*fans), 2) for fans in ((2200, 120, 1), (2200, 120, 2), (2000, 140, 2))]
    [44.0, 47.01, 49.63]
    """
    return (
        _FAN_DBA
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
