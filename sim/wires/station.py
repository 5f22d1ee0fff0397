"""The plant behind the wires: one plant, one steady clock, the supply that feeds its load, and what instruments see.

Owns bench time of a served plant, and which quantities there are to show (`SOURCES`) and to be told (`TARGETS`) by the
names that a table of instruments uses. Knows no protocol, no port and no file. Not for several threads: whoever serves
it calls it from one.

Bench time is what `clock` says; the communication time-out of the supply counts real seconds, whatever the speed.
Whenever anything is asked or told the plant first goes on to now. When the machine stalled meanwhile, it goes on in one
stride, in which the supply opened its output at the moment at which its time-out ran out.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Literal, TypeAlias, get_args

from sim.bench_tables import USUAL
from sim.benches import Bench, load_benches
from sim.faults import FaultKind
from sim.plant import Plant
from sim.sensors import Reading, Source
from sim.wires.base import Device
from sim.wires.heater_supply import HeaterSupply, SupplyLimits

#: What the supply, the fans and the pump tell of their settings: watts, volts, amperes, its switch [1], its state [1],
#: its communication time-out [s], the limit of the load [W], duties [%]; and the heat since the mount [J].
Setting: TypeAlias = Literal[
    "set_power",
    "set_voltage",
    "set_current",
    "output",
    "supply_state",
    "silence",
    "power_limit",
    "set_fans",
    "set_pump",
    "energy",
]
_SENSORS: Mapping[str, Source] = {source: source for source in get_args(Source)}
SOURCES: tuple[str, ...] = (*_SENSORS, *get_args(Setting))

#: What can be told: the load's watts with its switch; the supply's watts, volts, amperes, switch [1] and communication
#: time-out [s] apart; a limit that the load keeps by itself [W]; duties [%].
Target: TypeAlias = Literal[
    "heat", "set_power", "set_voltage", "set_current", "output", "silence", "power_limit", "set_fans", "set_pump"
]
TARGETS: tuple[str, ...] = get_args(Target)
_OF_COOLING = ("set_fans", "set_pump")


class Pace:
    """Bench time that passes `speed` times as fast as real time, from now on. Valid from above 0 to 1000.

    Args:
        speed: bench seconds in a real one [1]

    >>> pace = Pace(60.0)
    >>> 0.0 <= pace() < 60.0
    True
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not 0 < speed <= 1000:
            raise ValueError(f"speed must be above 0 and at most 1000, got {speed:g}")
        self._speed = speed
        self._zero_s = time.monotonic()

    def __call__(self) -> float:
        return self._speed * (time.monotonic() - self._zero_s)


class ByHand:
    """Bench time that stands until `t_s` is set: an engine in virtual time takes the plant with it.

    >>> clock = ByHand()
    >>> clock.t_s = 12.0
    >>> clock()
    12.0
    """

    def __init__(self) -> None:
        self.t_s = 0.0
        """Bench time [s]; one that goes back counts as standing still."""

    def __call__(self) -> float:
        return self.t_s


