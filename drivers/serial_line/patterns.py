"""What a bench file may say of lines of text: patterns that are sound and quick, commands that can be filled in.

Pure but for a look at how long a pattern takes. A regular expression that takes long holds up the whole program, with
the heater on: so what may take for ever is refused when the bench file is read.
"""

from __future__ import annotations

import re
from string import Formatter

from drivers.links.patience import Patience
from drivers.serial_line.codec import number

#: What a line may cost [s], a thousand times what a sound pattern takes; lines that bring the worst out of a pattern.
_COST_S = 0.2
_WORST = ("0", "a", " ", "0.", "0 ", "0,", "a ", ", ")


def compiled(pattern: str) -> re.Pattern[str]:
    """A pattern of a bench file. Raises ValueError for what Python's `re` refuses, and for a repeated group.

    A repeated group may take for ever over a line that nearly fits (each sign could belong to this round or the next);
    a line of an instrument has a form that needs none.

    >>> compiled(r"(?P<level>[0-9.]+) dBA").groupindex["level"]
    1
    >>> compiled("([0-9]+)*")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ValueError: repeats a group at place 8: write it out, or let ? follow it; ...
    """
    try:
        found = re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as error:
        raise ValueError(f"is no regular expression: {error}") from None
    place = _repeated_group(pattern)
    if place is not None:
        raise ValueError(
            f"repeats a group at place {place}: write it out, or let ? follow it; "
            "a line that nearly fits might take for ever"
        )
    return found


def _repeated_group(pattern: str) -> int | None:
    """Where a group is followed by *, + or a count, counted from 0; None when none is."""
    plain = re.sub(r"\\.|\[\^?\]?(?:\\.|[^\]\\])*\]", lambda found: "x" * len(found[0]), pattern, flags=re.DOTALL)
    repeated = re.search(r"\)[*+{]", plain)
    return repeated.end() - 1 if repeated else None


def takes_long(pattern: re.Pattern[str], longest: int) -> str:
    """A line of at most `longest` signs that takes the pattern long to refuse; empty when none was found.

    >>> takes_long(re.compile(r"(?P<level>[0-9.]+) dBA"), longest=200)
    ''
    """
    length = 8.0
    while length <= longest:  # slowly up: the first line that takes long takes not much longer than allowed
        for bit in _WORST:
            line = (bit * longest)[: int(length)]
            patience = Patience(_COST_S)
            pattern.fullmatch(line)
            if patience.over:
                return line
        length *= 1.2
    return ""


def template_mistake(template: str) -> str:
    """What is wrong with a command that has one place for a number, in words; empty when nothing is.

    >>> template_mistake("F {value:.0f}"), template_mistake("F 50")
    ('', 'must hold {value} once, for example "F {value:.0f}"')
    """
    try:
        names = [name for _, name, _, _ in Formatter().parse(template) if name is not None]
        if names != ["value"]:
            return 'must hold {value} once, for example "F {value:.0f}"'
        written(template, 1.0)
    except (ValueError, IndexError, KeyError) as error:
        return f"cannot be filled in: {error}"
    return ""


def written(template: str, value: float) -> tuple[str, float]:
    """The command that says `value` [unit of the device], and the number that it says, rounded as it is written.

    Raises ValueError when it cannot be written so that it can be read.

    >>> written("F {value:.0f}", 33.7)
    ('F 34', 34.0)
    """
    form = next(form or "" for _, name, form, _ in Formatter().parse(template) if name == "value")
    said = number(format(value, form))
    if said is None:
        raise ValueError(f"{{value:{form}}} writes {format(value, form)!r}, which is no number")
    return template.format(value=value), said
