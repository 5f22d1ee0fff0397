"""What the service manager is told, by a socket as it listens on: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from benchd.service.notify import notify, watchdog_every_s


@pytest.fixture(params=["in the file system", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path_factory, monkeypatch) -> Iterator[socket.socket]:
    """The manager's end; NOTIFY_SOCKET names it."""
    if request.param == "abstract":
        named = f"@benchd-test-{os.getpid()}-{id(request)}"
        place = "\0" + named[1:]
    else:
        named = place = str(tmp_path_factory.mktemp("n") / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(place)
        listening.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", named)
        yield listening


def test_assignments_come_in_one_datagram(manager):
    notify("READY=1", "STATUS=bench wärm")
    notify("WATCHDOG=1")
    assert manager.recv(1000).decode() == "READY=1\nSTATUS=bench wärm"
    assert manager.recv(1000) == b"WATCHDOG=1"


def test_a_manager_that_does_not_read_is_not_waited_for(manager):
    # A queue of datagrams is short: net.unix.max_dgram_qlen, unix(7).
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as other, suppress(BlockingIOError):
        other.setblocking(False)
        while True:
            other.sendto(b"STATUS=much", manager.getsockname())
    begun_s = time.monotonic()
    notify("WATCHDOG=1")
    assert time.monotonic() - begun_s < 1
    assert manager.recv(1000) == b"STATUS=much"
    notify("READY=1")


def test_nobody_asked(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify("READY=1")


@pytest.mark.parametrize("place", ["/nowhere/at/all", "/" + "x" * 300, "@" + "x" * 300, "relative"])
def test_a_place_where_nobody_listens_is_no_trouble(monkeypatch, tmp_path: Path, place: str):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NOTIFY_SOCKET", place)
    notify("READY=1")


@pytest.mark.parametrize(
    ("limit", "process", "every_s"),
    [
        ("10000000", None, 5.0),
        ("10000000", "us", 5.0),
        ("10000000", "1", None),
        ("0", None, None),
        ("", None, None),
        ("soon", None, None),
        ("-5", None, None),
        ("²", None, None),
    ],
)
def test_the_watchdog_is_told_twice_in_its_time(monkeypatch, limit, process, every_s):
    monkeypatch.setenv("WATCHDOG_USEC", limit)
    if process is None:
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
    else:
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if process == "us" else process)
    assert watchdog_every_s() == every_s


def test_no_watchdog(monkeypatch):
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    assert watchdog_every_s() is None
