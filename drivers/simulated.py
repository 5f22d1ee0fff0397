"""Instruments of the simulated bench, inside this process.

All instruments of one opened bench share one plant. Owns the way from channel and setpoint names to the
plant; the physics and the sensors' figures are in `sim`. Those, and numpy with them, are imported when a bench is
opened: who only reads its file has no use for them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import Field, field_validator, model_validator

from benchd.errors import InstrumentError, LinkLost, SettingRefused
from benchd.instruments import (
    Answer,
    ChannelSpec,
    Cooling,
    Instrument,
    InstrumentSpec,
    RunAbout,
    SampleFlag,
    SetpointSpec,
    Setup,
    Spec,
    unit_of,
)
from sim.bench_tables import USUAL, bench_names
from sim.faults import Fault, FaultKind
from sim.sensors import Source

if TYPE_CHECKING:
    from sim.benches import Bench
    from sim.plant import Plant

Target: TypeAlias = Literal["heat", "fans", "pump"]

_SOURCE_UNITS: dict[Source, str] = {
    "die": "degC",
    "coolant": "degC",
    "ambient": "degC",
    "inlet": "degC",
    "heat": "W",
    "supply_voltage": "V",
    "supply_current": "A",
    "fan_speed": "1/min",
    "pump_speed": "1/min",
    "level": "dBA",
    "humidity": "%",
    "pressure": "hPa",
    "leak": "1",
    "smoke": "1",
    "throttled": "s",
    "clock": "%",
}
_TARGET_UNITS: dict[Target, str] = {"heat": "W", "fans": "%", "pump": "%"}


class SimulatedChannel(ChannelSpec):
    """A channel, and what of the simulated bench it shows."""

    source: Source
    """Which sensor of the simulated bench."""


class SimulatedSetpoint(SetpointSpec):
    """A setpoint, and what of the simulated bench it moves."""

    target: Target
    """Heater, fans or pump."""


class SimulatedFault(Spec):
    """Something that goes wrong on the simulated bench, in every run."""

    kind: FaultKind
    """What, as listed at `faults`."""
    at_s: float
    """When, in bench time since the run began [s]."""
    until_s: float | None = None
    """When it is mended [s], where it can be; never unless given."""
    size: float | None = None
    """How bad, for kinds that have a size; the usual unless given."""
    source: str | None = None
    """Which sensor, for the kinds that are about one; named as a channel's `source`."""

    @model_validator(mode="after")
    def _possible(self) -> SimulatedFault:
        self.fault()
        return self

    def fault(self) -> Fault:
        """The same for the simulator."""
        until_s = math.inf if self.until_s is None else self.until_s
        return Fault(self.kind, self.at_s, until_s, self.size, self.source)


class SimulatedSpec(InstrumentSpec):
    """One instrument of the simulated bench."""

    channels: Mapping[str, SimulatedChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, SimulatedSetpoint] = Field(default_factory=dict)
    bench: str | None = None
    """Which of the simulated benches it is an instrument of: `heater` (unless given), a heater block in place of the
    processor; `processor`, which heats itself, idles at 9 W and throttles at 95 degC; `heater high`, the first one
    1500 m above the sea. This key and the next two are about the whole bench: one of its instruments says them."""
    copy_number: Annotated[int, Field(ge=0)] | None = None
    """Which copy of that bench: each has other errors of its instruments, and keeps them for all its nights."""
    run_in_h: Annotated[float, Field(ge=0, le=10_000)] | None = None
    """Hours of heat and pumping that each mount has had when its run begins, 8 unless given: then its paste has mostly
    settled and its bubbles have gone. 0 is a mount fresh from filling."""
    faults: list[SimulatedFault] = Field(default_factory=list)
    """What goes wrong in every run, to rehearse a bad night: a list of tables with `kind` and `at_s`, seconds since the
    run began; `until_s`, when it is mended; `size`, where a kind has one; `source` of the sensor for `sensor_stuck`,
    `sensor_silent` and `sensor_nonsense`. The other kinds: `pump_stalls`, `fans_stall`, `tube_kinks`, `air_lock`,
    `leak`, `smoulders`, `paste_pumped_out`, `load_disobeys`, `load_throttles`, `meter_battery_dies`, `ambient_jumps`,
    `supply_lost`. It happens to the whole bench, so any of its instruments may say it."""

    @field_validator("bench")
    @classmethod
    def _known(cls, bench: str | None) -> str | None:
        if bench is not None and bench not in bench_names():
            raise ValueError(f"there is no simulated bench {bench!r}; there are: {', '.join(bench_names())}")
        return bench

    @property
    def about_bench(self) -> dict[str, Any]:
        """What it says about the whole bench, by key."""
        said = {"bench": self.bench, "copy_number": self.copy_number, "run_in_h": self.run_in_h}
        return {key: value for key, value in said.items() if value is not None}

    @model_validator(mode="after")
    def _units(self) -> SimulatedSpec:
        wanted = {name: _SOURCE_UNITS[channel.source] for name, channel in self.channels.items()}
        wanted |= {name: _TARGET_UNITS[setpoint.target] for name, setpoint in self.setpoints.items()}
        for name, unit in wanted.items():
            if unit_of(name) != unit:
                raise ValueError(f"{name} does not name the unit of what it is here, {unit}")
        return self


