"""What goes wrong on the served bench, switched from outside: `python -m sim.wires.control ...`.

Plain lines of text over TCP on loopback, one line of answer to each; what cannot be done is answered by a line that
begins with "error: ":

    fault INSTRUMENT KIND              a fault of its wire, see sim.wires.base.WIRE_FAULTS; ok
    mend INSTRUMENT                    its wire is sound again; ok
    plant fault KIND [SIZE] [SENSOR]   a fault of the plant, see sim.faults; ok
    plant mend KIND [SENSOR]           mended, where it can be; ok
    status                             one line of JSON: bench time, heat that really flows, settings, faults

Owns both ends: `answer` and `serve` in the process that serves the bench, `Control` wherever a fault is wanted.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import socket
import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

from sim.faults import FaultKind
from sim.wires.base import WIRE_FAULTS, Wire, WireFault
from sim.wires.folder import PORTS_FILE, USUAL_FOLDER
from sim.wires.station import Station

#: How long an answer may take [s].
ANSWER_WITHIN_S = 5.0
_LONGEST_LINE = 1000


def answer(line: str, station: Station, wires: Mapping[str, Wire]) -> str:
    """What one line does, and what is said to it.

    Args:
        line: as above [no unit]
        station: the plant that is served [no unit]
        wires: by the name of the instrument that hangs on each [no unit]

    >>> station, wires = Station("brook 2x140"), {"meter": Wire("meter")}
    >>> answer("fault meter cut", station, wires), wires["meter"].fault
    ('ok', 'cut')
    >>> answer("fault tooth cut", station, wires)
    'error: there is no instrument tooth; there are: meter'
    >>> answer("plant fault pump_stalls 0.5", station, wires), station.wrong
    ('ok', ['pump_stalls'])
    """
    try:
        match line.split():
            case ["fault", instrument, kind]:
                _begin(instrument, _wire_fault(kind), wires)
            case ["mend", instrument]:
                _wire(instrument, wires).fault = None
            case ["plant", "fault", kind, *how]:
                station.begin_fault(_kind(kind), *_how(how))
            case ["plant", "mend", kind, *how]:
                station.mend_fault(_kind(kind), _how(how)[1])
            case ["status"]:
                return json.dumps(status(station, wires))
            case _:
                raise ValueError(f"{line!r} is none of: fault, mend, plant fault, plant mend, status")
    except ValueError as error:
        return f"error: {error}"
    return "ok"


def status(station: Station, wires: Mapping[str, Wire]) -> dict[str, Any]:
    """How the served bench is: what nobody reads from its instruments.

    Args:
        station: the plant that is served [no unit]
        wires: by the name of the instrument that hangs on each [no unit]

    >>> status(Station("slate tower"), {"meter": Wire("meter")})["wires"]
    {'meter': None}
    """
    station.advance()
    return {
        "t_s": station.t_s,
        "specimen": station.plant.mounted,
        "heat_w": station.plant.true("heat"),
        "set_w": station.supply.watts,
        "supply": station.supply.state.name.lower(),
        "fan_pct": station.show("set_fans"),
        "pump_pct": station.show("set_pump"),
        "wires": {name: wire.fault for name, wire in wires.items()},
        "plant": station.wrong,
    }


async def serve(station: Station, wires: Mapping[str, Wire], port: int) -> asyncio.Server:
    """Answer lines on loopback at a port, 0 for a free one [no unit], until the server is closed."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                said = answer(line.decode("ascii", "replace").strip(), station, wires)
                writer.write(f"{said}\n".encode())
                await writer.drain()
        except (ValueError, ConnectionError):  # a line without end, or nobody there any more
            pass
        finally:
            writer.close()

    talks: set[asyncio.Task[None]] = set()

    def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # A task of our own: one that asyncio makes here is reported with a traceback when it is cancelled at the end.
        task = asyncio.get_running_loop().create_task(talk(reader, writer))
        talks.add(task)
        task.add_done_callback(talks.discard)

    return await asyncio.start_server(connected, "127.0.0.1", port, limit=_LONGEST_LINE)


