"""The simulated bench behind real wires, as a process of its own: `python -m sim.wires`.

It prints one line of JSON when everything listens, `{"folder": ..., "ports": {...}, "paths": {...}}`, and serves until
SIGTERM or SIGINT. Loopback only. Owns the command line and the life of the process.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sim.wires.folder import USUAL_FOLDER, Folder
from sim.wires.serving import serving, station_of
from sim.wires.station import Pace
from sim.wires.table import USUAL_TABLE, StationTable, load_table, shipped


async def _serve(options: argparse.Namespace, table: StationTable, folder: Folder) -> signal.Signals | None:
    """Serve until told to stop; the signal that said so, or None for the end of standard input."""
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[signal.Signals | None] = loop.create_future()

    def end(cause: signal.Signals | None) -> None:
        if not stop.done():
            stop.set_result(cause)

    def at_input() -> None:
        if not os.read(sys.stdin.fileno(), 1000):
            end(None)

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end, number)
    if options.stop_at_eof:
        try:
            loop.add_reader(sys.stdin.fileno(), at_input)
        except PermissionError:  # a plain file, or /dev/null: it is at its end
            end(None)
    async with serving(table, station_of(table, Pace(options.speed)), folder) as (places, _):
        print(places.as_json(), flush=True)
        return await stop


def _table(options: argparse.Namespace) -> StationTable:
    is_file = "/" in options.bench or options.bench.endswith(".toml")
    text = Path(options.bench).read_text(encoding="utf-8") if is_file else shipped(options.bench)
    try:
        table = load_table(text)
    except ValueError as error:
        raise ValueError(f"{options.bench}: {error}") from error
    said = {key: value for key in ("specimen", "seed", "mount") if (value := getattr(options, key)) is not None}
    table = replace(table, **said)
    return table.with_free_ports() if options.free_ports else table


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until told to stop. After a signal the process ends by it, so that its exit status is true."""
    parser = argparse.ArgumentParser(
        prog="python -m sim.wires", description="The simulated bench behind Modbus, SCPI, text lines and sysfs files."
    )
    parser.add_argument(
        "--bench", default=USUAL_TABLE, metavar="FILE", help="table of instruments, or name of a shipped one"
    )
    parser.add_argument("--specimen", metavar="NAME", help="what is mounted, instead of what the table says")
    parser.add_argument("--seed", type=int, metavar="N", help="the night in the room and all noise")
    parser.add_argument("--mount", type=int, metavar="N", help="number of the mount of the specimen")
    parser.add_argument(
        "--speed", type=float, default=1.0, metavar="N", help="bench seconds in a real one (default: 1)"
    )
    parser.add_argument("--folder", type=Path, default=USUAL_FOLDER, help="for stable names (default: %(default)s)")
    parser.add_argument("--free-ports", action="store_true", help="take free TCP ports instead of the table's")
    parser.add_argument("--stop-at-eof", action="store_true", help="stop when standard input ends as well")
    options = parser.parse_args(arguments)
    try:
        table = _table(options)
        folder = Folder(options.folder)
        try:
            ended_by = asyncio.run(_serve(options, table, folder))
        finally:
            folder.close()
    except OSError as error:
        file = f"{error.filename}: " if error.filename else ""
        print(f"wires: cannot serve: {file}{error.strerror or error}", file=sys.stderr)
        return 1
    except ValueError as error:
        print(f"wires: cannot serve: {error}", file=sys.stderr)
        return 1
    if ended_by is not None:
        signal.signal(ended_by, signal.SIG_DFL)
        signal.raise_signal(ended_by)
    return 0


if __name__ == "__main__":
    sys.exit(main())
