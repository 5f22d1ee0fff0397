"""What a simulated specimen is made of, and the invented ones that can be mounted.

Owns the meaning of each parameter; the figures stand in `specimens.toml`. Knows no physics.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal


@dataclass(frozen=True)
class Pump:
    """The pump of a liquid loop and what its flow does in the cold plate."""

    max_rpm: float
    """Speed at 100 % [1/min]."""
    min_pct: float
    """Slowest speed at which it runs [% of max_rpm]."""
    film_k_per_w: float
    """Resistance from the cold plate into the coolant at unlimited flow [K/W]."""
    knee_pct: float
    """Speed above which its noise rises steeply [% of max_rpm]."""
    knee_dba: float
    """Level at the microphone at that speed [dBA]."""
    steep_db_per_pct: float
    """How steeply it rises above, on top of the 50 lg law [dB per % of speed]."""


@dataclass(frozen=True)
class Specimen:
    """One simulated cooler: two heat capacities, what lies between them, fans, and a pump if it has one."""

    name: str
    about: str
    cooling: Literal["liquid", "air"]
    block_j_per_k: float
    """Heat capacity of the heated die and cold plate, or base of the heat sink [J/K]."""
    sink_j_per_k: float
    """Heat capacity of coolant and radiator, or of the fins [J/K]."""
    paste_k_per_w: float
    """Resistance of the paste, before what each mount makes of it [K/W]."""
    spread_k_per_w: float
    """Resistance of die and cold plate, or of die, base and heat pipes [K/W]."""
    fan_count: int
    """How many fans [1]."""
    fan_diameter_mm: float
    """Diameter of each fan [mm]."""
    fan_max_rpm: float
    """Speed at 100 % [1/min]."""
    fan_min_pct: float
    """Slowest speed at which they run [% of fan_max_rpm]."""
    airflow_m3_per_s: float
    """Air that one fan moves through the fins at full speed [m3/s]."""
    ntu: float
    """Number of transfer units of the fins at full speed [1]."""
    natural_w_per_k: float
    """Conductance from the fins to the room without any fan [W/K]."""
    recirculated: float
    """Share of the exhaust that comes back to the inlet [1], 0 to below 1."""
    pump: Pump | None = None
    """None on a heat sink."""


@cache
def load_specimens() -> Mapping[str, Specimen]:
    """All simulated specimens by name. Valid for the shipped file; figures invented, no source.

    >>> list(load_specimens())
    ['brook 1x120', 'brook 2x120', 'brook 3x120', 'brook 2x140', 'slate tower']
    >>> load_specimens()["slate tower"].cooling
    'air'
    """
    tables = tomllib.loads((files("sim") / "specimens.toml").read_text(encoding="utf-8"))
    return MappingProxyType({name: _specimen(name, table) for name, table in tables.items()})


def _specimen(name: str, table: dict[str, Any]) -> Specimen:
    pump = table.pop("pump", None)
    return Specimen(name=name, pump=Pump(**pump) if pump else None, **table)
