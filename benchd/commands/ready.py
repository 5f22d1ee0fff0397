"""`benchd ready`: one list before going home. What is to be answered now is asked, when a person sits there."""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Protocol

import click
from rich.text import Text

from benchd.commands.output import PLAIN_WIDTH, console
from benchd.commands.tell import print_json, tell
from benchd.errors import BenchdError, NotFound

#: What a person has to act on comes first.
ORDER = ("no", "asked", "not proven", "yes")
_VERDICT, _NAME = 12, 17
#: A word of a shell: what stands in quotes is one.
_WORD = re.compile(r"""(?:'[^']*'|"[^"]*"|\S)+""")


class Daemon(Protocol):
    """What is wanted of whoever speaks to the daemon: JSON in, JSON out; errors are kinds of `BenchdError`."""

    def get(self, path: str) -> dict[str, Any]:
        """The answer to GET."""
        ...

    def post(self, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """The answer to POST."""
        ...


def ready_command(daemon: Daemon, protocol: str, order: Mapping[str, Any] | None, *, as_json: bool) -> bool:
    """Print the list for an order, or for the runs of the protocol that are queued; whether a person may leave.

    protocol: its name. order: the body of POST /queue. Raises `NotFound` when there is no order and nothing is queued.
    """
    asked = [order] if order is not None else [{"run": run} for run in _queued(daemon.get("/status"), protocol)]
    if not asked:
        hint = f"queue it: benchd queue {protocol} --specimen NAME, then ask again"
        raise NotFound(f"no run of {protocol} is in the queue", hint)
    asks = not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    answers = [_answer(daemon, body, asks=asks) for body in asked]
    if as_json:
        print_json(answers)
    for number, answer in enumerate(() if as_json else answers):
        for line in [*([Text()] if number else []), *ready_lines(answer)]:
            console().print(line, soft_wrap=True)
    return all(answer["may_leave"] for answer in answers)


def _queued(status: Mapping[str, Any], protocol: str) -> list[int]:
    """The runs of a protocol that are played or wait to be, in their order."""
    runs = [*([status["run"]] if status["run"] else []), *status["queue"]]
    return [one["run"] for one in runs if one["protocol"] == protocol]


def _answer(daemon: Daemon, body: Mapping[str, Any], *, asks: bool) -> dict[str, Any]:
    """The list, asked for anew when a person has confirmed the mount."""
    answer = daemon.post("/ready", body)
    missing = any(item["name"] == "mount" and item["verdict"] == "asked" for item in answer["items"])
    if not (asks and missing and answer["run"] is not None):
        return answer
    if not click.confirm(f"Is mount {answer['mount']} of {answer['specimen']} on the bench?", err=True):
        return answer
    try:
        daemon.post("/confirm", {"run": answer["run"], "text": ""})
    except BenchdError as error:
        tell(str(error))
    return daemon.post("/ready", body)


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
