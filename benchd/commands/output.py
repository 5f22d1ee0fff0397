"""Where commands print: results to standard output, messages and progress to standard error."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Any, Literal

from rich.console import Console, RenderableType
from rich.text import Text

from benchd.commands.tell import visible

#: In a file or pipe: every table fits, and so does what a mail or a form makes of it.
PLAIN_WIDTH = 80


class _PlainConsole(Console):
    """Names of protocols, benches and specimens are shown as they are: no markup, no pictures, no control codes."""

    def __init__(self, **options: Any) -> None:
        # Without colour means without bold as well.
        colours: Literal["auto"] | None = None if os.environ.get("NO_COLOR") else "auto"
        super().__init__(color_system=colours, highlight=False, markup=False, emoji=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        return super().render_str(visible(text), **options)


def console() -> Console:
    """For what a command shows."""
    out = _PlainConsole()
    return out if out.is_terminal else _PlainConsole(width=PLAIN_WIDTH)


def show(parts: Iterable[RenderableType]) -> None:
    """Print tables and sentences; a sentence stays on one line where nobody's screen is too narrow for it."""
    out = console()
    for part in parts:
        out.print(part, soft_wrap=isinstance(part, str))


def messages() -> Console:
    """For progress and messages."""
    return _PlainConsole(stderr=True)
