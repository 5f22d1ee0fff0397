"""The invented specimens that can be mounted, built from their figures in `specimens.toml`.

Owns which class takes which table; what a parameter means stands at that class. Knows no physics and no time.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, TypeAlias

from sim.convection import StillAir
from sim.fans import Drive, FanCurve
from sim.flow import Curve, Resistance
from sim.fluids import air, coolant
from sim.heat_sink import Sink
from sim.pump import Hydraulics
from sim.sound import FanNoise, Hump, PumpNoise
from sim.surfaces import ColdPlate, FinStack, Radiator

Table: TypeAlias = dict[str, Any]

#: Share of glycol in the loops, by mass [1].
GLYCOL = 0.3
_AIR = air(25.0, 1013.25, 45.0)
_COOLANT = coolant(35.0, GLYCOL)
#: What the loops are filled with, at the temperature at which its heat capacity is taken.
FILLING = coolant(40.0, GLYCOL)
_L_MIN = 1e-3 / 60.0
#: Aluminium [J/(m3 K)] and [J/(kg K)]: 2700 kg/m3 x 900 J/(kg K); handbook values, from memory.
_ALUMINIUM_J_PER_M3_K = 2700.0 * 900.0
_ALUMINIUM_J_PER_KG_K = 900.0


@dataclass(frozen=True)
class Fans:
    """The fans of a specimen, all alike."""

    count: int
    """How many [1]."""
    curve: FanCurve
    drive: Drive
    noise: FanNoise


@dataclass(frozen=True)
class LiquidParts:
    """What makes a liquid loop."""

    radiator: Radiator
    frame_j_per_k: float
    """Heat capacity of the radiator's frame and tanks [J/K]."""
    tanks_m3: float
    """Coolant in the radiator's tanks [m3]."""
    plate: ColdPlate
    hydraulics: Hydraulics
    pump_drive: Drive
    pump_noise: PumpNoise
    bubbles: tuple[float, float, float]
    """Of a fresh mount: fraction [1], half-life at full flow [h], orientation [1]."""
    spare_m3: float
    """What the loop may lose before the pump draws air [m3]."""
    chamber_m3: float
    """What the pump's chamber holds [m3]."""

    @property
    def metal_j_per_k(self) -> float:
        """Heat capacity of the radiator's metal [J/K].

        >>> round(load_specimens()["brook 2x120"].liquid.metal_j_per_k)
        506
        """
        return self.radiator.metal_m3 * _ALUMINIUM_J_PER_M3_K + self.frame_j_per_k


@dataclass(frozen=True)
class AirParts:
    """What makes a heat sink."""

    fins: FinStack
    sink: Sink


@dataclass(frozen=True)
class Specimen:
    """One simulated cooler."""

    name: str
    about: str
    price_eur: float
    """Invented [EUR]."""
    fans: Fans
    pack: Resistance
    """What the whole fin pack takes of the air of all fans."""
    recirculated: float
    """Share of the exhaust that comes back to the inlet, 0 to below 1 [1]."""
    still: StillAir
    """What it gives off without any fan."""
    liquid: LiquidParts | None = None
    air: AirParts | None = None

    @property
    def cooling(self) -> Literal["liquid", "air"]:
        """How it cools."""
        return "liquid" if self.liquid else "air"


@cache
def load_specimens() -> Mapping[str, Specimen]:
    """All simulated specimens by name. Valid for the shipped file; figures invented, no source.

    >>> list(load_specimens())
    ['brook 1x120', 'brook 2x120', 'brook 3x120', 'brook 2x140', 'slate tower', 'slate low']
    >>> load_specimens()["slate tower"].cooling
    'air'
    """
    tables = tomllib.loads((files("sim") / "specimens.toml").read_text(encoding="utf-8"))
    return MappingProxyType({name: _specimen(name, one, tables) for name, one in tables["specimens"].items()})


def _specimen(name: str, one: Table, tables: Table) -> Specimen:
    fans = _fans(tables["fans"][one["fan"]], one["fan_count"])
    common = {key: one[key] for key in ("about", "price_eur", "recirculated")}
    common["still"] = still = StillAir(**one["still_air"])
    if one["cooling"] == "air":
        fins = FinStack(**one["fins"])
        sink = Sink(still=still, fins_j_per_k=fins.metal_m3 * _ALUMINIUM_J_PER_M3_K, **one["sink"])
        return Specimen(name=name, fans=fans, pack=_pack(one["pack"]), air=AirParts(fins, sink), **common)
    own = dict(one["radiator"])
    core = dict(tables["radiators"][own.pop("core")])
    # The pack is that of a part of 120 by 120 mm; the radiator is so many of them side by side.
    pack = _pack(core.pop("pack")).side_by_side(own["width_m"] * own["length_m"] / 0.12**2)
    frame_j_per_k, tanks_m3 = own.pop("frame_kg") * _ALUMINIUM_J_PER_KG_K, own.pop("tanks_m3")
    pump = tables["pumps"]["brook"]
    liquid = LiquidParts(
        radiator=Radiator(**core, **own),
        frame_j_per_k=frame_j_per_k,
        tanks_m3=tanks_m3,
        plate=ColdPlate(**tables["plates"]["brook"]),
        hydraulics=_hydraulics(pump),
        pump_drive=Drive(**pump["drive"]),
        pump_noise=PumpNoise(**pump["noise"]),
        bubbles=(pump["bubbles"]["fraction"], pump["bubbles"]["half_life_h"], pump["bubbles"]["orientation"]),
        spare_m3=pump["spare_m3"],
        chamber_m3=pump["chamber_m3"],
    )
    return Specimen(name=name, fans=fans, pack=pack, liquid=liquid, **common)


def _fans(table: Table, count: int) -> Fans:
    curve = dict(table["curve"])
    free_m3_s = curve.pop("free_m3_h") / 3600.0
    humps = tuple(Hump(**hump) for hump in table["humps"])
    return Fans(
        count=count,
        curve=FanCurve(free_m3_s=free_m3_s, density_kg_m3=_AIR.density_kg_m3, **curve),
        drive=Drive(rated_rpm=curve["rated_rpm"], **table["drive"]),
        noise=FanNoise(count, table["diameter_mm"], table["reference_dba"], humps),
    )


def _pack(table: Table) -> Resistance:
    return Resistance.through(density_kg_m3=_AIR.density_kg_m3, mu_pa_s=_AIR.mu_pa_s, **table)


def _hydraulics(pump: Table) -> Hydraulics:
    curve, path = dict(pump["curve"]), dict(pump["path"])
    free_m3_s, flow_m3_s = curve.pop("free_l_min") * _L_MIN, path.pop("flow_l_min") * _L_MIN
    return Hydraulics(
        pump=Curve(free_m3_s=free_m3_s, density_kg_m3=_COOLANT.density_kg_m3, **curve),
        path=Resistance.through(flow_m3_s, density_kg_m3=_COOLANT.density_kg_m3, mu_pa_s=_COOLANT.mu_pa_s, **path),
        hose_bore_m=pump["hose_bore_m"],
    )
