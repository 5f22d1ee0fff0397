"""The protocol file: which steps, in which order, with which limits.

Every key is described where it stands; the tests hold the README's key reference against these models.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import AfterValidator, Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from benchd.instruments import ChannelSpec, Name, Number, Spec, one_line
from benchd.protocol_values import (
    Heat,
    HeatList,
    Kelvins,
    LevelList,
    Minutes,
    Percent,
    PercentList,
    PercentSweep,
    Seconds,
    Until,
    Watts,
    step_name,
)
from benchd.toml_source import parse, validated

#: What takes the heat of the die right behind its mount, the first that is there: channel -> what it is of.
SINKS = {"coolant_c": "coolant", "fin_c": "fins"}


def finer_sink(channels: Mapping[str, ChannelSpec], within_k: float) -> str | None:
    """Where the die's own sensor shows no change of within_k [K]: the channel behind its mount that does, if any."""
    return next((name for name in SINKS if name in channels and channels[name].resolution <= within_k), None)


class Equilibrium(Spec):
    """When a soak is over: its end predicted, its end reached, or after a fixed time; it stands with the point."""

    until: Until = "settled"
    """`"predicted"`: as soon as it is known to within `within_k` where the rise will end, and that is what is
    reported; `"settled"`: when the rise has come to within `within_k` of its end."""
    for_min: Minutes | None = None
    """Instead of `until`: exactly this long [min], whatever the rise does; the habit of the trade is 25."""
    within_k: Kelvins = 0.2
    """How well the end has to be known, or how near it has to be [K]. Not below what `die_c` can resolve, but where the
    bench has a finer `coolant_c` or `fin_c`."""
    confidence: Annotated[Number, Field(gt=0.5, le=0.999)] = 0.95
    """How sure that has to be [1]."""
    slow_tail_k: Annotated[Number, Field(ge=0, le=100)] = 0.3
    """How much the case, the room or a soaked radiator may still add in half an hour or so, which the first minutes
    cannot show: the standard deviation of a slow mode of about 1000 s [K]; 0: there is none."""
    at_most_min: Minutes | None = None
    """Required with `until`: give up after this time [min]; the point is then flagged as not settled."""

    @model_validator(mode="after")
    def _check(self) -> Equilibrium:
        if self.for_min is None:
            if self.at_most_min is None:
                raise ValueError("at_most_min is missing; give a number [min] after which the soak is given up")
            return self
        beside = [key for key in NOT_FIXED if key in self.model_fields_set]
        if beside:
            raise ValueError(f"{beside[0]} does not go with for_min: a fixed soak ends by the clock alone")
        if self.at_most_min is not None and self.at_most_min < self.for_min:
            raise ValueError(f"at_most_min must be at least for_min = {self.for_min:g}, got {self.at_most_min:g}")
        return self

    @model_serializer(mode="wrap")
    def _only_what_counts(self, whole: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """What stands with a recorded step must not speak of a rule that did not apply."""
        fixed = self.for_min is not None
        return {key: value for key, value in whole(self).items() if key not in (NOT_FIXED if fixed else ("for_min",))}

    @property
    def longest_min(self) -> float:
        """When it is over in any case [min]."""
        return self.for_min or self.at_most_min or 0.0

    @property
    def words(self) -> str:
        """The rule as it is printed with every point it ended."""
        if self.for_min is not None:
            return f"fixed {self.for_min:g} min"
        return f"{self.until} to within {self.within_k:g} K"


#: Keys of an equilibrium that say nothing of a fixed soak.
NOT_FIXED = ("until", "within_k", "confidence", "slow_tail_k")


def _read_too_long(read_min: float, equilibrium: Equilibrium) -> str:
    key = "at_most_min" if equilibrium.for_min is None else "for_min"
    return f"read_min must be below equilibrium.{key} = {equilibrium.longest_min:g}, got {read_min:g}"


class StepSpec(Spec):
    """What every step has."""

    needs_heat: ClassVar[bool] = False
    needs_level: ClassVar[bool] = False
    needs_pump: ClassVar[bool] = False

    name: Annotated[str, Field(max_length=40), AfterValidator(step_name)] = ""
    """What the step is called in output; its kind unless given. Must differ from step to step."""
    quiet: bool = False
    """Needs a quiet room: it may only be played within the quiet hours of the run."""


class Background(StepSpec):
    """Level of the room with everything running that is not the specimen."""

    needs_level: ClassVar[bool] = True
    kind: Literal["background"]
    for_min: Minutes
    """How long the level is collected [min]."""
    settle_s: Seconds = 60
    """Wait for fans and pump to stop [s]."""


class PumpSweep(StepSpec):
    """Finds the slowest pump speed that loses nothing, at one heat load; listens to the pump first."""

    needs_heat: ClassVar[bool] = True
    needs_pump: ClassVar[bool] = True
    kind: Literal["pump_sweep"]
    heat_w: Heat
    """Heat load of the sweep [W]: the highest of the night."""
    pump_pct: PercentSweep
    """Pump settings [%]."""
    fan_pct: Percent = 100
    """Fan setting [%]."""
    loses_k: Kelvins
    """A setting loses nothing when its rise is at most this much above the lowest rise [K]."""
    equilibrium: Equilibrium
    """When the soak at a setting is over."""
    read_min: Minutes = 2
    """The rise is the mean over the last of each soak [min]."""
    listen_s: Seconds = 0
    """Before the heat: collect the level at each pump setting, fans stopped [s]; 0 does not listen."""

    @model_validator(mode="after")
    def _check(self) -> PumpSweep:
        if self.read_min >= self.equilibrium.longest_min:
            raise ValueError(_read_too_long(self.read_min, self.equilibrium))
        return self


class FanSweep(StepSpec):
    """Finds which fan setting makes which noise."""

    needs_level: ClassVar[bool] = True
    kind: Literal["fan_sweep"]
    fan_pct: PercentSweep
    """Fan settings [%]."""
    pump_pct: Percent | None = None
    """Pump setting [%]; the one the pump sweep found unless given."""
    settle_s: Seconds = 30
    """Wait for the fans to reach their speed [s]."""
    for_s: Annotated[Seconds, Field(gt=0)] = 60
    """How long the level is collected at each setting [s]."""


class CoolDown(Spec):
    """Heat off, fans and pump full, until the rise is small."""

    to_within_k: Kelvins
    """Ends when the rise over ambient is below this [K]."""
    at_most_min: Minutes
    """Ends in any case after this [min]."""


class CoolFor(Spec):
    """Heat off, fans and pump full, for a time."""

    for_min: Minutes
    """Exactly this long [min]."""


CoolWay: TypeAlias = Literal["none", "to_within_k", "fixed"]
#: Which keys of a soak go with which way to cool down before its points.
COOL_KEYS: Mapping[CoolWay, tuple[str, ...]] = {
    "none": (),
    "to_within_k": ("to_within_k", "cool_at_most_min"),
    "fixed": ("cool_for_min",),
}


class Soak(StepSpec):
    """Test points: every heat load with every noise level or fan setting, soaked until equilibrium.

    One that is not quiet takes the level of a point from the fan sweep before it, at the fan speed that was measured.
    """

    needs_heat: ClassVar[bool] = True
    kind: Literal["soak"]
    heat_w: HeatList
    """Heat loads [W]."""
    noise_dba: LevelList | None = None
    """Total levels at the microphone [dBA]; the fan setting for each comes from a fan sweep before. Without
    `quiet` also the level that is reported: what the microphone hears by day is not the cooler's."""
    fan_pct: PercentList | None = None
    """Fan settings [%], instead of noise levels."""
    pump_pct: Percent | None = None
    """Pump setting [%]; the one the pump sweep found unless given."""
    equilibrium: Equilibrium
    """When the soak of a point is over."""
    read_min: Minutes = 3
    """The point is the mean over the last of the soak [min]."""
    order: Literal["random", "listed"] = "random"
    """Order of the points: shuffled by the run's seed, or as written, heat by heat."""
    repeat_first: bool = False
    """Measure the first point once more at the end."""
    cool_down: CoolWay = "none"
    """Before each point: `"none"`, the next load follows at once; `"to_within_k"`, heat off, fans and pump full, until
    the rise is small; `"fixed"`, the same for a fixed time. After a point over its limit it cools down in any case."""
    cool_for_min: Minutes | None = None
    """With `"fixed"`: exactly this long [min]; the habit of the trade is 25."""
    to_within_k: Kelvins | None = None
    """With `"to_within_k"`: ends when the rise over ambient is below this [K]."""
    cool_at_most_min: Minutes | None = None
    """With `"to_within_k"`: ends in any case after this [min]."""

    @model_validator(mode="after")
    def _check(self) -> Soak:
        if (self.noise_dba is None) == (self.fan_pct is None):
            raise ValueError("give either noise_dba or fan_pct, not both and not neither")
        if self.read_min >= self.equilibrium.longest_min:
            raise ValueError(_read_too_long(self.read_min, self.equilibrium))
        self._check_cool_down()
        return self

    def _check_cool_down(self) -> None:
        for way, keys in COOL_KEYS.items():
            given = [key for key in keys if getattr(self, key) is not None]
            if way != self.cool_down and given:
                raise ValueError(f'{given[0]} goes with cool_down = "{way}", got cool_down = "{self.cool_down}"')
        lacking = [key for key in COOL_KEYS[self.cool_down] if getattr(self, key) is None]
        if lacking:
            raise ValueError(f'cool_down "{self.cool_down}" needs {" and ".join(lacking)} beside it')

    @property
    def cools(self) -> CoolDown | CoolFor | None:
        """What is done before each point; None: nothing."""
        if self.cool_for_min is not None:
            return CoolFor(for_min=self.cool_for_min)
        if self.to_within_k is not None and self.cool_at_most_min is not None:
            return CoolDown(to_within_k=self.to_within_k, at_most_min=self.cool_at_most_min)
        return None


class CoolDownStep(CoolDown, StepSpec):
    """A cool-down as a step of its own."""

    kind: Literal["cool_down"]


class Dwell(StepSpec):
    """Holds settings for a time."""

    kind: Literal["dwell"]
    for_min: Minutes
    """How long [min]."""
    heat_w: Watts = 0
    """Heat load [W]."""
    fan_pct: Percent = 100
    """Fan setting [%]."""
    pump_pct: Percent = 100
    """Pump setting [%]."""


class BreakIn(StepSpec):
    """Heat cycles for what is new: bubbles run out, the paste settles. Says what the last cycle gained."""

    needs_heat: ClassVar[bool] = True
    kind: Literal["break_in"]
    cycles: Annotated[int, Field(ge=1, le=100)]
    """How many heat cycles [1]."""
    heat_w: Heat
    """Heat load while on [W]."""
    on_min: Minutes
    """Heat on, in each cycle [min]."""
    off_min: Minutes
    """Heat off, in each cycle [min]."""
    fan_pct: Percent = 100
    """Fan setting [%]."""
    pump_pct: Percent = 100
    """Pump setting [%]."""


class MountCheck(StepSpec):
    """Tells from minutes of heat how well the specimen is mounted: K/W from the die to the coolant or the fins."""

    needs_heat: ClassVar[bool] = True
    kind: Literal["mount_check"]
    heat_w: Heat = 60
    """Heat load [W]: so little that even a badly mounted specimen holds it."""
    for_min: Annotated[Minutes, Field(ge=3)] = 5
    """How long [min]; the last minute is read."""
    fan_pct: Percent = 100
    """Fan setting [%]; more air makes the coolant steady sooner."""
    pump_pct: Percent = 100
    """Pump setting [%]; only checks at the same one are compared."""


class Confirm(StepSpec):
    """Asks a person for something that no instrument can do, heat off, and goes on when it is answered."""

    kind: Literal["confirm"]
    ask: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(one_line)]
    """What is asked, in one line."""
    at_most_min: Minutes
    """How long it waits for an answer [min]."""
    later: bool = True
    """Nobody answered in time: the run goes on and the answer can be given later; or, if false, it fails here."""
    fan_pct: Percent = 100
    """Fan setting meanwhile [%]."""
    pump_pct: Percent = 100
    """Pump setting meanwhile [%]."""


