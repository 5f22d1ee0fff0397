"""Modbus registers as values, and back: pure computation, without a link, a device or the time.

Owns how a value lies in registers (`Place`), which registers are asked for together (`read_groups`), and what
an exception reply means in words. Source: MODBUS Application Protocol Specification V1.1b3 (modbus.org): most
significant byte first, at most 125 registers a read request, the exception codes. It says nothing about
numbers of more than 16 bits; which of their words comes first is the device's own choice, hence `word_order`.

Registers count from 0, as on the wire. Data sheets often count holding registers from 40001 and input
registers from 30001 (common practice, no source): the number meant here is theirs less 40001, or less 30001.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

Table: TypeAlias = Literal["holding", "input"]
NumberType: TypeAlias = Literal["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]
WordOrder: TypeAlias = Literal["big", "little"]
#: How messages are packed on a line.
Framing: TypeAlias = Literal["tcp", "rtu"]

#: Port registered for Modbus with IANA (service name mbap).
USUAL_PORT = 502

#: The most registers that one read request may ask for.
MOST_REGISTERS = 125
#: Register addresses are 16 bits wide.
LAST_REGISTER = 0xFFFF

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

_EXCEPTIONS = {
    0x01: (
        "illegal function",
        "the device does not know such requests: is the table (holding, input) right?",
    ),
    0x02: (
        "illegal data address",
        "the device has no such register: they count from 0 here, often from 40001 or 30001 in data sheets",
    ),
    0x03: ("illegal data value", "the device does not allow this value: compare the range in its data sheet"),
    0x04: ("server device failure", "the device could not do it: look at its front panel for a fault"),
    0x05: ("acknowledge, still working on it", "give it time and ask again"),
    0x06: ("server device busy", "something else occupies the device: ask again, or find the other program"),
    0x08: ("memory parity error", "the device's memory is at fault: restart it"),
    0x0A: ("gateway path unavailable", "the gateway has no way to this device_id: look at its settings"),
    0x0B: (
        "gateway target device failed to respond",
        "the gateway answers, the device behind it does not: check device_id, its cable and its power",
    ),
}


@dataclass(frozen=True)
class Place:
    """Where one number lies on a device, and how: value = scale * raw + offset."""

    register: int
    table: Table = "holding"
    type: NumberType = "uint16"
    word_order: WordOrder = "big"
    scale: float = 1.0
    """[unit of the value per count]"""
    offset: float = 0.0
    """[unit of the value]"""
    no_value: int | None = None
    """The raw number by which the device says that it has no value."""

    @property
    def width(self) -> int:
        """How many registers [1] the number takes."""
        return struct.calcsize(_STRUCT[self.type]) // 2

    @property
    def end(self) -> int:
        """The first register after it."""
        return self.register + self.width


@dataclass(frozen=True)
class ReadGroup:
    """Neighbouring registers that are asked for in one request, and the names that lie in them."""

    table: Table
    register: int
    count: int
    names: tuple[str, ...]


def encode(place: Place, value: float) -> tuple[int, ...]:
    """The registers that say `value` [unit of the place], rounded to the nearest count.

    Raises ValueError when the type cannot hold it.

    >>> encode(Place(0, scale=0.1), 200.0)
    (2000,)
    >>> [hex(word) for word in encode(Place(0, type="float32"), 200.0)]
    ['0x4348', '0x0']
    """
    raw = (value - place.offset) / place.scale
    if not math.isfinite(raw):
        raise ValueError(f"{value} is not a number that can be sent")
    try:
        data = struct.pack(_STRUCT[place.type], raw if place.type.startswith("float") else round(raw))
    except (struct.error, OverflowError):
        offset = f" and offset {place.offset:g}" if place.offset else ""
        raise ValueError(f"{value:g} does not fit into {place.type} with scale {place.scale:g}{offset}") from None
    return _ordered(place, struct.unpack(f">{len(data) // 2}H", data))


def decode(place: Place, words: Sequence[int]) -> float:
    """The value [unit of the place] that the registers say; NaN when they say that there is none, infinite if they are.

    >>> decode(Place(0, type="int16", scale=0.1), [0xFFFF])
    -0.1
    >>> decode(Place(0, type="int16", scale=0.1, no_value=-32768), [0x8000])
    nan
    >>> decode(Place(0, type="float32", word_order="little"), [0x0000, 0x4348])
    200.0
    """
    data = struct.pack(f">{place.width}H", *_ordered(place, words))
    (raw,) = struct.unpack(_STRUCT[place.type], data)
    if raw == place.no_value:
        return math.nan
    return float(place.scale * raw + place.offset)


def can_be(kind: NumberType, raw: int) -> bool:
    """Whether a number of that kind can be exactly `raw` [counts].

    >>> can_be("int16", -32768), can_be("uint16", -32768), can_be("float32", 2147483647)
    (True, False, False)
    """
    try:
        (told,) = struct.unpack(_STRUCT[kind], struct.pack(_STRUCT[kind], raw))
    except (struct.error, OverflowError):
        return False
    return bool(told == raw)


def pick(group: ReadGroup, words: Sequence[int], place: Place) -> Sequence[int]:
    """Of the registers that a group's answer holds, those of one place."""
    return words[place.register - group.register : place.end - group.register]


def read_groups(places: Mapping[str, Place], read_over: int = 0) -> tuple[ReadGroup, ...]:
    """The requests that read all places: registers without a gap between them go together, at most 125.

    A gap of up to `read_over` registers [1] is read as well. None unless told: a device may refuse the whole request
    for one register that it does not have.

    >>> places = {"heat_w": Place(10, "input", "float32"), "heat_v": Place(14, "input", "float32")}
    >>> [(group.register, group.count) for group in read_groups(places)]
    [(10, 2), (14, 2)]
    >>> read_groups(places, read_over=2)
    (ReadGroup(table='input', register=10, count=6, names=('heat_w', 'heat_v')),)
    """
    groups: list[ReadGroup] = []
    in_order = sorted(places.items(), key=lambda item: (item[1].table, item[1].register, item[1].end))
    for name, place in in_order:
        last = groups[-1] if groups else None
        if last is not None and _joins(last, place, read_over):
            count = max(last.count, place.end - last.register)
            groups[-1] = ReadGroup(last.table, last.register, count, (*last.names, name))
        else:
            groups.append(ReadGroup(place.table, place.register, place.width, (name,)))
    return tuple(groups)


def meaning(code: int) -> str:
    """What an exception reply says, in words.

    >>> meaning(2)
    'exception 02, illegal data address'
    """
    words, _ = _EXCEPTIONS.get(code, ("a code of the maker's own", ""))
    return f"exception {code:02X}, {words}"


def advice(code: int) -> str:
    """What to do about an exception reply."""
    return _EXCEPTIONS.get(code, ("", "look the code up in the device's manual"))[1]


def _joins(group: ReadGroup, place: Place, read_over: int) -> bool:
    return (
        place.table == group.table
        and place.register <= group.register + group.count + read_over
        and place.end - group.register <= MOST_REGISTERS
    )


def _ordered(place: Place, words: Sequence[int]) -> tuple[int, ...]:
    return tuple(words if place.word_order == "big" else reversed(words))
