"""From an instrument of the table to its server: which kind of wire needs which keys.

Owns the names of those keys; bench.toml explains them. What a server does is in its own module; knows no plant.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol, TypeAlias, get_args

from sim.wires.base import Device, Wire, WireFault
from sim.wires.folder import Folder
from sim.wires.modbus import Framing, ModbusServer
from sim.wires.modbus_unit import Place as RegisterPlace
from sim.wires.modbus_unit import Unit
from sim.wires.scpi import IDENTITY, ScpiDevice, ScpiServer
from sim.wires.sysfs import SysfsFolder
from sim.wires.table import InstrumentTable, Keys, WireKind
from sim.wires.terminal import USUAL_BAUD
from sim.wires.text_line import TEXT_CHECKS, TextDevice, TextLineServer


class Server(Protocol):
    """What serves one instrument."""

    async def close(self) -> None:
        """Let go of the wire."""


#: Where an instrument can be reached: a TCP port, or a path in the folder.
Place: TypeAlias = int | str
_Start: TypeAlias = Callable[[InstrumentTable, Device, Wire, Folder], Awaitable[tuple[Server, Place]]]

#: What can go wrong with a folder; the other faults spoil bytes on their way, and it has no such way.
FOLDER_FAULTS: tuple[WireFault, ...] = ("unplugged", "no_answer", "exception", "garbage", "not_a_number")
FRAMINGS: tuple[Framing, ...] = get_args(Framing)

_Known: TypeAlias = Mapping[str, type | tuple[type, ...]]
_UNIT: _Known = {"device_id": int, "identity": list}
_REGISTER: _Known = {
    "register": int,
    "table": str,
    "type": str,
    "scale": (int, float),
    "offset": (int, float),
    "word_order": str,
}
_TEXT: _Known = {
    "form": str,
    "ask": str,
    "also": dict,
    "check": str,
    "every_s": (int, float),
    "line_end": str,
    "baud": int,
    "port": int,
}


async def serve_instrument(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    """The server of an instrument, started, and where it can be reached.

    Raises ValueError for keys that its kind of wire does not have, OSError when its port is taken.
    """
    if table.wire == "sysfs":
        wire.can_have = FOLDER_FAULTS
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


async def _text_line(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    keys = _keys(table.keys, _TEXT)
    for name, entry in table.reads.items():
        if entry:
            raise ValueError(f"reads.{name}: a reading has its place in form, and no key but source")
    if keys.get("check", "none") not in TEXT_CHECKS:
        raise ValueError(f"check must be one of {', '.join(TEXT_CHECKS)}, got {keys['check']!r}")
    also = _keys(keys.get("also", {}), dict.fromkeys(keys.get("also", {}), str), "also.")
    text = TextDevice(
        device,
        _needed(keys, "form"),
        ask=keys.get("ask", ""),
        also=also,
        orders=_one_key(table.writes, "order"),
        check=keys.get("check", "none"),
    )
    server = TextLineServer(text, wire, keys.get("every_s", 1.0), keys.get("line_end", "\r\n"))
    if "port" in keys:
        return server, await server.start_tcp(port=keys["port"])
    await server.start_terminal(_linking(folder, table.name), _baud(keys))
    return server, str(folder.path / table.name)


async def _modbus_tcp(table: InstrumentTable, device: Device, wire: Wire, _folder: Folder) -> tuple[Server, Place]:
    keys = _keys(table.keys, {**_UNIT, "port": int, "framing": str})
    framing = next((one for one in FRAMINGS if one == keys.get("framing", "tcp")), None)
    if framing is None:
        raise ValueError(f"framing must be one of {', '.join(FRAMINGS)}, got {keys['framing']!r}")
    server = ModbusServer([_unit(table, device, keys)], wire, framing)
    return server, await server.start_tcp(port=keys.get("port", 0))


async def _modbus_rtu(table: InstrumentTable, device: Device, wire: Wire, folder: Folder) -> tuple[Server, Place]:
    keys = _keys(table.keys, {**_UNIT, "baud": int})
    server = ModbusServer([_unit(table, device, keys)], wire, "rtu")
    await server.start_terminal(_linking(folder, table.name), _baud(keys))
    return server, str(folder.path / table.name)


def _unit(table: InstrumentTable, device: Device, keys: Mapping[str, Any]) -> Unit:
    places = {name: _register(entry) for name, entry in table.reads.items()}
    # A setting that can be read back lies where its reading lies.
    places |= {name: _register(entry) for name, entry in table.writes.items() if entry or name not in places}
    return Unit(device, places, keys.get("device_id", 1), keys.get("identity", ("benchd", table.name, "1")))


def _register(entry: Keys) -> RegisterPlace:
    keys = _keys(entry, _REGISTER)
    _needed(keys, "register")
    return RegisterPlace(**keys)


_STARTS: Mapping[WireKind, _Start] = {
    "modbus_tcp": _modbus_tcp,
    "modbus_rtu": _modbus_rtu,
    "scpi": _scpi,
    "sysfs": _sysfs,
    "text_line": _text_line,
}


def _linking(folder: Folder, name: str) -> Callable[[str | None], None]:
    """Tells the folder where a pseudo-terminal is now."""
    return lambda path: folder.unlink(name) if path is None else folder.link(name, path)


def _baud(keys: Mapping[str, Any]) -> int | None:
    baud: int | None = keys.get("baud")
    if baud is not None and baud not in USUAL_BAUD:
        raise ValueError(f"baud must be one of {', '.join(map(str, USUAL_BAUD))}, got {baud}")
    return baud


def _keys(given: Keys, known: _Known, where: str = "") -> dict[str, Any]:
    """The keys, each of its kind. Raises ValueError for others; `where` stands before their names in it."""
    for key, value in given.items():
        if key not in known:
            raise ValueError(f"there is no key {key}; there are: {', '.join(known)}")
        if isinstance(value, bool) or not isinstance(value, known[key]):
            raise ValueError(f"{where}{key} cannot be {value!r}")
    return dict(given)


def _needed(keys: Mapping[str, Any], key: str) -> Any:
    if key not in keys:
        raise ValueError(f"{key} must be said")
    return keys[key]


def _one_key(entries: Mapping[str, Keys], key: str) -> dict[str, str]:
    """That key of each entry, which has no other."""
    return {name: _needed(_keys(entry, {key: str}), key) for name, entry in entries.items()}
