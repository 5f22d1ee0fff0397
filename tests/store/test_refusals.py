"""What cannot be a database of ours is refused in plain words, and left as it was."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from benchd.errors import BenchdError, DatabaseRefused, NotFound, StoreError
from benchd.store import queries
from benchd.store.lock import lock_file
from benchd.store.writer import Writer

NOBODY = 65534


@contextmanager
def unprivileged() -> Iterator[None]:
    """As somebody whom permissions bind."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that everybody may reach, and that is made unwritable by the test."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        yield folder
        folder.chmod(0o777)


def _rubbish(path: Path) -> None:
    path.write_bytes(b"PNG, or a letter, but no database" * 50)


def _empty(path: Path) -> None:
    path.touch()


def _folder(path: Path) -> None:
    path.mkdir()


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _of_another_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE sample (step_id, t_ms, channel_id, value, flag)")


def _ours_by_number_only(path: Path) -> None:
    _of_another_program(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA application_id = 0x62636864")


def _damaged(path: Path) -> None:
    Writer.open(path, durable=False).close()
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + b"\xff" * (len(whole) - 100))


def _to_write(path: Path) -> None:
    Writer.open(path, durable=False).close()


def _to_read(path: Path) -> None:
    with queries.reader(path) as connection:
        queries.runs(connection)


@pytest.mark.parametrize("use", [_to_write, _to_read])
@pytest.mark.parametrize(
    ("make", "words"),
    [
        (_rubbish, "is not a database"),
        (_empty, "is an empty file"),
        (_folder, "is a folder"),
        (_pipe, "is not a regular file"),
        (_of_another_program, "is a database of another program"),
        (_ours_by_number_only, "has not got the tables of benchd"),
        (_damaged, "cannot be read: database disk image is malformed"),
    ],
)
def test_what_is_not_ours_is_refused_and_left_alone(path: Path, make, words: str, use) -> None:
    make(path)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(DatabaseRefused, match=words) as refused:
        use(path)
    assert str(path) in refused.value.message
    assert refused.value.hint
    assert (path.read_bytes() if path.is_file() else None) == before
    assert not lock_file(path).exists()


def test_a_reader_of_nothing_is_told_so(path: Path) -> None:
    with pytest.raises(NotFound, match=r"there is no database .*bench.db"):
        _to_read(path)


@pytest.mark.parametrize(
    ("place", "words"), [("no/such/bench.db", "there is no folder"), ("a_file/bench.db", "is not a folder")]
)
def test_a_database_needs_a_folder(tmp_path: Path, place: str, words: str) -> None:
    (tmp_path / "a_file").touch()
    with pytest.raises(StoreError, match=words) as failed:
        _to_write(tmp_path / place)
    assert str(tmp_path / place) in failed.value.message
    assert "--db" in failed.value.hint


def test_a_folder_that_may_not_be_written_is_named(folder: Path) -> None:
    folder.chmod(0o555)
    with unprivileged(), pytest.raises(StoreError, match="Permission denied") as failed:
        _to_write(folder / "bench.db")
    assert str(folder) in failed.value.hint
    assert os.listdir(folder) == []


def test_a_database_that_may_not_be_read_is_refused(folder: Path) -> None:
    _to_write(folder / "bench.db")
    (folder / "bench.db").chmod(0)
    with unprivileged(), pytest.raises(DatabaseRefused, match="Permission denied"):
        _to_read(folder / "bench.db")


def test_a_database_is_read_where_nothing_may_be_written(folder: Path) -> None:
    path = folder / "bench.db"
    with Writer.open(path, durable=False) as writer:
        writer.specimen("brook 2x140", "liquid")
    folder.chmod(0o555)
    with unprivileged(), queries.reader(path) as connection:
        assert [row.name for row in queries.specimens(connection)] == ["brook 2x140"]


def test_a_log_that_cannot_be_read_is_not_passed_over(folder: Path) -> None:
    path = folder / "bench.db"
    with Writer.open(path, durable=False) as writer:
        writer.specimen("brook 2x140", "liquid")
        for suffix in ("", "-wal"):
            (folder / f"copy.db{suffix}").write_bytes((folder / f"bench.db{suffix}").read_bytes())
    folder.chmod(0o555)
    with unprivileged(), pytest.raises(DatabaseRefused, match=r"part of it lies in copy.db-wal"):
        _to_read(folder / "copy.db")


def test_a_refusal_is_one_of_ours_and_says_what_to_do(path: Path) -> None:
    _rubbish(path)
    with pytest.raises(BenchdError) as refused:
        _to_write(path)
    assert refused.value.exit_code == 2
    assert "--db" in refused.value.hint


def test_a_reader_cannot_write(begun) -> None:
    with pytest.raises(DatabaseRefused, match="readonly"), queries.reader(begun.path) as connection:
        connection.exec_driver_sql("DELETE FROM run")


def test_a_path_with_signs_of_an_address_is_only_a_path(tmp_path: Path) -> None:
    path = tmp_path / "night?mode=memory#1 %20.db"
    with Writer.open(path, durable=False) as writer:
        writer.specimen("brook 2x140", "liquid")
    assert path.is_file()
    _to_read(path)
