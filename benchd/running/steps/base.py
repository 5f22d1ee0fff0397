"""What a step and the engine say to each other.

A step is a generator: it yields what it wants (`Wants`), is sent the samples of one tick (`Tick`), and returns what
came of it (`Outcome`). It holds no clock, no store and no instrument. Hold and abort close it.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, TypeAlias

from benchd.instruments import Number, Spec
from benchd.protocol_file import Equilibrium
from benchd.protocol_values import Percent, Watts
from benchd.running.states import Ending

SoakState: TypeAlias = Literal["settling", "predicted", "settled", "drifting"]


@dataclass(frozen=True, slots=True)
class Soaking:
    """How near a soak is to its end, for whoever looks; nothing is decided by it."""

    state: SoakState
    rise_k: float
    """Now [K]."""
    final_k: float | None
    """Where it will end [K], with its half width `half_width_k` [K], None while that cannot be said."""
    half_width_k: float | None
    ends_s: float | None
    """When the soak will be over, in bench time of the run [s], None while that cannot be said."""
    latest_s: float
    """When it ends in any case, in bench time of the run [s]."""
    until: str
    """When it is over, in words."""


@dataclass(frozen=True, slots=True)
class Wants:
    """Setpoints for the next tick, all of them each time, and a phrase saying what is being done."""

    heat_w: float
    """[W]"""
    fan_pct: float
    """[%]"""
    pump_pct: float
    """[%]; without meaning, and not sent, where the specimen has no pump."""
    doing: str = ""
    soaking: Soaking | None = None
    asks: str = ""
    """What a person is asked while this step waits; empty when nothing is."""
    asks_until_s: float = math.inf
    """When the step stops waiting for the answer, in bench time of the run [s]."""


class Hanging(NamedTuple):
    """A sensor that has not moved although something did that it must follow."""

    words: str
    sure: bool
    """False while it may still come: until then nothing can be said of what it shows."""
    proven: bool = False
    """Whether it is sure as something moved that it must have followed; not only by how it went itself."""


#: All sensors follow.
NONE_HANGS: Mapping[str, Hanging] = MappingProxyType({})


class Tick:
    """The samples of one tick. `t_s` is bench time [s]; a channel without a valid sample reads NaN.

    answer: what a person said to the question that the step asks; None while nobody has. hanging: which channels do not
    follow, as they were watched since the run began.
    """

    __slots__ = ("answer", "hanging", "t_s", "values")

    def __init__(
        self,
        t_s: float,
        values: Mapping[str, float],
        answer: str | None = None,
        hanging: Mapping[str, Hanging] = NONE_HANGS,
    ) -> None:
        self.t_s = t_s
        self.values = values
        self.answer = answer
        self.hanging = hanging

    def __getitem__(self, channel: str) -> float:
        return self.values.get(channel, math.nan)

    @property
    def rise_k(self) -> float:
        """Die over ambient [K], both of this tick."""
        return self["die_c"] - self["ambient_c"]


@dataclass(frozen=True)
class Finding:
    """What a step learned that later steps or reports need."""

    name: str
    value: float
    unit: str
    u: float | None = None
    """Expanded uncertainty, half width of the 95 % interval [unit]."""
    dof: float | None = None
    """Its effective degrees of freedom [1]."""
    detail: Mapping[str, Any] = field(default_factory=dict)
    """At which settings it was found; kept as JSON."""


@dataclass(frozen=True)
class Outcome:
    """How a step ended, why in words, and what it found."""

    ending: Ending
    reason: str
    findings: tuple[Finding, ...] = ()


Step: TypeAlias = Generator[Wants, Tick, Outcome]


class SoakPoint(Spec):
    """One test point as it is to be measured."""

    heat_w: Watts
    """[W]"""
    noise_dba: Number | None
    """The level asked for [dBA], None when a fan setting was asked for."""
    fan_pct: Percent | None
    """[%]; None when no setting makes the level asked for."""
    pump_pct: Percent
    """[%]"""
    equilibrium: Equilibrium
    read_min: Number
    """[min]"""
    quiet: bool = False
    """Whether what the microphone hears meanwhile is the specimen's."""

    @property
    def words(self) -> str:
        """The point's settings for a person."""
        asked = f"{self.noise_dba:g} dBA" if self.noise_dba is not None else f"fans {self.fan_pct:g} %"
        return f"{self.heat_w:g} W at {asked}"
