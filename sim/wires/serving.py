"""A served bench under way: the station, its instruments on their wires, the control port, one loop.

Owns starting and stopping them together, in this process (`served`, in a thread) or in one of its own (`running`). What
an instrument's server is made of is in kinds.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import selectors
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from sim.benches import load_benches
from sim.wires import control
from sim.wires.base import Wire
from sim.wires.control import Control
from sim.wires.folder import Folder
from sim.wires.kinds import serve_instrument
from sim.wires.loop_thread import Run, loop_thread
from sim.wires.station import Pace, Station
from sim.wires.table import StationTable

#: The plant goes on at least this often [s].
_STRIDE_S = 0.1
T = TypeVar("T")


@dataclass(frozen=True)
class Places:
    """Where a served bench can be reached."""

    folder: Path
    """Where its stable names are."""
    ports: Mapping[str, int]
    """TCP port by instrument, and the control port as `control`."""
    paths: Mapping[str, str]
    """Stable path by instrument, of a pseudo-terminal or a folder."""

    def as_json(self) -> str:
        """One line for whoever started the process."""
        return json.dumps({"folder": str(self.folder), "ports": dict(self.ports), "paths": dict(self.paths)})


@asynccontextmanager
async def serving(
    table: StationTable, station: Station, folder: Folder
) -> AsyncIterator[tuple[Places, Mapping[str, Wire]]]:
    """Serve a station until the context ends. Raises OSError when a port is taken, ValueError for a wrong table."""
    wires = {name: Wire(name, one.late_s) for name, one in table.instruments.items()}
    ports: dict[str, int] = {}
    paths: dict[str, str] = {}
    async with AsyncExitStack() as ending:
        for name, instrument in table.instruments.items():
            try:
                device = station.device(instrument.sources, instrument.targets)
                server, place = await serve_instrument(instrument, device, wires[name], folder)
            except (TypeError, ValueError, KeyError) as error:
                raise ValueError(f"instruments.{name}: {error}") from error
            ending.push_async_callback(server.close)
            if isinstance(place, int):
                ports[name] = place
            else:
                paths[name] = place
        controls = await control.serve(station, wires, table.control_port)
        ending.callback(controls.close)
        ports["control"] = controls.sockets[0].getsockname()[1]
        folder.write_ports(ports)
        strides = asyncio.create_task(_keep_going(station))
        ending.push_async_callback(_ended, strides)
        yield Places(folder.path, ports, paths), wires


async def _keep_going(station: Station) -> None:
    while True:
        station.advance()
        await asyncio.sleep(_STRIDE_S)


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


def station_of(table: StationTable, clock: Callable[[], float] | None = None) -> Station:
    """The plant that a table names.

    Args:
        table: which bench and specimen [no unit]
        clock: bench time; real time unless given [s]

    >>> from sim.wires.table import load_table
    >>> station_of(load_table('specimen = "slate tower"')).plant.mounted
    'slate tower'
    """
    return Station(
        table.specimen,
        table.seed,
        table.mount,
        bench=load_benches()[table.bench],
        limits=table.supply,
        clock=clock or Pace(),
    )


@dataclass(frozen=True)
class Served:
    """A bench that a thread of this process serves."""

    station: Station
    places: Places
    wires: Mapping[str, Wire]
    """By instrument; their faults may be switched from any thread."""
    run: Run = field(repr=False)

    @property
    def heat_w(self) -> float:
        """What really flows into the load now, whatever anybody is told [W]."""
        return float(self.call(lambda: control.status(self.station, self.wires)["heat_w"]))

    def call(self, act: Callable[[], T]) -> T:
        """What a call gives in the thread that serves: nothing else may touch the station."""

        async def acting() -> T:
            return act()

        given: T = self.run(acting())
        return given


@contextmanager
def served(table: StationTable, folder: Path, clock: Callable[[], float] | None = None) -> Iterator[Served]:
    """Serve a bench from a thread, and leave neither thread nor socket behind. Raises like `serving`.

    Args:
        table: what is served [no unit]
        folder: for its stable names [no unit]
        clock: bench time; real time unless given, a `ByHand` to set it [s]

    >>> import tempfile
    >>> from sim.wires.table import load_table
    >>> table = load_table('specimen = "slate tower"')
    >>> with tempfile.TemporaryDirectory() as place, served(table, Path(place)) as bench:
    ...     bench.call(lambda: bench.station.show("set_fans"))
    100.0
    """
    station = station_of(table, clock)
    with closing(Folder(folder)) as taken, loop_thread() as run:
        context = serving(table, station, taken)
        places, wires = run(context.__aenter__())
        try:
            yield Served(station, places, wires, run)
        finally:
            run(context.__aexit__(None, None, None))


@dataclass(frozen=True)
class Running:
    """A bench that a process of its own serves."""

    places: Places
    process: subprocess.Popen[bytes]

    def control(self) -> Control:
        """A connection to its control port; the caller closes it."""
        return Control(self.places.ports["control"])

    def kill(self) -> None:
        """End it at once, as a crash would, and wait until it is gone."""
        self.process.kill()
        self.process.wait()


@contextmanager
def running(*options: str, start_within_s: float = 30.0) -> Iterator[Running]:
    """`python -m sim.wires` with these options, once it listens; no process or pipe is left behind.

    It also ends when this process dies, however it dies.

    Args:
        options: of the command line [no unit]
        start_within_s: how long it may take to start [s]; RuntimeError when it takes longer or fails

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, running("--free-ports", f"--folder={place}") as bench:
    ...     bench.process.poll() is None
    True
    """
    command = [sys.executable, "-m", "sim.wires", "--stop-at-eof", *options]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            said: dict[str, Any] = json.loads(_first_line(process, start_within_s))
            yield Running(Places(Path(said["folder"]), said["ports"], said["paths"]), process)
        finally:
            process.terminate()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()


def _first_line(process: subprocess.Popen[bytes], within_s: float) -> bytes:
    assert process.stdout is not None
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        line = process.stdout.readline() if selector.select(within_s) else b""
    if not line:
        raise RuntimeError(f"the served bench did not start within {within_s:g} s (exit status {process.poll()})")
    return line