class Simulated(Instrument):
    """One instrument of the simulated bench."""

    Spec: ClassVar[type[InstrumentSpec]] = SimulatedSpec
    immediate: ClassVar[bool] = True

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: SimulatedSpec = setup.spec
        said: dict[str, Any] = setup.shared.setdefault("about_bench", {})
        for key, value in spec.about_bench.items():
            if said.setdefault(key, value) != value:
                raise InstrumentError(
                    f"{self.name}: {key} is {value!r}, but another instrument of the bench says {said[key]!r}",
                    "it is about the whole simulated bench: say it at one instrument",
                )
        self._plant = _plant(setup.shared)
        self._plant.bench = _bench(said)
        self._plant.planned += tuple(fault.fault() for fault in spec.faults)
        self._channels = tuple((name, channel.source) for name, channel in spec.channels.items())
        self._spec = spec
        self._open = False

    def open(self) -> None:
        self.close()
        self._open = True

    def close(self) -> None:
        self._open = False

    def identify(self) -> str:
        return f"simulated: {self._plant.mounted or 'nothing mounted'}"

    def specimens(self) -> Mapping[str, Cooling]:
        from sim.specimens import load_specimens

        return {name: specimen.cooling for name, specimen in load_specimens().items()}

    def begin(self, about: RunAbout) -> None:
        if about.specimen not in self.specimens():
            raise InstrumentError(
                f"{self.name}: there is no simulated specimen {about.specimen!r}",
                f"there are: {', '.join(self.specimens())}",
            )
        self._plant.mount(about.specimen, about.seed, about.mount)

    def read(self, t_s: float) -> Mapping[str, Answer]:
        self._need_open()
        plant = self._plant
        if plant.mounted is None:
            raise InstrumentError(
                f"{self.name}: nothing is mounted on the simulated bench",
                "a run mounts its specimen when it begins",
            )
        try:
            plant.advance(t_s)
        except ValueError as error:
            raise InstrumentError(
                f"{self.name}: {error}", "the simulated bench starts anew with the next run"
            ) from error
        shown = plant.shown
        answers = ((name, shown[source]()) for name, source in self._channels if source in shown)
        return {name: SampleFlag.MISSING if answer is None else answer for name, answer in answers}

    def write(self, values: Mapping[str, float]) -> None:
        self._need_open()
        for name, value in values.items():
            self._spec.check_setting(name, value, self.name)
        wanted: dict[Target, float] = {self._spec.setpoints[name].target: value for name, value in values.items()}
        try:
            self._plant.set(heat_w=wanted.get("heat"), fan_pct=wanted.get("fans"), pump_pct=wanted.get("pump"))
        except ValueError as error:
            raise SettingRefused(f"{self.name}: {error}") from error

    def _need_open(self) -> None:
        if not self._open:
            raise LinkLost(f"{self.name} is not open")


def _plant(shared: dict[str, Any]) -> Plant:
    """The plant of one opened bench."""
    from sim.plant import Plant

    plant: Plant = shared.setdefault("plant", Plant())
    return plant


def _bench(said: Mapping[str, Any]) -> Bench:
    from sim.benches import load_benches

    changed = {key: value for key, value in said.items() if key != "bench"}
    return replace(load_benches()[said.get("bench", USUAL)], **changed)
