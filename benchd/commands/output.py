"""Where commands print: results to standard output, messages and progress to standard error."""

from __future__ import annotations

from rich.console import Console

#: Not narrower than this when nobody watches: a table in a file or pipe need not break.
PLAIN_WIDTH = 100


def console() -> Console:
    """For what a command shows."""
    out = Console(highlight=False)
    return out if out.is_terminal else Console(highlight=False, width=PLAIN_WIDTH)


def messages() -> Console:
    """For progress and messages."""
    return Console(stderr=True, highlight=False)


def hours(seconds: float) -> str:
    """A duration [s] for a person: `9:48 h`, or minutes and seconds when short.

    >>> hours(35280), hours(95)
    ('9:48 h', '1:35 min')
    """
    whole = round(seconds)
    if whole >= 3600:
        return f"{whole // 3600}:{whole % 3600 // 60:02d} h"
    return f"{whole // 60}:{whole % 60:02d} min"
