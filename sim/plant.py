"""The simulated bench as its instruments see it: mount a specimen, command setpoints, let time pass, read.

Owns bench time on the simulator's side, and what heat has been commanded. The physics is in rig.py and below.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from sim.bench_tables import USUAL
from sim.benches import Bench, load_benches
from sim.cooler import Energy
from sim.faults import Fault, FaultKind
from sim.rig import Rig
from sim.sensors import Reading, Source
from sim.specimens import load_specimens


class Plant:
    """One simulated bench. Everything it gives follows from specimen, seed and the calls, in their order.

    Args:
        bench: on which specimens are mounted; the usual one unless given [each its own]

    >>> plant = Plant()
    >>> plant.mount("brook 2x140", seed=1)
    >>> plant.set(heat_w=260.0, fan_pct=60.0, pump_pct=60.0)
    >>> plant.advance(0.0)
    >>> plant.advance(1800.0)
    >>> 70.0 < plant.read("die") < 80.0
    True
    """

    def __init__(self, bench: Bench | None = None) -> None:
        self.bench = bench or load_benches()[USUAL]
        """On which specimens will be mounted."""
        self.planned: tuple[Fault, ...] = ()
        """Faults that happen to every mount to come."""
        self._rig: Rig | None = None
        self._mounted: tuple[str, int, int] | None = None
        self._zero_s: float | None = None
        self._asked_s = 0.0  # the last time asked for; the rig keeps whole nanoseconds, so its own is not that
        self._heat_w = 0.0

    @property
    def mounted(self) -> str | None:
        """The specimen on the bench, None before the first mount."""
        return self._rig.specimen.name if self._rig else None

    @property
    def shown(self) -> Mapping[Source, Callable[[], Reading]]:
        """What the sensors show, by source [its unit]; empty before the first mount."""
        return self._rig.shown if self._rig else {}

    def mount(self, specimen: str, seed: int, mount: int = 1) -> None:
        """Mount a specimen: heat off, fans and pump full, all at ambient; time starts at the next `advance`.

        The same again before that changes nothing, so each instrument of a bench may ask for it. Raises
        KeyError for a name that `load_specimens` does not know.

        Args:
            specimen: its name [no unit]
            seed: of the run: its night in the room, and all noise [1]
            mount: number of the mount of this specimen: its paste [1]

        >>> plant = Plant()
        >>> plant.mount("slate tower", seed=1)
        >>> plant.mounted
        'slate tower'
        """
        if self._mounted == (specimen, seed, mount) and self._zero_s is None:
            return
        self._rig = Rig(load_specimens()[specimen], seed, self.bench, mount, self.planned)
        self._mounted = specimen, seed, mount
        self._zero_s = None
        self._heat_w = 0.0

    def set(self, *, heat_w: float | None = None, fan_pct: float | None = None, pump_pct: float | None = None) -> None:
        """Command setpoints; what is left out stays. Without a specimen, or a pump, there is nothing to move.

        Raises ValueError outside the ranges below.

        Args:
            heat_w: heater, 0 or more [W]
            fan_pct: fans, 0 to 100 [%]
            pump_pct: pump, 0 to 100 [%]

        >>> Plant().set(fan_pct=101.0)
        Traceback (most recent call last):
        ValueError: fan_pct must be 0 to 100, got 101.0
        """
        for name, pct in (("fan_pct", fan_pct), ("pump_pct", pump_pct)):
            if pct is not None and not 0 <= pct <= 100:
                raise ValueError(f"{name} must be 0 to 100, got {pct}")
        if heat_w is not None:
            if not 0 <= heat_w < math.inf:
                raise ValueError(f"heat_w must be 0 or more, got {heat_w}")
            self._heat_w = heat_w
        if self._rig is None:
            return
        if fan_pct is not None:
            self._rig.fans.command(fan_pct)
        if pump_pct is not None and self._rig.pump is not None:
            self._rig.pump.command(pump_pct)

    def advance(self, t_s: float) -> None:
        """Let bench time go on, from the first call after a mount; the same time again does nothing.

        Raises ValueError for a time that goes back, RuntimeError before the first mount.

        Args:
            t_s: bench time now [s]

        >>> plant = Plant()
        >>> plant.mount("slate tower", seed=1)
        >>> plant.set(heat_w=100.0)
        >>> for t_s in (500.0, 510.0, 510.0, 530.0):
        ...     plant.advance(t_s)
        >>> 2800.0 < plant.energy().in_j < 2900.0  # the heater lags by 1.5 s
        True
        """
        rig = self._mounted_rig()
        if self._zero_s is None:
            self._zero_s = self._asked_s = t_s
        if t_s == self._asked_s:
            return
        if not t_s > self._asked_s:
            raise ValueError(f"bench time went back to {t_s} s")
        rig.advance_to(t_s - self._zero_s, self._heat_w)
        self._asked_s = t_s

    def read(self, source: Source) -> Reading:
        """What one sensor shows now [unit of the source], None without an answer; each call draws new noise.

        Raises KeyError for a source that the specimen does not have, RuntimeError before the first mount.

        Args:
            source: which sensor [no unit]

        >>> plant = Plant()
        >>> plant.mount("brook 2x140", seed=1)
        >>> plant.advance(0.0)
        >>> 21.0 < plant.read("ambient") < 25.0
        True
        """
        return self._mounted_rig().shown[source]()

    def true(self, source: Source) -> float:
        """What really is [unit of the source], which no bench can know. Raises like `read`.

        Args:
            source: which quantity [no unit]

        >>> plant = Plant()
        >>> plant.mount("brook 2x140", seed=1)
        >>> plant.true("die") == plant.true("ambient")
        True
        """
        return self._mounted_rig().true[source]()

    def begin_fault(self, kind: FaultKind, size: float | None = None, source: str | None = None) -> None:
        """Something goes wrong now, until `mend_fault`.

        Raises ValueError for what a `Fault` cannot be, RuntimeError before the first mount.

        Args:
            kind: what [no unit]
            size: how bad, the usual unless given [the kind's own, see `sim.faults.USUAL`]
            source: which sensor, where the kind is about one [no unit]

        >>> plant = Plant()
        >>> plant.mount("brook 2x140", seed=1)
        >>> plant.begin_fault("pump_stalls")
        >>> plant.advance(0.0)
        >>> plant.advance(10.0)
        >>> plant.true("pump_speed")
        0.0
        """
        rig = self._mounted_rig()
        rig.begin(Fault(kind, at_s=rig.t_s, size=size, source=source))

    def mend_fault(self, kind: FaultKind, source: str | None = None) -> None:
        """A fault is mended now, where it can be. Raises like `begin_fault`.

        Args:
            kind: what [no unit]
            source: which sensor, where the kind is about one [no unit]

        >>> plant = Plant()
        >>> plant.mount("brook 2x140", seed=1)
        >>> plant.begin_fault("sensor_silent", source="die")
        >>> plant.read("die") is None
        True
        >>> plant.mend_fault("sensor_silent", source="die")
        >>> plant.read("die") is None
        False
        """
        rig = self._mounted_rig()
        rig.mend_all(kind, source)

    def energy(self) -> Energy:
        """The heat balance since the mount [J].

        >>> plant = Plant()
        >>> plant.mount("brook 2x140", seed=1)
        >>> plant.energy().in_j
        0.0
        """
        return self._mounted_rig().energy

    def _mounted_rig(self) -> Rig:
        if self._rig is None:
            raise RuntimeError("nothing is mounted on the simulated bench")
        return self._rig
