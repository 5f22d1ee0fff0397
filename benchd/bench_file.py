"""The bench file: which instruments stand on the bench, what they measure and command, and what trips it.

The table of an instrument is validated by its driver's own `Spec`, so that a driver's keys are checked as all
others are. This file knows the drivers only by name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import Field, ValidationError, model_validator

from benchd.errors import FileProblems, NotFound, Problem
from benchd.instruments import (
    ChannelSpec,
    Cooling,
    InstrumentSpec,
    Name,
    Number,
    SetpointSpec,
    Spec,
    driver_names,
    find_driver,
    unit_of,
)
from benchd.toml_places import Path, Places
from benchd.toml_problems import did_you_mean, problem_at, problems_of, shown, shown_key
from benchd.toml_source import parse

#: The setpoint that heats. Its safe value is always 0.
HEAT_SETPOINT = "heat_w"
#: More than this on one bench is not a bench.
MOST_INSTRUMENTS = 50
#: The setpoints that the engine commands, and all that it understands.
SETPOINTS = (HEAT_SETPOINT, "fan_pct", "pump_pct")

C = TypeVar("C", ChannelSpec, SetpointSpec)


class Interlock(Spec):
    """A limit of one channel; passing it trips the run."""

    channel: str
    """The channel that is watched."""
    above: Number | None = None
    """Trips when the channel is above this [unit of the channel]."""
    below: Number | None = None
    """Trips when the channel is below this [unit of the channel]."""
    for_s: Annotated[Number, Field(ge=0, le=3600)] = 0.0
    """Only when it stays so for this long [s]."""
    missing_s: Annotated[Number, Field(gt=0, le=3600)] = 10.0
    """Trips as well when the channel cannot be read, or hangs while there is heat, for this long [s]."""

    @model_validator(mode="after")
    def _check(self) -> Interlock:
        if (self.above is None) == (self.below is None):
            raise ValueError("give either above or below, not both and not neither")
        return self

    @property
    def words(self) -> str:
        """The limit for a person: `die_c above 95 degC for 2 s`."""
        side, limit = ("above", self.above) if self.above is not None else ("below", self.below)
        lasting = f" for {self.for_s:g} s" if self.for_s else ""
        unit = "" if unit_of(self.channel) == "1" else f" {unit_of(self.channel)}"
        return f"{self.channel} {side} {limit:g}{unit}{lasting}"


class _Head(Spec):
    """What a bench file says outside its instruments' tables."""

    bench: Name
    """Its name, and the sign that this is a bench file."""
    about: str = ""
    """What stands there, in words."""
    tick_s: Annotated[Number, Field(ge=0.05, le=60)] = 1.0
    """Time from one reading of all channels to the next [s]."""
    twin: Annotated[str, Field(min_length=1)] | None = None
    """The simulated bench that stands for this one when a protocol is checked."""
    specimens: Annotated[tuple[str, ...], Field(strict=False)] = ()
    """What is mounted when nobody says it: the specimens of a replay."""
    interlocks: Annotated[tuple[Interlock, ...], Field(strict=False)] = ()
    """Limits whose passing trips a run."""
    on_event: Annotated[tuple[Annotated[str, Field(min_length=1)], ...], Field(strict=False)] = ()
    """A command and its words, called when a run is done, tripped, failed, interrupted, or waits for a person."""
    touch_c: Annotated[Number, Field(gt=0, le=60)] = 43.0
    """Up to here [degC] surfaces may be touched: 43 for hours, 51 for 1 min, by ISO 13732-1 (cited from memory)."""


class BenchFile(_Head):
    """The bench and its instruments."""

    instruments: Annotated[Mapping[str, InstrumentSpec], Field(min_length=1)]
    """The instruments by name, each as its driver's own `Spec`."""

    @property
    def immediate(self) -> bool:
        """Whether every instrument answers at once, as only simulated ones do: then any clock will do."""
        return all(find_driver(instrument.driver).immediate for instrument in self.instruments.values())

    def channels(self, cooling: Cooling | None = None) -> dict[str, tuple[str, ChannelSpec]]:
        """Channel -> (instrument, declaration): those there are with such a specimen; None: all."""
        return {
            channel: (name, spec)
            for name, instrument in self.instruments.items()
            for channel, spec in _there(instrument.channels, cooling)
        }

    def setpoints(self, cooling: Cooling | None = None) -> dict[str, tuple[str, SetpointSpec]]:
        """Setpoint -> (instrument, declaration): those there are with such a specimen; None: all."""
        return {
            setpoint: (name, spec)
            for name, instrument in self.instruments.items()
            for setpoint, spec in _there(instrument.setpoints, cooling)
        }


def _there(declared: Mapping[str, C], cooling: Cooling | None) -> list[tuple[str, C]]:
    kinds = (None, cooling)
    return [(name, spec) for name, spec in declared.items() if cooling is None or spec.cooling in kinds]


@dataclass(frozen=True)
class LoadedBench:
    """A bench file with its text, which a queued run keeps."""

    bench: BenchFile
    text: str
    file: str


def load_bench(text: str, file: str) -> LoadedBench:
    """As `parse_bench`, and keeps the text."""
    return LoadedBench(parse_bench(text, file), text, file)


def parse_bench(text: str, file: str) -> BenchFile:
    """The bench of a bench file's text; `file` is its name in messages. Raises `FileProblems`, all mistakes in it."""
    data = parse(text, file)
    reading = _Reading(text, data)
    head = reading.head()
    instruments = reading.instruments()
    reading.check_names(instruments)
    reading.check_places(instruments)
    if head and not reading.problems:
        reading.check_interlocks(head, instruments)
        reading.check_deadlines(head, instruments)
    if head is None or reading.problems:
        raise FileProblems(file, reading.problems)
    return BenchFile(**{name: getattr(head, name) for name in _Head.model_fields}, instruments=instruments)


