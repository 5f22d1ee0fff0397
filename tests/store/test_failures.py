"""A night that ends badly: killed, out of room, locked out. What was committed is there, and the file is sound."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.errors import StoreError
from benchd.running.states import Ending, Quality, RunState
from benchd.running.steps.base import Finding
from benchd.store import connect, queries
from benchd.store.records import PointRecord
from benchd.store.writer import Writer

BEGIN = """
import resource, sys, time
from datetime import UTC, datetime
from benchd.errors import StoreError
from benchd.store.records import ChannelRow, NewRun
from benchd.store.writer import Writer

def begin(path):
    writer = Writer.open(path, durable=True)
    run = NewRun(mount_id=writer.mount(writer.specimen("brook 2x140", "liquid")), protocol="night",
                 protocol_text="", bench="garden", bench_text="", versions={}, seed=1, simulated=True,
                 queued_utc=datetime.now(UTC))
    run_id = writer.new_run(run)
    rows = [ChannelRow(name=f"at_{n}_c", unit="degC", instrument="probe") for n in range(3)]
    channels = writer.add_channels(run_id, rows)
    return writer, writer.begin_step(run_id, "soak.1", 1, 1, "soak", "{}", 0), list(channels.values())

def tick(writer, step_id, channels, t_ms):
    writer.record(step_id, t_ms, [(channel, 40.0, 0) for channel in channels])
"""


def _child(script: str, path: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", BEGIN + textwrap.dedent(script), str(path)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def _said(script: str, path: Path) -> str:
    with _child(script, path) as child:
        said, _ = child.communicate(timeout=60)
    assert child.returncode == 0, said
    return said


def _ticks(path: Path) -> list[tuple[int, int]]:
    """Each tick's time and number of samples, from a sound file."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        return connection.execute("SELECT t_ms, count(*) FROM sample GROUP BY t_ms ORDER BY t_ms").fetchall()


def test_a_killed_writer_leaves_its_last_committed_tick(path: Path) -> None:
    script = """
        writer, step_id, channels = begin(sys.argv[1])
        for second in range(10**6):
            tick(writer, step_id, channels, second * 1000)
            writer.commit()
            print(second * 1000, flush=True)
    """
    with _child(script, path) as child:
        assert child.stdout is not None
        told = [int(child.stdout.readline()) for _ in range(50)]
        child.kill()
        told += [int(line) for line in child.stdout if line.endswith("\n")]
    found = _ticks(path)
    # The kill may fall between a commit and the line that tells of it.
    assert [t_ms for t_ms, _ in found][: len(told)] == told
    assert len(found) <= len(told) + 1
    assert {count for _, count in found} == {3}
    with Writer.open(path, durable=True) as writer:
        writer.end_step(1, found[-1][0], Ending.LOST, "found without a living engine")


def test_a_tick_that_was_not_committed_is_not_there(path: Path) -> None:
    script = """
        writer, step_id, channels = begin(sys.argv[1])
        tick(writer, step_id, channels, 0)
        writer.commit()
        tick(writer, step_id, channels, 1000)
        print("done", flush=True)
        time.sleep(60)
    """
    with _child(script, path) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "done\n"
        child.kill()
    assert _ticks(path) == [(0, 3)]


def test_no_room_for_samples_is_told_plainly_and_the_file_stays_sound(path: Path) -> None:
    said = _said(
        """
        writer, step_id, channels = begin(sys.argv[1])
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))
        committed = 0
        try:
            for second in range(100_000):
                tick(writer, step_id, channels, second * 1000)
                if second % 60 == 59:
                    writer.commit()
                    committed = second + 1
        except StoreError as error:
            print(error)
        writer.close()
        writer.close()
        print(committed)
        """,
        path,
    )
    told, hint, committed = said.splitlines()
    assert told.startswith(f"{path}: cannot record 180 samples: no file may grow beyond 300000 bytes")
    assert "ulimit -f" in hint
    assert 60 < int(committed) < 99_000
    assert [t_ms for t_ms, _ in _ticks(path)] == [second * 1000 for second in range(int(committed))]
    assert not [name for name in os.listdir(path.parent) if name.endswith((".lock", ".new"))]


