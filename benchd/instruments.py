"""What an instrument must offer, and how a driver is found.

A driver is a subclass of `Instrument` named by an entry point of the group `benchd.drivers`. It owns one device and
its wire. It does not know the time (it is told), the database, or what its values are used for.

Names carry units: a channel or setpoint is called `die_c`, `heat_w`, `fan_pct`; `unit_of` reads the unit off the name.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from importlib.metadata import entry_points
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from benchd.errors import NotFound, SettingRefused

DRIVER_GROUP = "benchd.drivers"

Cooling: TypeAlias = Literal["liquid", "air"]

_UNITS = {
    "_k_per_w": "K/W",
    "_l_min": "l/min",
    "_dba": "dBA",
    "_hpa": "hPa",
    "_rpm": "1/min",
    "_pct": "%",
    "_min": "min",
    "_db": "dB",
    "_ms": "ms",
    "_count": "1",
    "_a": "A",
    "_c": "degC",
    "_k": "K",
    "_s": "s",
    "_v": "V",
    "_w": "W",
}


def unit_of(name: str) -> str | None:
    """The unit that a channel's or setpoint's name carries, None when it carries none.

    >>> unit_of("die_c"), unit_of("level_dba"), unit_of("die")
    ('degC', 'dBA', None)
    """
    return next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), None)


class SampleFlag(Enum):
    """What the sampler knew of one sample, and nothing that was concluded later. The values are stored."""

    OK = 0
    MISSING = 1
    GARBLED = 2
    OUT_OF_RANGE = 3


#: What a driver gives for one channel: a value in the channel's unit, or why there is none.
Answer: TypeAlias = float | SampleFlag

Number = Annotated[float, Field(allow_inf_nan=False)]


def one_line(name: str) -> str:
    """The text as it is. Raises ValueError unless it is one line that can be seen."""
    if not name.isprintable() or name != name.strip():
        raise ValueError("must be one line of letters that can be seen, without blanks at its ends")
    return name


#: What a protocol or a bench is called.
Name = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(one_line)]


class Spec(BaseModel):
    """Base of everything that is read from a file: unknown keys are refused, nothing is changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _ordered(span: tuple[float, float] | None) -> None:
    if span is not None and not span[0] < span[1]:
        raise ValueError(f"range must rise from low to high, got {list(span)}")


class ChannelSpec(Spec):
    """One measured quantity, as the bench file declares it. A driver adds where to find it on its device."""

    range: Annotated[tuple[Number, Number] | None, Field(strict=False)] = None
    """Values [unit of the channel] outside this are recorded and flagged as out of range."""
    resolution: Annotated[Number, Field(ge=0)] = 0.0
    """Smallest step of the display [unit of the channel]."""
    uncertainty: Annotated[Number, Field(ge=0)] = 0.0
    """Half width of the 95 % interval [unit of the channel] from the data sheet or the calibration."""
    uncertainty_pct: Annotated[Number, Field(ge=0, le=100)] = 0.0
    """The same, as a part of the reading [%]; the two add as squares."""
    cooling: Cooling | None = None
    """Only there with specimens of this kind: no coolant temperature with a heat sink."""

    @model_validator(mode="after")
    def _check(self) -> ChannelSpec:
        _ordered(self.range)
        return self


class SetpointSpec(Spec):
    """One commanded quantity, as the bench file declares it. A driver adds where to find it on its device."""

    range: Annotated[tuple[Number, Number], Field(strict=False)]
    """What may be commanded [unit of the setpoint]."""
    safe: Number
    """What the safe state commands [unit of the setpoint]."""
    cooling: Cooling | None = None
    """Only there with specimens of this kind."""

    @model_validator(mode="after")
    def _check(self) -> SetpointSpec:
        _ordered(self.range)
        if not self.range[0] <= self.safe <= self.range[1]:
            raise ValueError(f"safe must lie inside range {list(self.range)}, got {self.safe}")
        return self


