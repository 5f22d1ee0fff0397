"""`benchd ready`: one list before going home. What is to be answered now is asked, when a person sits there."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from rich.text import Text

from benchd.commands.output import PLAIN_WIDTH

#: What a person has to act on comes first.
ORDER = ("no", "asked", "not proven", "yes")
_VERDICT, _NAME = 12, 17
#: A word of a shell: what stands in quotes is one.
_WORD = re.compile(r"""(?:'[^']*'|"[^"]*"|\S)+""")


def ready_lines(answer: Mapping[str, Any]) -> list[Text]:
    """A list as lines of at most 80 columns: the answer, then what is to do, what is not proven, what is well."""
    items = sorted(answer["items"], key=lambda item: ORDER.index(item["verdict"]))
    headline = [Text(line, "bold") for line in textwrap.wrap(answer["headline"], PLAIN_WIDTH)]
    return [*headline, Text(), *(line for item in items for line in _item_lines(item))]


def _item_lines(item: Mapping[str, str]) -> Iterator[Text]:
    style = "bold" if item["verdict"] in ORDER[:2] else ""
    margin = " " * (_VERDICT + _NAME)
    first, *more = textwrap.wrap(item["sentence"], PLAIN_WIDTH - len(margin), break_long_words=True)
    yield Text(f"{item['verdict']:{_VERDICT}}{item['name']:{_NAME}}{first}", style)
    yield from (Text(f"{margin}{line}", style) for line in more)
    yield from (Text(f"{margin}{line}") for line in _do_lines(item["do"], PLAIN_WIDTH - len(margin)))


def _do_lines(do: str, width: int) -> Iterator[str]:
    """What to do, in words, and the command on lines of its own that a shell takes as one."""
    words, colon, command = do.rpartition(": benchd ")
    if not colon:
        words, command = ("", do) if do.startswith("benchd ") else (do, "")
    else:
        words, command = f"{words}:", f"benchd {command}"
    yield from textwrap.wrap(words, width)
    yield from _continued(_WORD.findall(command), width)


def _continued(words: Iterable[str], width: int) -> Iterator[str]:
    line = ""
    for word in words:
        # Room for the sign that the line goes on.
        if line and len(line) + 1 + len(word) > width - 2:
            yield f"{line} \\"
            line = f"  {word}"
        else:
            line = f"{line} {word}" if line else word
    if line:
        yield line
