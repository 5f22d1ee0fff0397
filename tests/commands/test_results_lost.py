"""What `results` says of a run that is marked as running: whether an engine is at work on it."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from benchd.store.lock import is_held, lock_file
from benchd.store.writer import Writer

LOST = "  but no engine is at work on it: it was killed, or the machine stopped\n"


def begun(db: Path) -> bool:
    with closing(sqlite3.connect(f"{db.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        return bool(connection.execute("SELECT 1 FROM sample LIMIT 1").fetchone())


@pytest.fixture
def stopped(tmp_path: Path):
    """A replay in the middle of its run, stopped so that it neither goes on nor ends."""
    db = tmp_path / "x.db"
    command = [sys.executable, "-m", "benchd", "replay", "overnight", "--db", str(db), "--specimen", "brook 2x140"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as program:
        try:
            while not (db.exists() and begun(db)):
                assert program.poll() is None, program.stderr.read()
                time.sleep(0.01)
            program.send_signal(signal.SIGSTOP)
            yield program, db
        finally:
            program.kill()


def test_a_run_is_called_lost_only_once_its_engine_is_dead(benchd, stopped):
    program, db = stopped
    at_work = benchd("results", "--db", db)
    assert at_work.status == 0
    assert at_work.out.startswith("Run 1: brook 2x140, mount 1, simulated, protocol overnight: running after ")
    assert LOST not in at_work.out
    assert is_held(db)

    program.kill()  # SIGKILL: nothing can be tidied up, and the lock file stays
    program.wait(30)
    assert lock_file(db).exists()
    assert not is_held(db)
    lost = benchd("results", "--db", db)
    assert lost.out == at_work.out.replace("of bench time\n", f"of bench time\n{LOST}", 1)

    # Whoever opens it to write puts it right; until then the lock is someone else's, and it may be that run's engine.
    with Writer.open(db, durable=False):
        assert LOST not in benchd("results", "--db", db).out
    assert benchd("replay", "quick", "--db", db, "--specimen", "slate tower").status == 0
    told = benchd("results", 1, "--db", db)
    assert LOST not in told.out
    assert "overnight: waiting after " in told.out
    assert "\n  it is a rehearsal: play it again\n" in told.out


def test_a_finished_run_is_never_called_lost(benchd, night):
    assert LOST not in benchd("results", "--db", night).out
