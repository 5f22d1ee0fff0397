"""Lines of text as values, and back: pure computation, without a wire, a device or the time.

Owns cutting what arrives into lines (`Lines`), checksums (`Check`), what a line holds (`LineCodec`), and what one
channel makes of it (`Field`). A line that does not hold together is refused with words, never guessed at.

The sum over a line is modulo 256; the exclusive or is that of NMEA 0183, whose sentences have it after `*` and count
from behind `$`; the two cyclic checks have the polynomials of Modbus and of ITU-T V.41, each beginning with all ones.
"""

from __future__ import annotations

import binascii
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Literal, TypeAlias

from benchd.instruments import Answer, SampleFlag

CheckKind: TypeAlias = Literal["sum", "xor", "crc16_modbus", "crc16_ccitt"]
Encoding: TypeAlias = Literal["ascii", "latin-1"]
Decimal: TypeAlias = Literal[".", ","]

#: Blanks at the ends of a line mean nothing.
_BLANKS = " \t\r\n\0"
_NUMBER = re.compile(r"[+-]? *(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def number(text: str, decimal: Decimal = ".") -> float | None:
    """The number that a text says, None when it says none. No NaN, no infinity, nothing that only Python takes.

    >>> number("+ 23.40"), number("23,4", decimal=","), number("1_0"), number("nan"), number("1,234")
    (23.4, 23.4, None, None, None)
    """
    plain = text.strip(_BLANKS)
    if decimal == ",":
        plain = plain.replace(".", "?").replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        return None
    value = float(plain.replace(" ", ""))
    return value if math.isfinite(value) else None


# --- checksums


def check_of(kind: CheckKind, data: bytes) -> int:
    """The checksum over bytes.

    >>> hex(check_of("xor", b"WIMWV,045,R,011.63,N,A")), hex(check_of("crc16_modbus", b"123456789"))
    ('0x9', '0x4b37')
    """
    match kind:
        case "sum":
            return sum(data) % 256
        case "xor":
            return reduce(xor, data, 0)
        case "crc16_ccitt":
            return binascii.crc_hqx(data, 0xFFFF)
        case "crc16_modbus":
            return _crc16_modbus(data)


def _crc16_modbus(data: bytes) -> int:
    check = 0xFFFF
    for byte in data:
        check ^= byte
        for _ in range(8):
            check = check >> 1 ^ (0xA001 if check & 1 else 0)
    return check


@dataclass(frozen=True)
class Check:
    """A checksum in hexadecimal digits, two or four, at the end of a line."""

    kind: CheckKind
    after: bytes = b""
    """What stands before its digits and is not counted; empty: they follow at once."""
    start: bytes = b""
    """The sign behind which counting begins; empty: with the first byte of the line."""

    @property
    def digits(self) -> int:
        """How many hexadecimal digits it has [1]."""
        return 4 if self.kind.startswith("crc16") else 2

    def sealed(self, line: bytes) -> bytes:
        """A line with its checksum. Raises ValueError when it lacks the sign behind which counting begins.

        >>> Check("xor", after=b"*", start=b"$").sealed(b"$WIMWV,045,R,011.63,N,A")
        b'$WIMWV,045,R,011.63,N,A*09'
        """
        return line + self.after + b"%0*X" % (self.digits, check_of(self.kind, self._counted(line)))

    def opened(self, line: bytes) -> bytes:
        """A line without its checksum. Raises ValueError when it has none, or another one."""
        body, told = line[: -self.digits], line[-self.digits :]
        if not re.fullmatch(rb"[0-9A-Fa-f]{%d}" % self.digits, told) or not body.endswith(self.after):
            raise ValueError("has no checksum at its end")
        body = body.removesuffix(self.after)
        worked_out = check_of(self.kind, self._counted(body))
        if worked_out != int(told, 16):
            raise ValueError(f"says checksum {told.decode()}, worked out {worked_out:0{self.digits}X}")
        return body

    def _counted(self, line: bytes) -> bytes:
        if not self.start:
            return line
        _, found, counted = line.partition(self.start)
        if not found:
            raise ValueError(f"has no {self.start.decode('latin-1')!r}, behind which its checksum begins")
        return counted


# --- lines


@dataclass(frozen=True)
class LineCodec:
    """How one device writes its lines."""

    encoding: Encoding = "ascii"
    check: Check | None = None
    ignore: re.Pattern[str] | None = None
    """Lines that are no answer and no reading: an echo, a heading, a prompt."""
    longest: int = 200
    """A line of more bytes is no line of this device [1]."""

    def text(self, line: bytes) -> str:
        """The line as text, without its checksum and without blanks at its ends. Raises ValueError in words."""
        if len(line) > self.longest:
            raise ValueError(f"is longer than {self.longest} bytes")
        bare = line.strip(_BLANKS.encode())
        body = self.check.opened(bare) if self.check else bare
        try:
            return body.decode(self.encoding).strip(_BLANKS)
        except UnicodeDecodeError:
            raise ValueError(f"holds signs that are no {self.encoding}") from None

    def counts(self, line: bytes) -> bool:
        """Whether a line is to be looked at: neither empty nor one to be ignored."""
        if not line.strip(_BLANKS.encode()):
            return False
        # By its plain text: an echo or a heading need not carry a checksum.
        return not (
            self.ignore and len(line) <= self.longest and self.ignore.fullmatch(line.decode("latin-1").strip(_BLANKS))
        )


class Lines:
    """Cuts what arrives into lines; keeps the newest whole one and the line that has begun, and nothing else.

    >>> lines = Lines(b";", 9, lambda line: True)
    >>> lines.feed(b"tail of a line;41.2;41"), lines.newest, lines.begun
    (True, b'41.2', True)
    """

    def __init__(self, end: bytes, longest: int, counts: Callable[[bytes], bool]) -> None:
        self._end = end
        self._longest = longest
        self._counts = counts
        self._begun = b""
        # The first end that comes may be that of a line whose beginning nobody has seen.
        self._skipping = True
        self.newest: bytes | None = None
        """The newest whole line that counts, None when there is none."""

    @property
    def begun(self) -> bool:
        """Whether a line has begun that has not ended."""
        return bool(self._begun) and not self._skipping

    def feed(self, data: bytes) -> bool:
        """Take what has arrived; whether it brought a whole line that counts."""
        data = self._begun + data
        last = data.rfind(self._end)
        if last < 0:
            self._begun = data
            came = False
        else:
            since = data.find(self._end) + len(self._end) if self._skipping else 0
            self._skipping = False
            self._begun = data[last + len(self._end) :]
            came = self._look_back(data[since:last]) if last >= since else False
        if self._skipping or len(self._begun) > self._longest + len(self._end):
            self.skip()
        return came

    def _look_back(self, whole: bytes) -> bool:
        """Keep the last line of these that counts; whether one did. Of a flood only that one is looked at."""
        while True:
            whole, found, line = whole.rpartition(self._end)
            if self._counts(line):
                self.newest = line
                return True
            if not found:
                return False

    def skip(self) -> None:
        """What has begun is no line: go on behind the next end."""
        self._skipping = True
        # The end itself may come in two pieces.
        self._begun = self._begun[max(0, len(self._begun) - len(self._end) + 1) :]


# --- what a line says


@dataclass(frozen=True)
class Field:
    """Where one channel's number stands in a line, and how: value = scale * number + offset."""

    group: str
    unit_group: str | None = None
    unit: str = ""
    missing: tuple[str, ...] = ()
    """Words in place of a number that mean that there is none."""
    scale: float = 1.0
    """[unit of the channel per unit of the line]"""
    offset: float = 0.0
    """[unit of the channel]"""
    decimal: Decimal = "."

    def answer(self, found: Mapping[str, str | None]) -> Answer:
        """What the named groups of a line say: a value [unit of the channel], or why there is none.

        >>> level = Field("level", unit_group="unit", unit="dBA", missing=("---",))
        >>> level.answer({"level": "41.2", "unit": "dBA"}), level.answer({"level": "41.2", "unit": "dBC"})
        (41.2, <SampleFlag.GARBLED: 2>)
        >>> level.answer({"level": "---", "unit": "dBA"})
        <SampleFlag.MISSING: 1>
        """
        text = found[self.group]
        if text is None or text.strip(_BLANKS) in self.missing:
            return SampleFlag.MISSING
        if self.unit_group and (found[self.unit_group] or "").strip(_BLANKS) != self.unit:
            return SampleFlag.GARBLED
        said = number(text, self.decimal)
        value = math.nan if said is None else self.scale * said + self.offset
        return value if math.isfinite(value) else SampleFlag.GARBLED


@dataclass(frozen=True)
class Exchange:
    """One kind of line, the question that brings it if it does not come unasked, and the channels on it."""

    ask: str | None
    pattern: re.Pattern[str]
    fields: Mapping[str, Field] = field(default_factory=dict)

    def answers(self, text: str) -> dict[str, Answer] | None:
        """What a line says of each channel on it, None when it is not this kind of line."""
        match = self.pattern.fullmatch(text)
        return match and {name: one.answer(match.groupdict()) for name, one in self.fields.items()}

    def all(self, flag: SampleFlag) -> dict[str, Answer]:
        """The same flag for each of its channels."""
        return dict.fromkeys(self.fields, flag)
