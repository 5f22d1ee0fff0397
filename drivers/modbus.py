"""A device on Modbus TCP: power meter, electronic load, heater supply, temperature module.

Owns the keys of its table in a bench file (`ModbusSpec`) and the order in which the device is asked. How
numbers lie in registers is in `modbus_codec`, the connection in `_modbus`. It does not know what its values
are used for.

    [instruments.load]
    driver = "modbus"
    host = "192.168.1.20"
    device_id = 1
    timeout_register = 1          # the device turns its output off when it hears nothing for timeout_s
    timeout_s = 3
    channels.heat_w = { register = 10, table = "input", type = "float32", uncertainty_pct = 0.5 }
    setpoints.heat_w = { register = 0, scale = 0.1, range = [0, 400], safe = 0 }

After any failure of the connection it is closed, and the next call opens a new one: a late answer to an old
request then has no way to be taken for the answer to a new one.

A communication time-out in the device turns a heater off when computer, cable or program fail. It does not
replace the thermal cut-out and the fuse in the heater's own circuit; local electrical codes come first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field, model_validator

from benchd.errors import Garbled, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import (
    Answer,
    ChannelSpec,
    Instrument,
    InstrumentSpec,
    Number,
    SampleFlag,
    SetpointSpec,
    Setup,
    Spec,
    unit_of,
)
from drivers._modbus import Link, RefusedError, connect_tcp
from drivers.modbus_codec import (
    LAST_REGISTER,
    NumberType,
    Place,
    Table,
    WordOrder,
    advice,
    decode,
    encode,
    pick,
    read_groups,
)

Register = Annotated[int, Field(ge=0, le=LAST_REGISTER)]


class _Registers(Spec):
    """The keys that say where a number lies: value = scale * raw + offset."""

    model_config = ConfigDict(serialize_by_alias=True)

    # Not called `register` in Python: every class made from ABCMeta has a method of that name.
    first: Register = Field(alias="register")
    """The number's first register, counted from 0."""
    table: Table = "holding"
    """Which registers: "holding" or "input"."""
    type: NumberType = "uint16"
    """How the number is written: "uint16", "int16", "uint32", "int32" or "float32"."""
    word_order: WordOrder = "big"
    """Which half of a number of two registers comes first: "big" or "little"."""
    scale: Number = 1.0
    """value = scale * raw + offset [unit of the value per count]."""
    offset: Number = 0.0
    """The same [unit of the value]."""

    @model_validator(mode="after")
    def _lies_on_the_device(self) -> _Registers:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        if self.place.end - 1 > LAST_REGISTER:
            raise ValueError(f"{self.type} at register {self.first} ends beyond register {LAST_REGISTER}")
        return self

    @property
    def place(self) -> Place:
        """Where the number lies."""
        return Place(self.first, self.table, self.type, self.word_order, self.scale, self.offset)


class ModbusChannel(_Registers, ChannelSpec):
    """One measured quantity and its registers."""


class ModbusSetpoint(_Registers, SetpointSpec):
    """One commanded quantity and its holding registers; it is read back after each write."""

    table: Literal["holding"] = "holding"
    """Only holding registers can be written."""
    read_back_register: Register | None = None
    """Where the device tells the setpoint it has taken, when that is not where it was written."""
    read_back_tolerance: Annotated[Number, Field(ge=0)] = 0.0
    """How far the read back value may lie from the written one [unit of the setpoint]: 0 is bit by bit."""


class ModbusSpec(InstrumentSpec):
    """One Modbus TCP device, as the bench file declares it."""

    host: Annotated[str, Field(min_length=1)]
    """The device's address; a number rather than a name, so that no name server is needed at night."""
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    """Its TCP port."""
    device_id: Annotated[int, Field(ge=1, le=255)] = 1
    """Its Modbus unit."""
    timeout_register: Register | None = None
    """Holding register of the device's communication time-out, uint16; set and read back at each opening."""
    timeout_s: Annotated[Number, Field(gt=0)] | None = None
    """After how much silence [s] the device turns its output off."""
    timeout_scale: Annotated[Number, Field(gt=0)] = 0.1
    """What one count in that register means [s]."""
    channels: Mapping[str, ModbusChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, ModbusSetpoint] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _time_out_makes_sense(self) -> ModbusSpec:
        if (self.timeout_register is None) != (self.timeout_s is None):
            raise ValueError("timeout_register and timeout_s go together: give both or neither")
        if self.timeout_s is not None:
            if self.timeout_s <= self.deadline_s:
                raise ValueError(f"timeout_s must be above deadline_s, {self.deadline_s:g}")
            encode(Place(0, scale=self.timeout_scale), self.timeout_s)
        return self


@dataclass(frozen=True)
class _Order:
    """A setting to be sent: what it is called, what was asked, and how the device will have it."""

    what: str
    unit: str
    asked: float
    place: Place
    words: tuple[int, ...]
    read_back: Place
    tolerance: float = 0.0


