"""A replay that is interrupted: by Ctrl-C, by the system, by a crash."""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest


def asked(db: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"{db.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def begun(db: Path) -> bool:
    """Whether samples of a run stand in the database."""
    return db.exists() and bool(asked(db, "SELECT 1 FROM sample LIMIT 1"))


@contextmanager
def playing(
    db: Path, *words: str, until: Callable[[Path], bool] = begun, protocol: str = "overnight"
) -> Iterator[subprocess.Popen[str]]:
    """A replay in the middle of its first run."""
    command = [sys.executable, "-m", "benchd", "replay", protocol, "--db", str(db), *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        try:
            while not until(db):
                assert program.poll() is None, program.stderr.read()
                time.sleep(0.01)
            yield program
        finally:
            program.kill()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_aborts_the_run_safely_and_at_once(tmp_path, number):
    db = tmp_path / "bench.db"
    with playing(db, "--json") as program:
        program.send_signal(number)
        sent_s = time.monotonic()
        out, err = program.communicate(timeout=30)
        took_s = time.monotonic() - sent_s
    assert program.returncode == 1
    assert took_s < 3
    assert err == "benchd: run 1 is aborted: aborted on request; brook 2x140 was not played\n"
    (run,) = json.loads(out)
    assert (run["run"], run["state"]) == (1, "aborted")
    assert asked(db, "SELECT id, state, ended_utc IS NULL FROM run") == [(1, "aborted", 0)]
    assert asked(db, "SELECT DISTINCT ending FROM step WHERE run_id = 1 ORDER BY id DESC LIMIT 1") == [("aborted",)]
    kinds = [kind for (kind,) in asked(db, "SELECT kind FROM event ORDER BY id")]
    assert kinds[-4:] == ["abort", "safe", "safe", "aborted"]
    assert asked(db, "SELECT what FROM event WHERE kind = 'safe'")[0] == ("load: heat_w 0: confirmed",)
    assert run["samples"] == asked(db, "SELECT count(*) FROM sample")[0][0]
    assert asked(db, "PRAGMA integrity_check") == [("ok",)]


def test_as_text_an_aborted_run_says_what_it_was_and_what_stands(tmp_path):
    db = tmp_path / "bench.db"
    with playing(db, "--specimen", "brook 2x120") as program:
        program.send_signal(signal.SIGINT)
        out, err = program.communicate(timeout=30)
    assert "Run 1: brook 2x120: aborted after " in out
    assert "  aborted on request\n" in out
    assert err == "benchd: run 1 is aborted: aborted on request\n"


def test_an_impatient_person_may_press_it_many_times(tmp_path):
    db = tmp_path / "bench.db"
    with playing(db, "--specimen", "brook 2x120") as program:
        for _ in range(20):
            program.send_signal(signal.SIGINT)
            time.sleep(0.001)
        _, err = program.communicate(timeout=30)
    assert program.returncode in (1, -signal.SIGINT), "the last one may meet a program that is leaving"
    assert "Traceback" not in err
    assert asked(db, "SELECT state FROM run") == [("aborted",)]
    assert asked(db, "PRAGMA integrity_check") == [("ok",)]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_during_a_check_ends_it_at_once_and_leaves_no_folder_behind(tmp_path, monkeypatch, number):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    command = [sys.executable, "-m", "benchd", "check", "overnight", "--bench", "simulated"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        while not any(begun(db) for db in tmp_path.glob("benchd-*/*.db")):
            assert program.poll() is None
            time.sleep(0.01)
        program.send_signal(number)
        sent_s = time.monotonic()
        out, err = program.communicate(timeout=30)
        assert time.monotonic() - sent_s < 3
    assert (program.returncode, out, err.strip()) == (1, "", "benchd: interrupted")
    assert list(tmp_path.iterdir()) == []


def test_after_a_crash_everything_committed_is_there_and_the_next_replay_works(benchd, tmp_path):
    db = tmp_path / "bench.db"
    with playing(db) as program:
        program.kill()
        program.communicate(timeout=30)
    samples = asked(db, "SELECT count(*) FROM sample")[0][0]
    assert samples > 0
    shown = benchd("results", 1, "--db", db)
    assert shown.status == 0
    assert shown.out.startswith("Run 1: brook 2x120, mount 1, simulated, protocol overnight: ")
    told = benchd("replay", "quick", "--db", db)
    assert told.status == 0
    assert "Run 2: brook 2x120: complete" in told.out
    # Found by the next start without its engine: it no longer says that it is running.
    assert asked(db, "SELECT state FROM run WHERE id = 1") == [("waiting",)]
    assert ("interrupted",) in asked(db, "SELECT kind FROM event WHERE run_id = 1")
    assert asked(db, "SELECT count(*) FROM step WHERE run_id = 1 AND ending IS NULL") == [(0,)]
    assert asked(db, "SELECT count(*) FROM sample JOIN step ON step.id = step_id WHERE run_id = 1") == [(samples,)]
    assert asked(db, "PRAGMA integrity_check") == [("ok",)]
    assert not Path(f"{db}.lock").exists()
