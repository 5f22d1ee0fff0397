"""What can go wrong on the simulated bench, each at a time: which fault moves what on the rig.

Owns the names of the faults and what each of them does. What follows from it is physics, elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

from sim.sensors import Mode, Sensor, Source

if TYPE_CHECKING:
    from sim.rig import Rig

FaultKind: TypeAlias = Literal[
    "pump_stalls",
    "fans_stall",
    "tube_kinks",
    "air_lock",
    "leak",
    "smoulders",
    "paste_pumped_out",
    "sensor_stuck",
    "sensor_silent",
    "sensor_nonsense",
    "sensor_drops_out",
    "load_disobeys",
    "load_throttles",
    "meter_battery_dies",
    "ambient_jumps",
    "supply_lost",
]


#: What counts and what listens answers, or it does not.
_NO_DROP_OUTS = ("level", "fan_speed", "pump_speed")
#: What is over as soon as it has happened.
_AT_ONCE: tuple[FaultKind, ...] = ("ambient_jumps",)


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong. Raises ValueError for what it cannot be: its kind, times, size, or sensor."""

    kind: FaultKind
    at_s: float
    """When it begins, in time since the mount [s]."""
    until_s: float = math.inf
    """When it is mended, in time since the mount [s]; paste, jumps and what has leaked stay."""
    size: float | None = None
    """How bad, in the unit of the kind, the usual unless given: see `USUAL`; only for the kinds that stand there."""
    source: str | None = None
    """Which sensor, where the kind is about one."""

    def __post_init__(self) -> None:
        if self.kind not in get_args(FaultKind):
            raise ValueError(f"no such fault {self.kind!r}; there are: {', '.join(get_args(FaultKind))}")
        if self.kind.startswith("sensor_") != (self.source is not None):
            raise ValueError(f"source goes with a fault of a sensor, and only with that; the kind is {self.kind}")
        if self.source is not None and self.source not in get_args(Source):
            raise ValueError(f"no sensor shows {self.source!r}; there are: {', '.join(get_args(Source))}")
        if self.kind == "sensor_drops_out" and self.source in _NO_DROP_OUTS:
            raise ValueError(f"{self.source} has no drop-outs; it can be silent from one time to another")
        if not 0 <= self.at_s < self.until_s:
            raise ValueError(f"a fault begins at 0 s or later and ends after that, got {self.at_s} to {self.until_s}")
        if self.size is None:
            return
        if self.kind == "fans_stall" and self.size != round(self.size):
            raise ValueError(f"size of fans_stall is a number of fans, got {self.size:g}")
        low, high = _SIZES.get(self.kind, (1.0, 0.0))
        if low > high:
            raise ValueError(f"{self.kind} has no size")
        if not low <= self.size <= high:
            raise ValueError(f"size of {self.kind} must be {low:g} to {high:g}, got {self.size:g}")

    @property
    def spoils(self) -> str:
        """What it is about: two faults that spoil the same cover each other."""
        if self.kind == "meter_battery_dies":
            return "level"
        return self.source or self.kind

    @property
    def lasts(self) -> bool:
        """Whether it goes on after it has happened."""
        return self.kind not in _AT_ONCE


#: How bad a fault is when nobody says: stall and lock as a share [1], fans as a number [1], a leak [ml/min], paste as
#: added resistance [1], drop-outs of 1 to 5 s [1/h], the limit of a throttling load [degC], the jump of ambient [K].
USUAL: Mapping[FaultKind, float] = {
    "pump_stalls": 1.0,
    "fans_stall": 1.0,
    "tube_kinks": 1.0,
    "air_lock": 1.0,
    "leak": 3.0,
    "paste_pumped_out": 1.5,
    "sensor_drops_out": 60.0,
    "load_throttles": 70.0,
    "ambient_jumps": 4.0,
}

#: How bad it can be, in the same units.
_SIZES: Mapping[FaultKind, tuple[float, float]] = {
    "pump_stalls": (0.0, 1.0),
    "fans_stall": (0.0, 100.0),
    "tube_kinks": (0.0, 1.0),
    "air_lock": (0.0, 1.0),
    "leak": (0.0, 1000.0),
    "paste_pumped_out": (0.0, 100.0),
    "sensor_drops_out": (0.0, 3600.0),
    "load_throttles": (0.0, 1000.0),
    "ambient_jumps": (-50.0, 50.0),
}


def begin(rig: Rig, fault: Fault) -> None:
    """A fault begins now.

    Args:
        rig: on which [no unit]
        fault: which [no unit]

    >>> from sim.rig import Rig
    >>> from sim.specimens import load_specimens
    >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
    >>> begin(rig, Fault("fans_stall", at_s=0.0))
    >>> rig.turning
    1
    """
    size = USUAL.get(fault.kind, 0.0) if fault.size is None else fault.size
    _BEGINS[fault.kind](rig, size, fault)


