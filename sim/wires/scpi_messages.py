"""What a SCPI device understands: program messages, headers in short and long form, its error queue and status bits.

Pure text and numbers; knows no wire and no device. Written on its own, apart from the drivers that it answers.

Sources: IEEE 488.2-1992, section 7 (program messages), 10 (common commands), 11 (status: bits 2 to 5 of the event
register); SCPI-99 volume 1, section 6.2 (headers), volume 2, section 21.8 (error queue: first in, first out, the last
entry gives way to -350). Section numbers are from memory; numbers and words of errors agree with the manuals of several
makers.
"""

from __future__ import annotations

import string
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

_WORDS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -200: "Execution error",
    -222: "Data out of range",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
#: Bit of the event status register for each hundred of errors.
_EVENT_BITS = {1: 0x20, 2: 0x10, 3: 0x08, 4: 0x04}
_MULTIPLIERS = {"": 1.0, "K": 1e3, "M": 1e-3, "U": 1e-6, "MA": 1e6}
_SIGNS_OF_HEADERS = frozenset(string.ascii_letters + string.digits + "_:*?")


class ErrorReply(Exception):
    """The device puts this number on its error queue.

    Args:
        code: a standard number, below 0 [1]

    >>> ErrorReply(-113).is_command_error
    True
    """

    def __init__(self, code: int) -> None:
        super().__init__(_WORDS[code])
        self.code = code

    @property
    def is_command_error(self) -> bool:
        """Whether the message could not be understood, so that the rest of it is not looked at."""
        return -199 <= self.code <= -100


@dataclass(frozen=True)
class Unit:
    """One command or query out of a message."""

    header: str
    """From the root of the tree, capitals, without a leading colon and without its question mark."""
    is_query: bool
    argument: str | None
    """What stands behind the header; None: nothing."""


def units(message: str) -> Iterator[Unit]:
    """The commands and queries of a message. Raises ErrorReply when it comes to what is none.

    A header goes on from the path of the one before it; a colon in front leads back to the root; a common command, with
    its asterisk, changes nothing of that.

    Args:
        message: without its end [no unit]

    >>> [unit.header for unit in units("meas:pow?;volt?;*OPC?;:OUTP ON")]
    ['MEAS:POW', 'MEAS:VOLT', '*OPC', 'OUTP']
    """
    path: list[str] = []
    for text in _pieces(message):
        if not text:
            continue
        words = text.split(maxsplit=1)
        header = words[0].upper()
        if not all(" " <= sign <= "~" or sign == "\t" for sign in text):
            raise ErrorReply(-101)
        if not _SIGNS_OF_HEADERS.issuperset(header) or "?" in header[:-1] or "*" in header[1:]:
            raise ErrorReply(-102)
        is_query = header[-1] == "?"
        nodes = header.rstrip("?").split(":")
        if nodes[0] == "" and len(nodes) > 1:
            path, nodes = [], nodes[1:]
        if not all(nodes):
            raise ErrorReply(-102)
        argument = words[1].strip() if len(words) > 1 else None
        if nodes[0].startswith("*"):
            yield Unit(nodes[0], is_query, argument)
            continue
        nodes = path + nodes
        path = nodes[:-1]
        yield Unit(":".join(nodes), is_query, argument)


def _pieces(message: str) -> list[str]:
    pieces, quoted = [""], ""
    for sign in message:
        if sign == ";" and not quoted:
            pieces.append("")
            continue
        if quoted == sign:
            quoted = ""
        elif not quoted and sign in "'\"":
            quoted = sign
        pieces[-1] += sign
    return [piece.strip() for piece in pieces]


def is_spelling(header: str, notation: str) -> bool:
    """Whether a header is meant by SCPI notation: small letters and what stands in brackets may be left out.

    Args:
        header: in capitals, from the root [no unit]
        notation: such as `[SOURce:]POWer[:LEVel]` [no unit]

    >>> notation = "[SOURce:]POWer[:LEVel]"
    >>> [is_spelling(it, notation) for it in ("POW", "SOURCE:POWER:LEV", "POWE", "SOUR")]
    [True, True, False, False]
    """
    return _matches(header.split(":"), _nodes(notation))