class _InstrumentTables(_Head):
    """The bench file before its drivers have been asked."""

    instruments: Annotated[Mapping[str, Mapping[str, Any]], Field(min_length=1, max_length=MOST_INSTRUMENTS)]


class _Reading:
    """One bench file on its way in; gathers the mistakes."""

    def __init__(self, text: str, data: Mapping[str, Any]) -> None:
        self._data = data
        self._places = Places(text)
        self.problems: list[Problem] = []

    def head(self) -> _Head | None:
        """The file but for its instruments' tables, None when something is wrong with it."""
        try:
            return _InstrumentTables.model_validate(self._data)
        except ValidationError as error:
            self.problems += problems_of(error, self._places, self._data, _InstrumentTables)
            return None

    def instruments(self) -> dict[str, InstrumentSpec]:
        """The instruments whose tables are right, each read by its driver."""
        tables = self._data.get("instruments")
        named = tables.items() if isinstance(tables, dict) and len(tables) <= MOST_INSTRUMENTS else ()
        read = {name: self._instrument(name, table) for name, table in named if isinstance(table, dict)}
        return {name: spec for name, spec in read.items() if spec is not None}

    def _instrument(self, name: str, table: Mapping[str, Any]) -> InstrumentSpec | None:
        base: Path = ("instruments", name)
        spec_class = self._spec_class(base, table.get("driver"))
        if spec_class is None:
            return None
        try:
            return spec_class.model_validate(table)
        except ValidationError as error:
            self.problems += problems_of(error, self._places, self._data, spec_class, base)
            return None

    def _spec_class(self, base: Path, driver: object) -> type[InstrumentSpec] | None:
        if not isinstance(driver, str):
            got = f"got {shown(driver)}" if driver is not None else "none is given"
            names = ", ".join(driver_names())
            self._add((*base, "driver"), f"must be the name of a driver, {got}; installed: {names}")
            return None
        try:
            return find_driver(driver).Spec
        except NotFound as error:
            self._add((*base, "driver"), f"{error.message}; {error.hint}" if error.hint else error.message)
            return None

    def check_names(self, instruments: Mapping[str, InstrumentSpec]) -> None:
        """Names carry units, stand once, and are setpoints that the engine understands."""
        owners: dict[tuple[str, str], str] = {}
        for path, group, owner, name in _declared(instruments):
            other = owners.setdefault((group, name), owner)
            if other != owner:
                self._add(path, f"stands on {shown_key(other)} already; a name stands on one instrument only")
            if group == "setpoints" and name not in SETPOINTS:
                near = did_you_mean(name, SETPOINTS)
                self._add(path, f"no such setpoint; allowed here: {', '.join(SETPOINTS)}{near}")
            elif unit_of(name) is None:
                self._add(path, "the name must end in a unit: _c, _k, _w, _pct, _rpm, _dba, _hpa, _l_min, _v or _a")
        for owner, instrument in instruments.items():
            heat = instrument.setpoints.get(HEAT_SETPOINT)
            if heat and heat.safe != 0:
                path = ("instruments", owner, "setpoints", HEAT_SETPOINT, "safe")
                self._add(path, f"must be 0: the safe state is de-energised, got {shown(heat.safe)} [W]")

    def check_places(self, instruments: Mapping[str, InstrumentSpec]) -> None:
        """No two instruments hang on one port or command one output, unless they know how to share it."""
        owners: dict[str, tuple[str, str]] = {}
        for owner, instrument in instruments.items():
            for place, sharing in instrument.occupies().items():
                other, shared_by = owners.setdefault(place, (owner, sharing))
                if other != owner and not (sharing and sharing == shared_by):
                    self._add(("instruments", owner), f"{place} is taken by {shown_key(other)} already")

    def check_interlocks(self, head: _Head, instruments: Mapping[str, InstrumentSpec]) -> None:
        """Interlocks watch channels that there are."""
        channels = [name for instrument in instruments.values() for name in instrument.channels]
        for index, interlock in enumerate(head.interlocks):
            if interlock.channel not in channels:
                near = did_you_mean(interlock.channel, channels)
                what = f"no channel {shown(interlock.channel)} here; there are: {', '.join(channels)}{near}"
                self._add(("interlocks", index, "channel"), what)

    def check_deadlines(self, head: _Head, instruments: Mapping[str, InstrumentSpec]) -> None:
        """An instrument that falls silent is waited for once a tick: it may not cost the others theirs."""
        for name, instrument in instruments.items():
            if not find_driver(instrument.driver).immediate and instrument.deadline_s >= head.tick_s:
                what = f"must be below tick_s, {head.tick_s:g}, got {instrument.deadline_s:g} [s]"
                self._add(("instruments", name, "deadline_s"), what)

    def _add(self, path: Path, what: str) -> None:
        self.problems.append(problem_at(self._places, self._data, path, what))


_Name: TypeAlias = tuple[Path, str, str, str]


def _declared(instruments: Mapping[str, InstrumentSpec]) -> Iterator[_Name]:
    """Every channel and setpoint: its path, `channels` or `setpoints`, its instrument, its name."""
    for owner, instrument in instruments.items():
        for name in instrument.channels:
            yield ("instruments", owner, "channels", name), "channels", owner, name
        for name in instrument.setpoints:
            yield ("instruments", owner, "setpoints", name), "setpoints", owner, name
