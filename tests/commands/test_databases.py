"""Databases that are none, not ours, not to be written, locked, or on a disk that fills up."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from benchd.store.connect import BUSY_S

REPLAY = ("replay", "quick", "--specimen", "brook 2x120")
QUICK = 'protocol = "short"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n'


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def copied(night: Path, to: Path) -> Path:
    with opened(night) as source, opened(to) as target:
        source.backup(target)
    return to


def refused(path: Path, kind: str, night: Path) -> bytes:
    """Puts something that is no database of ours at the path, and gives its bytes."""
    match kind:
        case "empty":
            path.write_bytes(b"")
        case "text":
            path.write_text("what a fine cooler\n" * 100)
        case "rubbish":
            path.write_bytes(bytes(range(256)) * 64)
        case "head only":
            path.write_bytes(b"SQLite format 3\0")
        case "another program's":
            with opened(path) as connection:
                connection.execute("CREATE TABLE recipe (name TEXT)")
        case "newer":
            with opened(copied(night, path)) as connection:
                connection.execute("UPDATE alembic_version SET version_num = '9999'")
        case "cut off":
            copied(night, path)
            path.write_bytes(path.read_bytes()[:20_000])
    return path.read_bytes()


REFUSED = {
    "empty": "is an empty file, not a database of benchd",
    "text": "is not a database",
    "rubbish": "is not a database",
    "head only": "is a database of another program",
    "another program's": "is a database of another program",
    "newer": "was written by a newer benchd (its schema is 9999)",
    "cut off": "cannot be read: database disk image is malformed",
}


@pytest.mark.parametrize("command", [REPLAY, ("results",)])
@pytest.mark.parametrize("kind", REFUSED)
def test_a_file_that_is_not_ours_is_refused_and_left_alone(benchd, night, tmp_path, kind, command):
    path = tmp_path / "bench.db"
    before = refused(path, kind, night)
    told = benchd(*command, "--db", path)
    assert (told.status, told.out) == (2, "")
    assert f"benchd: {path} {REFUSED[kind]}" in told.err
    assert told.err.count("\n") == 2, "a reason, and a line that says what to do"
    assert path.read_bytes() == before
    # Whoever reads a file with a write-ahead log leaves an empty log and its index, as SQLite does.
    left = {left.name: left.stat().st_size for left in tmp_path.iterdir()}
    assert set(left) <= {"bench.db", "bench.db-wal", "bench.db-shm"}
    assert not left.get("bench.db-wal")


@pytest.mark.parametrize("command", [REPLAY, ("results",)])
def test_a_folder_is_not_a_database(benchd, tmp_path, command):
    told = benchd(*command, "--db", tmp_path)
    assert (told.status, told.out) == (2, "")
    assert told.err == f"benchd: {tmp_path} is a folder, not a database\n  give a file with --db\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("{tmp}/nowhere/bench.db", "there is no folder {tmp}/nowhere\n  make it first, or give another file"),
        ("{tmp}/file/bench.db", "{tmp}/file is not a folder\n  give another file with --db"),
        ("/proc/bench.db", "see who owns /proc, or give another file with --db"),
        ("/sys/bench.db", "see who owns /sys, or give another file with --db"),
        ("{tmp}/" + "x" * 300, "File name too long"),
    ],
)
def test_a_place_where_no_database_can_be_made(benchd, tmp_path, where, said):
    (tmp_path / "file").write_text("a file\n")
    told = benchd(*REPLAY, "--db", where.format(tmp=tmp_path))
    assert (told.status, told.out) == (1, "")
    assert said.format(tmp=tmp_path) in told.err
    assert [left.name for left in tmp_path.iterdir()] == ["file"]


def test_a_database_that_another_replay_writes_is_left_to_it_and_can_be_read(benchd, tmp_path):
    db = tmp_path / "bench.db"
    command = [sys.executable, "-m", "benchd", "replay", "overnight", "--db", str(db)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as other:
        try:
            while not db.exists():
                assert other.poll() is None
            told = benchd(*REPLAY, "--db", db)
            assert (told.status, told.out) == (1, "")
            assert f"{db} is being written by process {other.pid}\n" in told.err
            assert "wait until it is done" in told.err
            assert benchd("results", "--db", db).status in (0, 2)
            assert other.poll() is None
        finally:
            other.kill()


def test_a_lock_that_another_program_holds_is_waited_for_and_then_told(benchd, night, tmp_path, monkeypatch):
    db = copied(night, tmp_path / "bench.db")
    assert BUSY_S <= 10
    monkeypatch.setattr("benchd.store.connect.BUSY_S", 0.2)
    with opened(db) as other:
        other.execute("BEGIN IMMEDIATE")
        told = benchd(*REPLAY, "--db", db)
        other.execute("ROLLBACK")
    assert (told.status, told.out) == (1, "")
    assert f"benchd: {db}: cannot " in told.err
    assert "another program holds its lock\n  close programs that have the file open for writing" in told.err
    with opened(db) as connection:
        assert connection.execute("SELECT count(*) FROM run").fetchone() == (2,)
    assert benchd(*REPLAY, "--db", db).status == 0


LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
from benchd.cli import run
sys.exit(run(sys.argv[2:]))
"""


def on_a_full_disk(limit: int, *words: object) -> subprocess.CompletedProcess[str]:
    """A command in a process whose files may not grow beyond a limit [bytes]: what a full disk does, for one process.

    Python ignores the signal that goes with it, and so writes fail with EFBIG.
    """
    command = [sys.executable, "-c", LIMITED, str(limit), *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize("part", [0.0, 0.02, 0.1, 0.3, 0.6, 0.9, 0.99])
def test_a_disk_that_fills_up_is_told_and_leaves_a_whole_database(benchd, tmp_path, part, needed_bytes):
    db = tmp_path / "bench.db"
    told = on_a_full_disk(int(part * needed_bytes), *REPLAY, "--db", db)
    assert (told.returncode, told.stdout) == (1, "")
    assert told.stderr.startswith(f"benchd: {db}: cannot ")
    assert "Traceback" not in told.stderr
    assert "a fault in benchd" not in told.stderr
    assert "no file may grow beyond" in told.stderr or "File too large" in told.stderr
    left = {path.name for path in tmp_path.iterdir()}
    if not db.exists():
        assert not left
        return
    assert left <= {"bench.db", "bench.db-wal", "bench.db-shm"}
    with opened(db) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        runs = connection.execute("SELECT count(*) FROM run").fetchone()[0]
    assert benchd("results", "--db", db).status == (0 if runs else 2)
    assert benchd(*REPLAY, "--db", db).status == 0, "with room again it works again"


@pytest.fixture(scope="session")
def needed_bytes(tmp_path_factory: pytest.TempPathFactory) -> int:
    """The smallest limit of a file's size with which the replay of these tests ends well, to 10 %."""
    folder = tmp_path_factory.mktemp("room")
    low, high = 50_000, 5_000_000
    while high > 1.1 * low:
        limit = int((low * high) ** 0.5)
        ended_well = on_a_full_disk(limit, *REPLAY, "--db", folder / f"{limit}.db").returncode == 0
        low, high = (low, limit) if ended_well else (limit, high)
    return low