class InstrumentSpec(Spec):
    """One device, as the bench file declares it. A driver's `Spec` class adds its address and its channels' keys."""

    driver: str
    """Which driver speaks to it."""
    deadline_s: Annotated[Number, Field(gt=0, le=60)] = 0.5
    """How long one answer may take, in real seconds whatever the clock."""
    channels: Mapping[str, ChannelSpec] = Field(default_factory=dict)
    """What it measures, a table a channel."""
    setpoints: Mapping[str, SetpointSpec] = Field(default_factory=dict)
    """What it can be told, a table a setpoint."""

    def check_setting(self, name: str, value: float, who: str) -> None:
        """Raise `SettingRefused` for a setpoint that is not declared, or a value [its unit] outside its range.

        `who` names the instrument in the message. Every driver asks before it sends anything.
        """
        spec = self.setpoints.get(name)
        if spec is None:
            known = ", ".join(self.setpoints) or "none"
            raise SettingRefused(f"{who}: there is no setpoint {name!r}", f"its setpoints: {known}")
        low, high = spec.range
        if not low <= value <= high:
            unit = unit_of(name) or ""
            raise SettingRefused(
                f"{who}: {name} = {value:g} {unit} is outside its range {low:g} to {high:g} {unit}",
                "nothing was commanded; the range is in the bench file",
            )

    def occupies(self) -> Mapping[str, str]:
        """What it takes for itself, a port or an output, as a person names it; with it who may share it, "" nobody."""
        return {}

    def cautions(self) -> list[str]:
        """What a person should think over before this instrument is used, a sentence each; no mistakes of the file."""
        return []


@dataclass(frozen=True)
class RunAbout:
    """What an instrument may know of the run that begins; only a simulated bench has a use for it."""

    specimen: str
    cooling: Cooling
    seed: int
    mount: int = 1
    """Number of the mount, from 1 for each specimen."""


@dataclass(frozen=True)
class Attached:
    """A device, or a port for one, that was found on this machine."""

    what: str
    """What it is, for a person."""
    stanza: str
    """TOML for a bench file that names it, to be completed."""


@dataclass(frozen=True)
class Setup:
    """What a driver is made from. `shared` is common to all instruments of one opened bench."""

    name: str
    spec: Any
    """An instance of the driver's `Spec`."""
    shared: dict[str, Any] = field(default_factory=dict)


class Instrument(ABC):
    """One device. All methods are called from one thread at a time and may block up to about `deadline_s`.

    A method that fails raises a kind of `InstrumentError`, with the instrument's name in the message.
    """

    #: The class that validates this driver's table in a bench file.
    Spec: ClassVar[type[InstrumentSpec]] = InstrumentSpec
    #: An immediate instrument never blocks: it is called inline, and in virtual time. Others get a thread.
    immediate: ClassVar[bool] = False

    def __init__(self, setup: Setup) -> None:
        self.name = setup.name

    @abstractmethod
    def open(self) -> None:
        """Take the device. Called again after a loss; must then start from nothing."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the device; never raises, may be called twice."""

    @abstractmethod
    def identify(self) -> str:
        """What the device says of itself, for a person."""

    @abstractmethod
    def read(self, t_s: float) -> Mapping[str, Answer]:
        """All channels of the device at bench time t_s [s]: a value each, or a flag saying why there is none.

        A channel left out counts as missing. A value may never be an earlier one in disguise.
        """

    @abstractmethod
    def write(self, values: Mapping[str, float]) -> None:
        """Command setpoints [unit of each], and raise `SettingRefused` unless the device has taken them."""

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Bring the device to its safe state; `values` are the bench file's safe setpoints [unit of each]."""
        self.write(values)

    def stay_safe(self) -> None:  # noqa: B027 - most devices stay as they were told
        """The safe state is not confirmed everywhere: what `make_safe` commanded must outlive `close` and this process.

        Only remembers; called from any thread, also when the device hangs.
        """

    def begin(self, about: RunAbout) -> None:  # noqa: B027 - most drivers have nothing to do here
        """A run begins. Only a simulated device takes note."""

    @classmethod
    def find(cls) -> list[Attached]:
        """What this driver could drive on this machine, without touching it: none where it cannot tell."""
        return []

    def specimens(self) -> Mapping[str, Cooling]:
        """The specimens that can be mounted by name: none on a real device, the invented ones on a simulated one."""
        return {}


def driver_names() -> list[str]:
    """The names under which drivers are installed, sorted."""
    return sorted({point.name for point in entry_points(group=DRIVER_GROUP)})


def find_driver(name: str) -> type[Instrument]:
    """The driver class of that name. Raises `NotFound` with the list of names."""
    for point in entry_points(group=DRIVER_GROUP, name=name):
        try:
            found = point.load()
        except ImportError as error:
            raise NotFound(
                f"driver {name!r} cannot be loaded from {point.value}: {error}",
                "another distribution may lie over it: install benchd in an environment of its own",
            ) from error
        if not (isinstance(found, type) and issubclass(found, Instrument)):
            raise NotFound(f"driver {name!r}: {point.value} is not an Instrument class")
        return found
    raise NotFound(f"there is no driver {name!r}", f"installed: {', '.join(driver_names()) or 'none'}")
