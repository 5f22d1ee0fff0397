"""The test room over one night: ambient temperature, background level, humidity, pressure.

Nearly all is a function of the time since the specimen was mounted, with phases and events drawn from the seed. Only
the warmth that the bench itself puts into the room is a state, moved on by `refresh` at whole seconds. Invented
figures of a quiet, air-conditioned room: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from sim.seeds import stream
from sim.sound import Burst, energy, level_of

EventKind: TypeAlias = Literal["door", "vehicle", "ventilation"]

#: How long ahead events are drawn; after that the room is quiet [h].
EVENTS_H = 48.0

_DAY_RAD_PER_S = 2 * math.pi / (9 * 3600)
_TRAFFIC_RAD_PER_S = 2 * math.pi / (47 * 60)
_SECONDS: dict[EventKind, tuple[float, float]] = {
    "door": (0.3, 2.0),
    "vehicle": (20.0, 40.0),
    "ventilation": (600.0, 2400.0),
}
_RISES_DB: dict[EventKind, tuple[float, float]] = {
    "door": (15.0, 25.0),
    "vehicle": (3.0, 8.0),
    "ventilation": (1.0, 3.0),
}


@dataclass(frozen=True)
class RoomKind:
    """Figures of one room. Defaults: a room in which nothing happens."""

    background_dba: float = 31.5
    """Level around which it swings, without the bench [dBA]."""
    swing_db: float = 0.25
    """By how much it swings over an hour, and 0.4 of it with the ventilation cycle [dB]."""
    doors_per_h: float = 0.0
    """Doors that slam: 0.3 to 2 s, 15 to 25 dB over the background [1/h]."""
    vehicles_per_h: float = 0.0
    """Vehicles that pass: 20 to 40 s, 3 to 8 dB over the background at most [1/h]."""
    ventilations_per_h: float = 0.0
    """How often the ventilation goes up by 1 to 3 dB for 10 to 40 minutes [1/h]."""
    mean_c: float = 23.0
    """Air around which it drifts, the same in all nights but for 0.3 K [degC]."""
    drift_k: float = 0.4
    """By how much it drifts over a night, to either side [K]."""
    ventilation_k: float = 0.06
    """By how much it swings with the ventilation cycle of 15 to 20 min, to either side [K]."""
    warming_k_per_w: float = 0.0
    """How much warmer the bench makes it in the end [K/W]."""
    warming_s: float = 5400.0
    """Time constant of that, above 0 [s]."""
    altitude_m: float = 0.0
    """Above the sea, up to 4000, where air still is within what is known of it [m]."""


@dataclass(frozen=True)
class Event:
    """Something that is heard in the room."""

    kind: EventKind
    start_s: float
    """Since the mount [s]."""
    end_s: float
    """Since the mount [s]."""
    rise_db: float
    """Over the background at its loudest [dB]."""
    energy: float
    """What it adds at its loudest, relative to 0 dB [1]."""

    def energy_at(self, t_s: float) -> float:
        """What it adds at a time, relative to 0 dB [1]: constant, a vehicle as a bell (1 - cos) / 2, which is invented.

        Args:
            t_s: time since the mount [s]

        >>> vehicle = Event("vehicle", 100.0, 130.0, 5.0, 3000.0)
        >>> [round(vehicle.energy_at(t_s)) for t_s in (99.0, 107.5, 115.0, 130.0)]
        [0, 1500, 3000, 0]
        """
        if not self.start_s <= t_s < self.end_s:
            return 0.0
        if self.kind != "vehicle":
            return self.energy
        return self.energy * 0.5 * (1.0 - math.cos(2 * math.pi * (t_s - self.start_s) / (self.end_s - self.start_s)))


def standard_pressure_hpa(altitude_m: float) -> float:
    """Air pressure over the sea [hPa]: 1013.25 (1 - 0.0065 h / 288.15)^5.25588.

    U.S. Standard Atmosphere, 1976; the exponent is g0 M / (R L) of the constants given there. Valid to 11 000 m.

    Args:
        altitude_m: above the sea [m]

    >>> round(standard_pressure_hpa(250.0), 1)
    983.6
    """
    return 1013.25 * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 9.80665 * 0.0289644 / (8.31432 * 0.0065))


def saturation_hpa(air_c: float) -> float:
    """Pressure of water vapour at saturation [hPa]: 6.112 exp(17.62 t / (243.12 + t)), by Magnus.

    Coefficients: WMO-No. 8, Guide to Meteorological Instruments and Methods of Observation, as quoted at
    novasolver.jp/zh/tools/dew-point-rh.html. Valid from -40 to 50 degC.

    Args:
        air_c: temperature [degC]

    >>> round(saturation_hpa(23.0), 2)
    28.03
    """
    return 6.112 * math.exp(17.62 * air_c / (243.12 + air_c))


class Room:
    """One night in the test room. Valid for any time from the mount on.

    Args:
        seed: of the run [1]
        specimen: what is mounted; another specimen, another night [no unit]
        kind: its figures [each its own]

    >>> room = Room(1, "brook 2x140")
    >>> 22.0 < room.ambient_c(0.0) < 24.0 and 31.0 < room.background_dba(0.0) < 32.0
    True
    """

    __slots__ = (
        "_active",
        "_coming",
        "_day",
        "_drawn_c",
        "_jumps",
        "_kind",
        "_pressure_hpa",
        "_t_s",
        "_traffic",
        "_vapour_hpa",
        "_ventilation",
        "_ventilation_rad_per_s",
        "air_c",
        "bursts",
        "energy",
        "events",
        "warm_k",
    )

    def __init__(self, seed: int, specimen: str, kind: RoomKind = RoomKind()) -> None:
        draw = stream(seed, "room", specimen)
        self._kind = kind
        self._day, self._ventilation, self._traffic = draw.uniform(0.0, 2 * math.pi, 3).tolist()
        self._drawn_c = float(draw.uniform(kind.mean_c - 0.3, kind.mean_c + 0.3))
        self._vapour_hpa = float(draw.uniform(38.0, 52.0)) / 100.0 * saturation_hpa(self._drawn_c)
        self._pressure_hpa = (
            float(draw.uniform(995.0, 1020.0)) * standard_pressure_hpa(kind.altitude_m) / standard_pressure_hpa(0.0)
        )
        cycle_s = float(stream(seed, "ventilation cycle", specimen).uniform(15.0, 20.0)) * 60.0
        self._ventilation_rad_per_s = 2 * math.pi / cycle_s
        self._jumps: list[tuple[float, float]] = []
        self.events = tuple(sorted(_events(seed, specimen, kind), key=lambda event: event.start_s))
        """All that will be heard, by start."""
        self._coming = 0
        self._active: list[Event] = []
        self._t_s = 0.0
        self.warm_k = 0.0
        """How much warmer the bench has made the room, at the last refresh [K]."""
        self.air_c = self.ambient_c(0.0)
        """Air of the room at the last refresh [degC]."""
        self.energy = energy(self._steady_dba(0.0))
        """Background from the last refresh to the next but for the bursts, relative to 0 dB [1]."""
        self.bursts: tuple[Burst, ...] = ()
        """Short noises of the second that begins with the last refresh, on top of `energy`."""

    def refresh(self, t_s: float, rejected_w: float) -> None:
        """Go on to a whole second: gives `air_c`, `energy` and `bursts` of the second that begins.

        The warmth follows warming_k_per_w x rejected_w as a first-order lag, exact while the watts hold.

        Args:
            t_s: time since the mount, not before the last [s]
            rejected_w: what the bench has put into the room on average since the last refresh [W]

        >>> room = Room(1, "brook 2x140", RoomKind(warming_k_per_w=0.002, warming_s=3600.0))
        >>> room.refresh(3600.0, 250.0)  # one time constant
        >>> round(room.warm_k, 4)
        0.3161
        """
        kind = self._kind
        if kind.warming_k_per_w > 0.0:
            moved = -math.expm1((self._t_s - t_s) / kind.warming_s)
            self.warm_k += moved * (kind.warming_k_per_w * rejected_w - self.warm_k)
        self._t_s = t_s
        self.air_c = self.ambient_c(t_s)
        sound = energy(self._steady_dba(t_s))
        events = self.events
        while self._coming < len(events) and events[self._coming].start_s < t_s + 1.0:
            self._active.append(events[self._coming])
            self._coming += 1
        if self._active:
            self._active = [event for event in self._active if event.end_s > t_s]
            sound += sum(event.energy_at(t_s) for event in self._active if event.kind != "door")
            self.bursts = tuple(
                Burst(event.start_s, event.end_s, event.energy) for event in self._active if event.kind == "door"
            )
        self.energy = sound

    def jump(self, t_s: float, step_k: float) -> None:
        """A fault: the ambient temperature steps at a time, and stays there.

        Args:
            t_s: time since the mount [s]
            step_k: by how much [K]

        >>> room = Room(1, "brook 2x140")
        >>> before_c = room.ambient_c(600.0)
        >>> room.jump(600.0, 3.0)
        >>> round(room.ambient_c(600.0) - before_c, 9), abs(room.ambient_c(599.0) - before_c) < 0.01
        (3.0, True)
        """
        self._jumps.append((t_s, step_k))

    def ambient_c(self, t_s: float) -> float:
        """Air of the room [degC]: drift, ventilation cycle, jumps, and the bench's warmth as of the last refresh.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 22 < Room(1, "brook 2x140").ambient_c(3600.0) < 24
        True
        """
        kind = self._kind
        air_c = (
            self._drawn_c
            + kind.drift_k * math.sin(_DAY_RAD_PER_S * t_s + self._day)
            + kind.ventilation_k * math.sin(self._ventilation_rad_per_s * t_s + self._ventilation)
            + self.warm_k
        )
        for from_s, step_k in self._jumps:
            if t_s >= from_s:
                air_c += step_k
        return air_c

    def background_dba(self, t_s: float) -> float:
        """Level without any bench [dBA]: the slow swing and what happens just then.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 31 < Room(1, "brook 2x140").background_dba(3600.0) < 32
        True
        """
        steady_dba = self._steady_dba(t_s)
        if not self.events:
            return steady_dba
        return level_of(energy(steady_dba) + sum(event.energy_at(t_s) for event in self.events))

    def humidity_pct(self, t_s: float) -> float:
        """Relative humidity [%]: the vapour of the night over that at saturation, at most 100. Warmer air is drier.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 35 < Room(1, "brook 2x140").humidity_pct(3600.0) < 55
        True
        """
        return min(100.0, 100.0 * self._vapour_hpa / saturation_hpa(self.ambient_c(t_s)))

    def pressure_hpa(self, t_s: float) -> float:
        """Air pressure [hPa]: the weather of the night at the altitude of the room.

        Args:
            t_s: time since the mount, 0 or more [s]

        >>> 990 < Room(1, "brook 2x140").pressure_hpa(3600.0) < 1025
        True
        """
        return self._pressure_hpa + 1.5 * math.sin(0.6 * _DAY_RAD_PER_S * t_s)

    def _steady_dba(self, t_s: float) -> float:
        kind = self._kind
        return kind.background_dba + kind.swing_db * (
            math.sin(_TRAFFIC_RAD_PER_S * t_s + self._traffic)
            + 0.4 * math.sin(self._ventilation_rad_per_s * t_s + self._ventilation)
        )


def _events(seed: int, specimen: str, kind: RoomKind) -> Iterator[Event]:
    rates_per_h: dict[EventKind, float] = {
        "door": kind.doors_per_h,
        "vehicle": kind.vehicles_per_h,
        "ventilation": kind.ventilations_per_h,
    }
    for name, per_h in rates_per_h.items():
        draw = stream(seed, "events", name, specimen)
        for start_s in _starts_s(draw, per_h):
            rise_db = float(draw.uniform(*_RISES_DB[name]))
            end_s = start_s + float(draw.uniform(*_SECONDS[name]))
            added = energy(kind.background_dba) * (energy(rise_db) - 1.0)
            yield Event(name, start_s, end_s, rise_db, added)


def _starts_s(draw: np.random.Generator, per_h: float) -> list[float]:
    """Of events independent of each other: uniform in the time, a Poisson number of them."""
    return [float(start) for start in draw.uniform(0.0, EVENTS_H * 3600.0, draw.poisson(per_h * EVENTS_H))]