class Station:
    """A plant with a specimen mounted, heat off, fans and pump full, for whoever serves it.

    Raises KeyError for a specimen that there is not.

    Args:
        specimen: what is mounted [no unit]
        seed: its night in the room, and all noise [1]
        mount: number of the mount of this specimen [1]
        bench: on which it is mounted; the usual one unless given [each its own]
        limits: what the supply can do [each its own]
        clock: bench time; real time unless given [s]
        real_s: the steady clock that the communication time-out counts by [s]

    >>> clock = ByHand()
    >>> station = Station("brook 2x140", seed=1, clock=clock)
    >>> station.tell("heat", 200.0)
    >>> clock.t_s = 60.0
    >>> station.show("heat") > 190.0, station.show("die") > 30.0
    (True, True)
    """

    def __init__(
        self,
        specimen: str,
        seed: int = 1,
        mount: int = 1,
        *,
        bench: Bench | None = None,
        limits: SupplyLimits | None = None,
        clock: Callable[[], float] | None = None,
        real_s: Callable[[], float] = time.monotonic,
    ) -> None:
        bench = bench or load_benches()[USUAL]
        self.plant = Plant(bench)
        self.plant.mount(specimen, seed, mount)
        self._clock = clock or Pace()
        self._real_s = real_s
        self._seen_s = real_s()
        self._t_s = self._clock()
        self.supply = HeaterSupply(limits or SupplyLimits(), bench.supply, self._seen_s)
        self._duties_pct = {"set_fans": 100.0, "set_pump": 100.0}
        self._wrong: set[tuple[FaultKind, str | None]] = set()
        self.plant.advance(self._t_s)

    @property
    def t_s(self) -> float:
        """Bench time of the plant [s]."""
        return self._t_s

    @property
    def wrong(self) -> list[str]:
        """What is wrong with the plant now: kinds of faults, with their sensor where they are about one."""
        return sorted(kind if source is None else f"{kind} {source}" for kind, source in self._wrong)

    def advance(self) -> None:
        """Let the plant go on to now; what the supply does meanwhile it does at its time.

        >>> clock, real = ByHand(), ByHand()
        >>> station = Station("brook 2x140", clock=clock, real_s=real)
        >>> station.tell("heat", 100.0)
        >>> real.t_s, clock.t_s = 60.0, 600.0  # nobody came to speak to it for a minute, ten times as fast
        >>> station.advance()
        >>> round(station.plant.energy().in_j, -2), station.supply.state.name  # 3 s, 30 s of bench time
        (3000.0, 'SILENCE')
        """
        real_s, t_s = self._real_s(), max(self._t_s, self._clock())
        silent_from_s = self.supply.silent_from_s
        if real_s > silent_from_s:
            span_s = max(real_s - self._seen_s, 1e-9)
            share = min(1.0, max(0.0, (silent_from_s - self._seen_s) / span_s))
            self._go_on(self._t_s + share * (t_s - self._t_s))
            self.supply.falls_silent_by(real_s)
        self._go_on(t_s)
        self._seen_s = real_s

    def _go_on(self, t_s: float) -> None:
        self.plant.set(heat_w=self.supply.watts)
        self.plant.advance(t_s)
        self._t_s = t_s

    def show(self, source: str) -> Reading:
        """What a sensor shows now, or what a setting is [unit of the source]; None: it has no value.

        Raises KeyError for a source that there never is.

        Args:
            source: one of SOURCES [no unit]

        >>> station = Station("slate tower", clock=ByHand())
        >>> station.show("set_fans"), station.show("coolant"), station.show("supply_state")
        (100.0, None, 0.0)
        """
        self.advance()
        settings = self._settings()
        if source in settings:
            return settings[source]()
        sensor = self.plant.shown.get(_SENSORS[source])
        return sensor() if sensor is not None else None

    def tell(self, target: str, value: float) -> None:
        """Take a setpoint [unit of the target]. Raises ValueError when it is refused, KeyError for no target.

        Args:
            target: one of TARGETS [no unit]
            value: what is wanted [unit of the target]

        >>> station = Station("brook 2x140", clock=ByHand())
        >>> station.tell("set_pump", 60.0)
        >>> station.show("set_pump")
        60.0
        """
        self.advance()
        if target in _OF_COOLING:
            self.plant.set(**{"fan_pct" if target == "set_fans" else "pump_pct": value})
            self._duties_pct[target] = value
            return
        supply = self.supply
        orders: Mapping[str, Callable[[float], None]] = {
            "heat": supply.heat,
            "set_power": supply.hold_watts,
            "set_voltage": supply.hold_volts,
            "set_current": supply.limit_amperes,
            "output": supply.switch,
            "silence": supply.set_silence,
            "power_limit": supply.cap_watts,
        }
        orders[target](value)
        # A refused order is nobody sensible.
        supply.hear(self._real_s())
        self.plant.set(heat_w=supply.watts)

    def device(self, reads: Mapping[str, str], writes: Mapping[str, str]) -> Device:
        """An instrument with these quantities; when it is told heat, every question to it keeps the heat on.

        Raises ValueError for a quantity that there is not.

        Args:
            reads: source by the name that the instrument's server gives it [no unit]
            writes: target by the same [no unit]

        >>> station = Station("brook 2x140", clock=ByHand())
        >>> fans = station.device({"fan1": "fan_speed"}, {"pwm1": "set_fans"})
        >>> fans.writes["pwm1"](40.0)
        >>> station.show("set_fans")
        40.0
        """
        for given, there_are in ((reads, SOURCES), (writes, TARGETS)):
            for name, quantity in given.items():
                if quantity not in there_are:
                    raise ValueError(f"{name}: there is no {quantity!r}; there are: {', '.join(there_are)}")
        heats = any(target not in _OF_COOLING and target != "power_limit" for target in writes.values())
        return Device(
            {name: self._shower(source, heats) for name, source in reads.items()},
            {name: self._teller(target) for name, target in writes.items()},
        )

    def begin_fault(self, kind: FaultKind, size: float | None = None, source: str | None = None) -> None:
        """Something goes wrong with the plant now. Raises ValueError for what cannot be.

        Args:
            kind: what, see `sim.faults` [no unit]
            size: how bad, the usual unless given [the kind's own]
            source: which sensor, where the kind is about one [no unit]

        >>> station = Station("brook 2x140", clock=ByHand())
        >>> station.begin_fault("sensor_stuck", source="die")
        >>> station.wrong
        ['sensor_stuck die']
        """
        self.advance()
        self.plant.begin_fault(kind, size, source)
        self._wrong.add((kind, source))

    def mend_fault(self, kind: FaultKind, source: str | None = None) -> None:
        """It is mended now. Raises ValueError for what cannot be.

        Args:
            kind: what [no unit]
            source: which sensor, where the kind is about one [no unit]

        >>> station = Station("brook 2x140", clock=ByHand())
        >>> station.begin_fault("pump_stalls")
        >>> station.mend_fault("pump_stalls")
        >>> station.wrong
        []
        """
        self.advance()
        self.plant.mend_fault(kind, source)
        self._wrong.discard((kind, source))

    def _shower(self, source: str, heats: bool) -> Callable[[], Reading]:
        def show() -> Reading:
            value = self.show(source)
            if heats:
                self.supply.hear(self._real_s())
            return value

        return show

    def _teller(self, target: str) -> Callable[[float], None]:
        return lambda value: self.tell(target, value)

    def _settings(self) -> Mapping[str, Callable[[], Reading]]:
        supply = self.supply
        return {
            "set_power": lambda: supply.set_w,
            "set_voltage": lambda: supply.set_v,
            "set_current": lambda: supply.set_a,
            "output": lambda: float(supply.state == 1),
            "supply_state": lambda: float(supply.state),
            "silence": lambda: supply.silence_s,
            "power_limit": lambda: supply.cap_w,
            "set_fans": lambda: self._duties_pct["set_fans"],
            "set_pump": lambda: self._duties_pct["set_pump"],
            "energy": lambda: self.plant.energy().in_j,
        }
