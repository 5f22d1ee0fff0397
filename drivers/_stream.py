"""A wire that carries bytes both ways: a TCP socket or a serial line, for the drivers that talk text or frames over it.

Owns the keys that say which wire (`WireKeys`), opening it, sending, collecting an answer up to its end, and saying in
words what can go wrong: port busy (by whom), no right to it (which group), nobody there, silence. It does not know what
the bytes mean.

A stream on which an answer did not come in time may still bring it later: `discard` what is there, after a quiet time
where the protocol has no way to tell a late answer from a fresh one, or close it.
"""

from __future__ import annotations

import contextlib
import grp
import os
import select
import socket
from pathlib import Path
from typing import Annotated, Literal, Protocol

import serial
from pydantic import Field, model_validator

from benchd.errors import Garbled, LinkLost, NoAnswer
from benchd.instruments import Spec
from drivers._patience import Patience

#: The longest answer that makes sense [bytes], unless told otherwise.
LONGEST = 4096
_PIECE = 4096
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

    @model_validator(mode="after")
    def _one_wire(self) -> WireKeys:
        if (self.host is None) == (self.serial is None):
            raise ValueError("say either host or serial: an instrument hangs on one wire")
        if self.serial is not None and self.port is not None:
            raise ValueError("port goes with host, not with serial")
        return self


class Stream(Protocol):
    """One open wire. Every method may raise `LinkLost` when there is none any more."""

    def send(self, data: bytes, patience: Patience) -> None:
        """Send all of it. Raises `NoAnswer` when the other side does not take it in time."""

    def receive(self, patience: Patience) -> bytes:
        """What comes next, at least one byte; empty when patience is over first."""

    def discard(self) -> bytes:
        """Throw away what has arrived; gives it, for messages."""

    def close(self) -> None:
        """Let go of the wire; never raises, may be called twice."""


def open_stream(keys: WireKeys, who: str, patience: Patience, usual_port: int | None = None) -> Stream:
    """The wire that the keys name, opened; `who` names the instrument. Raises `LinkLost` with what to try."""
    if keys.host is not None:
        port = keys.port or usual_port
        if port is None:
            raise LinkLost(f"{who}: the bench file says host but no port")
        return _TcpStream(keys.host, port, who, patience)
    return _SerialStream(keys, who)


def collect(stream: Stream, end: bytes, who: str, patience: Patience, longest: int = LONGEST) -> tuple[bytes, bytes]:
    """An answer up to and without its end, and what came after it.

    Raises `NoAnswer` when its end has not come in time, saying what had come, and `Garbled` when it has more than
    `longest` bytes.
    """
    got = b""
    while end not in got:
        if len(got) > longest:
            raise Garbled(f"{who}: {len(got)} bytes without an end: {shown(got)}", "is it this kind of device?")
        piece = stream.receive(patience)
        if not piece and got:
            raise NoAnswer(f"{who}: an answer began and did not end: {shown(got)}", _WRONG_SPEED)
        if not piece:
            raise NoAnswer(f"{who}: no answer", "check its power, its cable and its address")
        got += piece
    answer, _, rest = got.partition(end)
    return answer, rest


def shown(data: bytes, most: int = 40) -> str:
    """Bytes for a person: as text where they are, else escaped, cut where they are many.

    >>> shown(b"41.2 dBA"), shown(b"y" * 99, most=3)
    ("'41.2 dBA'", "'yyy' and so on, 99 bytes")
    """
    text = ascii(data[:most].decode("latin-1"))
    return text if len(data) <= most else f"{text} and so on, {len(data)} bytes"


_WRONG_SPEED = "half an answer, or signs that make no sense, may be a wrong baud, parity or line end"


