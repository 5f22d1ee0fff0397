"""What the present flows make of a specimen: from speeds and temperatures to the conductances that its network takes.

Owns the way from fans and pump through packs and loops to effectiveness and capacity rates, and when that has to be
worked out anew. Knows no time: it is asked at whole seconds.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from sim.exchanger import crossflow_unmixed, one_sided
from sim.flow import Resistance, operating_point
from sim.fluids import Fluid, air, coolant
from sim.specimens import GLYCOL, AirParts, LiquidParts, Specimen
from sim.surfaces import Radiator

#: What may move before anything is worked out anew: air [degC], coolant [degC], pressure [hPa], humidity [%].
_AIR_STEP_C, _COOLANT_STEP_C, _PRESSURE_STEP_HPA, _HUMIDITY_STEP_PCT = 0.5, 2.0, 2.0, 10.0
#: Where properties are known [degC]; beyond, those at its end are taken. Boiling is not modelled.
_AIR_C, _COOLANT_C = (0.0, 100.0), (5.0, 90.0)


def _within(value: float, ends: tuple[float, float]) -> float:
    return min(max(value, ends[0]), ends[1])


class Setting(NamedTuple):
    """All that flows depend on."""

    fan_speed: float
    """Share of rated speed [1]."""
    turning: int
    """Fans that have not stalled [1]."""
    air_c: float
    """Of the air that comes in [degC]."""
    pressure_hpa: float
    """Of the air [hPa]."""
    humidity_pct: float
    """Of the air [%]."""
    pump_speed: float = 0.0
    """Share of rated speed [1]."""
    coolant_c: float = 0.0
    """Mean of the loop [degC]."""
    at_pump: float = 0.0
    """Bubbles at the pump [1]."""
    kink: float = 0.0
    """How far a hose is closed [1]."""
    air_lock: float = 0.0
    """How far air fills the pump [1]."""

    def rounded(self) -> Setting:
        """The nearest setting for which flows are worked out.

        >>> Setting(0.5, 2, 23.2, 1013.3, 44.0).rounded().air_c
        23.0
        """
        return self._replace(
            air_c=_AIR_STEP_C * round(_within(self.air_c, _AIR_C) / _AIR_STEP_C),
            pressure_hpa=_PRESSURE_STEP_HPA * round(self.pressure_hpa / _PRESSURE_STEP_HPA),
            humidity_pct=_HUMIDITY_STEP_PCT * round(self.humidity_pct / _HUMIDITY_STEP_PCT),
            coolant_c=_COOLANT_STEP_C * round(_within(self.coolant_c, _COOLANT_C) / _COOLANT_STEP_C),
            fan_speed=round(self.fan_speed, 4),
            pump_speed=round(self.pump_speed, 4),
            at_pump=round(self.at_pump, 2),
        )


class Flows(NamedTuple):
    """What the network of a liquid cooler takes; a heat sink has no use for the coolant's."""

    effectiveness: float
    """Of the fins [1]."""
    air_w_per_k: float
    """Capacity rate of the air [W/K]."""
    smaller_w_per_k: float = 0.0
    """The smaller of the two capacity rates [W/K]."""
    coolant_w_per_k: float = 0.0
    """Capacity rate of the coolant [W/K]."""
    plate_w_per_k: float = 0.0
    """From the cold plate into the coolant [W/K]."""
    loop_share: float = 0.0
    """Flow of the loop as a share of the full flow [1]."""
    density_kg_m3: float = 0.0
    """Of the air [kg/m3]."""


