"""What a SCPI device makes of a message: pure text, for a program that answers as such a device (the load agent).

Owns the parts of a program message, headers in their long and short forms, the error queue, and `Commands`, which puts
them together: a message in, an answer out. It knows no socket, no clock, and not what the commands do.

Sources: IEEE 488.2-1992 (program messages, common commands) and SCPI-99 volume 1 section 6.2 (forms of headers, the
path after a semicolon), volume 2 sections 21.8 (error queue) and its list of numbers. The sections are from memory; the
rules, numbers and words agree with the programming manuals of several makers.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from drivers.scpi.codec import number, split_outside_quotes

#: Standard errors, by number.
ERRORS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -300: "Device-specific error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
}

_HEADER = re.compile(r"\*?[A-Za-z][A-Za-z0-9_]*(:[A-Za-z][A-Za-z0-9_]*)*\??")


class ScpiError(Exception):
    """The device says no: a number of `ERRORS`, and what it wants to add. Goes to the error queue."""

    def __init__(self, number: int, more: str = "") -> None:
        super().__init__(f"{number} {ERRORS[number]}" + (f": {more}" if more else ""))
        self.number = number
        self.more = more


@dataclass(frozen=True)
class ProgramUnit:
    """One command or query of a message."""

    header: str
    """In upper case, from the root of the tree, without a colon in front, without its question mark."""
    query: bool
    parameters: tuple[str, ...] = ()

    def only(self) -> str:
        """Its one parameter. Raises `ScpiError` -109 or -108 when it has none or more."""
        if not self.parameters:
            raise ScpiError(-109, self.header)
        if len(self.parameters) > 1:
            raise ScpiError(-108, self.header)
        return self.parameters[0]


def program_units(message: str) -> Iterator[ProgramUnit]:
    """The commands and queries of one message without its end, in order. Raises `ScpiError` where one is malformed.

    A header after a semicolon goes on where the one before it stood, unless a colon leads it back to the root; a common
    command changes nothing of that.

    >>> [unit.header for unit in program_units("meas:volt?;curr?;*OPC?;:POW 100")]
    ['MEAS:VOLT', 'MEAS:CURR', '*OPC', 'POW']
    """
    path = ""
    for text in split_outside_quotes(message, ";"):
        header, _, rest = text.strip().partition(" ")
        if not header:
            continue
        if not message.isascii() or not message.replace("\t", " ").isprintable():
            raise ScpiError(-101)
        absolute, header = header.startswith(":"), header.removeprefix(":")
        if not _HEADER.fullmatch(header):
            raise ScpiError(-102, text.strip())
        query, header = header.endswith("?"), header.removesuffix("?").upper()
        if not header.startswith("*"):
            header = header if absolute else path + header
            path = header[: header.rfind(":") + 1]
        parameters = tuple(part.strip() for part in split_outside_quotes(rest, ",")) if rest.strip() else ()
        yield ProgramUnit(header, query, parameters)


def spelled(notation: str) -> re.Pattern[str]:
    """What matches a header in all its spellings. Small letters may be left out, and so may what stands in brackets.

    >>> form = spelled("MEASure[:SCALar]:POWer[:DC]")
    >>> [bool(form.fullmatch(it)) for it in ("MEAS:POW", "MEASURE:SCAL:POWER:DC", "MEASU:POW")]
    [True, True, False]
    """
    pattern = ""
    for piece in re.findall(r"[\[\]:]|[*A-Za-z0-9_]+", notation):
        if piece in "[]":
            pattern += {"[": "(?:", "]": ")?"}[piece]
            continue
        short = "".join(sign for sign in piece if not sign.islower())
        pattern += re.escape(piece) if short == piece else f"(?:{re.escape(short)}|{re.escape(piece.upper())})"
    return re.compile(pattern)


def setting(unit: ProgramUnit, suffix: str = "") -> float:
    """The number that a command was given; ON is 1 and OFF is 0. Raises `ScpiError` -104, -108, -109 or -131.

    >>> setting(ProgramUnit("POW", query=False, parameters=("0.2 KW",)), "W")
    200.0
    """
    text = unit.only()
    if text.upper() in ("ON", "OFF"):
        return float(text.upper() == "ON")
    try:
        return number(text, (suffix,) if suffix else ())
    except ValueError:
        raise ScpiError(-131 if re.match(r"[+-]?\.?[0-9]", text) else -104, text) from None


class ErrorQueue:
    """Errors in the order they came. When it is full, the last one gives way to -350, and no more are taken.

    >>> queue = ErrorQueue(longest=2)
    >>> for code in (-113, -222, -104):
    ...     queue.put(code)
    >>> queue.next(), queue.next(), queue.next()
    ('-113,"Undefined header"', '-350,"Queue overflow"', '0,"No error"')
    """

    def __init__(self, longest: int = 16) -> None:
        self._longest = longest
        self._waiting: deque[tuple[int, str]] = deque()
        self.ever = 0
        """How many it was ever given, whatever became of them."""

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, code: int, more: str = "") -> None:
        """Take an error of `ERRORS`."""
        self.ever += 1
        if len(self._waiting) < self._longest:
            self._waiting.append((code, more))
        else:
            self._waiting[-1] = (-350, "")

    def next(self) -> str:
        """The oldest as an answer to `SYST:ERR?`; it is gone afterwards."""
        code, more = self._waiting.popleft() if self._waiting else (0, "")
        words = ERRORS[code] + (f";{more}" if more else "")
        return f'{code},"{words.replace(chr(34), chr(39))}"'

    def clear(self) -> None:
        """Forget them all."""
        self._waiting.clear()


#: What a command does: it is given its unit; a query returns its answer. May raise `ScpiError`.
Handler: TypeAlias = Callable[[ProgramUnit], str | None]


class Commands:
    """The commands of one device: those it is given, `SYST:ERR?`, and the common ones that need no status registers.

    `handlers`: header in SCPI notation, a query with its question mark -> what it does. `reset`: what `*RST` does.

    >>> device = Commands({"MEASure:POWer?": lambda unit: "99.8"}, identity="benchd,agent,0,1")
    >>> device.answer("*IDN?;MEAS:POW?")
    'benchd,agent,0,1;99.8'
    >>> device.answer("MEAS:VOLT?"), device.answer("SYST:ERR?")
    (None, '-113,"Undefined header;MEAS:VOLT?"')
    """

    def __init__(
        self, handlers: Mapping[str, Handler], identity: str, reset: Callable[[], None] = lambda: None
    ) -> None:
        self.errors = ErrorQueue()

        def do(act: Callable[[], None]) -> Handler:
            return lambda _: act()

        common: dict[str, Handler] = {
            "*CLS": do(self.errors.clear),
            "*RST": do(reset),
            "*WAI": do(lambda: None),
            "*IDN?": lambda _: identity,
            "*OPC?": lambda _: "1",
            "SYSTem:ERRor[:NEXT]?": lambda _: self.errors.next(),
        }
        self._handlers = [
            (spelled(notation.removesuffix("?")), notation.endswith("?"), handler)
            for notation, handler in {**common, **handlers}.items()
        ]

    def answer(self, message: str) -> str | None:
        """Do what one message without its end says. The answers of its queries, None where it has none.

        After a malformed or unknown command the rest of the message is left undone.
        """
        answers = []
        try:
            for unit in program_units(message):
                given = self._do(unit)
                if given is not None:
                    answers.append(given)
        except ScpiError as error:
            self.errors.put(error.number, error.more)
        return ";".join(answers) if answers else None

    def _do(self, unit: ProgramUnit) -> str | None:
        for form, query, handler in self._handlers:
            if query == unit.query and form.fullmatch(unit.header):
                return self._guarded(handler, unit)
        raise ScpiError(-113, unit.header + "?" * unit.query)

    def _guarded(self, handler: Handler, unit: ProgramUnit) -> str | None:
        """An error in carrying out a command is no reason to leave the next one undone; a malformed one is."""
        try:
            return handler(unit)
        except ScpiError as error:
            if -200 < error.number <= -100:
                raise
            self.errors.put(error.number, error.more)
            return None
