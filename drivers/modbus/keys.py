"""The keys of a Modbus device in a bench file, and what must hold between them. Opens nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field, model_validator

from benchd.instruments import ChannelSpec, InstrumentSpec, Number, SetpointSpec, Spec, unit_of
from drivers.links.stream import WireKeys
from drivers.modbus.codec import (
    LAST_REGISTER,
    MOST_REGISTERS,
    USUAL_PORT,
    Framing,
    NumberType,
    Place,
    Table,
    WordOrder,
    can_be,
    decode,
    encode,
)

Register = Annotated[int, Field(ge=0, le=LAST_REGISTER)]

#: How long after a request a device may answer unless the bench file says [s], or twice deadline_s.
_LATEST_REPLY_S = 1.0
#: What only the arithmetic adds to 0 [part of the top of the range].
_NOTHING = 1e-9
#: The last number that a device on a serial line may have (MODBUS over Serial Line V1.02, 2.2).
_LAST_ON_SERIAL = 247


class _Registers(Spec):
    """The keys that say where a number lies: value = scale * raw + offset."""

    model_config = ConfigDict(serialize_by_alias=True)

    # Not called `register` in Python: every class made from ABCMeta has a method of that name.
    first: Register = Field(alias="register")
    """The number's first register, counted from 0."""
    table: Table = "holding"
    """Which registers: "holding" or "input"."""
    type: NumberType = "uint16"
    """How the number is written: "int16", "int32", "int64", the same with "uint", "float32" or "float64"."""
    word_order: WordOrder = "big"
    """Which end of a number of several registers comes first: "big" or "little"."""
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

    no_value: int | None = None
    """The raw number by which the device says that it has no value, such as -32768 for a broken sensor."""

    @property
    def place(self) -> Place:
        """Where the number lies, and what is none."""
        return replace(super().place, no_value=self.no_value)

    @model_validator(mode="after")
    def _no_value_can_be_said(self) -> ModbusChannel:
        if self.no_value is not None and not can_be(self.type, self.no_value):
            raise ValueError(f"no_value: {self.type} is never exactly {self.no_value}")
        return self


class ModbusSetpoint(_Registers, SetpointSpec):
    """One commanded quantity and its holding registers; it is read back after each write."""

    table: Literal["holding"] = "holding"
    """Only holding registers can be written."""
    read_back_register: Register | None = None
    """Where the device tells the setpoint it has taken, when that is not where it was written."""
    read_back_tolerance: Annotated[Number, Field(ge=0)] = 0.0
    """How far the read back value may lie from the written one [unit of the setpoint]: 0 is bit by bit."""

    @model_validator(mode="after")
    def _can_be_sent(self) -> ModbusSetpoint:
        for value in (*self.range, self.safe):
            encode(self.place, value)
        return self

    @property
    def safe_as_sent(self) -> float:
        """What the device understands by `safe` once it is rounded to counts [unit of the setpoint]."""
        return decode(self.place, encode(self.place, self.safe))


