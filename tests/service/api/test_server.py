"""The server on a socket that is bound already: it answers when it says so, and ends whoever still reads."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import pwd
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest

from benchd.service.client import Client
from benchd.service.server import MOST_CONNECTIONS, who


def _hung_reader(path) -> socket.socket:
    """Asks for the live view and then reads nothing."""
    reader = socket.socket(socket.AF_UNIX)
    reader.connect(str(path))
    reader.sendall(b"GET /live?every_s=0.2 HTTP/1.1\r\nHost: benchd\r\n\r\n")
    return reader


def _answer(connection: socket.socket) -> bytes:
    """One answer with JSON, head and body."""
    answer = b""
    while not answer.endswith(b"}") and (piece := connection.recv(10_000)):
        answer += piece
    return answer


def test_it_ends_within_two_seconds_whoever_still_reads(api):
    api.board.publish({"events": [], "padding": "x" * 2_000_000})
    live = Client(api.path).live(0.2)
    assert next(live)[0] == "status"
    with _hung_reader(api.path), socket.socket(socket.AF_UNIX) as silent:
        silent.connect(str(api.path))
        time.sleep(0.3)  # the one that hangs is sent more than the kernel takes
        begun_s = time.monotonic()
        api.server.stop()
        assert time.monotonic() - begun_s < 2
        assert not api.server.is_serving
    assert list(live) == []


def test_a_reader_that_hangs_holds_up_nobody(api):
    hung = [_hung_reader(api.path) for _ in range(60)]  # more than there are threads in the pool
    for number in range(20):
        api.board.publish({"events": [], "number": number, "padding": "x" * 300_000})
        begun_s = time.monotonic()
        assert api.ask("GET", "/status")["number"] == number
        assert api.ask("POST", "/hold")["says"]
        assert time.monotonic() - begun_s < 1
    for reader in hung:
        reader.close()


def test_no_number_of_connections_takes_the_engines_descriptors_or_keeps_anybody_out(api):
    """A hundred stay; the oldest is hung up on, and the newest is served."""
    api.board.publish({"events": [], "n": 1})
    with contextlib.ExitStack() as stack:
        wild = []
        for _ in range(3 * MOST_CONNECTIONS):
            one = stack.enter_context(socket.socket(socket.AF_UNIX))
            one.connect(str(api.path))
            wild.append(one)
        assert api.ask("POST", "/hold")["says"]
        assert len(_open_sockets(api.path)) <= MOST_CONNECTIONS + 1  # and the one that listens
        wild[0].settimeout(5)
        assert wild[0].recv(1) == b""
        wild[-1].settimeout(5)
        wild[-1].sendall(b"GET /status HTTP/1.1\r\nHost: b\r\n\r\n")
        assert b'"n":1' in _answer(wild[-1])
    due_s = time.monotonic() + 5
    while len(_open_sockets(api.path)) > 1:
        assert time.monotonic() < due_s, "connections that were hung up stay open"
        time.sleep(0.01)


def test_who_waits_for_what_comes_of_an_order_is_not_hung_up_on(api):
    api.at_desk.clear()
    answers = []
    asks = threading.Thread(target=lambda: answers.append(api.ask("POST", "/hold")))
    asks.start()
    while not api.inbox.wait(0.01):
        assert asks.is_alive()
    with contextlib.ExitStack() as stack:
        for _ in range(2 * MOST_CONNECTIONS):
            stack.enter_context(socket.socket(socket.AF_UNIX)).connect(str(api.path))
        api.at_desk.set()
        asks.join(10)
    assert answers == [{"says": "hold: done"}]


def _open_sockets(path) -> list[str]:
    """The sockets of this process at that path, the server's side: proc(5), /proc/net/unix."""
    ours = set()
    for one in os.scandir("/proc/self/fd"):
        with suppress(FileNotFoundError):  # closed while we look, by a thread or as the listing's own
            ours.add(os.readlink(one.path))
    rows = [line.split() for line in Path("/proc/net/unix").read_text().splitlines()]
    return [row[6] for row in rows if row[-1] == str(path) and f"socket:[{row[6]}]" in ours]


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become somebody else")
def test_a_user_who_floods_it_hangs_up_on_themselves(api):
    os.chmod(api.path.parent, 0o755)
    os.chmod(api.path.parent.parent, 0o755)
    os.chmod(api.path, 0o666)
    api.board.publish({"events": [], "n": 1})
    live = Client(api.path).live(0.2)
    assert next(live)[1]["n"] == 1
    flood = (
        "import os, socket, sys; os.setuid(65534); there = [socket.socket(socket.AF_UNIX) for _ in range(300)]\n"
        "for one in there: one.connect(sys.argv[1])\n"
        "print('there', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", flood, str(api.path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as flooding:
        assert flooding.stdout.readline() == b"there\n"
        api.board.publish({"events": [], "n": 2})
        assert next(live)[1]["n"] == 2
        flooding.stdin.close()
    live.close()


def test_who_asks_is_known_by_the_kernel(api):
    me = pwd.getpwuid(os.getuid()).pw_name
    api.ask("POST", "/hold")
    assert api.desk.asked == [("hold", f"{me} ({os.getuid()})")]


@pytest.fixture
def trusting_environment(monkeypatch):
    monkeypatch.setenv("FORWARDED_ALLOW_IPS", "*")


@pytest.mark.usefixtures("trusting_environment")
def test_no_header_makes_it_somebody_else(api):
    head = b"POST /hold HTTP/1.1\r\nHost: benchd\r\nX-Forwarded-For: 4242\r\nConnection: close\r\n\r\n"
    assert b" 200 " in api.raw(head)
    assert f"({os.getuid()})" in api.desk.asked[0][1]


def test_a_user_without_a_name_is_a_number():
    assert who("3999999999") == "uid 3999999999"
    assert who("0") == f"{pwd.getpwuid(0).pw_name} (0)"


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become somebody else")
def test_another_user_is_told_apart(api):
    os.chmod(api.path.parent, 0o755)
    os.chmod(api.path.parent.parent, 0o755)
    os.chmod(api.path, 0o666)
    nobody = pwd.getpwnam("nobody").pw_uid
    if (child := os.fork()) == 0:
        os.setuid(nobody)
        with socket.socket(socket.AF_UNIX) as connection:
            connection.connect(str(api.path))
            connection.sendall(b"POST /hold HTTP/1.1\r\nHost: benchd\r\nConnection: close\r\n\r\n")
            connection.recv(1000)
        os._exit(0)
    os.waitpid(child, 0)
    assert api.desk.asked == [("hold", f"nobody ({nobody})")]


@pytest.mark.parametrize("rubbish", [b"\x00\xff\r\n\r\n", b"GET " + b"a" * 100_000])
def test_what_is_no_http_is_refused_and_others_are_served(api, rubbish, caplog):
    with caplog.at_level(logging.CRITICAL, "uvicorn.error"):
        head, _, body = api.raw(rubbish).partition(b"\r\n\r\n")
    assert b" 400 " in head
    assert set(json.loads(body)) == {"message", "hint"}
    api.board.publish({"events": []})
    assert api.ask("GET", "/status") == {"events": []}


def test_rubbish_behind_a_request_that_is_answered_ends_the_connection_only(api, caplog):
    """Nothing is read of a body behind an unknown way: what follows the answer there cannot be answered again."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(5)
        connection.connect(str(api.path))
        connection.sendall(b"POST /nowhere HTTP/1.1\r\nHost: b\r\nTransfer-Encoding: chunked\r\n\r\n")
        assert b" 404 " in _answer(connection)
        connection.sendall(b"rubbish\r\n\r\n")
        with contextlib.suppress(ConnectionResetError):
            assert connection.recv(10_000) == b""
    assert [record for record in caplog.records if record.levelno >= logging.ERROR] == []
