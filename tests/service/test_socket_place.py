"""Where the socket is, and how it is made."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from benchd.errors import BenchdError, InputError
from benchd.service.socket_place import bind, socket_path


@pytest.fixture
def folder():
    with tempfile.TemporaryDirectory(prefix="benchd-") as short:
        yield Path(short)


def test_the_nearest_word_wins(monkeypatch):
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert socket_path() == Path("/run/benchd/benchd.sock")
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    assert socket_path() == Path("/run/user/1000/benchd/benchd.sock")
    monkeypatch.setenv("BENCHD_SOCKET", "/tmp/one.sock")
    assert socket_path() == Path("/tmp/one.sock")
    assert socket_path(Path("/tmp/other.sock")) == Path("/tmp/other.sock")


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077, 0o777])
def test_folder_and_socket_are_for_owner_and_group_whatever_the_umask(folder, mask):
    before = os.umask(mask)
    try:
        path = folder / "made" / "b.sock"
        with bind(path):
            assert stat.S_IMODE(path.parent.stat().st_mode) == 0o750
            assert stat.S_IMODE(path.stat().st_mode) == 0o660
            assert os.umask(mask) == mask
    finally:
        os.umask(before)


def test_a_socket_that_a_dead_daemon_left_is_taken_over(folder):
    path = folder / "b.sock"
    dies = "import sys; from pathlib import Path; from benchd.service.socket_place import bind; bind(Path(sys.argv[1]))"
    subprocess.run([sys.executable, "-c", dies, path], check=True)
    assert path.is_socket()
    with bind(path), socket.socket(socket.AF_UNIX) as asks:
        asks.connect(str(path))


def test_one_that_answers_is_left_alone(folder):
    path = folder / "b.sock"
    with bind(path):
        with pytest.raises(BenchdError, match="a daemon answers at"):
            bind(path)
        with socket.socket(socket.AF_UNIX) as asks:
            asks.connect(str(path))


def test_what_is_no_socket_is_left_alone(folder):
    path = folder / "b.sock"
    path.write_text("notes of the night")
    with pytest.raises(BenchdError, match="cannot make the socket"):
        bind(path)
    assert path.read_text() == "notes of the night"


def test_a_path_that_the_kernel_does_not_take_is_told_in_words(folder):
    longest = folder / ("x" * (107 - len(os.fsencode(folder)) - 1))
    with bind(longest):
        pass
    with pytest.raises(InputError, match="at most 107 bytes"):
        bind(Path(f"{longest}x"))
    # 54 letters of two bytes each.
    with pytest.raises(InputError, match="at most 107 bytes"):
        bind(Path("/" + "ä" * 54))


def test_a_folder_that_cannot_be_made_is_told(folder):
    (folder / "file").write_text("")
    with pytest.raises(BenchdError, match="cannot make the socket"):
        bind(folder / "file" / "b.sock")


def test_it_is_light():
    code = "import sys; import benchd.service.socket_place; print('fastapi' in sys.modules, 'asyncio' in sys.modules)"
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stdout.split() == ["False", "False"]
