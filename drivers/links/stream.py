"""A wire that carries bytes both ways: a TCP socket or a serial line, for the drivers that talk text or frames over it.

Owns the keys that say which wire (`WireKeys`), opening it, sending, collecting an answer up to its end, and saying in
words what can go wrong: port busy (by whom), no right to it (which group), nobody there, silence. It does not know what
the bytes mean.

A stream on which an answer did not come in time may still bring it later: `discard` what is there, after a quiet time
where the protocol has no way to tell a late answer from a fresh one, or close it. On a serial line closing alone does
not help: the device answers whoever opens the port next.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import termios
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal, Protocol

import serial
from pydantic import Field, model_validator

from benchd.errors import Garbled, LinkLost, NoAnswer
from benchd.instruments import Spec
from drivers.links.patience import Patience
from drivers.links.ports import holders, what_to_try, why_not

#: The longest answer that makes sense [bytes], unless told otherwise.
LONGEST = 4096
_PIECE = 65536
#: More than this [bytes] is never thrown away at once: whoever floods would be thrown away for ever.
_MOST_THROWN = 1 << 20
#: A peer that has lost its supply says nothing: asked so often [s], and given up after so many questions.
_ALIVE_AFTER_S, _ALIVE_EVERY_S, _ALIVE_TRIES = 10, 3, 3
_OF_A_PORT = ("baud", "parity", "data_bits", "stop_bits")
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class WireKeys(Spec):
    """The keys of a bench file that say which wire an instrument hangs on: `host` and `port`, or `serial` and how."""

    host: Annotated[str, Field(min_length=1)] | None = None
    """The device's address in the network; a number rather than a name, so that no name server is needed at night."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Its TCP port."""
    serial: Annotated[str, Field(min_length=1)] | None = None
    """Its serial port, best by the name under /dev/serial/by-id, which does not change."""
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """Speed of the serial port [bit/s]."""
    parity: Literal["none", "even", "odd"] = "none"
    """Parity of the serial port: "none", "even" or "odd"."""
    data_bits: Literal[7, 8] = 8
    """Data bits of the serial port: 7 or 8."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of the serial port: 1 or 2."""

    #: The TCP port when none is given.
    usual_port: ClassVar[int | None] = None

    def occupies(self) -> Mapping[str, str]:
        if self.serial is not None:
            return {f"serial port {os.path.realpath(self.serial)}": ""}
        # How many may speak to it at once is the device's affair, as far as they are of one bench.
        return {f"address {self.host} port {self.port or self.usual_port}": "network"}

    @model_validator(mode="after")
    def _one_wire(self) -> WireKeys:
        if (self.host is None) == (self.serial is None):
            raise ValueError("say either host or serial: an instrument hangs on one wire")
        if self.serial is not None and self.port is not None:
            raise ValueError("port goes with host, not with serial")
        said = [key for key in _OF_A_PORT if getattr(self, key) != type(self).model_fields[key].default]
        if self.host is not None and said:
            raise ValueError(f"{' and '.join(said)} go with serial: over host the far end's own settings hold")
        return self


class Stream(Protocol):
    """One open wire. Every method may raise `LinkLost` when there is none any more."""

    @property
    def says_nothing(self) -> str:
        """What a person can do about a device that does not answer."""

    def send(self, data: bytes, patience: Patience) -> None:
        """Send all of it. Raises `NoAnswer` when the other side does not take it in time."""

    def receive(self, patience: Patience) -> bytes:
        """What comes next, at least one byte; empty when patience is over first."""

    def discard(self) -> bytes:
        """Throw away what has arrived, at most 1 MiB; gives the beginning of it, for messages."""

    def close(self) -> None:
        """Let go of the wire; never raises, may be called twice."""


def open_stream(keys: WireKeys, who: str, patience: Patience, usual_port: int | None = None) -> Stream:
    """The wire that the keys name, opened; `who` names the instrument. Raises `LinkLost` with what to try."""
    if keys.host is not None:
        port = keys.port or usual_port
        if port is None:
            raise LinkLost(f"{who}: the bench file says host but no port", "give the device's TCP port")
        return _TcpStream(keys, port, who, patience)
    return _SerialStream(keys, who)


def collect(
    stream: Stream, end: bytes, who: str, patience: Patience, longest: int = LONGEST, begun: bytes = b""
) -> tuple[bytes, bytes]:
    """An answer up to and without its end, and what came after it; `begun`: what of it is there already.

    Raises `NoAnswer` when its end has not come in time, saying what had come, and `Garbled` when it has more than
    `longest` bytes.
    """
    got = begun
    while end not in got:
        if len(got) > longest:
            raise Garbled(f"{who}: {len(got)} bytes without an end: {shown(got)}", "is it this kind of device?")
        piece = stream.receive(patience)
        if not piece and got:
            raise NoAnswer(f"{who}: an answer began and did not end: {shown(got)}", _WRONG_SPEED)
        if not piece:
            raise NoAnswer(f"{who}: no answer", stream.says_nothing)
        got += piece
    answer, _, rest = got.partition(end)
    return answer, rest


def on_silence(keys: WireKeys) -> str:
    """What a person can do about a device that says nothing; at a wrong baud nothing at all may come."""
    if keys.serial is None:
        return "check its power, its cable and its address"
    return f"check its power and its cable, and whether it has baud = {keys.baud} and parity = {keys.parity} too"