class Streams:
    """The flows of one specimen, worked out when a setting has moved far enough.

    Args:
        specimen: what is mounted [no unit]

    >>> from sim.specimens import load_specimens
    >>> streams = Streams(load_specimens()["brook 2x120"])
    >>> flows = streams.at(Setting(1.0, 2, 23.0, 1013.25, 45.0, pump_speed=1.0, coolant_c=32.0))
    >>> round(flows.effectiveness, 2), round(flows.air_w_per_k), round(flows.coolant_w_per_k)
    (0.71, 41, 145)
    """

    def __init__(self, specimen: Specimen) -> None:
        self._specimen = specimen
        self._setting: Setting | None = None
        self._flows = Flows(0.0, 0.0)
        count = specimen.fans.count
        #: Packs and radiators behind so many working fans: a stalled fan takes its part out.
        self._packs = [specimen.pack.side_by_side(max(turning, 1) / count) for turning in range(count + 1)]
        self._radiators: list[Radiator] = []
        if specimen.liquid:
            core = specimen.liquid.radiator
            self._radiators = [
                replace(core, length_m=core.length_m * max(turning, 1) / count) for turning in range(count + 1)
            ]
            warm = coolant(35.0, GLYCOL)
            self._full_m3_s = specimen.liquid.hydraulics.operating(1.0, warm).flow_m3_s

    def at(self, setting: Setting) -> Flows:
        """The flows at a setting.

        Args:
            setting: as it is now [each its own]

        >>> from sim.specimens import load_specimens
        >>> streams = Streams(load_specimens()["slate tower"])
        >>> streams.at(Setting(0.0, 1, 23.0, 1013.25, 45.0)).air_w_per_k
        0.0
        """
        rounded = setting.rounded()
        if rounded != self._setting:
            self._setting = rounded
            specimen = self._specimen
            around = air(rounded.air_c, rounded.pressure_hpa, rounded.humidity_pct)
            air_m3_s = self._air_m3_s(rounded, around, self._packs[rounded.turning])
            if specimen.liquid:
                self._flows = self._liquid(specimen.liquid, rounded, around, air_m3_s)
            elif specimen.air:
                self._flows = self._sink(specimen.air, around, air_m3_s)
            self._flows = self._flows._replace(density_kg_m3=around.density_kg_m3)
        return self._flows

    def _air_m3_s(self, setting: Setting, around: Fluid, pack: Resistance) -> float:
        if setting.turning == 0 or setting.fan_speed <= 0.0:
            return 0.0
        curve = self._specimen.fans.curve
        point = operating_point(
            curve, pack, setting.fan_speed, around.density_kg_m3, around.mu_pa_s, count=setting.turning
        )
        return point.flow_m3_s

    def _liquid(self, parts: LiquidParts, setting: Setting, around: Fluid, air_m3_s: float) -> Flows:
        warm = coolant(setting.coolant_c, GLYCOL)
        loop = parts.hydraulics.operating(
            setting.pump_speed, warm, setting.at_pump, kink=setting.kink, air_lock=setting.air_lock
        )
        coolant_m3_s = loop.flow_m3_s
        air_w_per_k, coolant_w_per_k = around.stream_w_per_k(air_m3_s), warm.stream_w_per_k(coolant_m3_s)
        smaller_w_per_k = min(air_w_per_k, coolant_w_per_k)
        effectiveness = 0.0
        if smaller_w_per_k > 0.0:
            ua_w_per_k = self._radiators[setting.turning].ua_w_per_k(air_m3_s, coolant_m3_s, around, warm)
            larger_w_per_k = max(air_w_per_k, coolant_w_per_k)
            effectiveness = crossflow_unmixed(ua_w_per_k / smaller_w_per_k, smaller_w_per_k / larger_w_per_k)
        return Flows(
            effectiveness=effectiveness,
            air_w_per_k=air_w_per_k,
            smaller_w_per_k=smaller_w_per_k,
            coolant_w_per_k=coolant_w_per_k,
            plate_w_per_k=parts.plate.film_w_per_k(coolant_m3_s, warm),
            loop_share=coolant_m3_s / self._full_m3_s,
        )

    def _sink(self, parts: AirParts, around: Fluid, air_m3_s: float) -> Flows:
        air_w_per_k = around.stream_w_per_k(air_m3_s)
        if air_w_per_k <= 0.0:
            return Flows(0.0, 0.0)
        return Flows(one_sided(parts.fins.fins_w_per_k(air_m3_s, around) / air_w_per_k), air_w_per_k)
