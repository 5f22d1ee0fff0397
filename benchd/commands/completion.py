"""Completion of what is typed at a shell: names of protocols, benches and specimens, and the script for each shell.

The scripts are click's; for bash its answers are quoted here, since names of specimens have blanks in them. Runs at
each press of a key, so little is imported, and whatever goes wrong gives no names rather than a message.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from typing import Any

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class, get_completion_class

SHELLS = ("bash", "zsh", "fish")
#: A daemon that does not tell its specimens within this time [s] is not waited for.
_PATIENCE_S = 0.5

Items = list[CompletionItem[str]]


def protocols(_context: click.Context, _parameter: click.Parameter, typed: str) -> Items:
    """Protocols that go by a name, else files."""
    return _named(_names("protocol"), typed)


def benches(_context: click.Context, _parameter: click.Parameter, typed: str) -> Items:
    """Benches that go by a name, else files."""
    return _named(_names("bench"), typed)


def either(_context: click.Context, _parameter: click.Parameter, typed: str) -> Items:
    """Protocols and benches that go by a name, else files."""
    return _named(sorted({*_names("protocol"), *_names("bench")}), typed)


def specimens(context: click.Context, _parameter: click.Parameter, typed: str) -> Items:
    """Specimens in the books of the daemon, and those that the bench that is named says are mounted."""
    known = {*_in_the_books(context.params.get("socket")), *_on_the_bench(context.params.get("bench"))}
    return [CompletionItem(name) for name in sorted(known) if name.startswith(typed)]


def script(shell: str, command: click.Command) -> str:
    """What a shell has to read once to complete a command: of bash, zsh or fish."""
    completing = get_completion_class(shell)
    if completing is None:
        raise ValueError(f"no script for {shell!r}")
    return completing(command, {}, "benchd", "_BENCHD_COMPLETE").source()


class QuotingBashComplete(BashComplete):
    """As click's, but what bash would take for several words is quoted, unless the word begins with a quote already."""

    def format_completion(self, item: CompletionItem[str]) -> str:
        said = super().format_completion(item)
        kind, _, value = said.partition(",")
        if kind != "plain" or _opens_with_a_quote():
            return said
        # Twice: the script reads it with `read`, which takes one backslash away.
        quoted = re.sub(r"([^\w@%+=:,./-])", r"\\\\\1", value)
        return f"{kind},{quoted}"


def _opens_with_a_quote() -> bool:
    words, number = os.environ.get("COMP_WORDS", "").split("\n"), os.environ.get("COMP_CWORD", "")
    return number.isdigit() and int(number) < len(words) and words[int(number)][:1] in ('"', "'")


add_completion_class(QuotingBashComplete)


def _named(names: list[str], typed: str) -> Items:
    found = [CompletionItem(name) for name in names if name.startswith(typed)]
    return found or [CompletionItem(typed, type="file")]


def _names(kind: Any) -> list[str]:
    from benchd.named_files import names

    return names(kind)


def _in_the_books(socket: Any) -> list[str]:
    from benchd.errors import BenchdError
    from benchd.service.client import Client
    from benchd.service.socket_place import socket_path

    with suppress(BenchdError, OSError, LookupError, TypeError):
        return [row["name"] for row in Client(socket_path(socket)).get("/specimens", _PATIENCE_S)]
    return []


def _on_the_bench(bench: Any) -> list[str]:
    from benchd.errors import BenchdError
    from benchd.named_files import find_bench
    from benchd.toml_source import parse

    if not isinstance(bench, str):
        return []
    with suppress(BenchdError, OSError):
        found = find_bench(bench)
        mounted = parse(found.text, found.file).get("specimens", [])
        return [name for name in mounted if isinstance(name, str)] if isinstance(mounted, list) else []
    return []
