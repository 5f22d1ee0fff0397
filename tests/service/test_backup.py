"""Copies of a real database: whole while it is being written, the newest few kept, nothing foreign touched."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
import threading
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest

from benchd.errors import StoreError
from benchd.service.backup import back_up, copies
from benchd.store.writer import Writer

TODAY = date(2026, 11, 25)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "backups"


def written(path: Path, name: str) -> None:
    with Writer.open(path, durable=False) as writer:
        writer.specimen(name, "liquid")


def specimens(copy: Path) -> list[str]:
    """The specimens in a sound copy."""
    with closing(sqlite3.connect(f"file:{copy}?mode=ro&immutable=1", uri=True)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return [name for (name,) in connection.execute("SELECT name FROM specimen ORDER BY id")]


def test_a_copy_is_one_whole_file_of_that_day(path, folder):
    written(path, "brook 2x140")
    copy = back_up(path, folder, TODAY)
    assert copy == folder / "bench-2026-11-25.db"
    assert os.listdir(folder) == ["bench-2026-11-25.db"]
    assert specimens(copy) == ["brook 2x140"]


def test_a_copy_can_be_served_in_place_of_the_lost_one(path, folder):
    written(path, "brook 2x140")
    copy = back_up(path, folder, TODAY)
    assert copy is not None
    written(copy, "slate tower")
    assert specimens(copy) == ["brook 2x140", "slate tower"]


def test_what_stands_in_the_log_beside_the_file_is_in_the_copy(path, folder):
    with Writer.open(path, durable=True) as writer:
        writer.specimen("brook 2x140", "liquid")
        assert Path(f"{path}-wal").stat().st_size > 0
        copy = back_up(path, folder, TODAY)
        assert copy is not None
        assert specimens(copy) == ["brook 2x140"]
        writer.specimen("slate tower", "air")


def test_a_database_that_is_being_written_is_copied_whole_and_its_writer_never_waits(path, folder):
    written(path, "slate 0")
    stop, wrote = threading.Event(), threading.Event()
    failed: list[Exception] = []

    def write() -> None:
        try:
            with Writer.open(path, durable=False) as writer:
                for number in range(1, 100_000):
                    writer.specimen(f"slate {number}", "air")
                    wrote.set()
                    if stop.is_set():
                        return
        except Exception as error:  # noqa: BLE001 - told by the test
            failed.append(error)

    writing = threading.Thread(target=write)
    writing.start()
    try:
        made = []
        for day in range(10):
            wrote.clear()
            assert wrote.wait(30)
            made.append(back_up(path, folder, TODAY + timedelta(days=day)))
    finally:
        stop.set()
        writing.join()
    assert not failed
    # Two writes within one step of the file system's clock bear the same time, and the second makes no new copy.
    kept = [copy for copy in made if copy is not None][-7:]
    assert len(kept) > 1
    counts = []
    for copy in kept:
        names = specimens(copy)
        assert names == [f"slate {number}" for number in range(len(names))]
        counts.append(len(names))
    assert counts == sorted(counts)


def test_the_newest_seven_are_kept(path, folder):
    for day in range(10):
        written(path, f"slate {day}")
        assert back_up(path, folder, TODAY + timedelta(days=day)) is not None
    assert [copy.name for copy in copies(path, folder)] == [
        *(f"bench-2026-11-{day}.db" for day in range(28, 31)),
        *(f"bench-2026-12-0{day}.db" for day in range(1, 5)),
    ]
    assert specimens(folder / "bench-2026-12-04.db") == [f"slate {day}" for day in range(10)]


def test_how_many_are_kept_can_be_said(path, folder):
    for day in range(4):
        written(path, f"slate {day}")
        back_up(path, folder, TODAY + timedelta(days=day), keep=2)
    assert [copy.name for copy in copies(path, folder)] == ["bench-2026-11-27.db", "bench-2026-11-28.db"]


def test_foreign_files_are_left_alone(path, folder):
    folder.mkdir()
    foreign = {
        "rehearsal-2026-11-01.db",
        "bench-2026-11-01.db.gz",
        "bench-before.db",
        "my bench-2026-11-01.db",
        "bench2-2026-11-01.db",
        "notes.txt",
    }
    for name in foreign:
        (folder / name).write_text("not ours")
    for day in range(9):
        written(path, f"slate {day}")
        back_up(path, folder, TODAY + timedelta(days=day))
    there = set(os.listdir(folder))
    assert foreign <= there
    assert len(there - foreign) == 7
    assert {(folder / name).read_text() for name in foreign} == {"not ours"}


def test_a_folder_that_has_the_name_of_a_copy_is_no_copy(path, folder):
    (folder / "bench-2026-11-01.db").mkdir(parents=True)
    for day in range(3):
        written(path, f"slate {day}")
        assert back_up(path, folder, TODAY + timedelta(days=day), keep=2) is not None
    assert (folder / "bench-2026-11-01.db").is_dir()


def test_nothing_new_needs_no_copy(path, folder):
    written(path, "brook 2x140")
    assert back_up(path, folder, TODAY) is not None
    assert back_up(path, folder, TODAY) is None
    assert back_up(path, folder, TODAY + timedelta(days=1)) is None
    written(path, "slate tower")
    assert back_up(path, folder, TODAY + timedelta(days=1)) is not None
    assert len(copies(path, folder)) == 2


def test_what_was_written_while_a_copy_was_made_is_in_the_next(path, folder):
    """A copy is as old as what it holds, not as young as its own making."""
    written(path, "brook 2x140")
    before_ns = path.stat().st_mtime_ns
    first = back_up(path, folder, TODAY)
    assert first is not None
    assert first.stat().st_mtime_ns == before_ns


def test_a_second_one_on_the_same_day_takes_the_place_of_the_first(path, folder):
    written(path, "brook 2x140")
    first = back_up(path, folder, TODAY)
    written(path, "slate tower")
    assert back_up(path, folder, TODAY) == first
    assert first is not None
    assert specimens(first) == ["brook 2x140", "slate tower"]
    assert os.listdir(folder) == [first.name]


def test_half_a_copy_of_a_killed_process_is_swept_up(path, folder):
    written(path, "brook 2x140")
    folder.mkdir()
    for name in ("bench-2026-11-25.db.half", "bench-2026-11-24.db.half", "bench-2026-11-24.db.half-journal"):
        (folder / name).write_bytes(b"half of something")
    assert back_up(path, folder, TODAY) is not None
    assert os.listdir(folder) == ["bench-2026-11-25.db"]


def test_names_with_letters_that_mean_something_elsewhere(tmp_path):
    path = tmp_path / "my % bench [1]?#.db"
    written(path, "brook 2x140")
    copy = back_up(path, tmp_path / "the copies' folder", TODAY)
    assert copy is not None
    assert specimens(copy.rename(tmp_path / "plain.db")) == ["brook 2x140"]


def test_no_database_is_made_where_there_is_none(path, folder):
    with pytest.raises(StoreError, match="cannot back up"):
        back_up(path, folder, TODAY)
    assert not path.exists()
    assert not folder.exists() or os.listdir(folder) == []


def test_what_is_no_database_is_told(path, folder):
    path.write_text("notes of the night " * 1000)
    with pytest.raises(StoreError, match="file is not a database"):
        back_up(path, folder, TODAY)
    assert os.listdir(folder) == []


def test_a_folder_that_cannot_be_made_is_told(path, tmp_path):
    written(path, "brook 2x140")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"cannot back up .*bench\.db: .*file/backups is not a folder"):
        back_up(path, tmp_path / "file" / "backups", TODAY)


def test_a_full_disk_is_told_and_the_older_copies_stay(path, folder):
    """The limit on the size of a file stands for the full disk, in a process of its own."""
    with Writer.open(path, durable=False) as writer:
        writer.specimen("brook 2x140", "liquid")
        first = back_up(path, folder, TODAY)
        for number in range(3000):
            writer.specimen(f"slate {number} {'x' * 100}", "air")
    script = """
        import resource, sys
        from datetime import date
        from pathlib import Path
        from benchd.errors import StoreError
        from benchd.service.backup import back_up
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))
        try:
            back_up(Path(sys.argv[1]), Path(sys.argv[2]), date(2026, 11, 26))
        except StoreError as error:
            print(error)
    """
    ended = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), path, folder],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    told = f"{folder / 'bench-2026-11-26.db'}: cannot back up {path}: no file may grow beyond 100000 bytes here"
    assert ended.stdout.startswith(told)
    assert first is not None
    assert os.listdir(folder) == [first.name]
    assert specimens(first) == ["brook 2x140"]


def test_one_under_way_can_be_called_off(path, folder):
    with Writer.open(path, durable=False) as writer:
        for number in range(3000):
            writer.specimen(f"slate {number} {'x' * 100}", "air")
    with pytest.raises(StoreError, match="called off"):
        back_up(path, folder, TODAY, called_off=lambda: True)
    assert os.listdir(folder) == []
    assert back_up(path, folder, TODAY, called_off=lambda: False) is not None
