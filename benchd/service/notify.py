"""What a service tells the service manager that started it: datagrams to the socket it names, sd_notify(3).

Without NOTIFY_SOCKET nobody wants to know, and nothing is sent.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress

#: A manager that does not come to its datagrams is waited for so long [s]: whoever tells has a bench to watch.
PATIENCE_S = 0.2


def notify(*words: str) -> None:
    """Send assignments such as `READY=1`, `STATUS=text`, `WATCHDOG=1`, `STOPPING=1`, in one datagram. Never raises."""
    place = os.environ.get("NOTIFY_SOCKET", "")
    if not place:
        return
    address = "\0" + place[1:] if place.startswith("@") else place
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        sender.settimeout(PATIENCE_S)
        sender.sendto("\n".join(words).encode(), address)


def watchdog_every_s() -> float | None:
    """How often the manager's watchdog wants to be told [s]: half of its time, as sd_watchdog_enabled(3) advises.

    None when it does not watch this process.
    """
    limit_us, process = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", str(os.getpid()))
    if not limit_us.isdecimal() or int(limit_us) == 0 or process != str(os.getpid()):
        return None
    return int(limit_us) / 2e6