def test_after_room_was_made_the_same_writer_goes_on(path: Path) -> None:
    said = _said(
        """
        writer, step_id, channels = begin(sys.argv[1])
        resource.setrlimit(resource.RLIMIT_FSIZE, (writer.path.stat().st_size, resource.RLIM_INFINITY))
        try:
            for second in range(100_000):
                tick(writer, step_id, channels, second * 1000)
                writer.commit()
        except StoreError:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            print(second * 1000)
        tick(writer, step_id, channels, second * 1000)
        writer.close()
        """,
        path,
    )
    assert _ticks(path)[-1] == (int(said), 3)


def test_a_database_that_could_not_be_completed_is_not_there(path: Path) -> None:
    said = _said(
        """
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
        try:
            Writer.open(sys.argv[1], durable=True)
        except StoreError as error:
            print(error)
        """,
        path,
    )
    assert "cannot make the database: no file may grow beyond 20000 bytes" in said
    assert os.listdir(path.parent) == []


def test_what_a_killed_maker_left_is_swept_up(path: Path) -> None:
    path.with_name("bench.db.new").write_bytes(b"half of something")
    Writer.open(path, durable=False).close()
    assert os.listdir(path.parent) == [path.name]


def test_a_full_disk_is_told_by_name(path: Path) -> None:
    """The limit on the number of pages is what makes SQLite answer as on a full disk (its result code SQLITE_FULL)."""
    with closing(sqlite3.connect(path.with_name("tiny.db"))) as tiny:
        tiny.execute("PRAGMA max_page_count = 2")
        with pytest.raises(sqlite3.OperationalError) as full:
            tiny.executescript("CREATE TABLE a (b); CREATE TABLE c (d)")
    told = connect.store_error(path, "record 12 samples", full.value)
    assert told.message == f"{path}: cannot record 12 samples: the disk is full"
    assert f"MiB are free where {path.parent} lies" in told.hint


def test_a_foreign_lock_is_waited_for_and_then_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connect, "BUSY_S", 0.05)
    with Writer.open(path, durable=False) as writer:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError, match="cannot enter specimen 'brook 2x140': another program holds its lock"):
                writer.specimen("brook 2x140", "liquid")
        assert writer.specimen("brook 2x140", "liquid") == 1


def test_a_writer_that_has_read_waits_for_a_foreign_lock_too(path: Path) -> None:
    """A transaction that had begun by reading would be refused at once: https://www.sqlite.org/rescode.html#busy."""
    with Writer.open(path, durable=False) as writer:
        writer.specimen("slate tower", "air")
        with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as other:
            other.execute("BEGIN IMMEDIATE")
            other.execute("UPDATE specimen SET note = 'cleaned'")
            soon = threading.Timer(0.3, other.execute, ["COMMIT"])
            soon.start()
            # Looks whether the specimen is in the books before it enters it.
            assert writer.specimen("brook 2x140", "liquid") == 2
            soon.join()
        with queries.reader(path) as connection:
            assert [specimen.note for specimen in queries.specimens(connection)] == ["", "cleaned"]


@pytest.mark.parametrize(("durable", "level"), [(True, 2), (False, 1)])
def test_only_a_real_bench_waits_for_the_disk_at_each_commit(path: Path, durable: bool, level: int) -> None:
    """Only FULL outlives a loss of supply: https://www.sqlite.org/pragma.html#pragma_synchronous, NORMAL 1, FULL 2."""
    with Writer.open(path, durable=durable) as writer, writer.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == level
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_a_commit_that_fails_loses_its_samples_and_nothing_else(begun) -> None:
    begun.tick(0)
    begun.writer.commit()
    begun.tick(0)
    with pytest.raises(StoreError, match="cannot record 3 samples: UNIQUE constraint failed"):
        begun.writer.commit()
    begun.tick(1000)
    begun.writer.close()
    assert _ticks(begun.path) == [(0, 3), (1000, 3)]


