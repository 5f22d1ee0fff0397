"""A pseudo-terminal that stands for a serial line: bytes from whoever opens it, bytes to them, and nothing else.

Owns the pair of files, and what becomes of bytes when the two sides do not use one speed. Knows no protocol. Not for
several threads: it lives on one loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
import tty
from collections.abc import Callable

from sim.wires.speeds import misread

_PIECE = 4096
#: The speeds that a device may have [bit/s].
USUAL_BAUD = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400)
#: Where termios keeps the speed of what is sent, and the usual speeds by its numbers for them.
_OUTPUT_SPEED = 5
_BAUD = {getattr(termios, f"B{baud}"): baud for baud in USUAL_BAUD}


class Terminal:
    """A pseudo-terminal in raw mode; `path` is for whoever opens it.

    Args:
        feed: is given what arrives [no unit]
        baud: the device's speed, one of the usual ones; None: it understands any [bit/s]

    >>> async def echo() -> bytes:
    ...     terminal = Terminal(lambda said: terminal.send(said.upper()))
    ...     there = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
    ...     os.write(there, b"level?")
    ...     await asyncio.sleep(0.01)
    ...     answer = os.read(there, 100)
    ...     os.close(there)
    ...     terminal.close()
    ...     return answer
    >>> asyncio.run(echo())
    b'LEVEL?'
    """

    def __init__(self, feed: Callable[[bytes], None], baud: int | None = None) -> None:
        self._baud = baud
        self._feed = feed
        self._loop = asyncio.get_running_loop()
        # The second stays open here, so that whoever is there may come and go.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        """The name of its other side."""
        self.listen(True)

    def listen(self, listens: bool) -> None:
        """Take what arrives, or leave it in the buffer until that is full."""
        if listens:
            self._loop.add_reader(self._master, self._read)
        else:
            self._loop.remove_reader(self._master)

    def send(self, data: bytes) -> None:
        """Send; what does not fit, since nobody reads, is lost."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, self._as_heard(data, self._baud, self._others_baud))

    def close(self) -> None:
        """As when the plug is pulled: whoever has it open has lost it. May be called twice."""
        if self._master < 0:
            return
        self._loop.remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1

    @property
    def _others_baud(self) -> int | None:
        return _BAUD.get(termios.tcgetattr(self._slave)[_OUTPUT_SPEED])

    def _read(self) -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._master, _PIECE)
            self._feed(self._as_heard(data, self._others_baud, self._baud))

    def _as_heard(self, data: bytes, sent_baud: int | None, heard_baud: int | None) -> bytes:
        """A pseudo-terminal has no line, and any two speeds would do: here they must be the same."""
        if sent_baud is None or heard_baud is None:
            return data
        return misread(data, sent_baud, heard_baud)
