"""One mounted specimen on the bench: load, cooler, room, sounds and sensors put together and moved on in time.

Owns what is true and what the sensors show, from the mount on, and the order in which things follow each other at a
whole second. A new mount is a new Rig. Knows nothing of the limits of setpoints, of where the watts come from, or of
bench time (plant.py).

Time goes in whole seconds since the mount. At each the flows, the room, the sounds and the load are looked at anew,
from the state at that second; within a second everything stands still but the temperatures, which the network solves
exactly. So the state at a time does not depend on how the way there was cut.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from sim import faults
from sim.bench_tables import USUAL
from sim.benches import Bench, load_benches
from sim.cooler import Energy
from sim.counters import Tachometer
from sim.fans import Fan4Wire
from sim.faults import Fault, FaultKind
from sim.heat_sink import HeatSink
from sim.liquid_cooler import LiquidCooler, Loop
from sim.meter import Meter
from sim.pump import Bubbles, Filling
from sim.room import Room
from sim.sensors import Failing, Reading, Sensor, Source
from sim.sound import Noise, level_of
from sim.specimens import FILLING, Specimen
from sim.streams import Setting, Streams


class Rig:
    """A specimen on the bench from its mount on, fans and pump at full speed, all at ambient.

    Args:
        specimen: what is mounted [no unit]
        seed: of the run: its night in the room, and all noise [1]
        bench: where it is mounted; the usual one unless given [each its own]
        mount: number of the mount: its paste [1]
        planned: faults that will happen [no unit]

    >>> from sim.specimens import load_specimens
    >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
    >>> rig.advance_to(7200.0, 260.0)
    >>> 70.0 < rig.true["die"]() < 78.0
    True
    """

    def __init__(
        self,
        specimen: Specimen,
        seed: int,
        bench: Bench | None = None,
        mount: int = 1,
        planned: Iterable[Fault] = (),
    ) -> None:
        bench = bench or load_benches()[USUAL]
        self.specimen = specimen
        self.bench = bench
        self.room = Room(seed, specimen.name, bench.room)
        self.fans = Fan4Wire(specimen.fans.drive)
        self.pump = Fan4Wire(specimen.liquid.pump_drive) if specimen.liquid else None
        self.cooler: LiquidCooler | HeatSink = _cooler(specimen, bench, mount, self.room.air_c)
        self.turning = specimen.fans.count
        """Fans that have not stalled [1]."""
        self.kink = 0.0
        """How far a hose is closed [1]."""
        self.air_lock = 0.0
        """How far air fills the pump [1]."""
        self.leak_m3_s = 0.0
        """How much coolant the loop loses [m3/s]."""
        self.smoulders = False
        """Whether something smoulders, whatever the temperature of the die."""
        self.paste_factor = 1.0
        """Resistance of the paste over what it should be [1]."""
        self.obeys = True
        """Whether the load follows its setpoint."""
        self._set_w = self._held_w = self._blown_w = 0.0
        self._bubbles = Bubbles(*specimen.liquid.bubbles) if specimen.liquid else None
        if self._bubbles is not None:
            self._bubbles.advance(3600.0 * bench.run_in_h, flow=1.0)
        self.filling = Filling(specimen.liquid.spare_m3, specimen.liquid.chamber_m3) if specimen.liquid else None
        """What the loop has lost of its coolant; None without one."""
        self._streams = Streams(specimen)
        pump_noise = specimen.liquid.pump_noise if specimen.liquid else None
        self._noise = Noise(specimen.fans.noise, pump_noise, bench.auxiliaries, seed, specimen.name)
        self.meter: Meter = Meter(bench.meter, seed, specimen.name, start_energy=0.0, copy_number=bench.copy_number)
        self._coming = sorted(planned, key=lambda fault: fault.at_s)
        self._standing: list[Fault] = []
        self.true = self._truths()
        """What really is, by source [its unit]."""
        self._sensors = self._make_sensors(seed)
        self._lagging = [
            (one, self.true[source]) for source, one in self._sensors.items() if bench.sensors[source].lag_s > 0
        ]
        self._tachs = self._make_tachs(seed)
        self.shown = self._displays()
        """What the sensors answer, by source [its unit]; each call draws new noise. None: no answer."""
        self._refresh(0.0)
        self.meter.heard = self._sound()

    @property
    def t_s(self) -> float:
        """Time since the mount [s]."""
        return self.cooler.t_s

    @property
    def energy(self) -> Energy:
        """The heat balance since the mount."""
        return self.cooler.energy()

    def failing(self, source: str | None) -> Failing:
        """The sensor of a source, which a fault may spoil. Raises KeyError when the specimen has none.

        Args:
            source: which [no unit]

        >>> from sim.specimens import load_specimens
        >>> Rig(load_specimens()["brook 2x140"], seed=1).failing("level").faulty
        False
        """
        spoilable: dict[str, Failing] = {"level": self.meter}
        spoilable.update(self._sensors.items())
        spoilable.update(self._tachs.items())
        return spoilable[source or ""]

    def advance_to(self, t_s: float, set_w: float) -> None:
        """Go on to a time, the load told to give so many watts from the next whole second on.

        Args:
            t_s: time since the mount, not before the last [s]
            set_w: setpoint of the load, or the watts that come over the wire [W]

        >>> from sim.specimens import load_specimens
        >>> rig = Rig(load_specimens()["slate tower"], seed=1)
        >>> rig.advance_to(10.0, 120.0)
        >>> rig.t_s, 900.0 < rig.energy.in_j < 1200.0
        (10.0, True)
        """
        self._set_w = set_w
        self.cooler.advance_to(t_s, self._at_second)
        self.meter.hear(self.t_s, self._sound(), self.room.bursts)  # not t_s: the cooler keeps whole nanoseconds

    def _sound(self) -> float:
        return self._noise.energy + self.room.energy

    def _at_second(self) -> None:
        t_s = self.cooler.t_s
        if t_s > 0.0:
            # Up to now it sounded as it did at the last whole second.
            self.meter.hear(t_s, self._sound(), self.room.bursts)
        self._refresh(t_s)
        for sensor, true in self._lagging:
            sensor.sense(t_s, true())
        for source, tach in self._tachs.items():
            tach.turn(t_s, self.true[source]())
        # What turns and leaks goes on to the end of the second that begins, as it is told now.
        self.fans.advance(1.0)
        if self.pump is not None:
            self.pump.advance(1.0)
        if self.filling is not None:
            self.filling.advance(1.0, self.leak_m3_s)

    def _refresh(self, t_s: float) -> None:
        if self._coming or self._standing:
            self._go_wrong(t_s)
        cooler, room, fans, pump = self.cooler, self.room, self.fans, self.pump
        # What the bench gives off follows what it takes within minutes; the room warms over hours.
        room.refresh(t_s, cooler.power_w + self._blown_w)
        at_pump = coolant_c = 0.0
        air_lock = self.air_lock if self.filling is None else max(self.air_lock, self.filling.air_lock)
        if self._bubbles is not None and pump is not None:
            at_pump = self._bubbles.at_pump
            coolant_c = 0.5 * (cooler.temperature_c("hot_tube") + cooler.temperature_c("cold_tube"))
        flows = self._streams.at(
            Setting(
                fan_speed=fans.speed,
                turning=self.turning,
                air_c=cooler.temperature_c("inlet"),
                pressure_hpa=room.pressure_hpa(t_s),
                humidity_pct=room.humidity_pct(t_s),
                pump_speed=pump.speed if pump is not None else 0.0,
                coolant_c=coolant_c,
                at_pump=at_pump,
                kink=self.kink,
                air_lock=air_lock,
            )
        )
        self._held_w = self._set_w if self.obeys else self._held_w
        about = {
            "ambient_c": room.air_c,
            "set_w": self._held_w,
            "effectiveness": flows.effectiveness,
            "air_w_per_k": flows.air_w_per_k,
            "recirculated": self.specimen.recirculated,
            "paste_factor": self.paste_factor,
        }
        if isinstance(cooler, LiquidCooler):
            cooler.refresh(
                coolant_w_per_k=flows.coolant_w_per_k,
                plate_w_per_k=flows.plate_w_per_k,
                smaller_w_per_k=flows.smaller_w_per_k,
                **about,
            )
            if self._bubbles is not None:
                self._bubbles.advance(1.0, flows.loop_share)
        else:
            cooler.refresh(**about)
        self._noise.refresh(
            t_s,
            fan_rpm=fans.rpm,
            pump_pct=100.0 * pump.speed if pump is not None else 0.0,
            load_w=cooler.power_w,
            bubbles=at_pump,
            turning=self.turning,
            supplied=cooler.load.supplied,
        )
        self._blown_w = self.turning * self.specimen.fans.curve.power_w(fans.speed, flows.density_kg_m3)

    def begin(self, fault: Fault) -> None:
        """Something goes wrong now, whatever time the fault says; what was wrong there before is covered by it.

        Args:
            fault: which [no unit]

        >>> from sim.specimens import load_specimens
        >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
        >>> rig.begin(Fault("fans_stall", at_s=0.0))
        >>> rig.turning
        1
        """
        faults.begin(self, fault)
        if fault.lasts:
            self._standing.append(fault)

    def mend(self, fault: Fault) -> None:
        """A fault is mended now, where it can be; one of the same that still stands shows again.

        Args:
            fault: which; one that does not stand changes nothing but what it is about [no unit]

        >>> from sim.specimens import load_specimens
        >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
        >>> worse, worst = Fault("fans_stall", at_s=0.0), Fault("fans_stall", at_s=0.0, size=2.0)
        >>> rig.begin(worse)
        >>> rig.begin(worst)
        >>> rig.mend(worst)
        >>> rig.turning
        1
        """
        if fault in self._standing:
            self._standing.remove(fault)
        faults.mend(self, fault)
        for other in self._standing:
            if other.spoils == fault.spoils:
                faults.begin(self, other)

    def mend_all(self, kind: FaultKind, source: str | None = None) -> None:
        """Mend everything of a kind that stands, where it can be.

        Args:
            kind: what [no unit]
            source: which sensor, where the kind is about one [no unit]

        >>> from sim.specimens import load_specimens
        >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
        >>> rig.begin(Fault("fans_stall", at_s=0.0))
        >>> rig.mend_all("fans_stall")
        >>> rig.turning
        2
        """
        for fault in [one for one in self._standing if (one.kind, one.source) == (kind, source)]:
            self.mend(fault)

    def _go_wrong(self, t_s: float) -> None:
        for fault in [one for one in self._standing if one.until_s <= t_s]:
            self.mend(fault)
        while self._coming and self._coming[0].at_s <= t_s:
            self.begin(self._coming.pop(0))

    def _truths(self) -> Mapping[Source, Callable[[], float]]:
        cooler, room, fans, supply = self.cooler, self.room, self.fans, self.bench.supply
        true: dict[Source, Callable[[], float]] = {
            "die": lambda: cooler.temperature_c("die"),
            "ambient": lambda: room.air_c,
            "inlet": lambda: cooler.temperature_c("inlet"),
            "heat": lambda: cooler.power_w,
            "supply_voltage": lambda: supply.voltage_v(cooler.power_w) if cooler.load.supplied else 0.0,
            "supply_current": lambda: supply.current_a(cooler.power_w),
            "fan_speed": lambda: fans.rpm if self.turning else 0.0,
            "level": lambda: level_of(self._sound()),
            "humidity": lambda: room.humidity_pct(cooler.t_s),
            "pressure": lambda: room.pressure_hpa(cooler.t_s),
            "smoke": lambda: float(self.smoulders or cooler.temperature_c("die") > self.bench.smokes_above_c),
            "throttled": lambda: float(cooler.load.throttled_s),
            "clock": lambda: cooler.load.clock_pct,
        }
        if self.pump is not None and self.filling is not None:
            pump, filling = self.pump, self.filling
            true["coolant"] = lambda: cooler.temperature_c("hot_tube")
            true["pump_speed"] = lambda: pump.rpm
            true["leak"] = lambda: float(filling.lost_m3 > 0.0)
        return true

    def _make_sensors(self, seed: int) -> dict[Source, Sensor]:
        name = self.specimen.name
        apart = ("level", "fan_speed", "pump_speed")
        return {
            source: Sensor(source, self.bench.sensors[source], seed, name, true(), self.bench.copy_number)
            for source, true in self.true.items()
            if source not in apart
        }

    def _make_tachs(self, seed: int) -> dict[Source, Tachometer]:
        sources: tuple[Source, ...] = ("fan_speed", "pump_speed")
        return {source: Tachometer(source, seed, self.true[source]()) for source in sources if source in self.true}

    def _displays(self) -> Mapping[Source, Callable[[], Reading]]:
        shown: dict[Source, Callable[[], Reading]] = {"level": self.meter.read}
        shown |= {source: tach.read for source, tach in self._tachs.items()}
        shown |= {source: _reading(self.cooler, one, self.true[source]) for source, one in self._sensors.items()}
        return shown


def _reading(cooler: LiquidCooler | HeatSink, sensor: Sensor, true: Callable[[], float]) -> Callable[[], Reading]:
    return lambda: sensor.read(cooler.t_s, true())


def _cooler(specimen: Specimen, bench: Bench, mount: int, start_c: float) -> LiquidCooler | HeatSink:
    path, load = bench.path_of(specimen.name, mount), bench.erring_load()
    cooler: LiquidCooler | HeatSink
    if specimen.liquid:
        parts = specimen.liquid
        loop = Loop(
            radiator_m3=parts.radiator.coolant_m3 + parts.tanks_m3,
            radiator_j_per_k=parts.metal_j_per_k,
            still=specimen.still,
            coolant_j_per_m3_k=FILLING.density_kg_m3 * FILLING.cp_j_per_kg_k,
        )
        cooler = LiquidCooler(path, loop, bench.case, load, start_c)
    elif specimen.air:
        cooler = HeatSink(path, specimen.air.sink, bench.case, load, start_c)
    else:
        raise ValueError(f"specimen {specimen.name!r} is neither a liquid loop nor a heat sink")
    cooler.hot_h = bench.run_in_h
    return cooler
