"""A processor of this machine as the heat source of the bench: its package power as a channel and as a setpoint.

Owns the keys of its table in a bench file (`ProcessorLoadSpec`), and puts together what does the work: the energy
counter and limits (`powercap`), clocks, throttling and temperature (`clocks`), workers (`workers`) and the
loop that holds the watts (`heat_loop`).

    [instruments.processor]
    driver = "processor_load"
    channels.heat_w = { source = "power", uncertainty_pct = 5 }
    channels.die_c = { source = "temperature" }
    channels.throttled_s = { source = "throttled" }
    setpoints.heat_w = { range = [0, 120], safe = 0 }

Usually the heated computer is not the one that runs the bench: then `python -m drivers.load_agent` on the heated one
offers the same over the network, and the driver `scpi` speaks to it.

A processor protects itself against heat by throttling and, at last, by switching off; whoever has changed these limits
in its firmware has taken away the only guard of this load.
"""

from __future__ import annotations

import atexit
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, ClassVar, Literal, TypeAlias

from pydantic import Field, model_validator

from benchd.errors import LinkLost, SettingRefused
from benchd.instruments import (
    Answer,
    Attached,
    ChannelSpec,
    Instrument,
    InstrumentSpec,
    Number,
    SetpointSpec,
    Setup,
    unit_of,
)
from drivers.processor import clocks, powercap
from drivers.processor.clocks import Package, Thermometer
from drivers.processor.heat_loop import HeatLoop, State
from drivers.processor.powercap import PowerLimits, as_answer, find_zone
from drivers.processor.workers import Work, Workers
from drivers.sysfs import chips
from drivers.sysfs.former import Former, record_name, state_folder

Source: TypeAlias = Literal["power", "temperature", "clock", "throttled", "throttle_count"]
_UNITS: dict[Source, str] = {"power": "W", "temperature": "degC", "clock": "%", "throttled": "s", "throttle_count": "1"}


class ProcessorChannel(ChannelSpec):
    """One measured quantity of the package."""

    source: Source
    """`power`: mean of the last second or little more [W]; `temperature` [degC]; `clock`: mean of its processors, of
    the highest [%]; `throttled`: how long it has throttled since the machine's start [s]; `throttle_count`: how often
    that began."""


class ProcessorSetpoint(SetpointSpec):
    """The watts that the package is to take."""


class ProcessorLoadSpec(InstrumentSpec):
    """One processor package of the machine that benchd runs on, heated by work."""

    package: Annotated[int, Field(ge=0, le=255)] = 0
    """Number of the package, from 0."""
    zone: Annotated[str, Field(min_length=1)] | None = None
    """Its power zone, by its name or its folder's; `package-N` unless given."""
    chip: Annotated[str, Field(min_length=1)] = "coretemp"
    """Name of the chip that knows its temperature, as for the driver `hwmon`."""
    device: Annotated[str, Field(min_length=1)] | None = None
    """End of that chip's `device` link, where two chips share a name."""
    temperature: Annotated[str, Field(pattern=r"^temp[0-9]{1,3}$")] = "temp1"
    """Which input of that chip."""
    work: Work = "spin"
    """What the workers do: "spin", whole numbers, or "matrix", products of matrices, which heat more."""
    workers: Annotated[int, Field(ge=1, le=1024)] | None = None
    """How many; one on each processor of the package unless given."""
    nice: Annotated[int, Field(ge=0, le=19)] = 10
    """How far they give way to other programs, 0 to 19."""
    use_limit: bool = True
    """Whether the package's power limits are used where they may be set. They are given back at heat off."""
    timeout_s: Annotated[Number, Field(ge=1, le=600)] = 10.0
    """After how many seconds in which nothing was read or set it turns its heat off."""
    powercap_root: str = powercap.ROOT
    """The folder of all power zones."""
    cpu_root: str = clocks.ROOT
    """The folder of all processors."""
    hwmon_root: str = chips.ROOT
    """The folder of all monitoring chips."""
    state_folder: Annotated[str, Field(min_length=1)] | None = None
    """Where the former limits are kept while they are taken; `benchd` below XDG_STATE_HOME unless given."""
    channels: Mapping[str, ProcessorChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, ProcessorSetpoint] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _units(self) -> ProcessorLoadSpec:
        wanted = {name: _UNITS[channel.source] for name, channel in self.channels.items()}
        wanted |= dict.fromkeys(self.setpoints, "W")
        for name, unit in wanted.items():
            if unit_of(name) != unit:
                raise ValueError(f"{name} does not name the unit of what it is here, {unit}")
        if len(self.setpoints) > 1:
            raise ValueError("a package has one setpoint, the watts that it takes")
        if self.timeout_s <= self.deadline_s:
            raise ValueError(f"timeout_s must be above deadline_s, {self.deadline_s:g}")
        return self

    def occupies(self) -> Mapping[str, str]:
        return {f"processor package {self.package} in {self.cpu_root}": ""} if self.setpoints else {}

    def cautions(self) -> list[str]:
        return [
            "the computer that is heated also runs the bench: its work disturbs the heat, and a crash of the one is a "
            "crash of the other; the usual way is `python -m drivers.load_agent` on a test computer of its own"
        ]


