"""One writer at a time."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.errors import StoreError
from benchd.store.lock import Lock, is_held, lock_file
from benchd.store.writer import Writer

HOLD = """
import sys, time
from benchd.store.writer import Writer
writer = Writer.open(sys.argv[1], durable=False)
print("open", flush=True)
time.sleep(60)
"""


def _holder(path: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "open\n"
    return child


def test_a_second_writer_is_refused_and_told_who_has_it(path: Path) -> None:
    with _holder(path) as child:
        try:
            with pytest.raises(StoreError, match=f"written by process {child.pid}\n") as refused:
                Writer.open(path, durable=False)
            assert str(path) in refused.value.message
            assert refused.value.hint
        finally:
            child.kill()


def test_the_lock_of_a_killed_writer_is_free(path: Path) -> None:
    with _holder(path) as child:
        child.send_signal(signal.SIGKILL)
        child.wait(10)
        assert lock_file(path).read_text() == f"{child.pid}\n"
        with Writer.open(path, durable=False) as writer:
            assert lock_file(path).read_text() == f"{os.getpid()}\n"
            assert writer.specimen("brook 2x140", "liquid") == 1


def test_closing_gives_the_lock_back_and_leaves_one_file(path: Path) -> None:
    Writer.open(path, durable=False).close()
    assert os.listdir(path.parent) == [path.name]
    Writer.open(path, durable=False).close()


@pytest.mark.usefixtures("writer")
def test_two_names_of_one_file_share_its_lock(path: Path) -> None:
    other = path.with_name("link.db")
    other.symlink_to(path)
    with pytest.raises(StoreError, match="is being written"):
        Writer.open(other, durable=False)


def test_a_lock_is_given_back_once_and_takes_no_other_with_it(path: Path) -> None:
    first = Lock.take(path)
    lock_file(path).unlink()  # by hand: now a second one can be taken
    second = Lock.take(path)
    first.release()
    first.release()
    with pytest.raises(StoreError, match="is being written"):
        Lock.take(path)
    second.release()
    assert not lock_file(path).exists()


@pytest.mark.usefixtures("writer")
def test_the_refusal_is_one_line_and_a_hint(path: Path) -> None:
    with pytest.raises(StoreError) as refused:
        Writer.open(path, durable=False)
    assert re.fullmatch(r".+ is being written by process \d+\n  .+", str(refused.value))


def test_whether_it_is_held_can_be_seen_without_taking_it(path: Path) -> None:
    assert not is_held(path)
    with Writer.open(path, durable=False):
        assert is_held(path), "by this process"
    assert not is_held(path)
    with _holder(path) as child:
        try:
            assert is_held(path), "by another"
            assert lock_file(path).read_text() == f"{child.pid}\n"
        finally:
            child.kill()
    assert lock_file(path).exists()
    assert not is_held(path), "a file left behind locks nobody out"
    Writer.open(path, durable=False).close()