class ModbusSpec(WireKeys, InstrumentSpec):
    """One Modbus device, as the bench file declares it."""

    usual_port: ClassVar[int | None] = USUAL_PORT

    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Its TCP port; 502 unless given."""
    framing: Framing | None = None
    """How messages are packed: "tcp" or "rtu"; unless given "tcp" with host and "rtu" with serial."""
    device_id: Annotated[int, Field(ge=1, le=255)] = 1
    """Its Modbus unit."""
    latest_reply_s: Annotated[Number, Field(gt=0, le=60)] | None = None
    """How long after a request the device may answer at the latest [s]: with rtu, quiet is kept so long after a
    failure; unless given twice deadline_s, at least 1."""
    read_over: Annotated[int, Field(ge=0, le=MOST_REGISTERS)] = 0
    """Up to so many registers without a channel are read as well where that makes one request of two; some devices
    refuse it."""
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
            if self.timeout_as_sent_s == 0:
                raise ValueError(
                    f"timeout_s = {self.timeout_s:g} is rounded to 0 counts of timeout_scale = "
                    f"{self.timeout_scale:g} s, which many devices take for never"
                )
            if self.timeout_as_sent_s <= self.deadline_s:
                raise ValueError(
                    f"timeout_s = {self.timeout_s:g} is rounded to {self.timeout_as_sent_s:g}, "
                    f"which must be above deadline_s, {self.deadline_s:g}"
                )
        return self

    @model_validator(mode="after")
    def _no_heat_is_no_heat(self) -> ModbusSpec:
        for name, setpoint in self.setpoints.items():
            left = setpoint.safe_as_sent
            if unit_of(name) == "W" and setpoint.safe == 0 and abs(left) > _NOTHING * max(map(abs, setpoint.range)):
                raise ValueError(
                    f"setpoints.{name}: safe = 0 cannot be sent: with scale {setpoint.scale:g} and offset "
                    f"{setpoint.offset:g} the nearest is {left:g} W"
                )
        return self

    @model_validator(mode="after")
    def _framing_fits_the_wire(self) -> ModbusSpec:
        if self.serial is not None and self.framing == "tcp":
            raise ValueError('a serial line carries framing "rtu"')
        if self.frames == "rtu" and self.device_id > _LAST_ON_SERIAL:
            raise ValueError(f"device_id on a serial line is 1 to {_LAST_ON_SERIAL}, got {self.device_id}")
        if self.frames == "rtu" and self.data_bits != 8:
            raise ValueError("RTU needs 8 data bits")
        return self

    @property
    def frames(self) -> Framing:
        """How messages are packed."""
        return self.framing or ("rtu" if self.host is None else "tcp")

    @property
    def quiet_s(self) -> float:
        """How long after a request the device may answer at the latest [s]."""
        return self.latest_reply_s or max(_LATEST_REPLY_S, 2 * self.deadline_s)

    @property
    def timeout_as_sent_s(self) -> float:
        """After how much silence the device turns its output off, `timeout_s` rounded to counts [s]; 0 for never."""
        place = Place(0, scale=self.timeout_scale)
        return 0.0 if self.timeout_s is None else decode(place, encode(place, self.timeout_s))

    @property
    def where(self) -> str:
        """The line, for a person."""
        return f"on {self.serial}" if self.host is None else f"at {self.host}:{self.port or USUAL_PORT}"

    def occupies(self) -> Mapping[str, str]:
        # Several devices may hang on one RTU line: the driver shares it among its own. A gateway in the network shares
        # its line itself: there each device counts for itself.
        unit = "" if self.host is None else f" unit {self.device_id}"
        return {f"{place}{unit}": "modbus" for place in super().occupies()}

    def cautions(self) -> list[str]:
        heats = [name for name, setpoint in self.setpoints.items() if unit_of(name) == "W" and setpoint.range[1] > 0]
        found = []
        if heats and self.timeout_s is None:
            found.append(
                f"{', '.join(heats)} stays as it was told when cable, computer or program fail: set the device's own "
                "communication time-out by timeout_register and timeout_s, if it has one"
            )
        if self.timeout_s is not None and not math.isclose(self.timeout_s, self.timeout_as_sent_s):
            found.append(
                f"timeout_s = {self.timeout_s:g} is rounded to {self.timeout_as_sent_s:g} s, "
                f"whole counts of timeout_scale = {self.timeout_scale:g} s"
            )
        silence_s = self.deadline_s + self.quiet_s
        if self.frames == "rtu" and self.timeout_s is not None and self.timeout_as_sent_s <= silence_s:
            found.append(
                f"one lost answer costs {silence_s:.2g} s of silence, and after timeout_s, "
                f"{self.timeout_as_sent_s:g} s, the device turns its output off: "
                "a shorter latest_reply_s or a longer timeout_s avoids it"
            )
        return found
