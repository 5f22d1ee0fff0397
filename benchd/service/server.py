"""Serves the API on a socket that is bound already, in a thread of its own, and knows who is at the other end."""

from __future__ import annotations

import asyncio
import itertools
import json
import pwd
import socket
import struct
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from benchd.clock import real_s
from benchd.errors import BenchdError
from benchd.service.client import Client

#: Requests under way get so long [s] on the way out; a reader of the live view would stay for ever.
GRACE_S = 1
START_S = 20.0
#: More connections at once than people and programs need. Each takes a file descriptor, and so does the engine.
MOST_CONNECTIONS = 100
#: So many are taken in one turn of the loop, before any is hung up on; uvicorn's own number is 2048.
BACKLOG = 32

_numbers = itertools.count()


class PeerProtocol(H11Protocol):
    """HTTP over a Unix socket, where the client's address is its user id and process, as the kernel says."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # uvicorn's own is as narrow
        """A client has connected: SO_PEERCRED, unix(7)."""
        super().connection_made(transport)
        there = transport.get_extra_info("socket")
        credentials = there.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        process, user, _ = struct.unpack("3i", credentials)
        self.client = (str(user), process)
        self.number = next(_numbers)
        self._make_room()

    def _make_room(self) -> None:
        """Hang up on the oldest connection of the user who has most of them, when there are too many.

        One on which something is being done comes last, for who asked would not know whether it was.
        So the newest is always served: whoever wants to hold a run is not kept out by a program gone wild.
        """
        there = [one for one in self.connections if isinstance(one, PeerProtocol)]
        if len(there) <= MOST_CONNECTIONS:
            return
        ((user, _),) = Counter(one.client and one.client[0] for one in there).most_common(1)
        theirs = [one for one in there if one.client and one.client[0] == user]
        oldest = min(theirs, key=lambda one: (one.acts, one.number))
        self.connections.discard(oldest)
        oldest.transport.abort()

    @property
    def acts(self) -> bool:
        """Whether something is to be done for it, and it has not been told yet what came of it."""
        # There is no cycle before the first request, whatever uvicorn's annotation says.
        return not getattr(self.cycle, "response_complete", True) and self.scope["method"] == "POST"

    def send_400_response(self, msg: str) -> None:
        """What is no HTTP at all is refused in the shape of all refusals, unless an answer has begun."""
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            body = json.dumps({"message": msg, "hint": "see /openapi.json"}).encode()
            headers = [
                ("Content-Type", "application/json"),
                ("Content-Length", str(len(body))),
                ("Connection", "close"),
            ]
            for event in (h11.Response(status_code=400, headers=headers), h11.Data(data=body), h11.EndOfMessage()):
                self.transport.write(self.conn.send(event) or b"")
        self.transport.close()


class _Server(uvicorn.Server):
    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """As uvicorn does, and then hang up on whoever is still connected."""
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            connection.transport.abort()
        await asyncio.sleep(0)  # their sockets are closed in the next turn of the loop


def who(user: str) -> str:
    """A user id for a person: `anna (1000)`, or `uid 1000` when it has no name here."""
    try:
        return f"{pwd.getpwuid(int(user)).pw_name} ({user})"
    except (KeyError, ValueError, OverflowError):
        return f"uid {user}"


class ApiServer:
    """`start` returns when it answers; `stop` ends it within two seconds, whoever is still reading."""

    def __init__(self, app: Callable[..., Any], listening: socket.socket) -> None:
        config = uvicorn.Config(
            app,
            http=PeerProtocol,
            loop="asyncio",
            ws="none",
            backlog=BACKLOG,
            lifespan="off",
            log_config=None,
            access_log=False,
            # Who asks is what the kernel says, never what a header says.
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=GRACE_S,
        )
        self._server = _Server(config)
        self._listening = listening
        self._thread = threading.Thread(target=self._serve, name="api", daemon=True)

    def _serve(self) -> None:
        self._server.run(sockets=[self._listening])

    @property
    def is_serving(self) -> bool:
        """Whether its thread is there."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin to serve; it has answered a first question when this returns. Raises `BenchdError` when it does not."""
        there = Client(Path(self._listening.getsockname()))
        self._thread.start()
        due_s = real_s() + START_S
        while not self._server.started:
            if real_s() > due_s or not self._thread.is_alive():
                raise BenchdError("the API does not come up", "what it said stands above")
            self._thread.join(0.01)
        there.get("/status", timeout_s=START_S)

    def stop(self) -> None:
        """End it."""
        self._server.should_exit = True
        self._thread.join(GRACE_S + 0.5)
        if self._thread.is_alive():
            self._server.force_exit = True
            self._thread.join(0.5)
