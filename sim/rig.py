"""One mounted specimen on the bench: heater, cooler, room and sensors put together and moved on in time.

Owns what is true and what the sensors show, from the mount on. A new mount is a new Rig. Knows nothing of the
limits of setpoints, of where the watts come from, or of bench time (plant.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sim.air import Rotor
from sim.room import Room
from sim.seeds import clipped_normal, stream
from sim.sensors import KINDS, Sensor, Source
from sim.sound import energy, fans_dba, level_of, pump_dba
from sim.specimens import Specimen
from sim.thermal import TwoNodes, air_w_per_k, film_k_per_w, fins

#: Longest step with everything held constant [s].
STEP_S = 1.0

_FAN_LAG_S = 3.0
_PUMP_LAG_S = 1.5
_HEATER_OHM = 8.0
#: How far the paste of one mount may differ from the next, half width of the 95 % interval [%].
_PASTE_PCT = 6.0


@dataclass(frozen=True)
class Energy:
    """The heat balance since the mount: in_j = stored_j + rejected_j."""

    in_j: float
    """From the heater [J]."""
    stored_j: float
    """In die, cold plate, coolant and radiator, above the start [J]."""
    rejected_j: float
    """To the room [J]."""


class Rig:
    """A specimen on the bench from its mount on, fans and pump at full speed, all at ambient.

    Args:
        specimen: what is mounted [no unit]
        seed: of the run [1]

    >>> from sim.specimens import load_specimens
    >>> rig = Rig(load_specimens()["brook 2x140"], seed=1)
    >>> rig.advance(3600.0, 260.0)
    >>> 70.0 < rig.true["die"]() < 78.0
    True
    """

    def __init__(self, specimen: Specimen, seed: int) -> None:
        self.specimen = specimen
        self.t_s = 0.0
        """Time since the mount [s]."""
        self.heat_w = 0.0
        """What the heater really gives [W]."""
        self._room = Room(seed, specimen.name)
        self._ambient_c = self._room.ambient_c(0.0)
        self._nodes = TwoNodes(specimen.block_j_per_k, specimen.sink_j_per_k, self._ambient_c)
        paste_pct = clipped_normal(stream(seed, "paste", specimen.name), _PASTE_PCT)
        self._solid_k_per_w = specimen.paste_k_per_w * (1 + paste_pct / 100) + specimen.spread_k_per_w
        self._air_w_per_k = specimen.fan_count * air_w_per_k(specimen.airflow_m3_per_s)
        self._fans_energy = energy(fans_dba(specimen.fan_max_rpm, specimen.fan_diameter_mm, specimen.fan_count))
        self.fans = Rotor(specimen.fan_min_pct, _FAN_LAG_S)
        self.pump = Rotor(specimen.pump.min_pct, _PUMP_LAG_S) if specimen.pump else None
        self._couple()
        self.true = self._truths()
        """What really is, by source [its unit]."""
        self.shown = self._displays(seed)
        """What the sensors show, by source [its unit]; each call draws new noise."""

    @property
    def energy(self) -> Energy:
        """The heat balance since the mount."""
        return Energy(self._nodes.in_j, self._nodes.stored_j, self._nodes.rejected_j)

    def advance(self, span_s: float, heat_w: float) -> None:
        """Go on in equal steps of at most 1 s, in each of which ambient and speeds stand still.

        Args:
            span_s: how far, above 0 [s]
            heat_w: heater power meanwhile [W]

        >>> from sim.specimens import load_specimens
        >>> rig = Rig(load_specimens()["slate tower"], seed=1)
        >>> rig.advance(10.0, 120.0)
        >>> rig.t_s, round(rig.energy.in_j)
        (10.0, 1200)
        """
        self.heat_w = heat_w
        steps = max(1, math.ceil(span_s / STEP_S - 1e-9))
        h_s = span_s / steps
        start_s = self.t_s
        for step in range(1, steps + 1):
            self._step(h_s, start_s + step * h_s)

    def _step(self, h_s: float, end_s: float) -> None:
        fans_moved = self.fans.advance(h_s)
        pump_moved = self.pump is not None and self.pump.advance(h_s)
        if fans_moved or pump_moved:
            self._couple()
        self.t_s = end_s
        self._ambient_c = ambient_c = self._room.ambient_c(end_s)
        nodes = self._nodes
        nodes.step(h_s, self.heat_w, ambient_c)
        for sensor, true in self._following:
            sensor.follow(true(), h_s)

    def _couple(self) -> None:
        """Conductances and noise at the present speeds of fans and pump."""
        specimen, fan_speed = self.specimen, self.fans.speed
        block_k_per_w = self._solid_k_per_w
        self._source_energy = self._fans_energy * fan_speed**5  # the 50 lg law
        if specimen.pump and self.pump:
            pump, speed = specimen.pump, self.pump.speed
            block_k_per_w += film_k_per_w(pump.film_k_per_w, speed)
            if speed > 0:
                self._source_energy += energy(
                    pump_dba(100 * speed, pump.knee_pct, pump.knee_dba, pump.steep_db_per_pct)
                )
        to_room_w_per_k, self._inlet_share = fins(self._air_w_per_k, specimen.ntu, fan_speed, specimen.recirculated)
        self._nodes.couple(1.0 / block_k_per_w, to_room_w_per_k + specimen.natural_w_per_k)

    def _truths(self) -> Mapping[Source, Callable[[], float]]:
        specimen, nodes, room, fans = self.specimen, self._nodes, self._room, self.fans
        true: dict[Source, Callable[[], float]] = {
            "die": lambda: nodes.block_c,
            "ambient": lambda: self._ambient_c,
            "inlet": lambda: self._ambient_c + self._inlet_share * (nodes.sink_c - self._ambient_c),
            "heat": lambda: self.heat_w,
            "supply_voltage": lambda: math.sqrt(self.heat_w * _HEATER_OHM),
            "supply_current": lambda: math.sqrt(self.heat_w / _HEATER_OHM),
            "fan_speed": lambda: specimen.fan_max_rpm * fans.speed,
            "level": lambda: level_of(self._source_energy + energy(room.background_dba(self.t_s))),
            "humidity": lambda: room.humidity_pct(self.t_s),
            "pressure": lambda: room.pressure_hpa(self.t_s),
        }
        if specimen.pump and self.pump:
            rotor, max_rpm = self.pump, specimen.pump.max_rpm
            true["coolant"] = lambda: nodes.sink_c
            true["pump_speed"] = lambda: max_rpm * rotor.speed
        return true

    def _displays(self, seed: int) -> Mapping[Source, Callable[[], float]]:
        shown: dict[Source, Callable[[], float]] = {}
        following = []
        for source, true in self.true.items():
            sensor = Sensor(source, KINDS[source], seed, self.specimen.name, true())
            if KINDS[source].lag_s > 0:
                following.append((sensor, true))
                shown[source] = _lagging(sensor)
            else:
                shown[source] = _prompt(sensor, true)
        self._following = tuple(following)
        return shown


def _lagging(sensor: Sensor) -> Callable[[], float]:
    return lambda: sensor.show(sensor.followed)


def _prompt(sensor: Sensor, true: Callable[[], float]) -> Callable[[], float]:
    return lambda: sensor.show(true())
