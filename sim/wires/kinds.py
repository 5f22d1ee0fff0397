"""From an instrument of the table to its server: which kind of wire needs which keys.

Owns the names of those keys; bench.toml explains them. What a server does is in its own module; knows no plant.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol, TypeAlias

from sim.wires.base import Device, Wire
from sim.wires.folder import Folder
from sim.wires.scpi import IDENTITY, ScpiDevice, ScpiServer
from sim.wires.sysfs import SysfsFolder
from sim.wires.table import InstrumentTable, Keys, WireKind


class Server(Protocol):
    """What serves one instrument."""

    async def close(self) -> None:
        """Let go of the wire."""


#: Where an instrument can be reached: a TCP port, or a path in the folder.
Place: TypeAlias = int | str
_Start: TypeAlias = Callable[[InstrumentTable, Device, Wire, Folder], Awaitable[tuple[Server, Place]]]


async def serve_instrument(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    """The server of an instrument, started, and where it can be reached.

    Raises ValueError for keys that its kind of wire does not have, OSError when its port is taken.
    """
    return await _STARTS[table.wire](table, device, wire, folder)


async def _scpi(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    keys = _keys(table.keys, {"identity": str, "port": int})
    writes = {name: _keys(entry, {"header": str, "suffix": str}) for name, entry in table.writes.items()}
    server = ScpiServer(
        ScpiDevice(
            device,
            _one_key(table.reads, "header"),
            {name: _needed(entry, "header") for name, entry in writes.items()},
            identity=keys.get("identity", IDENTITY),
            suffixes={name: entry["suffix"] for name, entry in writes.items() if "suffix" in entry},
        ),
        wire,
    )
    if "port" in keys:
        return server, await server.start_tcp(port=keys["port"])
    await server.start_terminal(_linking(folder, table.name))
    return server, str(folder.path / table.name)


async def _sysfs(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    keys = _keys(table.keys, {"automatic_pct": (int, float), "cpus": int})
    path = folder.fresh(table.name)
    reads = {name: _keys(entry, {"place": str, "label": str}) for name, entry in table.reads.items()}
    server = SysfsFolder(
        path,
        device,
        wire,
        {name: _needed(entry, "place") for name, entry in reads.items()},
        _one_key(table.writes, "place"),
        labels={name: entry["label"] for name, entry in reads.items() if "label" in entry},
        **keys,
    )
    await server.start()
    return server, str(path)


_STARTS: Mapping[WireKind, _Start] = {"scpi": _scpi, "sysfs": _sysfs}


def _linking(folder: Folder, name: str) -> Callable[[str | None], None]:
    """Tells the folder where a pseudo-terminal is now."""
    return lambda path: folder.unlink(name) if path is None else folder.link(name, path)


def _keys(given: Keys, known: Mapping[str, type | tuple[type, ...]]) -> dict[str, Any]:
    """The keys, each of its kind. Raises ValueError for others."""
    for key, value in given.items():
        if key not in known:
            raise ValueError(f"there is no key {key}; there are: {', '.join(known)}")
        if not isinstance(value, known[key]):
            raise ValueError(f"{key} cannot be {value!r}")
    return dict(given)


def _needed(keys: Mapping[str, Any], key: str) -> Any:
    if key not in keys:
        raise ValueError(f"{key} must be said")
    return keys[key]


def _one_key(entries: Mapping[str, Keys], key: str) -> dict[str, str]:
    """That key of each entry, which has no other."""
    return {name: _needed(_keys(entry, {key: str}), key) for name, entry in entries.items()}