class Control:
    """The near end. A context manager; raises OSError when nobody serves a bench there.

    Args:
        port: on loopback [no unit]

    >>> Control(1)
    Traceback (most recent call last):
    ConnectionRefusedError: [Errno 111] Connection refused
    """

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=ANSWER_WITHIN_S)
        self._lines = self._socket.makefile("r", encoding="utf-8")

    def __enter__(self) -> Control:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connection."""
        self._lines.close()
        self._socket.close()

    def ask(self, line: str) -> str:
        """The answer to one line. Raises ValueError for what cannot be done, OSError when nobody answers."""
        self._socket.sendall(f"{line}\n".encode())
        said = self._lines.readline().strip()
        if not said:
            raise ConnectionResetError("the served bench has ended")
        if said.startswith("error: "):
            raise ValueError(said.removeprefix("error: "))
        return said

    def fault(self, instrument: str, kind: str) -> None:
        """Spoil the wire of an instrument."""
        self.ask(f"fault {instrument} {kind}")

    def mend(self, instrument: str) -> None:
        """Its wire is sound again."""
        self.ask(f"mend {instrument}")

    def status(self) -> dict[str, Any]:
        """How the served bench is."""
        found: dict[str, Any] = json.loads(self.ask("status"))
        return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Say one line to a served bench and print its answer; 1 when it cannot be done."""
    parser = argparse.ArgumentParser(
        prog="python -m sim.wires.control",
        description="Switches faults of the served bench on and off.",
        epilog="Lines: fault INSTRUMENT KIND; mend INSTRUMENT; plant fault KIND [SIZE] [SENSOR]; plant mend KIND "
        f"[SENSOR]; status. Kinds of a wire: {', '.join(WIRE_FAULTS)}. Kinds of the plant: "
        f"{', '.join(get_args(FaultKind))}.",
    )
    parser.add_argument("--folder", type=Path, default=USUAL_FOLDER, help="of the served bench (default: %(default)s)")
    parser.add_argument("words", nargs="+", metavar="WORD", help="what to do, as below")
    options = parser.parse_args(arguments)
    try:
        ports = tomllib.loads((options.folder / PORTS_FILE).read_text(encoding="utf-8"))
        with Control(ports["control"]) as control:
            print(control.ask(" ".join(options.words)))
    except (OSError, ValueError) as error:
        missing = isinstance(error, OSError)
        hint = "; is `python -m sim.wires` running, with this --folder?" if missing else ""
        print(f"control: {error}{hint}", file=sys.stderr)
        return 1
    return 0


def _wire(instrument: str, wires: Mapping[str, Wire]) -> Wire:
    if instrument not in wires:
        raise ValueError(f"there is no instrument {instrument}; there are: {', '.join(wires) or 'none'}")
    return wires[instrument]


def _begin(instrument: str, fault: WireFault, wires: Mapping[str, Wire]) -> None:
    wire = _wire(instrument, wires)
    if fault not in wire.can_have:
        raise ValueError(f"the wire of {instrument} cannot have the fault {fault}; it can: {', '.join(wire.can_have)}")
    wire.fault = fault


def _wire_fault(name: str) -> WireFault:
    for kind in WIRE_FAULTS:
        if kind == name:
            return kind
    raise ValueError(f"no wire has the fault {name}; there are: {', '.join(WIRE_FAULTS)}")


def _kind(name: str) -> FaultKind:
    kinds: tuple[FaultKind, ...] = get_args(FaultKind)
    for kind in kinds:
        if kind == name:
            return kind
    raise ValueError(f"nothing of the plant can fail as {name}; there are: {', '.join(kinds)}")


def _how(words: Sequence[str]) -> tuple[float | None, str | None]:
    """Size and sensor of a fault, each if it was said."""
    sizes = [float(word) for word in words if not word.isidentifier()]
    sensors = [word for word in words if word.isidentifier()]
    if len(sizes) > 1 or len(sensors) > 1:
        raise ValueError("a fault has one size and one sensor at most")
    return (sizes[0] if sizes else None), (sensors[0] if sensors else None)


if __name__ == "__main__":
    sys.exit(main())