AnyStep: TypeAlias = Annotated[
    Background | PumpSweep | FanSweep | Soak | CoolDownStep | Dwell | BreakIn | MountCheck | Confirm,
    Field(discriminator="kind"),
]


class Limits(Spec):
    """Softer than an interlock: the point ends, the night goes on."""

    over_limit_c: Annotated[Number, Field(gt=0, le=150)] | None = None
    """Die temperature [degC] at which a point ends as over limit; also when its predicted end passes it."""


class Protocol(Spec):
    """A declared test procedure."""

    protocol: Name
    """Its name, and the sign that this is a protocol file."""
    about: str = ""
    """What it is for and how long it takes, in words."""
    resume: Literal["wait", "auto"] = "wait"
    """After a crash or loss of supply: wait for a person, or go on (at most 3 times, in quiet hours)."""
    repeat_from_k: Kelvins = 3.0
    """A stage is repeated only from heat off and a rise of at most this [K]."""
    limits: Limits = Limits()
    """Limits of a point, a table of its own."""
    steps: Annotated[tuple[AnyStep, ...], Field(strict=False, min_length=1)]
    """In this order."""

    def name_of(self, step: AnyStep) -> str:
        """What a step is called in output."""
        return step.name or step.kind


@dataclass(frozen=True)
class LoadedProtocol:
    """A protocol file with its text, which a queued run keeps."""

    protocol: Protocol
    text: str
    file: str


def load_protocol(text: str, file: str) -> LoadedProtocol:
    """As `parse_protocol`, and keeps the text."""
    return LoadedProtocol(parse_protocol(text, file), text, file)


def parse_protocol(text: str, file: str) -> Protocol:
    """The protocol of a protocol file's text; `file` is its name in messages. Raises `FileProblems` with all.

    What needs more than one step or a bench to be judged is the business of `cross_check`.
    """
    return validated(Protocol, parse(text, file), text, file)
