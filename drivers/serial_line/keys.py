"""The keys of an instrument that talks lines of text, and what must fit together in them.

Owns its table in a bench file; what it means on the wire is in `driver`, in a line in `codec`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from benchd.instruments import ChannelSpec, InstrumentSpec, Number, SetpointSpec, unit_of
from drivers.links.ports import BY_ID
from drivers.links.stream import WireKeys
from drivers.serial_line import codec
from drivers.serial_line.patterns import compiled, takes_long, template_mistake, written

#: What only the arithmetic adds to 0 [part of the top of the range].
_NOTHING = 1e-9
#: In an accept or read_back pattern, the group that holds the setpoint that the device has taken.
VALUE = "value"


def _sound(pattern: str) -> str:
    compiled(pattern)
    return pattern


def _one_line(text: str) -> str:
    if any(not " " <= sign < "\x7f" and not "\xa0" <= sign <= "\xff" for sign in text):
        raise ValueError("must be one line of signs of ascii or latin-1; its end is sent by itself")
    return text


def _fillable(template: str) -> str:
    mistake = template_mistake(_one_line(template))
    if mistake:
        raise ValueError(mistake)
    return template


Pattern = Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_sound)]
Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_one_line)]
Template = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_fillable)]
Mark = Annotated[str, Field(max_length=4), AfterValidator(_one_line)]
LineEnd = Annotated[str, Field(min_length=1, max_length=4, pattern=r"^[\x00-\xff]+$")]


class LineChannel(ChannelSpec):
    """One measured quantity and where it stands in a line."""

    group: Annotated[str, Field(min_length=1)]
    """The named group of the pattern that holds its number."""
    unit_group: Annotated[str, Field(min_length=1)] | None = None
    """The named group that holds the unit; a line with another unit is garbled."""
    unit: str = ""
    """What must stand there, such as "dBA"."""
    missing: Annotated[tuple[str, ...], Field(strict=False, max_length=20)] = ()
    """Words in place of the number that mean that there is none, such as "---" or ""."""
    scale: Number = 1.0
    """value = scale * number + offset [unit of the channel per unit of the line]."""
    offset: Number = 0.0
    """The same [unit of the channel]."""
    ask: Line | None = None
    """Its own question, where the instrument's is not meant."""
    pattern: Pattern | None = None
    """Its own pattern, where the instrument's is not meant."""

    @model_validator(mode="after")
    def _makes_sense(self) -> LineChannel:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        if (self.unit_group is None) == bool(self.unit):
            raise ValueError("unit_group and unit go together: give both or neither")
        return self


class LineSetpoint(SetpointSpec):
    """One commanded quantity and the line that commands it; the device must answer or be asked afterwards."""

    command: Template
    """What is sent, with {value} for the number and how it is written, such as "F {value:.0f}"."""
    accept: Pattern | None = None
    """What the device must answer; a group named value in it must hold the number that was sent."""
    read_back: Line | None = None
    """What is asked afterwards."""
    read_back_pattern: Pattern | None = None
    """What is answered to that, with a group named value."""
    read_back_tolerance: Annotated[Number, Field(ge=0)] = 0.0
    """How far the number told may lie from the number sent [unit of the setpoint]."""
    scale: Number = 1.0
    """setpoint = scale * number + offset [unit of the setpoint per unit of the line]."""
    offset: Number = 0.0
    """The same [unit of the setpoint]."""

    @model_validator(mode="after")
    def _is_confirmed(self) -> LineSetpoint:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        if self.accept is None and self.read_back is None:
            raise ValueError("give accept or read_back: without either nobody knows whether the device has obeyed")
        if (self.read_back is None) != (self.read_back_pattern is None):
            raise ValueError("read_back and read_back_pattern go together: give both or neither")
        if self.read_back_pattern is not None and VALUE not in re.compile(self.read_back_pattern).groupindex:
            raise ValueError("read_back_pattern must have a group named value: (?P<value>...)")
        for value in (*self.range, self.safe):
            written(self.command, self.number(value))
        return self

    def number(self, value: float) -> float:
        """What stands in the line for a setpoint [unit of the setpoint]."""
        return (value - self.offset) / self.scale


