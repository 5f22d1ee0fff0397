"""The heat wire: what heat the simulated load really gives, and how its Modbus cable is pulled.

It stands for the physical world beside the Modbus cable: heat flows, or does not, whatever is said over
Modbus. Plain lines of text over TCP, one answer to each line:

    watts?    the power [W] that flows into the heater now, as a decimal number
    unplug    ok; the Modbus side is deaf from now on: requests are swallowed, connections stay open
    plug      ok; the Modbus side hears again; what was swallowed stays lost

Owns both ends: `WireServer` in the load's process, `HeatWire` wherever the heat is needed.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable

#: How long an answer may take [s].
ANSWER_WITHIN_S = 0.2
_LONGEST_LINE = 100


class HeatWire:
    """The near end: asks the load over a connection that is kept open.

    Not for several threads at once. Valid for a load on the same machine: an answer that takes more than 0.2
    s counts as a dead load.

    Args:
        host: address of the load's process [no unit]
        port: its wire port [no unit]

    >>> from sim.modbus_load import running
    >>> with running() as load, load.wire() as wire:
    ...     wire.watts()
    0.0
    """

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._socket: socket.socket | None = None

    def __enter__(self) -> HeatWire:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def watts(self) -> float:
        """The power [W] that flows into the heater now; 0.0 when nobody answers, since a dead load gives no
        heat.

        Never raises; takes at most some 0.4 s, and no time at all when the load's process is gone.

        >>> HeatWire("127.0.0.1", 1).watts()
        0.0
        """
        try:
            return float(self._ask("watts?"))
        except OSError:
            return 0.0
        except ValueError:  # whoever listens there, it is no load
            self.close()
            return 0.0

    def unplug(self) -> None:
        """Pull the Modbus cable. Raises OSError when the load's process is gone.

        >>> from sim.modbus_load import running
        >>> with running() as load, load.wire() as wire:
        ...     wire.unplug()
        """
        self._tell("unplug")

    def plug(self) -> None:
        """Put the Modbus cable back. Raises OSError when the load's process is gone.

        >>> from sim.modbus_load import running
        >>> with running() as load, load.wire() as wire:
        ...     wire.unplug()
        ...     wire.plug()
        """
        self._tell("plug")

    def close(self) -> None:
        """Let go of the connection; may be called twice. The next question opens a new one.

        >>> HeatWire("127.0.0.1", 1).close()
        """
        if self._socket is not None:
            self._socket.close()
        self._socket = None

    def _tell(self, what: str) -> None:
        answer = self._ask(what)
        if answer != "ok":
            self.close()
            raise ConnectionError(f"the load answered {answer!r} to {what!r}")

    def _ask(self, line: str) -> str:
        """The answer to one line; over a new connection when the load was restarted since the last one."""
        if self._socket is not None:
            with contextlib.suppress(ConnectionError):
                return self._exchange(self._socket, line)
        self._socket = socket.create_connection(self._address, timeout=ANSWER_WITHIN_S)
        return self._exchange(self._socket, line)

    def _exchange(self, link: socket.socket, line: str) -> str:
        try:
            link.sendall(f"{line}\n".encode("ascii"))
            answer = b""
            while not answer.endswith(b"\n"):
                piece = link.recv(_LONGEST_LINE)
                if not piece:
                    raise ConnectionResetError("the load closed the connection")
                answer += piece
        except OSError:
            self.close()  # the answer may still come, and must not be taken for the next one
            raise
        return answer.decode("ascii").strip()


class WireServer(asyncio.Protocol):
    """The far end, one for each connection, for `loop.create_server`.

    Args:
        watts: gives the power that flows into the heater now [W]
        plugged: is told True or False when the Modbus cable is put in or pulled [no unit]

    >>> server = WireServer(watts=lambda: 199.6, plugged=print)
    >>> server.answer("watts?"), server.answer("sing")
    ('199.600000', 'not understood')
    >>> server.answer("unplug")
    False
    'ok'
    """

    def __init__(self, watts: Callable[[], float], plugged: Callable[[bool], None]) -> None:
        self._watts = watts
        self._plugged = plugged
        self._unread = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """asyncio opens a connection."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """asyncio brings what arrived: whole lines are answered, the rest is kept."""
        assert self._transport is not None
        *lines, self._unread = (self._unread + data).split(b"\n")
        for line in lines:
            answer = self.answer(line.decode("ascii", "replace").strip())
            self._transport.write(f"{answer}\n".encode("ascii"))
        if len(self._unread) > _LONGEST_LINE:
            self._transport.close()

    def answer(self, line: str) -> str:
        """The answer to one line of text.

        >>> WireServer(watts=lambda: 0.0, plugged=print).answer("watts?")
        '0.000000'
        """
        if line == "watts?":
            return f"{self._watts():.6f}"
        if line in ("plug", "unplug"):
            self._plugged(line == "plug")
            return "ok"
        return "not understood"