class Modbus(Instrument):
    """One device on Modbus TCP.

    `deadline_s` is the budget of one call. It is shared out evenly between the answers that the call may have
    to wait for, without a second try: a device that does not answer costs one share.
    """

    Spec: ClassVar[type[InstrumentSpec]] = ModbusSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: ModbusSpec = setup.spec
        self._spec = spec
        self._who = f"{self.name} at {spec.host}:{spec.port}"
        self._places = {name: channel.place for name, channel in spec.channels.items()}
        self._groups = read_groups(self._places)
        self._link: Link | None = None
        self._armed = False

    def open(self) -> None:
        self.close()
        with self._linked(answers=0):
            pass

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None
        self._armed = False

    def identify(self) -> str:
        """What the device says of itself; registers of the bench file that it refuses are named as well."""
        lines = []
        with self._linked(answers=1 + len(self._groups)) as link:
            try:
                lines.append(link.identification() or "a device that gives no name")
            except RefusedError:
                lines.append("a device that does not tell what it is")
            for group in self._groups:
                try:
                    link.read(group.table, group.register, group.count)
                except RefusedError as refused:
                    names = ", ".join(group.names)
                    lines.append(f"refuses {group.table} registers from {group.register} ({names}): {refused}")
        return "; ".join(lines)

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # only a simulated device needs it
        answers: dict[str, Answer] = {}
        with self._linked(len(self._groups)) as link:
            for group in self._groups:
                try:
                    words = link.read(group.table, group.register, group.count)
                except RefusedError:
                    answers |= dict.fromkeys(group.names, SampleFlag.MISSING)
                    continue
                for name in group.names:
                    value = decode(self._places[name], pick(group, words, self._places[name]))
                    answers[name] = value if math.isfinite(value) else SampleFlag.GARBLED
        return answers

    def write(self, values: Mapping[str, float]) -> None:
        orders = [self._order(name, value) for name, value in values.items()]
        with self._linked(2 * len(orders)) as link:
            for order in orders:
                self._command(link, order)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Bring the device to its safe state; what it refuses never keeps the rest back."""
        had_link = self._link is not None
        try:
            self._command_all(values)
        except LinkLost:
            if not had_link:
                raise
            self._command_all(values)  # the device may only have dropped an idle connection

    def _command_all(self, values: Mapping[str, float]) -> None:
        refusals = []
        with self._linked(2 * len(values), armed=False) as link:
            for name, value in values.items():
                try:
                    self._command(link, self._order(name, value))
                except SettingRefused as refusal:
                    refusals.append(refusal)
        if refusals:
            raise refusals[0]

    @contextmanager
    def _linked(self, answers: int, armed: bool = True) -> Iterator[Link]:
        """An open link for so many answers, new if need be, and the device's time-out set if `armed`."""
        try:
            arming = armed and not self._armed and self._spec.timeout_register is not None
            waits = answers + (self._link is None) + 2 * arming
            # One share more: pymodbus waits as long again for the rest of an answer that comes in pieces.
            share_s = self._spec.deadline_s / (waits + 1)
            if self._link is None:
                self._link = connect_tcp(self._spec.host, self._spec.port, self._spec.device_id, self._who, share_s)
            self._link.wait_at_most(share_s)
            if arming:
                self._arm(self._link)
            yield self._link
        except (NoAnswer, LinkLost, Garbled):
            self.close()
            raise

    def _arm(self, link: Link) -> None:
        register, timeout_s = self._spec.timeout_register, self._spec.timeout_s
        if register is not None and timeout_s is not None:
            place = Place(register, scale=self._spec.timeout_scale)
            words = encode(place, timeout_s)
            self._command(link, _Order("communication time-out", "s", timeout_s, place, words, place))
        self._armed = True

    def _order(self, name: str, value: float) -> _Order:
        spec = self._spec.setpoints.get(name)
        if spec is None:
            known = ", ".join(self._spec.setpoints) or "none"
            raise SettingRefused(f"{self._who}: there is no setpoint {name!r}", f"its setpoints: {known}")
        unit = unit_of(name) or ""
        low, high = spec.range
        if not low <= value <= high:
            raise SettingRefused(
                f"{self._who}: {name} = {value:g} {unit} is outside its range {low:g} to {high:g} {unit}",
                "nothing was sent; the range is in the bench file",
            )
        try:
            words = encode(spec.place, value)
        except ValueError as error:
            raise SettingRefused(
                f"{self._who}: {name}: {error}", "nothing was sent; correct type and scale in the bench file"
            ) from None
        back = spec.first if spec.read_back_register is None else spec.read_back_register
        read_back = Place(back, "holding", spec.type, spec.word_order, spec.scale, spec.offset)
        return _Order(name, unit, value, spec.place, words, read_back, spec.read_back_tolerance)

    def _command(self, link: Link, order: _Order) -> None:
        """Write, read back, and raise `SettingRefused` unless the device has taken it."""
        try:
            link.write(order.place.register, order.words)
            back = link.read("holding", order.read_back.register, order.read_back.width)
        except RefusedError as refused:
            raise SettingRefused(
                f"{self._who}: {order.what} = {order.asked:g} {order.unit} was refused: {refused}",
                advice(refused.code),
            ) from None
        written = decode(order.place, order.words)
        taken = decode(order.read_back, back)
        if tuple(back) != order.words and not abs(taken - written) <= order.tolerance:
            raise SettingRefused(
                f"{self._who}: {order.what}: wanted {written:g} {order.unit}, reads back {taken:g}",
                "the device may limit it, or its front panel or another program may set it too",
            )