def mend(rig: Rig, fault: Fault) -> None:
    """A fault is mended now, where it can be.

    Args:
        rig: on which [no unit]
        fault: which [no unit]

    >>> from sim.rig import Rig
    >>> from sim.specimens import load_specimens
    >>> rig, fault = Rig(load_specimens()["brook 2x140"], seed=1), Fault("fans_stall", at_s=0.0)
    >>> begin(rig, fault)
    >>> mend(rig, fault)
    >>> rig.turning
    2
    """
    mending = _MENDS.get(fault.kind)
    if mending is not None:
        mending(rig, fault)


def _stall_pump(rig: Rig, drag: float) -> None:
    if rig.pump is not None:
        rig.pump.hinder(drag)


def _supply(rig: Rig, on: bool) -> None:
    rig.cooler.load.supplied = on
    rig.fans.supply(on)
    if rig.pump is not None:
        rig.pump.supply(on)


def _leak(rig: Rig, ml_min: float, _fault: Fault) -> None:
    rig.leak_m3_s = 1e-6 / 60.0 * ml_min


def _paste(rig: Rig, size: float, _fault: Fault) -> None:
    rig.paste_factor = 1.0 + size


def _fans(rig: Rig, size: float, _fault: Fault) -> None:
    rig.turning = max(0, rig.specimen.fans.count - round(size))


def _kink(rig: Rig, size: float, _fault: Fault) -> None:
    rig.kink = size


def _air_lock(rig: Rig, size: float, _fault: Fault) -> None:
    rig.air_lock = size


def _disobey(rig: Rig, _size: float, _fault: Fault) -> None:
    rig.obeys = False


def _throttle(rig: Rig, size: float, _fault: Fault) -> None:
    rig.cooler.load.limit_c = size


def _spoil(rig: Rig, fault: Fault, mode: Mode | None) -> None:
    if fault.source not in rig.shown:
        return  # what is mounted has no such sensor
    sensor = rig.failing(fault.source)
    if mode is None:
        sensor.mend()
    else:
        sensor.fail(mode)


def _drop_out(rig: Rig, per_h: float, fault: Fault) -> None:
    sensor = rig.failing(fault.source) if fault.source in rig.shown else None
    if isinstance(sensor, Sensor):
        sensor.drop_out(rig.t_s, per_h)


def _jump(rig: Rig, size: float, fault: Fault) -> None:
    rig.room.jump(fault.at_s, size)


_BEGINS: Mapping[FaultKind, Callable[[Rig, float, Fault], None]] = {
    "pump_stalls": lambda rig, size, _: _stall_pump(rig, size),
    "fans_stall": _fans,
    "tube_kinks": _kink,
    "air_lock": _air_lock,
    "leak": _leak,
    "smoulders": lambda rig, *_: setattr(rig, "smoulders", True),
    "paste_pumped_out": _paste,
    "sensor_stuck": lambda rig, _, fault: _spoil(rig, fault, "stuck"),
    "sensor_silent": lambda rig, _, fault: _spoil(rig, fault, "silent"),
    "sensor_nonsense": lambda rig, _, fault: _spoil(rig, fault, "nonsense"),
    "sensor_drops_out": _drop_out,
    "load_disobeys": _disobey,
    "load_throttles": _throttle,
    "meter_battery_dies": lambda rig, *_: rig.meter.fail("silent"),
    "ambient_jumps": _jump,
    "supply_lost": lambda rig, *_: _supply(rig, False),
}

_MENDS: Mapping[FaultKind, Callable[[Rig, Fault], None]] = {
    "pump_stalls": lambda rig, _: _stall_pump(rig, 0.0),
    "fans_stall": lambda rig, fault: _fans(rig, 0.0, fault),
    "tube_kinks": lambda rig, fault: _kink(rig, 0.0, fault),
    "air_lock": lambda rig, fault: _air_lock(rig, 0.0, fault),
    "leak": lambda rig, fault: _leak(rig, 0.0, fault),
    "smoulders": lambda rig, _: setattr(rig, "smoulders", False),
    "sensor_stuck": lambda rig, fault: _spoil(rig, fault, None),
    "sensor_silent": lambda rig, fault: _spoil(rig, fault, None),
    "sensor_nonsense": lambda rig, fault: _spoil(rig, fault, None),
    "sensor_drops_out": lambda rig, fault: _drop_out(rig, 0.0, fault),
    "load_disobeys": lambda rig, _: setattr(rig, "obeys", True),
    "load_throttles": lambda rig, fault: _throttle(rig, rig.cooler.load.own_limit_c, fault),
    "meter_battery_dies": lambda rig, _: rig.meter.mend(),
    "supply_lost": lambda rig, _: _supply(rig, True),
}
