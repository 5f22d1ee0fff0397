"""One Modbus device: which readings and settings lie in which registers, and what it says to a request.

Owns the registers and the exceptions. Knows no frame, no port and no plant. A communication time-out is a setting of
the device behind it, like any other.

Sources: MODBUS Application Protocol Specification V1.1b3 (modbus.org) for functions 03, 04, 06, 16, 43/14 and the
exceptions; which raw number stands for no value is each maker's own choice (common practice, no source).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from pymodbus.constants import ExcCodes
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
    ReadInputRegistersResponse,
    WriteMultipleRegistersRequest,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterRequest,
    WriteSingleRegisterResponse,
)

from sim.sensors import Reading
from sim.wires.base import Device, WireFault

Table: TypeAlias = Literal["holding", "input"]
NumberType: TypeAlias = Literal["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]

_STRUCT: dict[NumberType, str] = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "uint64": ">Q",
    "int64": ">q",
    "float32": ">f",
    "float64": ">d",
}
_MOST_WRITTEN = 123
_FUNCTIONS = (3, 4, 6, 16, 43)

_decoder = DecodePDU(is_server=True)


@dataclass(frozen=True)
class Place:
    """Where one number lies, and how: value = scale * raw + offset. Raises ValueError for what cannot be."""

    register: int
    """The first of its registers, counted from 0 as on the wire [1]."""
    table: Table = "holding"
    """"holding" or "input"."""
    type: NumberType = "uint16"
    """How the number is written."""
    scale: float = 1.0
    """[unit of the value per count]"""
    offset: float = 0.0
    """[unit of the value]"""
    word_order: Literal["big", "little"] = "big"
    """Which end of a number of several registers comes first."""

    def __post_init__(self) -> None:
        if self.type not in _STRUCT or self.table not in ("holding", "input"):
            raise ValueError(f"there is no type {self.type!r} or no table {self.table!r} of registers")
        if self.word_order not in ("big", "little") or self.scale == 0:
            raise ValueError("word_order is big or little, and scale is not 0")
        if not 0 <= self.register <= 0x10000 - self.width:
            raise ValueError(f"registers are 0 to 65535, got {self.register} for {self.type}")

    @property
    def width(self) -> int:
        """How many registers it takes [1].

        >>> Place(10, type="float32").width
        2
        """
        return struct.calcsize(_STRUCT[self.type]) // 2

    @property
    def registers(self) -> range:
        """The registers it takes [1].

        >>> Place(10, type="float32").registers
        range(10, 12)
        """
        return range(self.register, self.register + self.width)

    def encode(self, value: Reading) -> list[int]:
        """The registers that say a value, as near as they can; their own sign of no value for None and NaN.

        That is a NaN in a float, the lowest number in an integer with a sign, the highest in one without.

        Args:
            value: what is to be said [its unit]

        >>> [hex(word) for word in Place(0, type="float32").encode(200.0)]
        ['0x4348', '0x0']
        >>> Place(0, type="int16", scale=0.1).encode(math.nan) == [0x8000]
        True
        """
        number = math.nan if value is None else (value - self.offset) / self.scale
        data = struct.pack(_STRUCT[self.type], number if self.type.startswith("float") else self._count(number))
        words = list(struct.unpack(f">{self.width}H", data))
        return words if self.word_order == "big" else words[::-1]

    def decode(self, words: Sequence[int]) -> float:
        """The value that registers say [its unit].

        Args:
            words: as many as its width [1]

        >>> Place(0, scale=0.1).decode([2000])
        200.0
        """
        ordered = words if self.word_order == "big" else words[::-1]
        (raw,) = struct.unpack(_STRUCT[self.type], struct.pack(f">{self.width}H", *ordered))
        return float(self.scale * raw + self.offset)

    def _count(self, number: float) -> int:
        signed, bits = self.type.startswith("int"), 16 * self.width
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
        if math.isnan(number):
            return low if signed else high
        return low if number <= low else high if number >= high else round(number)


class Unit:
    """One device, by its number on the line. Raises ValueError when two numbers lie over each other, or lie nowhere.

    Args:
        device: what it measures and takes [each its own]
        places: where that lies, by the names of the device [no unit]
        device_id: its number, 1 to 247 [1]
        identity: maker, product and revision [no unit]

    >>> unit = Unit(Device({"die": lambda: 40.5}), {"die": Place(0, "input", "int16", scale=0.1)})
    >>> unit.answer(bytes([4, 0, 0, 0, 1])).hex(" ")
    '04 02 01 95'
    >>> unit.answer(bytes([4, 0, 0, 0, 2])).hex(" ")  # exception 02: there is no register 1
    '84 02'
    """

    def __init__(
        self,
        device: Device,
        places: Mapping[str, Place],
        device_id: int = 1,
        identity: Sequence[str] = ("benchd", "simulated device", "1"),
    ) -> None:
        if not 1 <= device_id <= 247:
            raise ValueError(f"device_id is 1 to 247, got {device_id}")
        self.device_id = device_id
        self._identity = tuple(identity)
        self._reads = device.reads
        self._writes = device.writes
        self._places = places
        self._readable = _laid_out(self._places, self._reads)
        self._writable = _laid_out(self._places, self._writes)
        nowhere = [name for name in (*self._reads, *self._writes) if name not in self._places]
        if nowhere or any(table == "input" for table, _ in self._writable):
            raise ValueError(f"each reading needs registers and each setting holding registers: {', '.join(nowhere)}")

    def answer(self, request: bytes, fault: WireFault | None = None) -> bytes:
        """What it says to a request: function and data, an exception for what it cannot do.

        Several settings in one request are taken one after the other, up to the first that is refused.

        Args:
            request: function and data, at least one byte [no unit]
            fault: `exception` and `not_a_number` are its own, others pass it by [no unit]

        >>> Unit(Device({}), {}).answer(bytes([1, 0, 0, 0, 1])).hex(" ")  # exception 01
        '81 01'
        """
        reply = self._reply(request, fault)
        return bytes([reply.function_code]) + reply.encode()

    def _reply(self, request: bytes, fault: WireFault | None) -> ModbusPDU:
        function = request[0]
        if fault == "exception":
            return ExceptionResponse(function, ExcCodes.DEVICE_FAILURE)
        if function not in _FUNCTIONS:
            return ExceptionResponse(function, ExcCodes.ILLEGAL_FUNCTION)
        match _decoder.decode(request):
            case ReadInputRegistersRequest(address=first, count=count):
                words = self._read("input", range(first, first + count), fault)
                found: ModbusPDU | None = None if words is None else ReadInputRegistersResponse(registers=words)
            case ReadHoldingRegistersRequest(address=first, count=count):
                words = self._read("holding", range(first, first + count), fault)
                found = None if words is None else ReadHoldingRegistersResponse(registers=words)
            case WriteSingleRegisterRequest(address=first, registers=words):
                found = self._write(first, words) or WriteSingleRegisterResponse(address=first, registers=words)
            case WriteMultipleRegistersRequest(address=first, count=count, byte_count=size, registers=words):
                if not 1 <= count <= _MOST_WRITTEN or size != 2 * count or len(words) != count:
                    return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
                found = self._write(first, words) or WriteMultipleRegistersResponse(address=first, count=count)
            case ReadDeviceInformationRequest():
                told = {number: text.encode("ascii") for number, text in enumerate(self._identity)}
                return ReadDeviceInformationResponse(information=told)
            case _:  # pymodbus takes no request for none or too many
                return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
        return found or ExceptionResponse(function, ExcCodes.ILLEGAL_ADDRESS)

    def _read(self, table: Table, registers: range, fault: WireFault | None) -> list[int] | None:
        """The words of these registers, None when there is not each of them."""
        if any((table, register) not in self._readable for register in registers):
            return None
        known: dict[str, list[int]] = {}
        for name in (self._readable[table, register] for register in registers):
            if name not in known:
                lost = fault == "not_a_number" and name not in self._writes
                known[name] = self._places[name].encode(math.nan if lost else self._reads[name]())
        owners = [(register, self._readable[table, register]) for register in registers]
        return [known[name][register - self._places[name].register] for register, name in owners]

    def _write(self, first: int, words: Sequence[int]) -> ExceptionResponse | None:
        """Take settings; an exception when there is none there, half of one, or one that is refused."""
        function = 6 if len(words) == 1 else 16
        names = list(dict.fromkeys(self._writable.get(("holding", first + at)) for at in range(len(words))))
        for name in names:
            if name is None:
                return ExceptionResponse(function, ExcCodes.ILLEGAL_ADDRESS)
            place = self._places[name]
            if place.register < first or place.registers.stop > first + len(words):
                return ExceptionResponse(function, ExcCodes.ILLEGAL_ADDRESS)
        for name, place in ((name, self._places[name]) for name in names if name is not None):
            own = words[place.register - first : place.registers.stop - first]
            try:
                self._writes[name](place.decode(own))
            except ValueError:
                return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
        return None


def _laid_out(places: Mapping[str, Place], names: Mapping[str, object]) -> dict[tuple[Table, int], str]:
    """Whose each register is. Raises ValueError when one is of two."""
    owners: dict[tuple[Table, int], str] = {}
    for name in names:
        for at in _registers(places.get(name)):
            if owners.setdefault(at, name) != name:
                raise ValueError(f"{at[0]} register {at[1]} is of {owners[at]} and of {name}")
    return owners


def _registers(place: Place | None) -> Iterator[tuple[Table, int]]:
    if place is not None:
        for register in place.registers:
            yield place.table, register
