"""The commands that ask the daemon to do something: each sends one request and prints what comes back."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from benchd.commands.tell import print_json, visible
from benchd.errors import InputError
from benchd.service.client import Client
from benchd.service.socket_place import socket_path


def daemon(socket: Path | None) -> Client:
    """The daemon meant: at the socket given, else where it usually is."""
    return Client(socket_path(socket))


def act(client: Client, path: str, body: dict[str, Any], *, as_json: bool = False) -> None:
    """Have one thing done, and print the sentences that come back."""
    answer = client.post(path, body)
    if as_json:
        print_json(answer)
        return
    says = answer["says"]
    for sentence in [says] if isinstance(says, str) else says:
        click.echo(visible(sentence))


def order(
    text: str,
    file: str,
    specimen: str,
    cooling: str | None,
    mount: int | None,
    at: str | None,
    quiet: str | None,
    seed: int,
) -> dict[str, Any]:
    """A run to be queued, as it is sent. The protocol goes as text: the daemon cannot see a technician's own files."""
    return {
        "protocol": {"text": text, "file": file},
        "specimen": specimen,
        "cooling": cooling,
        "mount": mount,
        "at": at,
        "quiet": quiet,
        "seed": seed,
    }


def abort_command(client: Client, run: int | None, yes: bool) -> None:
    """End a run for good. A person at a terminal is asked once more about one that is played."""
    if not yes and sys.stdin.isatty():
        playing = client.get("/status")["run"]
        if playing is not None and run in (None, playing["run"]):
            click.confirm(f"abort run {playing['run']} ({visible(playing['protocol'])})?", abort=True, err=True)
            run = playing["run"]  # not another one that has begun meanwhile
    act(client, "/abort", {"run": run})


def specimens_command(client: Client, as_json: bool) -> None:
    """Print the specimens in the books."""
    rows = client.get("/specimens")
    if as_json:
        print_json(rows)
        return
    _table([(row["name"], row["cooling"], row["note"]) for row in rows], "no specimen is in the books yet")


def mounts_command(client: Client, specimen: str | None, as_json: bool) -> None:
    """Print the mounts of a specimen, or of all."""
    from urllib.parse import quote

    rows = client.get(f"/mounts?specimen={quote(specimen or '', safe='')}")
    if as_json:
        print_json(rows)
        return
    lines = []
    for row in rows:
        since = row["taken_off_local"] or row["mounted_local"]
        when = f"{row['state']} {since[:16].replace('T', ' ')}" if since else row["state"]
        lines.append((row["specimen"], f"mount {row['number']}", when, row["note"]))
    _table(lines, "nothing has been mounted yet")


def _table(rows: Sequence[tuple[str, ...]], empty: str) -> None:
    if not rows:
        click.echo(empty)
    widths = [max(len(visible(row[column])) for row in rows) for column in range(len(rows[0]))] if rows else []
    for row in rows:
        click.echo("  ".join(visible(cell).ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def one_of(protocol: str | None, repair: int | None, specimen: str | None, of_new_runs: Sequence[str] = ()) -> None:
    """`queue` wants either a protocol with its specimen, or a run to repair. Raises `InputError`.

    of_new_runs: options that were given and that a repair takes from its run.
    """
    if (protocol is None) == (repair is None):
        raise InputError("say either a PROTOCOL or --repair RUN", "benchd queue --help")
    if protocol is not None and specimen is None:
        raise InputError("on which specimen?", 'add  --specimen "NAME"')
    if repair is not None and specimen is not None:
        raise InputError("a repair is of the same mount of the same specimen: leave --specimen out")
    if repair is not None and of_new_runs:
        raise InputError(f"a repair is queued as its run was: leave {' and '.join(of_new_runs)} out")