class SerialLineSpec(WireKeys, InstrumentSpec):
    """One instrument that talks lines of text, as the bench file declares it."""

    ask: Line | None = None
    """The question that brings a line; without it the device sends by itself, and its newest whole line counts."""
    pattern: Pattern | None = None
    """How a line looks, as a regular expression of Python's with a named group for each number: it must fit the whole
    line but for blanks at its ends and the checksum. Write it in single quotes and as strict as the device is."""
    ignore: Pattern | None = None
    """Lines that are neither an answer nor a reading: an echo, a heading, sentences of another kind."""
    line_end: LineEnd = "\r\n"
    """What ends a line that comes."""
    sent_end: LineEnd | None = None
    """What ends a line that is sent; line_end unless given."""
    encoding: codec.Encoding = "ascii"
    """How letters are written: "ascii" or "latin-1"; the degree sign is in the second only."""
    decimal: codec.Decimal = "."
    """What stands before the decimals: "." or ","."""
    longest: Annotated[int, Field(ge=8, le=4096)] = 200
    """A longer line is none of this device [bytes]."""
    checksum: codec.CheckKind | None = None
    """Kind of the hexadecimal checksum at the end of a line: "sum" (modulo 256), "xor" (NMEA 0183), "crc16_modbus" or
    "crc16_ccitt"; a line whose checksum is wrong is garbled."""
    checksum_after: Mark = ""
    """What stands before the digits of the checksum and is not counted, such as "*"."""
    checksum_start: Mark = ""
    """The sign behind which counting begins, such as "$"; the first byte of the line unless given."""
    checksum_sent: bool = False
    """Whether what is sent needs the checksum as well; it is put on."""
    stale_s: Annotated[Number, Field(gt=0, le=60)] = 3.0
    """After this much silence [s] of a device that sends by itself there is no value, rather than its last one."""
    quiet_s: Annotated[Number, Field(gt=0, le=60)] = 1.0
    """How late an answer may come at worst [s]: after a failure nothing is asked for so long, lest it be taken for the
    answer to a later question."""
    at_opening: Annotated[tuple[Line, ...], Field(strict=False, max_length=20)] = ()
    """Lines to be sent whenever the wire is opened."""
    opening_accept: Pattern | None = None
    """What the device must answer to each of them; without it no answer is waited for."""
    identity_ask: Line | None = None
    """The question that brings the device's name."""
    channels: Mapping[str, LineChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, LineSetpoint] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _fits_together(self) -> SerialLineSpec:
        if self.host is not None and self.port is None:
            raise ValueError("host needs a port as well: there is none that such devices have in common")
        if self.checksum is None and (self.checksum_after or self.checksum_start or self.checksum_sent):
            raise ValueError("checksum_after, checksum_start and checksum_sent need a checksum: say its kind")
        for name, channel in self.channels.items():
            self._check_channel(f"channels.{name}", channel)
        questions = [channel.ask or self.ask for channel in self.channels.values()]
        if None in questions and any(questions):
            raise ValueError("channels that are asked for and channels that come by themselves cannot share a wire")
        if self.unasked and (self.setpoints or self.identity_ask):
            raise ValueError(
                "a device that sends by itself can be asked or told nothing: its answer would look like a reading"
            )
        if self.unasked and len({channel.pattern for channel in self.channels.values()}) > 1:
            raise ValueError("channels that come by themselves stand on one line: give the instrument its pattern")
        for name, setpoint in self.setpoints.items():
            self._check_no_heat(name, setpoint)
        self._check_sent()
        self._check_cost()
        return self

    @property
    def unasked(self) -> bool:
        """Whether the device sends by itself."""
        return bool(self.channels) and all((channel.ask or self.ask) is None for channel in self.channels.values())

    def pattern_of(self, channel: LineChannel) -> re.Pattern[str]:
        """How the line looks that a channel stands in."""
        return compiled(channel.pattern or self.pattern or "")

    def cautions(self) -> list[str]:
        """What a person should think over: a port that changes its name, a unit that nothing tells, heat that stays."""
        found = []
        heats = [name for name, setpoint in self.setpoints.items() if unit_of(name) == "W" and setpoint.range[1] > 0]
        if heats and not self.at_opening:
            found.append(
                f"{', '.join(heats)} stays as it was told when cable, computer or program fail: set the device's own "
                "communication time-out by at_opening, if it has one"
            )
        if self.serial and self.serial.startswith("/dev/tty"):
            found.append(f"serial = {self.serial} may be another device next time: use its name under {BY_ID}")
        for name, channel in self.channels.items():
            if unit_of(name) == "dBA" and channel.unit_group is None:
                found.append(
                    f"{name}: no unit_group says that the line is dBA: a meter switched to C weighting goes unnoticed"
                )
        return found

    def _check_channel(self, where: str, channel: LineChannel) -> None:
        if channel.pattern is None and self.pattern is None:
            raise ValueError(f"{where}: no pattern says how its line looks: give the instrument or the channel one")
        groups = self.pattern_of(channel).groupindex
        for group in filter(None, (channel.group, channel.unit_group)):
            if group not in groups:
                there_are = ", ".join(groups) or "none"
                raise ValueError(f"{where}: the pattern has no group {group!r}; its named groups: {there_are}")

    def _check_no_heat(self, name: str, setpoint: LineSetpoint) -> None:
        text, sent = written(setpoint.command, setpoint.number(setpoint.safe))
        left = setpoint.scale * sent + setpoint.offset
        if unit_of(name) == "W" and setpoint.safe == 0 and abs(left) > _NOTHING * max(map(abs, setpoint.range)):
            raise ValueError(f"setpoints.{name}: safe = 0 is sent as {text!r}, which is {left:g} W")

    def _check_sent(self) -> None:
        sent = [self.ask, self.identity_ask, *self.at_opening]
        sent += [channel.ask for channel in self.channels.values()]
        sent += [text for setpoint in self.setpoints.values() for text in (setpoint.command, setpoint.read_back)]
        for text in filter(None, sent):
            if self.encoding == "ascii" and not text.isascii():
                raise ValueError(f'{text!r} cannot be sent in ascii: say encoding = "latin-1"')
            if self.checksum_sent and self.checksum_start not in text:
                raise ValueError(f"{text!r} lacks {self.checksum_start!r}, behind which its checksum begins")

    def _check_cost(self) -> None:
        patterns = [self.pattern, self.ignore, self.opening_accept]
        patterns += [channel.pattern for channel in self.channels.values()]
        patterns += [setpoint.accept for setpoint in self.setpoints.values()]
        patterns += [setpoint.read_back_pattern for setpoint in self.setpoints.values()]
        for pattern in dict.fromkeys(filter(None, patterns)):
            line = takes_long(compiled(pattern), self.longest)
            if line:
                raise ValueError(
                    f"pattern {pattern!r} takes too long over a line like {line[:20]!r}, of {len(line)} signs: "
                    "say what stands between the numbers instead of .*"
                )