def shown(data: bytes, most: int = 40) -> str:
    """Bytes for a person: as text where they are, else escaped, cut where they are many.

    >>> shown(b"41.2 dBA"), shown(b"y" * 99, most=3)
    ("'41.2 dBA'", "'yyy' and so on, 99 bytes")
    """
    text = ascii(data[:most].decode("latin-1"))
    return text if len(data) <= most else f"{text} and so on, {len(data)} bytes"


_WRONG_SPEED = "half an answer, or signs that make no sense, may be a wrong baud, parity or line end"


class _PolledStream(ABC):
    """What both kinds share: a file that never blocks, waited for as long as patience lasts."""

    def __init__(self, who: str, says_nothing: str) -> None:
        self._who = who
        self.says_nothing = says_nothing

    def send(self, data: bytes, patience: Patience) -> None:
        rest = memoryview(data)
        try:
            while True:
                with contextlib.suppress(BlockingIOError):
                    rest = rest[self._put(rest) :]
                if not rest:
                    return
                if patience.over or not _ready(self._fileno(), select.POLLOUT, patience):
                    break
        except OSError as error:
            raise self._lost(error) from error
        self._forget_unsent()
        raise NoAnswer(f"{self._who}: it does not take what is sent to it", self.takes_nothing)

    def receive(self, patience: Patience) -> bytes:
        try:
            piece = self._get() if _ready(self._fileno(), select.POLLIN, patience) else None
        except BlockingIOError:
            piece = None
        except OSError as error:
            raise self._lost(error) from error
        if piece == b"":
            raise self._lost(None)
        return piece or b""

    def discard(self) -> bytes:
        beginning, thrown = b"", 0
        while thrown < _MOST_THROWN and (piece := self.receive(Patience(0.0))):
            beginning += piece[: LONGEST - len(beginning)]
            thrown += len(piece)
        return beginning

    #: What a person can do about a device that takes nothing.
    takes_nothing: str

    @abstractmethod
    def _fileno(self) -> int: ...

    @abstractmethod
    def _put(self, data: memoryview) -> int: ...

    @abstractmethod
    def _get(self) -> bytes: ...

    @abstractmethod
    def _forget_unsent(self) -> None: ...

    @abstractmethod
    def _lost(self, error: OSError | None) -> LinkLost: ...


def _ready(file: int, what: int, patience: Patience) -> bool:
    # Not select(), which knows no file beyond number 1023. A file that hung up is ready, and reading it says so.
    poll = select.poll()
    poll.register(file, what)
    return bool(poll.poll(1000 * patience.left_s))


class _TcpStream(_PolledStream):
    takes_nothing = "its program hangs, or another program floods it: switch it off and on"

    def __init__(self, keys: WireKeys, port: int, who: str, patience: Patience) -> None:
        super().__init__(f"{who} at {keys.host}:{port}", on_silence(keys))
        try:
            self._socket = socket.create_connection((keys.host, port), timeout=max(patience.left_s, 1e-3))
        except OSError as error:
            raise LinkLost(
                f"{self._who}: cannot connect: {error.strerror or error}",
                "is the device on and in the network, and are host and port right?",
            ) from error
        self._socket.setblocking(False)
        # Small questions wait for nobody.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _ALIVE_AFTER_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _ALIVE_EVERY_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, _ALIVE_TRIES)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()

    def _fileno(self) -> int:
        return _open_file(self._socket.fileno())

    def _put(self, data: memoryview) -> int:
        return self._socket.send(data)

    def _get(self) -> bytes:
        return self._socket.recv(_PIECE)

    def _forget_unsent(self) -> None:
        """What the kernel has taken cannot be had back; whoever uses this stream closes it."""

    def _lost(self, error: OSError | None) -> LinkLost:
        why = "the other side closed it" if error is None else error.strerror or str(error)
        return LinkLost(
            f"{self._who}: the connection was lost: {why}",
            "is the device still on, and does no other program hold its connection?",
        )


class _SerialStream(_PolledStream):
    takes_nothing = "check its cable, and that neither side waits for handshake lines"

    def __init__(self, keys: WireKeys, who: str) -> None:
        assert keys.serial is not None
        super().__init__(f"{who} on {keys.serial}", on_silence(keys))
        self._path = keys.serial
        try:
            # pyserial knows how to set up a port; reading and writing go past it, because it sets up the port anew
            # for each new time limit.
            self._port = serial.Serial(
                keys.serial,
                baudrate=keys.baud,
                bytesize=keys.data_bits,
                parity=_PARITY[keys.parity],
                stopbits=keys.stop_bits,
                timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError, termios.error) as error:  # the last, for a parity that the port cannot do
            why, hint = why_not(keys.serial, error), what_to_try(keys.serial, error)
            raise LinkLost(f"{self._who}: {why}", hint) from error

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._port.close()

    def _fileno(self) -> int:
        return self._port.fileno()

    def _put(self, data: memoryview) -> int:
        return os.write(self._port.fileno(), data)

    def _get(self) -> bytes:
        return os.read(self._port.fileno(), _PIECE)

    def _forget_unsent(self) -> None:
        # Half a question that leaves later would spoil the next one, and closing would wait for it.
        with contextlib.suppress(OSError, TypeError, termios.error):
            self._port.reset_output_buffer()

    def _lost(self, error: OSError | None) -> LinkLost:
        others = [name for name in holders(self._path) if "process" in name]
        also = f"; it is open in {', '.join(others)} as well" if others else ""
        why = "the port is gone" if error is None else error.strerror or str(error)
        return LinkLost(
            f"{self._who}: the serial port was lost: {why}{also}",
            "is its plug still in, and does no other program read from the port?",
        )


def _open_file(number: int) -> int:
    if number < 0:
        raise OSError("it was closed here")
    return number