def _nodes(notation: str) -> list[tuple[str, bool]]:
    """Each node, and whether it may be left out."""
    marked = notation.replace("[:", ":[").replace(":]", "]:")
    return [(node.strip("[]"), node.startswith("[")) for node in marked.split(":")]


def _matches(given: list[str], wanted: list[tuple[str, bool]]) -> bool:
    if not wanted:
        return not given
    (node, may_lack), rest = wanted[0], wanted[1:]
    short = "".join(sign for sign in node if not sign.islower())
    if given and given[0] in (short, node.upper()) and _matches(given[1:], rest):
        return True
    return may_lack and _matches(given, rest)


def parameter(argument: str | None, unit: str = "") -> float:
    """The number that a command is given [its unit]; ON is 1, OFF is 0. Raises ErrorReply.

    Args:
        argument: what stands behind the header [no unit]
        unit: how its unit may stand behind it, with a multiplier before it [no unit]

    >>> parameter("1.5E2 W", "W"), parameter("150", "W"), parameter("ON"), parameter("250 MV", "V")
    (150.0, 150.0, 1.0, 0.25)
    """
    if argument is None:
        raise ErrorReply(-109)
    text = argument.upper()
    if "," in text:
        raise ErrorReply(-108)
    if text in ("ON", "OFF"):
        return float(text == "ON")
    for end in range(len(text), 0, -1):
        try:
            value = float(text[:end])
        except ValueError:
            continue
        if not text.isascii() or any(
            sign in "INF_" for sign in text[:end]
        ):  # what Python takes for a number and the standard does not
            break
        suffix = text[end:].strip()
        if not suffix:
            return value
        if not unit or not suffix.endswith(unit) or suffix.removesuffix(unit) not in _MULTIPLIERS:
            raise ErrorReply(-131)
        return value * _MULTIPLIERS[suffix.removesuffix(unit)]
    raise ErrorReply(-104)


def numeral(value: float) -> str:
    """A number as an answer: 0 and 1 as NR1, others as NR3; NaN as SCPI writes it.

    Args:
        value: what is told [its unit]

    >>> numeral(1.0), numeral(12.34), numeral(float("nan"))
    ('1', '+1.234000E+01', '+9.910000E+37')
    """
    if value in (0.0, 1.0):
        return f"{value:.0f}"
    return f"{9.91e37 if value != value else min(max(value, -9.9e37), 9.9e37):+.6E}"


class Status:
    """Error queue, event status register with its enable register, and the status byte that sums them up.

    Args:
        longest: how many errors the queue holds, 2 or more [1]

    >>> status = Status(longest=2)
    >>> for code in (-113, -222, -109):
    ...     status.put(ErrorReply(code))
    >>> status.byte, status.next_error(), status.next_error(), status.next_error()
    (4, '-113,"Undefined header"', '-350,"Queue overflow"', '0,"No error"')
    >>> status.take_events()
    176
    """

    _POWER_ON = 0x80
    _QUEUE_BIT, _EVENT_BIT = 0x04, 0x20

    def __init__(self, longest: int = 10) -> None:
        self.enabled = 0
        """Event status enable register [1]."""
        self._longest = longest
        self._events = self._POWER_ON
        self._errors: deque[int] = deque()

    @property
    def byte(self) -> int:
        """What `*STB?` tells."""
        queue = self._QUEUE_BIT if self._errors else 0
        return queue | (self._EVENT_BIT if self._events & self.enabled else 0)

    def put(self, error: ErrorReply) -> None:
        """An error has happened."""
        self._events |= _EVENT_BITS[-error.code // 100]
        if len(self._errors) < self._longest:
            self._errors.append(error.code)
        else:
            self._errors[-1] = -350

    def complete(self) -> None:
        """Everything asked for is done: bit 0 of the event status register."""
        self._events |= 0x01

    def next_error(self) -> str:
        """The oldest error, which is taken off the queue."""
        if not self._errors:
            return '0,"No error"'
        code = self._errors.popleft()
        return f'{code},"{_WORDS[code]}"'

    def take_events(self) -> int:
        """The event status register, which is empty afterwards."""
        events, self._events = self._events, 0
        return events

    def clear(self) -> None:
        """Forget errors and events."""
        self._errors.clear()
        self._events = 0
