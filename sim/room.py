"""The test room over one night: ambient temperature, background level, humidity, pressure.

All are smooth functions of the time since the specimen was mounted: slow drift plus a weak ventilation cycle,
with phases drawn from the seed. Invented figures of a quiet, air-conditioned room: common practice, no
source.
"""

from __future__ import annotations

import math

from sim.seeds import stream

_DAY_RAD_PER_S = 2 * math.pi / (9 * 3600)
_VENTILATION_RAD_PER_S = 2 * math.pi / (18 * 60)
_TRAFFIC_RAD_PER_S = 2 * math.pi / (47 * 60)


class Room:
    """One night in the test room. Valid for any time from the mount on.

    Args:
        seed: of the run [1]
        specimen: what is mounted; another specimen, another night [no unit]

    >>> room = Room(1, "brook 2x140")
    >>> 22.0 < room.ambient_c(0.0) < 24.0 and 31.0 < room.background_dba(0.0) < 32.0
    True
    """

    __slots__ = ("_day", "_humidity_pct", "_mean_c", "_pressure_hpa", "_traffic", "_ventilation")

    def __init__(self, seed: int, specimen: str) -> None:
        draw = stream(seed, "room", specimen)
        self._day, self._ventilation, self._traffic = draw.uniform(0.0, 2 * math.pi, 3).tolist()
        self._mean_c = float(draw.uniform(22.7, 23.3))
        self._humidity_pct = float(draw.uniform(38.0, 52.0))
        self._pressure_hpa = float(draw.uniform(995.0, 1020.0))

    def ambient_c(self, t_s: float) -> float:
        """Air of the room [degC], between 22 and 24.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 22 < Room(1, "brook 2x140").ambient_c(3600.0) < 24
        True
        """
        return (
            self._mean_c
            + 0.4 * math.sin(_DAY_RAD_PER_S * t_s + self._day)
            + 0.06 * math.sin(_VENTILATION_RAD_PER_S * t_s + self._ventilation)
        )

    def background_dba(self, t_s: float) -> float:
        """Level without any specimen [dBA], about 31.5 with a slow swing.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 31 < Room(1, "brook 2x140").background_dba(3600.0) < 32
        True
        """
        return (
            31.5
            + 0.25 * math.sin(_TRAFFIC_RAD_PER_S * t_s + self._traffic)
            + 0.1 * math.sin(_VENTILATION_RAD_PER_S * t_s + self._ventilation)
        )

    def humidity_pct(self, t_s: float) -> float:
        """Relative humidity [%].

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 35 < Room(1, "brook 2x140").humidity_pct(3600.0) < 55
        True
        """
        return self._humidity_pct - 2.0 * math.sin(_DAY_RAD_PER_S * t_s + self._day)

    def pressure_hpa(self, t_s: float) -> float:
        """Air pressure [hPa].

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 990 < Room(1, "brook 2x140").pressure_hpa(3600.0) < 1025
        True
        """
        return self._pressure_hpa + 1.5 * math.sin(0.6 * _DAY_RAD_PER_S * t_s)
