"""Asks the daemon over its socket. Small and light, for it is part of every command that a person waits for.

Plain HTTP/1.1 with one connection a request: the standard library's client would cost as much time as all the rest.
"""

from __future__ import annotations

import contextlib
import grp
import json
import os
import socket
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from benchd.errors import BenchdError, DaemonNeeded, InputError, NotFound, RunRefused

#: The daemon answers within two ticks; a request that takes longer than this [s] will not be answered.
TIMEOUT_S = 30.0
#: A live view hears at least a comment every 15 s; after this [s] of silence the daemon is gone.
SILENT_S = 40.0

_KINDS: dict[int, type[BenchdError]] = {404: NotFound, 409: RunRefused, 413: InputError, 422: InputError}


class Client:
    """The daemon that listens at a socket."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def get(self, path: str, timeout_s: float = TIMEOUT_S) -> Any:
        """What the daemon shows there. Raises `DaemonNeeded` when none answers, else what it says no with."""
        return self.ask("GET", path, None, timeout_s)

    def post(self, path: str, body: object, timeout_s: float = TIMEOUT_S) -> Any:
        """Have the daemon do something. Raises as `get`."""
        return self.ask("POST", path, body, timeout_s)

    def ask(self, method: str, path: str, body: object = None, timeout_s: float = TIMEOUT_S) -> Any:
        """One request: the JSON that comes back."""
        with self._connected(timeout_s) as connection, connection.makefile("rb") as answer:
            try:
                self._send(connection, method, path, body)
                status, headers = _head(answer)
                text = b"".join(_body(answer, headers))
                said = json.loads(text) if text else None
            except (OSError, ValueError) as error:
                raise self._gone(error) from error
        return _judged(status, said)

    def live(self, every_s: float) -> Iterator[tuple[str, Any]]:
        """What happens, as it happens: ("status", document) and ("happened", event); ends when the daemon does.

        every_s [s]: no picture sooner after the one before. Raises `DaemonNeeded` when none answers.
        """
        with self._connected(SILENT_S) as connection, connection.makefile("rb") as answer:
            try:
                self._send(connection, "GET", f"/live?every_s={every_s:g}", None)
                status, headers = _head(answer)
                if status != 200:
                    _judged(status, json.loads(b"".join(_body(answer, headers))))
                yield from _events(_body(answer, headers))
            except (OSError, ValueError):
                return

    def _connected(self, timeout_s: float) -> socket.socket:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            # Waits for its turn when many connect at once; with a timeout of Python's own it would be refused instead.
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, _timeval(timeout_s))
            connection.connect(str(self.path))
            connection.settimeout(timeout_s)
        except PermissionError as error:
            connection.close()
            raise DaemonNeeded(
                f"{self.path} is not for you to use", f"join group {_group(self.path)}, then log in again"
            ) from error
        except OSError as error:
            connection.close()
            raise self._gone(error) from error
        return connection

    def _gone(self, error: OSError | ValueError) -> DaemonNeeded:
        if isinstance(error, (TimeoutError, BlockingIOError)):
            return DaemonNeeded(f"the daemon at {self.path} does not answer", "try again; its log says what it does")
        if isinstance(error, ValueError):
            return DaemonNeeded(f"what answers at {self.path} is no daemon of this benchd", "see what listens there")
        why = error.strerror or str(error) or "it has gone"
        return DaemonNeeded(
            f"no daemon answers at {self.path}: {why}",
            "start one with  benchd serve --bench BENCH, or say where it is with --socket",
        )

    def _send(self, connection: socket.socket, method: str, path: str, body: object) -> None:
        text = b"" if body is None else json.dumps(body).encode()
        head = f"{method} {path} HTTP/1.1\r\nHost: benchd\r\nConnection: close\r\n"
        if body is not None:
            head += f"Content-Type: application/json\r\nContent-Length: {len(text)}\r\n"
        # What is too long is refused before all of it is taken: the answer is there all the same.
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            connection.sendall(head.encode() + b"\r\n" + text)


def _timeval(seconds: float) -> bytes:
    """A length of time as the kernel takes it: socket(7). 0 would be for ever."""
    micros = max(1, round(seconds * 1_000_000))
    return struct.pack("@ll", *divmod(micros, 1_000_000))


def _group(path: Path) -> str:
    """Who may use a socket: the group of its folder, which is its own."""
    try:
        number = os.stat(path.parent).st_gid
        return grp.getgrgid(number).gr_name
    except OSError:
        return "that owns its folder"
    except KeyError:
        return str(number)


def _head(answer: BinaryIO) -> tuple[int, dict[str, str]]:
    """Status and headers. Raises OSError when the connection ends before them."""
    protocol, status, *_ = [*_line(answer).split(None, 2), b"", b""]
    if not protocol.startswith(b"HTTP/1."):
        raise ValueError("not HTTP")
    headers = {}
    while (line := _line(answer)) != b"":
        name, _, value = line.decode("latin-1").partition(":")
        headers[name.lower()] = value.strip().lower()
    return int(status), headers


def _body(answer: BinaryIO, headers: dict[str, str]) -> Iterator[bytes]:
    """The body as it comes, in pieces: RFC 9112, 6."""
    if headers.get("transfer-encoding") != "chunked":
        yield _exactly(answer, int(headers["content-length"])) if "content-length" in headers else answer.read()
        return
    while (size := int(_line(answer).split(b";")[0], 16)) > 0:
        yield _exactly(answer, size)
        _line(answer)
    _line(answer)


def _line(answer: BinaryIO) -> bytes:
    line = answer.readline(10_000)
    if not line.endswith(b"\n"):
        raise ConnectionResetError("it ended in the middle of an answer")
    return line.strip()


def _exactly(answer: BinaryIO, size: int) -> bytes:
    piece = answer.read(size)
    if len(piece) < size:
        raise ConnectionResetError("it ended in the middle of an answer")
    return piece


def _events(pieces: Iterator[bytes]) -> Iterator[tuple[str, Any]]:
    """Server-sent events: the HTML standard, 9.2; lines starting with a colon say only that somebody is there."""
    waiting = b""
    for piece in pieces:
        waiting += piece
        while b"\n\n" in waiting:
            block, _, waiting = waiting.partition(b"\n\n")
            fields = dict(line.split(b": ", 1) for line in block.split(b"\n") if b": " in line and line[:1] != b":")
            if b"data" in fields:
                yield fields.get(b"event", b"message").decode(), json.loads(fields[b"data"])


def _judged(status: int, answer: Any) -> Any:
    if status < 300:
        return answer
    said = answer if isinstance(answer, dict) else {}
    raise _KINDS.get(status, BenchdError)(said.get("message", f"the daemon says {status}"), said.get("hint", ""))
