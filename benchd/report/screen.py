"""What a screen of text is made of: spans with a style, widths in cells, bars, small lines of history, times of day.

Knows neither benchd's documents nor any terminal. Light: it is imported each time somebody looks at the status.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import TypeAlias

#: Text and how it is meant: "" as it is, "strong", "quiet", "good" or "alarm".
Span: TypeAlias = tuple[str, str]
Line: TypeAlias = tuple[Span, ...]

_STEPS, _PLAIN_STEPS = "▁▂▃▄▅▆▇█", "_.-=*#"
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: A line of history spans at least this much of its unit, so that noise is not drawn as a mountain.
_LEAST_SPAN = {"degC": 1.0, "K": 1.0, "dBA": 2.0, "%": 2.0, "W": 2.0, "V": 0.5, "A": 0.2, "1/min": 50.0, "hPa": 2.0}
#: The same for other units, as a part of the highest value [1].
_LEAST_PART = 0.05


def cells(text: str) -> int:
    """How many cells of a terminal the text takes.

    >>> cells("brook"), cells("小川"), cells("e\N{COMBINING ACUTE ACCENT}")
    (5, 4, 1)
    """
    return len(text) if text.isascii() else sum(map(_cells_of, text))


def _cells_of(letter: str) -> int:
    if unicodedata.category(letter) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in "WF" else 1


def width_of(line: Line) -> int:
    """How many cells a line takes."""
    return sum(cells(text) for text, _ in line)


def cut(text: str, width: int, mark: str = "…") -> str:
    """The text in at most `width` cells, its end replaced by the mark when it does not fit.

    >>> cut("a name that is long", 9), cut("小川小川", 5), cut("short", 9)
    ('a name t…', '小川…', 'short')
    """
    if cells(text) <= width:
        return text
    room = width - len(mark)
    if room < 0:
        return mark[: max(width, 0)]
    kept, used = [], 0
    for letter in text:
        used += _cells_of(letter)
        if used > room:
            break
        kept.append(letter)
    return "".join(kept) + mark


def padded(text: str, width: int, mark: str = "…") -> str:
    """The text in exactly `width` cells, cut or filled with blanks on the right."""
    shown = cut(text, width, mark)
    return shown + " " * (width - cells(shown))


def cut_line(line: Line, width: int, mark: str = "…") -> Line:
    """The line in at most `width` cells."""
    if width_of(line) <= width:
        return line
    kept: list[Span] = []
    room = width - len(mark)
    for text, style in line:
        if cells(text) > room:
            kept.append((cut(text, room, "") + mark, style))
            break
        kept.append((text, style))
        room -= cells(text)
    return tuple(kept)


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """The text on lines of at most `width` cells, broken at blanks where that can be; later lines begin with `indent`.

    >>> wrapped("die above its limit", 10, "  ")
    ['die above', '  its', '  limit']
    """
    lines: list[str] = []
    line = ""
    for word in _words(text, max(width - len(indent), 2)):
        if line.strip() and cells(line) + 1 + cells(word) > width:
            lines.append(line)
            line = indent + word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line]


def _words(text: str, width: int) -> Iterator[str]:
    """The words of a text; one that no line can hold comes in pieces."""
    for word in text.split():
        while cells(word) > width:
            piece = cut(word, width, "")
            yield piece
            word = word[len(piece) :]
        yield word


def side_by_side(left: Sequence[Line], right: Sequence[Line], width: int, gap: int) -> list[Line]:
    """Two columns as one, the left one `width` cells wide."""
    rows = max(len(left), len(right))
    columns = zip([*left, *[()] * (rows - len(left))], [*right, *[()] * (rows - len(right))], strict=True)
    return [
        (*one, (" " * (width - width_of(one) + gap), ""), *other) if other else tuple(one) for one, other in columns
    ]


def bar(part: float, width: int, *, plain: bool) -> Line:
    """A bar of which `part` [1] is full; `plain`: of ASCII only."""
    full = min(max(round(part * width), 0), width)
    done, left = ("#", ".") if plain else ("█", "░")
    return ((done * full, "good"), (left * (width - full), "quiet"))


def small_line(history: Sequence[float | None], width: int, unit: str | None, *, plain: bool) -> str:
    """The newest values as one letter each, the lower the smaller; a blank where there is none.

    >>> small_line([20.0, None, 24.0, 30.0], 8, "degC", plain=True), small_line([40.0, 40.1], 8, "degC", plain=True)
    ('_ -#', '-=')
    """
    newest = history[-width:] if width > 0 else []
    known = [value for value in newest if value is not None]
    if not known:
        return ""
    steps = _PLAIN_STEPS if plain else _STEPS
    low, high = min(known), max(known)
    least = _LEAST_SPAN.get(unit or "", _LEAST_PART * max(abs(low), abs(high)))
    if high - low < least:
        low = (low + high - least) / 2
        high = low + least
    scale = (len(steps) - 1) / (high - low) if high > low else 0.0
    return "".join(" " if value is None else steps[round((value - low) * scale)] for value in newest)


def hours(seconds: float) -> str:
    """A duration [s] for a person: `9:48 h`, or minutes and seconds when short.

    >>> hours(35280), hours(95)
    ('9:48 h', '1:35 min')
    """
    whole = round(seconds)
    if whole >= 3600:
        return f"{whole // 3600}:{whole % 3600 // 60:02d} h"
    return f"{whole // 60}:{whole % 60:02d} min"


def day(local: str) -> str:
    """The day of a time in ISO 8601: `Wed 25 Nov`."""
    then = datetime.fromisoformat(local)
    return f"{_DAYS[then.weekday()]} {then.day} {_MONTHS[then.month - 1]}"


def at(local: str, now: str | None) -> str:
    """A time of day as seen from `now`, both in ISO 8601: `22:14` today, `Thu 01:52` within a week, else with its date.

    >>> at("2026-11-26T01:52:10+01:00", "2026-11-25T22:14:00+01:00")
    'Thu 01:52'
    """
    clock = local[11:16]
    days = (datetime.fromisoformat(local).date() - datetime.fromisoformat(now or local).date()).days
    if days == 0:
        return clock
    return f"{day(local)[:3]} {clock}" if abs(days) < 6 else f"{day(local)} {clock}"


def joined(parts: Iterable[str], between: str = ", ") -> str:
    """The parts that say anything, as one sentence."""
    return between.join(part for part in parts if part)