class _TcpStream:
    def __init__(self, host: str, port: int, who: str, patience: Patience) -> None:
        self._who = f"{who} at {host}:{port}"
        try:
            self._socket = socket.create_connection((host, port), timeout=max(patience.left_s, 1e-3))
        except OSError as error:
            raise LinkLost(
                f"{self._who}: cannot connect: {error.strerror or error}",
                "is the device on and in the network, and are host and port right?",
            ) from error
        # Small questions wait for nobody.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes, patience: Patience) -> None:
        try:
            self._socket.settimeout(max(patience.left_s, 1e-3))
            self._socket.sendall(data)
        except TimeoutError as error:
            raise NoAnswer(
                f"{self._who}: it does not take what is sent to it",
                "its program hangs, or another program floods it: switch it off and on",
            ) from error
        except OSError as error:
            raise self._lost(error) from error

    def receive(self, patience: Patience) -> bytes:
        try:
            self._socket.settimeout(max(patience.left_s, 1e-3))
            piece = self._socket.recv(_PIECE)
        except TimeoutError:
            return b""
        except OSError as error:
            raise self._lost(error) from error
        if not piece:
            raise self._lost(None)
        return piece

    def discard(self) -> bytes:
        thrown = b""
        while select.select([self._socket], [], [], 0)[0]:
            piece = self.receive(Patience(0.0))
            if not piece:
                break
            thrown += piece
        return thrown

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()

    def _lost(self, error: OSError | None) -> LinkLost:
        why = "the other side closed it" if error is None else error.strerror or str(error)
        return LinkLost(
            f"{self._who}: the connection was lost: {why}",
            "is the device still on, and does no other program hold its connection?",
        )


class _SerialStream:
    def __init__(self, keys: WireKeys, who: str) -> None:
        assert keys.serial is not None
        self._path = keys.serial
        self._who = f"{who} on {keys.serial}"
        try:
            self._port = serial.Serial(
                keys.serial,
                baudrate=keys.baud,
                bytesize=keys.data_bits,
                parity=_PARITY[keys.parity],
                stopbits=keys.stop_bits,
                timeout=0,
                write_timeout=1.0,
                exclusive=True,
            )
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self._who}: {_why_not(keys.serial, error)}", _what_to_try(keys.serial)) from error

    def send(self, data: bytes, patience: Patience) -> None:
        try:
            # A line whose other side takes nothing would block for ever without it.
            self._port.write_timeout = max(patience.left_s, 1e-3)
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise NoAnswer(f"{self._who}: it does not take what is sent to it", "check its handshake lines") from error
        except (OSError, TypeError) as error:
            raise self._lost(error) from error

    def receive(self, patience: Patience) -> bytes:
        try:
            self._port.timeout = patience.left_s
            first = self._port.read(1)
            return bytes(first + self._port.read(self._port.in_waiting) if first else b"")
        except (OSError, TypeError) as error:  # TypeError: pyserial, when the port was closed under it
            raise self._lost(error) from error

    def discard(self) -> bytes:
        try:
            thrown = bytes(self._port.read(self._port.in_waiting))
            self._port.reset_input_buffer()
        except (OSError, TypeError) as error:
            raise self._lost(error) from error
        return thrown

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._port.close()

    def _lost(self, error: Exception) -> LinkLost:
        return LinkLost(
            f"{self._who}: the serial port was lost: {error}",
            "is its plug still in, and does no other program read from the port?",
        )


def _why_not(path: str, error: Exception) -> str:
    if not Path(path).exists():
        return "there is no such serial port"
    if not os.access(path, os.R_OK | os.W_OK):
        return "no right to use this serial port"
    holders = _holders(path)
    if holders:
        return f"the serial port is in use by {', '.join(holders)}"
    return f"the serial port cannot be opened: {error}"


def _what_to_try(path: str) -> str:
    if not Path(path).exists():
        return "is its plug in? `benchd instruments --find` lists the serial ports there are"
    if not os.access(path, os.R_OK | os.W_OK):
        return f"it belongs to the group {_group(path)}: add the user to it and log in anew"
    return "end the other program, or is it another benchd?"


def _group(path: str) -> str:
    owner = os.stat(path).st_gid
    try:
        return grp.getgrgid(owner).gr_name
    except KeyError:
        return str(owner)


def _holders(path: str) -> list[str]:
    """The programs that have a file open, as far as one may look."""
    wanted, found = os.path.realpath(path), []
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if int(process.name) == os.getpid():
                continue
            if any(os.path.realpath(link) == wanted for link in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()} (process {process.name})")
    return found