class HeatedPackage:
    """The parts of one heated package, found and at work until `close`. Raises `LinkLost` with what to try."""

    def __init__(self, spec: ProcessorLoadSpec, who: str, tripped: Callable[[], None] = lambda: None) -> None:
        root = Path(spec.powercap_root)
        self.zone = find_zone(root, spec.zone or f"package-{spec.package}", who)
        self.package = Package(Path(spec.cpu_root), spec.package, who)
        self._thermometer = Thermometer(Path(spec.hwmon_root), spec.chip, spec.device, spec.temperature, who)
        self._limits = PowerLimits(
            self.zone, Former(state_folder(spec.state_folder), record_name(root, self.zone.folder.name)), who
        )
        self.given_back = self._recovered()
        self.by_limit = spec.use_limit and self._limits.usable()
        cpus = self.package.processors
        placed = [cpus[place % len(cpus)] for place in range(spec.workers or len(cpus))]
        workers = Workers(placed, spec.work, spec.nice, who)
        limits = self._limits if self.by_limit else None
        try:
            self.loop = HeatLoop(self.zone, workers, limits, who, spec.timeout_s, tripped)
            self.loop.start()
        except LinkLost:
            self._limits.let_go()
            raise

    def close(self) -> None:
        """Heat off, and everything let go; may be called twice."""
        self.loop.stop()
        self._limits.let_go()

    def read(self, source: Source) -> Answer:
        """One quantity in its unit. Raises `LinkLost` when the energy counter cannot be read."""
        match source:
            case "power":
                return as_answer(self.loop.watts())
            case "temperature":
                return self._thermometer.read_c()
            case "clock":
                return self.package.clock_pct()
            case "throttled":
                return self.package.throttled_s()
            case "throttle_count":
                return self.package.throttle_count()

    @property
    def words(self) -> str:
        """What it is, for a person."""
        how = "power limit" if self.by_limit else "share of time at work"
        said = f"{self.zone.name} with {len(self.package.processors)} processors, watts held by {how}"
        if self.given_back:
            said += "; power limits were given back after a program that was killed"
        if missing := self.no_temperature:
            said += f"; no temperature: {missing}"
        return f"{said}; {self.loop.state.value}" + (f": {self.loop.trouble}" if self.loop.trouble else "")

    @property
    def no_temperature(self) -> str:
        """Why there is no temperature, for a person; empty when there is one."""
        return self._thermometer.missing

    def _recovered(self) -> bool:
        try:
            return self._limits.recover()
        except SettingRefused:  # the record stays, and is given back at heat off
            return False


class ProcessorLoad(Instrument):
    """One processor package of this machine."""

    Spec: ClassVar[type[InstrumentSpec]] = ProcessorLoadSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self._spec: ProcessorLoadSpec = setup.spec
        self._heated: HeatedPackage | None = None

    def open(self) -> None:
        self._take().loop.wait_for_watts()

    def _take(self) -> HeatedPackage:
        self.close()
        self._heated = HeatedPackage(self._spec, self.name)
        atexit.register(self.close)
        return self._heated

    def close(self) -> None:
        atexit.unregister(self.close)
        if self._heated is not None:
            self._heated.close()
        self._heated = None

    def identify(self) -> str:
        return self._opened().words

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # watts need real time, of its own
        heated = self._opened()
        if heated.loop.state in (State.SILENCE, State.FAILED):
            why = f"{self.name}: heat is {heated.loop.state.value}: {heated.loop.trouble}".removesuffix(": ")
            self.close()
            raise LinkLost(why, "it heats again when it is told to; timeout_s is in the bench file")
        heated.loop.word()
        return {name: heated.read(channel.source) for name, channel in self._spec.channels.items()}

    def write(self, values: Mapping[str, float]) -> None:
        for name, watts in values.items():
            self._spec.check_setting(name, watts, self.name)
        for watts in values.values():
            self._opened().loop.set_w(watts)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Heat off in any case, whatever the rest of the instrument is like."""
        if self._heated is not None:
            self._heated.loop.set_w(0.0)
        self.write(values)

    def _opened(self) -> HeatedPackage:
        """The package at work; taken anew after a loss, and then for a moment it has no watts to tell."""
        return self._take() if self._heated is None else self._heated

    @classmethod
    def find(cls) -> list[Attached]:
        return attached(Path(powercap.ROOT))


def attached(root: Path) -> list[Attached]:
    """The packages below a root of power zones, each with a stanza to paste."""
    found = [zone for zone in powercap.zones(root) if zone.name.startswith("package-")]
    return [Attached(f"power zone {zone.name} ({zone.folder.name})", _stanza(zone)) for zone in found]


def _stanza(zone: powercap.Zone) -> str:
    number = zone.name.removeprefix("package-")
    return (
        "# the heat of this very machine; a test computer of its own is better: python -m drivers.load_agent\n"
        "[instruments.processor]\n"
        'driver = "processor_load"\n'
        f"package = {number}\n"
        f'zone = "{zone.folder.name}"\n'
        'channels.heat_w = { source = "power", uncertainty_pct = 5 }\n'
        'channels.die_c = { source = "temperature" }\n'
        'channels.clock_pct = { source = "clock" }\n'
        'channels.throttled_s = { source = "throttled" }\n'
        "setpoints.heat_w = { range = [0, 100], safe = 0 }\n"
    )
