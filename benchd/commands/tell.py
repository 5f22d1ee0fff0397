"""The two ways a command speaks without tables: a message, and JSON. Light enough for the command line itself."""

from __future__ import annotations

import json
import sys
from typing import Any

import click


def tell(message: str) -> None:
    """A message for the person, on standard error; nothing when it is empty."""
    if message:
        click.echo(f"benchd: {visible(message)}", err=True)


def print_json(value: Any) -> None:
    """A value as JSON on standard output; a number that is not finite is a fault and raises ValueError."""
    # Names may hold any letter; an output that cannot say them all gets the escapes of JSON instead.
    every_letter = (getattr(sys.stdout, "encoding", None) or "").lower().startswith("utf")
    click.echo(json.dumps(value, indent=2, ensure_ascii=not every_letter, allow_nan=False))


def visible(text: str) -> str:
    r"""The text with what would steer a terminal, or not be seen, written as an escape; line ends stay.

    >>> print(visible("plain \x1b[31mred"))
    plain \x1b[31mred
    """
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() or letter == "\n" else letter.encode("unicode_escape").decode()
        for letter in text
    )
