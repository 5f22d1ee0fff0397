"""The two ways a command speaks without tables: a message, and JSON. Light enough for the command line itself."""

from __future__ import annotations

import json
from typing import Any

import click


def tell(message: str) -> None:
    """A message for the person, on standard error; nothing when it is empty."""
    if message:
        click.echo(f"benchd: {message}", err=True)


def print_json(value: Any) -> None:
    """A value as JSON on standard output; a number that is not finite is a fault and raises ValueError."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))
