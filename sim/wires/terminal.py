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

_PIECE = 4096
#: Where termios keeps the speed of what is sent.
_OUTPUT_SPEED = 5


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
        self._speed: int | None = getattr(termios, f"B{baud}") if baud else None
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
            os.write(self._master, self._as_heard(data))

    def close(self) -> None:
        """As when the plug is pulled: whoever has it open has lost it."""
        self._loop.remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)

    def _read(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._feed(self._as_heard(os.read(self._master, _PIECE)))

    def _as_heard(self, data: bytes) -> bytes:
        """Bytes at another speed than that of whoever hears them are other bytes; these are invented."""
        if self._speed in (None, termios.tcgetattr(self._slave)[_OUTPUT_SPEED]):
            return data
        return bytes(byte * 5 + 0x60 & 0xFF | 0x80 for byte in data)
