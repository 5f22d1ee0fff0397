"""What command lines share: options, kinds of values, and the files that names stand for. Imports nothing heavy."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchd.commands import completion
from benchd.commands.tell import tell
from benchd.errors import InputError

if TYPE_CHECKING:
    from benchd.bench_file import LoadedBench
    from benchd.named_files import FoundFile
    from benchd.protocol_file import LoadedProtocol

FILE = click.Path(path_type=Path)
#: As many runs as nobody will ever have; the database cannot count to any number a person can type.
RUN = click.IntRange(1, 999_999_999)


class Figure(click.FloatRange):
    """A figure within a range; `nan` lies in none."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        figure = super().convert(value, param, ctx)
        if math.isnan(figure):
            self.fail(f"{value!r} is not a number", param, ctx)
        return figure


LEVEL = Figure(0, 140)
HEAT = Figure(0, 2000, min_open=True)

as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else on standard output.")
db_option = click.option(
    "--db", type=FILE, metavar="FILE", help="The database; under $XDG_DATA_HOME/benchd (~/.local/share) unless given."
)
bench_option = click.option(
    "--bench",
    default="simulated",
    show_default=True,
    metavar="BENCH",
    shell_complete=completion.benches,
    help="Name or path of a bench file.",
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(0, 2**63 - 1),
    default=1,
    show_default=True,
    help="Order of points and simulated noise.",
)
socket_option = click.option(
    "--socket",
    type=FILE,
    metavar="PATH",
    help="Socket of the daemon; $BENCHD_SOCKET, or in $XDG_RUNTIME_DIR/benchd or /run/benchd unless given.",
)
specimen_option = click.option(
    "--specimen",
    "specimens",
    multiple=True,
    metavar="NAME",
    shell_complete=completion.specimens,
    help="What is mounted; may be given more than once.",
)


def protocol_of(name: str) -> LoadedProtocol:
    """The protocol of that name or path; tells when it is the person's own. Raises `InputError`."""
    from benchd.protocol_file import load_protocol

    found = protocol_text(name)
    return load_protocol(found.text, found.file)


def protocol_text(name: str) -> FoundFile:
    """The same, as it stands in its file."""
    from benchd.named_files import find_protocol

    found = find_protocol(name)
    tell(found.note)
    _not_the_other_kind(found, "protocol", "bench")
    return found


def bench_of(name: str) -> LoadedBench:
    """The bench of that name or path; tells when it is the person's own. Raises `InputError`."""
    from benchd.bench_file import load_bench
    from benchd.named_files import find_bench

    found = find_bench(name)
    tell(found.note)
    _not_the_other_kind(found, "bench", "protocol")
    return load_bench(found.text, found.file)


def _not_the_other_kind(found: FoundFile, wanted: str, other: str) -> None:
    """A file of the other kind is called so, instead of calling each of its keys unknown."""
    from benchd.toml_source import parse

    data = parse(found.text, found.file)
    if other in data and wanted not in data:
        raise InputError(
            f"{found.file} is a {other} file, and a {wanted} is wanted here",
            "benchd COMMAND --help tells which word stands where",
        )
