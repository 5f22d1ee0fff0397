"""Whether a host in a bench file is this very computer. Asks no name server and sends nothing."""

from __future__ import annotations

import socket
from pathlib import Path

_HOSTS = Path("/etc/hosts")


def is_own_address(host: str, hosts: Path = _HOSTS) -> bool:
    """Whether `host`, a number or a name, means this computer. A name counts when it is this computer's own or stands
    in `hosts` with an address of its own; names that only a name server knows do not.

    >>> is_own_address("127.0.0.1"), is_own_address("localhost"), is_own_address("192.0.2.1")
    (True, True, False)
    """
    name = host.lower().rstrip(".")
    own = socket.gethostname().lower()
    if name in ("localhost", own, own.partition(".")[0]) or name.endswith(".localhost"):
        return True
    return any(_is_mine(address) for address in [host, *_addresses(name, hosts)])


def _is_mine(address: str) -> bool:
    """Only an address of this computer can be bound to; a datagram socket that sends nothing is enough to ask."""
    try:
        found = socket.getaddrinfo(address, 0, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST)
        for family, kind, protocol, _, place in found:
            with socket.socket(family, kind, protocol) as asked:
                asked.bind(place)
    except OSError:
        return False
    return True


def _addresses(name: str, hosts: Path) -> list[str]:
    try:
        lines = hosts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    entries = [line.partition("#")[0].lower().split() for line in lines]
    return [entry[0] for entry in entries if name in entry[1:]]
