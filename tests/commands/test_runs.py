"""`benchd runs`: the history and one page, with the daemon or without it."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing

import pytest


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """A database with one short rehearsal."""
    import subprocess
    import sys

    folder = tmp_path_factory.mktemp("runs")
    db = folder / "x.db"
    protocol = folder / "short.toml"
    protocol.write_text(
        'protocol = "short"\n[[steps]]\nkind = "background"\nfor_min = 1\n[[steps]]\nkind = "soak"\nheat_w = [60]\n'
        "fan_pct = [80]\npump_pct = 60\nread_min = 1\nequilibrium = { within_k = 5, at_most_min = 20 }\n"
    )
    command = [sys.executable, "-m", "benchd", "replay", str(protocol), "--db", str(db), "--specimen", "brook 2x140"]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    return db


def test_the_history_has_a_line_a_run(benchd, played):
    told = benchd("runs", "--db", played)
    assert told.status == 0
    assert "short, brook 2x140, mount 1" in told.out
    assert "of 1 good" in told.out
    assert all(len(line) <= 80 for line in told.out.splitlines())


def test_one_page_says_what_it_was_worth_and_what_is_next(benchd, played):
    told = benchd("runs", 1, "--db", played)
    lines = told.out.splitlines()
    assert lines[0] == "Run 1: short on brook 2x140, mount 1, simulated"
    assert "of 1 good" in lines[1]
    assert lines[-1] == f"Next: benchd results 1 --db {played}"
    assert any(line.strip().startswith("background: ") for line in lines)
    assert len(lines) <= 24


def test_what_is_next_goes_to_the_same_database_and_the_same_daemon(benchd, played, tmp_path, own_folders):
    named = tmp_path / "two words.db"
    named.write_bytes(played.read_bytes())
    assert benchd("runs", 1, "--db", named).out.splitlines()[-1] == f"Next: benchd results 1 --db '{named}'"
    usual = own_folders / "data" / "benchd" / "bench.db"
    usual.parent.mkdir(parents=True)
    usual.write_bytes(played.read_bytes())
    assert benchd("runs", 1, "--db", usual).out.splitlines()[-1] == "Next: benchd results 1"
    assert benchd("runs", 1).out.splitlines()[-1] == "Next: benchd results 1"
    with closing(sqlite3.connect(named)) as connection, connection:
        connection.execute("UPDATE run SET state = 'failed'")
    assert benchd("runs", 1, "--db", named).out.splitlines()[-1] == "Next: benchd resume 1"
    socket = tmp_path / "a.sock"
    told = benchd("runs", 1, "--db", named, "--socket", socket).out.splitlines()[-1]
    assert told == f"Next: benchd resume --socket {socket} 1"


def test_both_as_json(benchd, played):
    (listed,) = json.loads(benchd("runs", "--db", played, "--json").out)
    page = json.loads(benchd("runs", 1, "--db", played, "--json").out)
    assert listed["says"] == page["says"]
    assert page["points"][0]["stage"] == "soak/60w_80pct"


def test_a_run_that_there_is_not_is_told(benchd, played):
    told = benchd("runs", 9, "--db", played)
    assert (told.status, told.err) == (2, "benchd: there is no run 9\n  the newest: 1\n")
