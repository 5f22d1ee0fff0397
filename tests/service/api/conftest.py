"""The real API on a real socket, before a desk that only notes what it is asked."""

from __future__ import annotations

import contextlib
import socket
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from benchd.bench_file import load_bench
from benchd.instruments import Cooling
from benchd.named_files import find_bench
from benchd.service.api import Desks, make_app
from benchd.service.board import Board
from benchd.service.client import Client
from benchd.service.inbox import Inbox
from benchd.service.orders import Desk, Order, Queued
from benchd.service.server import ApiServer
from benchd.service.socket_place import bind
from benchd.store.records import MountRow, SpecimenRow
from benchd.store.writer import Writer


class NotedDesk:
    """A desk that carries nothing out: it notes what it was asked, or refuses. See `benchd.service.orders.Desk`."""

    def __init__(self) -> None:
        self.asked: list[tuple[object, ...]] = []
        self.refusal: Exception | None = None

    def _note(self, *asked: object) -> str:
        self.asked.append(asked)
        if self.refusal is not None:
            raise self.refusal
        return f"{asked[0]}: done"

    def queue(self, order: Order, who: str) -> Queued:
        says = self._note("queue", order, who)
        return Queued(run=7, mount=order.mount or 1, says=(says, "it starts at 22:00"))

    def repair(self, run: int, who: str) -> Queued:
        return Queued(run=run, mount=2, says=(self._note("repair", run, who),))

    def hold(self, who: str) -> str:
        return self._note("hold", who)

    def resume(self, run: int | None, who: str) -> str:
        return self._note("resume", run, who)

    def abort(self, run: int | None, who: str) -> str:
        return self._note("abort", run, who)

    def confirm(self, text: str, run: int | None, who: str) -> str:
        return self._note("confirm", text, run, who)

    def clear(self, who: str) -> str:
        return self._note("clear", who)

    def add_specimen(self, name: str, cooling: Cooling, note: str, who: str) -> SpecimenRow:
        self._note("add_specimen", name, cooling, note, who)
        return SpecimenRow(id=9, name=name, cooling=cooling, note=note)

    def add_mount(self, specimen: str, note: str, who: str) -> MountRow:
        self._note("add_mount", specimen, note, who)
        return MountRow(
            id=3, specimen_id=1, number=3, note=note, bench="simulated", mounted_utc=NOW, taken_off_utc=None
        )


@dataclass
class ServedApi:
    """The real API on a real socket, before a desk that only notes."""

    path: Path
    database: Path
    board: Board
    desk: NotedDesk
    inbox: Inbox[Desk]
    server: ApiServer
    at_desk: threading.Event
    """Cleared: nobody serves the inbox."""

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """What is asked through the client."""
        return Client(self.path).ask(method, path, body, 20)

    def raw(self, request: bytes) -> bytes:
        """All that comes back on one connection to these bytes."""
        with socket.socket(socket.AF_UNIX) as connection:
            connection.settimeout(20)
            connection.connect(str(self.path))
            with contextlib.suppress(BrokenPipeError):  # what is too long is refused before all of it is taken
                connection.sendall(request)
            came = b""
            with contextlib.suppress(ConnectionResetError):
                while piece := connection.recv(65536):
                    came += piece
            return came


#: What the clock of that bench shows.
NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


@pytest.fixture
def short_folder() -> Iterator[Path]:
    """A folder for sockets, which need shorter paths than those pytest makes."""
    with tempfile.TemporaryDirectory(prefix="benchd-") as folder:
        yield Path(folder)


@pytest.fixture
def api(short_folder: Path) -> Iterator[ServedApi]:
    """The API of a bench with one specimen in the books, mounted twice."""
    database = short_folder / "bench.db"
    with Writer.open(database, durable=False) as writer:
        specimen_id = writer.specimen("brook 2x140", "liquid", "a loop with two fans")
        for number in (1, 2):
            writer.stand(writer.plan_mount(specimen_id, number), "simulated", NOW)
    found = find_bench("simulated")
    loaded = load_bench(found.text, found.file)
    inbox: Inbox[Desk] = Inbox(1.0)
    board, desk, zone = Board(), NotedDesk(), ZoneInfo("Europe/Berlin")
    app = make_app(Desks(board, inbox, database, zone, lambda: NOW, lambda: loaded.bench))
    path = short_folder / "s" / "benchd.sock"
    at_desk, ends = threading.Event(), threading.Event()
    at_desk.set()

    def serve() -> None:
        while not ends.is_set():
            if inbox.wait(0.02) and at_desk.wait(0.02):
                inbox.serve(desk)

    thread = threading.Thread(target=serve)
    thread.start()
    with bind(path) as listening:
        server = ApiServer(app, listening)
        server.start()
        try:
            yield ServedApi(path, database, board, desk, inbox, server, at_desk)
        finally:
            server.stop()
            ends.set()
            thread.join()
