"""The serial ports of this machine: their stable names, who may use them, who holds them, and why one cannot be opened.

Owns what is found under /dev/serial, /proc and in the list of ports. Opens no port.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

#: Where Linux keeps a name for each adapter that stays the same over plugs and starts.
BY_ID = Path("/dev/serial/by-id")
_LONGEST_NAME = 60
#: Another program holds the port: by a lock on the file, or by asking the kernel for it alone.
_BUSY = (errno.EAGAIN, errno.EBUSY)
_NO_RIGHT = (errno.EACCES, errno.EPERM)


@dataclass(frozen=True)
class SerialPort:
    """One serial port of this machine."""

    path: str
    """The name for a bench file: the stable one where there is one."""
    what: str
    """What hangs on it, and whether it can be used, for a person."""


def serial_ports(by_id: Path = BY_ID) -> list[SerialPort]:
    """All serial ports, those with a stable name first."""
    described = {os.path.realpath(port.device): port.description for port in list_ports.comports()}
    links = sorted(by_id.iterdir()) if by_id.is_dir() else []
    stable = {os.path.realpath(link): str(link) for link in links}
    ports = [SerialPort(path, _what(device, described.get(device))) for device, path in stable.items()]
    others = sorted(device for device in described if device not in stable)
    return ports + [SerialPort(device, _what(device, described[device])) for device in others]


def why_not(path: str, error: Exception) -> str:
    """Why a port could not be opened, from what was raised."""
    number = getattr(error, "errno", None)
    if not Path(path).exists():
        return "there is no such serial port"
    if not stat.S_ISCHR(os.stat(path).st_mode):
        return "this is no serial port"
    if number in _NO_RIGHT:
        return "no right to use this serial port"
    if number in _BUSY:
        return f"the serial port is in use by {_all_of(holders(path))}"
    return f"the serial port cannot be opened: {error}"


def what_to_try(path: str, error: Exception) -> str:
    """What a person can do about it."""
    number = getattr(error, "errno", None)
    if not Path(path).exists():
        return "is its plug in? `benchd instruments --find` lists the serial ports there are"
    if number in _NO_RIGHT:
        return f"it belongs to the group {_group(path)}: add the user to it and log in anew"
    if number in _BUSY:
        return "end the other program; of two instruments on one port, one must go"
    return "does it name the right port, and can this port do that baud, parity, data_bits and stop_bits?"


def holders(path: str) -> list[str]:
    """The programs that have a port open, as far as one may look; this one only when no other has."""
    wanted = os.path.realpath(path)
    found = {}
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if any(os.readlink(link) == wanted for link in (process / "fd").iterdir()):
                found[int(process.name)] = _called(process)
    itself = found.pop(os.getpid(), None)
    others = [f"{name} (process {number})" for number, name in sorted(found.items())]
    return others or (["this program itself"] if itself else [])


def _all_of(names: list[str]) -> str:
    return ", ".join(names) or "a program of another user, which cannot be seen from here"


def _called(process: Path) -> str:
    words = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    name = words or (process / "comm").read_text().strip()
    return name if len(name) <= _LONGEST_NAME else f"{name[:_LONGEST_NAME]}..."


def _what(device: str, description: str | None) -> str:
    known = description if description not in (None, "n/a") else "serial port"
    if not os.path.exists(device):
        return f"{known} ({device}): gone"
    if not os.access(device, os.R_OK | os.W_OK):
        return f"{known} ({device}): no right to use it, it belongs to the group {_group(device)}"
    held = holders(device)
    return f"{known} ({device})" + (f": in use by {_all_of(held)}" if held else "")


def _group(path: str) -> str:
    owner = os.stat(path).st_gid
    try:
        return grp.getgrgid(owner).gr_name
    except KeyError:
        return str(owner)