def test_closing_does_not_hide_the_first_trouble(begun) -> None:
    begun.tick(0)
    begun.tick(0)
    with pytest.raises(RuntimeError, match="the pump is on fire"), begun.writer:
        raise RuntimeError("the pump is on fire")
    Writer.open(begun.path, durable=False).close()
    assert _ticks(begun.path) == []


def test_closing_tells_of_samples_that_are_lost_by_it(begun) -> None:
    begun.tick(0)
    begun.tick(0)
    with pytest.raises(StoreError, match="cannot record 6 samples"):
        begun.writer.close()
    Writer.open(begun.path, durable=False).close()


def test_a_step_ends_wholly_or_not_at_all(begun) -> None:
    good = PointRecord(heat_set_w=200.0, quality=Quality.GOOD)
    begun.writer.add_point(begun.run_id, "soak.2", good)
    begun.tick(0)
    begun.writer.commit()
    step_id = begun.writer.begin_step(begun.run_id, "soak.2", 1, 1, "soak", "{}", 1000)
    begun.writer.end_step(step_id, 2000, Ending.SETTLED, "", point=good)
    again = begun.writer.begin_step(begun.run_id, "soak.2", 1, 2, "soak", "{}", 2000)
    begun.writer.record(again, 2000, [(begun.channels["die_c"], 50.0, 0)])
    with pytest.raises(StoreError, match=r"cannot end step 3: UNIQUE constraint failed: point.run_id, point.stage"):
        begun.writer.end_step(again, 3000, Ending.DONE, "", [Finding("rise_k", 30.0, "K")], good)
    with queries.reader(begun.path) as connection:
        assert queries.steps(connection, begun.run_id)[-1].ending is None
        assert queries.findings(connection, begun.run_id) == []
        assert queries.sample_count(connection, begun.run_id) == 3
        assert len(queries.points(connection, [begun.run_id])) == 1
    begun.writer.end_step(again, 3000, Ending.DONE, "")


def test_a_point_is_never_there_without_the_samples_that_it_was_read_from(begun) -> None:
    """Whoever looks from outside sees what a kill at this moment would leave."""
    good = PointRecord(heat_set_w=200.0, quality=Quality.GOOD)
    begun.tick(0)
    begun.tick(1000)
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "", [Finding("rise_k", 30.0, "K")], good)
    assert _ticks(begun.path) == [(0, 3), (1000, 3)]
    with queries.reader(begun.path) as connection:
        assert [point.heat_set_w for point in queries.points(connection, [begun.run_id])] == [200.0]


def test_a_step_whose_samples_cannot_be_written_has_not_ended(begun) -> None:
    begun.tick(0)
    begun.writer.commit()
    begun.tick(0)
    with pytest.raises(StoreError, match="cannot end step 1: UNIQUE constraint failed: sample"):
        begun.writer.end_step(
            begun.step_id, 1000, Ending.SETTLED, "", point=PointRecord(heat_set_w=200.0, quality=Quality.GOOD)
        )
    with queries.reader(begun.path) as connection:
        assert queries.steps(connection, begun.run_id)[-1].ending is None
        assert queries.points(connection, [begun.run_id]) == []


def test_a_long_reader_neither_blocks_the_writer_nor_sees_its_work(begun) -> None:
    begun.tick(0)
    begun.writer.commit()
    with queries.reader(begun.path) as long:
        assert queries.sample_count(long, begun.run_id) == 3
        began = time.monotonic()
        for second in range(1, 200):
            begun.tick(second * 1000)
            begun.writer.commit()
        begun.writer.set_state(begun.run_id, RunState.ABORTED, datetime.now(UTC))
        begun.writer.close()
        assert time.monotonic() - began < 2
        assert queries.sample_count(long, begun.run_id) == 3
    with queries.reader(begun.path) as short:
        assert queries.sample_count(short, begun.run_id) == 600


def test_folding_the_log_gives_its_space_back(begun) -> None:
    for second in range(500):
        begun.tick(second * 1000)
    begun.writer.commit()
    assert connect.wal_bytes(begun.path) > 10_000
    begun.writer.fold_log()
    assert connect.wal_bytes(begun.path) == 0
    begun.tick(10**6)
    begun.writer.commit()
