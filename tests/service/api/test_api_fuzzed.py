"""A fuzzer reads /openapi.json and finds nothing: the real server, the real desk of a simulated bench, its real books.

Whatever is sent, the answer is one that is described, and never a fault.
"""

from __future__ import annotations

import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from requests.adapters import HTTPAdapter
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from urllib3.connection import HTTPConnection
from urllib3.connectionpool import HTTPConnectionPool

from benchd.bench_file import load_bench
from benchd.clock import PacedClock
from benchd.named_files import find_bench
from benchd.running.bench import OpenBench
from benchd.running.idle import IdleReader
from benchd.service.api import Desks, make_app
from benchd.service.api_status import StatusAnswer
from benchd.service.board import Board
from benchd.service.client import Client
from benchd.service.desk import BenchDesk
from benchd.service.inbox import Inbox
from benchd.service.orders import Desk
from benchd.service.server import ApiServer
from benchd.service.shift import Shift
from benchd.service.socket_place import bind
from benchd.service.status import StatusMaker, slow_part
from benchd.store.writer import Writer

#: All but /live, which never ends.
WAYS = [
    ("GET", "/status"),
    ("GET", "/runs"),
    ("GET", "/runs/{run}"),
    ("GET", "/specimens"),
    ("GET", "/mounts"),
    ("POST", "/queue"),
    ("POST", "/queue/repair"),
    ("POST", "/hold"),
    ("POST", "/resume"),
    ("POST", "/abort"),
    ("POST", "/confirm"),
    ("POST", "/clear"),
    ("POST", "/ready"),
    ("POST", "/specimens"),
    ("POST", "/mounts"),
]
#: A protocol that fits every bench.
REST = 'protocol = "rest"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n'
BODIES = [way for way in WAYS if way[0] == "POST"]
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


class _SocketAdapter(HTTPAdapter):
    """Sends what is meant for http://benchd to a socket."""

    def __init__(self, path: Path) -> None:
        super().__init__()

        class Connection(HTTPConnection):
            def connect(self) -> None:
                self.sock = socket.socket(socket.AF_UNIX)
                self.sock.settimeout(20)
                self.sock.connect(str(path))

        class Pool(HTTPConnectionPool):
            ConnectionCls = Connection

        self._pool = Pool("benchd")

    def get_connection_with_tls_context(self, *_args: object, **_options: object) -> HTTPConnectionPool:
        return self._pool

    def close(self) -> None:
        self._pool.close()
        super().close()


class _Bench(threading.Thread):
    """The thread that plays, of a daemon that plays nothing: desk, books and pictures of a simulated bench."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.board, self.inbox, self.database = Board(), Inbox[Desk](20.0), folder / "bench.db"
        found = find_bench("simulated")
        self.loaded = load_bench(found.text, found.file)
        self.clock, self.zone = PacedClock(600), ZoneInfo("Europe/Berlin")
        self.ready, self.ends = threading.Event(), threading.Event()

    def run(self) -> None:
        with Writer.open(self.database, durable=False) as writer:
            shift = Shift(self.loaded, OpenBench(self.loaded.bench), writer, self.clock, self.zone)
            desk, maker, reader = BenchDesk(shift), StatusMaker(shift, 600, self.clock.utc()), IdleReader(shift.bench)
            samples = reader.take(self.clock)
            while not self.ends.is_set():
                with writer.reading() as connection:
                    maker.slow = slow_part(connection, shift)
                self.board.publish(maker.idle(reader.read_s, samples))
                self.ready.set()
                if self.inbox.wait(0.2):
                    self.inbox.serve(desk)
            shift.bench.close()


@pytest.fixture(scope="module")
def served() -> Iterator[tuple[Path, requests.Session]]:
    """Where it listens, and a session of requests that asks there."""
    with tempfile.TemporaryDirectory(prefix="benchd-") as name:
        bench, path = _Bench(Path(name)), Path(name) / "s" / "b.sock"
        bench.start()
        assert bench.ready.wait(20)
        desks = Desks(bench.board, bench.inbox, bench.database, bench.zone, bench.clock.utc, lambda: bench.loaded.bench)
        with bind(path) as listening, requests.Session() as session:
            server = ApiServer(make_app(desks), listening)
            server.start()
            session.mount("http://benchd", _SocketAdapter(path))
            client = Client(path)
            client.post("/specimens", {"name": "brook 2x140", "cooling": "liquid"})
            client.post("/mounts", {"specimen": "brook 2x140"})
            client.post("/queue", {"protocol": {"name": "overnight"}, "specimen": "brook 2x140"})
            yield path, session
            server.stop()
        bench.ends.set()
        bench.join()


@pytest.fixture(scope="module")
def described(served: tuple[Path, requests.Session]) -> schemathesis.BaseSchema:
    schema = schemathesis.openapi.from_dict(Client(served[0]).get("/openapi.json"))
    schema.config.update(base_url="http://benchd")
    return schema


def test_nothing_that_is_described_is_left_out(described):
    ways = {(method.upper(), path) for path, methods in described.raw_schema["paths"].items() for method in methods}
    assert ways == {*WAYS, ("GET", "/live")}


#: What a person would send there: a fuzzer does not guess it, and goes on from it.
SENSIBLE = {
    "specimen": st.just("brook 2x140"),
    "name": st.sampled_from(["brook 2x140", "brook 1x120"]),
    "protocol": st.sampled_from([{"name": "overnight"}, {"text": REST}]),
    "at": st.none() | st.times().map(lambda time: f"{time:%H:%M}"),
    "quiet": st.none() | st.sampled_from(["22:00-06:00", "00:00-23:59"]),
    "note": st.text(st.characters(categories=["L", "P"]), max_size=20),
    "text": st.text(st.characters(categories=["L", "P"]), max_size=20),
    "run": st.integers(1, 8),
    "mount": st.none() | st.integers(1, 3),
    "cooling": st.sampled_from(["liquid", "air"]),
    "seed": st.integers(0, 2**63 - 1),
    "order": st.fixed_dictionaries({"specimen": st.just("brook 2x140"), "protocol": st.just({"text": REST})}),
}


@pytest.mark.parametrize(("method", "path"), WAYS)
def test_what_fits_the_description_is_answered_as_described(served, described, method, path):
    _fuzz(served, described[path][method], GenerationMode.POSITIVE, 20)


@pytest.mark.parametrize(("method", "path"), BODIES)
def test_what_does_not_fit_it_too(served, described, method, path):
    _fuzz(served, described[path][method], GenerationMode.NEGATIVE, 20)


@pytest.mark.parametrize(("method", "path"), BODIES)
def test_what_a_person_would_send_too(served, described, method, path):
    asked = _fuzz(served, described[path][method], GenerationMode.POSITIVE, 40, SENSIBLE)
    assert {200, 201, 409} & asked


def _fuzz(served, operation, mode, examples, sensible=None) -> set[int]:
    """Send what the fuzzer makes up, with some of it made sensible; the statuses that came back."""
    came = set()

    @settings(
        max_examples=examples, database=None, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck)
    )
    @given(case=operation.as_strategy(generation_mode=mode), data=st.data())
    def ask(case, data):
        if sensible and isinstance(case.body, dict):
            case.body = {key: data.draw(sensible[key]) if key in sensible else case.body[key] for key in case.body}
        came.add(case.call_and_validate(session=served[1], checks=CHECKS).status_code)

    ask()
    return came


def test_the_status_is_as_described(served):
    StatusAnswer.model_validate(Client(served[0]).get("/status"))
