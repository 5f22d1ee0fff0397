"""The server on a socket that is bound already: it answers when it says so, and ends whoever still reads."""

from __future__ import annotations

import logging
import os
import pwd
import socket
import time

import pytest

from benchd.service.client import Client
from benchd.service.server import who


def _hung_reader(path) -> socket.socket:
    """Asks for the live view and then reads nothing."""
    reader = socket.socket(socket.AF_UNIX)
    reader.connect(str(path))
    reader.sendall(b"GET /live?every_s=0.2 HTTP/1.1\r\nHost: benchd\r\n\r\n")
    return reader


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
        assert b" 400 " in api.raw(rubbish)
    api.board.publish({"events": []})
    assert api.ask("GET", "/status") == {"events": []}
