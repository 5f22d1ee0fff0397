"""SCPI messages as a controller writes and reads them: pure text, without a link, a device or the time.

Owns how queries become one message and its answer becomes their answers, what of an answer is a number, and what an
entry of the error queue says. The device's side of the same is `program`.

Sources: IEEE 488.2-1992, 8.7.2 to 8.7.4 (numbers in answers: NR1, NR2, NR3), 7.7.3 (multipliers of suffixes), 8.4.1 and
8.4.2 (separators of answers); SCPI-99 volume 1, 6.2.4 (a colon leads back to the root) and 7.2.1.5 (9.91E37 is no
number, 9.9E37 infinity). Sections and wording were compared with what programming manuals of several makers quote.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

#: From here on an answer is no value: 9.9E37 is infinity and 9.91E37 no number. A little less, since a device may keep
#: its infinity in a number of 32 bits.
UNREAL = 9.8e37
#: What counts as 9.91E37, for the same reason.
_NOT_A_NUMBER = (9.905e37, 9.915e37)

_NUMBER = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:\s?[Ee]\s?[+-]?[0-9]+)?)\s?([A-Za-z%][A-Za-z0-9/%]*)?")
_NO_NUMBER = {"NAN": math.nan} | dict.fromkeys(("INF", "INFINITY", "NINF", "NINFINITY", "+INF", "-INF"), math.inf)
_ERROR = re.compile(r"\s*([+-]?[0-9]+)\s*(?:,\s*(.*?)\s*)?", re.DOTALL)
_SIMPLE_COMMAND = re.compile(r"([^ ?;]+) +[^ ;,]+")

#: What may stand before a unit, from IEEE 488.2.
_MULTIPLIERS = {
    "": 1.0,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
}

#: How a device may write a unit behind a number, by the unit that a channel's name carries.
SUFFIXES: dict[str | None, tuple[str, ...]] = {
    "V": ("V",),
    "A": ("A",),
    "W": ("W",),
    "degC": ("CEL", "C", "DEGC"),
    "K": ("K",),
    "%": ("PCT", "%"),
    "s": ("S",),
    "1/min": ("RPM",),
    "dB": ("DB",),
    "dBA": ("DBA", "DB"),
    "hPa": ("HPA",),
}


def split_outside_quotes(text: str, at: str) -> list[str]:
    """The parts of a text between the signs `at` that stand outside quotation marks.

    >>> split_outside_quotes('1.5;-113,"Undefined header;POWR?";2', ";")
    ['1.5', '-113,"Undefined header;POWR?"', '2']
    """
    parts, part, quote = [], "", ""
    for sign in text:
        if sign == at and not quote:
            parts.append(part)
            part = ""
            continue
        if sign in "\"'" and quote in ("", sign):
            quote = "" if quote else sign
        part += sign
    return [*parts, part]


def join_queries(queries: Sequence[str]) -> str:
    """One message that asks them all; a colon leads each but the first back to the root of the tree.

    >>> join_queries(["MEAS:VOLT?", "MEAS:CURR?", "*ESR?"])
    'MEAS:VOLT?;:MEAS:CURR?;*ESR?'
    """
    first, *others = queries
    return ";".join([first, *(query if query[0] in ":*" else f":{query}" for query in others)])


def query_form(command: str) -> str | None:
    """The query that tells what a command of one parameter has set, None for any other command.

    SCPI-99 volume 1, 6.2.3 (from memory): a command has a query form unless it says otherwise.

    >>> query_form("SOUR:POW {value}"), query_form("OUTP OFF"), query_form("APPL 5,2")
    ('SOUR:POW?', 'OUTP?', None)
    """
    simple = _SIMPLE_COMMAND.fullmatch(command)
    return f"{simple[1]}?" if simple else None


def number(answer: str, suffixes: Sequence[str] = (), field: int | None = None) -> float:
    """The number that an answer is [as the device counts]; NaN where the device says that it has none, infinite where
    it says infinity or overflow, of either sign.

    suffixes: how its unit may stand behind it; another one is refused, a multiplier before it is reckoned in.
    field: which of several numbers with commas between, from 1 [1]; None: there must be one only.

    Raises `ValueError` for what is no number.

    >>> number("+1.234E+01"), number("250 mV", ("V",)), number("9.91E37"), number("-9.9E37"), number("1,2,3", field=2)
    (12.34, 0.25, nan, inf, 2.0)
    """
    fields = split_outside_quotes(answer, ",")
    if field is None and len(fields) != 1:
        raise ValueError(f"{len(fields)} answers where one was asked for")
    if field is not None and field > len(fields):
        raise ValueError(f"no field {field}, the answer has {len(fields)}")
    text = fields[(field or 1) - 1].strip()
    if text.upper() in _NO_NUMBER:
        return _NO_NUMBER[text.upper()]
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise ValueError("no number")
    multiplier = _multiplier(found[2] or "", suffixes)
    told = float(re.sub(r"\s", "", found[1]))
    if abs(told) < UNREAL:
        return told * multiplier
    low, high = _NOT_A_NUMBER
    return math.nan if low <= told <= high else math.inf


def _multiplier(suffix: str, suffixes: Sequence[str]) -> float:
    if not suffix:
        return 1.0
    for unit in suffixes:
        before = suffix.upper().removesuffix(unit)
        if before + unit == suffix.upper() and before in _MULTIPLIERS:
            return _MULTIPLIERS[before]
    raise ValueError(f"a number of {suffix}")


def error_entry(answer: str) -> str:
    """What an entry of the error queue says, empty for "no error". Raises `ValueError` for what is no entry.

    >>> error_entry('-222,"Data out of range"'), error_entry('+0,"No error"')
    ('-222 "Data out of range"', '')
    """
    found = _ERROR.fullmatch(answer)
    if found is None:
        raise ValueError("no entry of an error queue")
    return f"{int(found[1])} {found[2] or ''}".strip() if int(found[1]) else ""


def is_identity(answer: str) -> bool:
    """Whether an answer can be one to `*IDN?`: words, neither a number nor an entry of an error queue.

    >>> is_identity("benchd,agent,0,1"), is_identity("41.2"), is_identity('0,"No error"'), is_identity("")
    (True, False, False, False)
    """
    first = split_outside_quotes(answer, ",")[0].strip()
    if not first or not answer.isprintable() or not answer.isascii():
        return False
    try:
        number(first, tuple(suffix for several in SUFFIXES.values() for suffix in several))
    except ValueError:
        return True
    return False


def volts_and_amperes(watts: float, ohm: float) -> tuple[float, float]:
    """What gives so many watts in a resistance: U = sqrt(P R), I = sqrt(P / R) (Ohm and Joule).

    watts [W], from 0; ohm [ohm], above 0.

    >>> volts_and_amperes(200.0, 8.0)
    (40.0, 5.0)
    """
    return math.sqrt(watts * ohm), math.sqrt(watts / ohm)
