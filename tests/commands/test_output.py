"""Where output goes: files, pipes that break, full disks, terminals, and encodings that lack letters."""

from __future__ import annotations

import json
import os
import pty
import re
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

CLOSED = ("sh", "-c", 'exec "$@" >&-', "sh")
FULL = ("sh", "-c", 'exec "$@" >/dev/full', "sh")
OVERNIGHT = ("replay", "overnight", "--specimen", "brook 2x120")


@pytest.mark.parametrize("words", [("results",), ("results", "--json"), ("results", "--at-dba", "43")])
def test_output_on_a_full_disk_is_told_in_one_line(process, night, words):
    told = process(*words, "--db", night, before=FULL)
    assert told.status == 1
    assert told.err == "benchd: cannot print, or cannot make a temporary file: No space left on device\n"


def test_with_standard_output_closed_the_run_is_still_recorded(process, tmp_path):
    db = tmp_path / "x.db"
    told = process("replay", "quick", "--db", db, "--specimen", "brook 2x120", before=CLOSED)
    assert (told.status, told.out, told.err) == (0, "", "")
    with closing(sqlite3.connect(db)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("SELECT state FROM run").fetchall() == [("complete",)]


def test_a_reader_that_goes_away_gets_no_complaint(night):
    command = [sys.executable, "-m", "benchd", "results", "--json", "--db", str(night)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
        program.stdout.close()
        assert program.stderr.read() == b""
        assert program.wait(30) == 1


def test_head_takes_the_first_line(night):
    command = f"{sys.executable} -m benchd results --json --db {night} | head -1"
    told = subprocess.run(command, shell=True, capture_output=True, text=True, timeout=30, check=True)
    assert (told.stdout, told.stderr) == ("[\n", "")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_an_output_that_lacks_letters_still_says_the_figures(night, encoding):
    command = [sys.executable, "-m", "benchd", "results", "--db", str(night)]
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    told = subprocess.run(command, capture_output=True, timeout=30, check=True, env=environment)
    assert told.stderr == b""
    assert re.search(r"\d\d\.\d\d [?±]\d\.\d\d", told.stdout.decode(encoding))


def on_a_terminal(*words: object, **environment: str) -> str:
    """What a command prints to a terminal of 80 columns."""
    ours, its = pty.openpty()
    command = [sys.executable, "-m", "benchd", *map(str, words)]
    settings = {**os.environ, "COLUMNS": "80", "TERM": "xterm-256color", **environment}
    with subprocess.Popen(command, stdout=its, stderr=subprocess.DEVNULL, env=settings) as program:
        os.close(its)
        said = b""
        while True:
            try:
                piece = os.read(ours, 10_000)
            except OSError:  # Linux says so at the end of a terminal
                break
            said += piece
        assert program.wait(30) == 0
    os.close(ours)
    return said.decode()


def test_no_color_means_no_escape_codes_on_a_terminal_either(night):
    assert "\x1b[" not in on_a_terminal("results", "--db", night, NO_COLOR="1")


def test_a_terminal_shows_the_same_text_as_a_pipe(benchd, night):
    shown = re.sub(r"\x1b\[[0-9;]*m", "", on_a_terminal("results", "--db", night)).replace("\r\n", "\n")
    assert shown == benchd("results", "--db", night).out


def test_control_codes_in_a_name_do_not_reach_the_terminal(benchd, tmp_path):
    told = benchd("check", "a\x1b[31mred\x9b.toml")
    assert told.status == 2
    assert "there is no file a\\x1b[31mred\\x9b.toml" in told.err
    file = tmp_path / "x.toml"
    file.write_text('protocol = "a\\u001b[31mred"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    told = benchd("check", file)
    assert told.status == 2
    assert f"{file}:1:12: protocol: must be one line of letters that can be seen" in told.err


@pytest.mark.slow
def test_lines_of_a_whole_night_fit_80_columns(benchd, tmp_path):
    db = tmp_path / "x.db"
    told = benchd("replay", "overnight", "--db", db)
    assert told.status == 0
    tables = [line for line in told.out.splitlines() if not line.startswith(("Database: ", "Next: "))]
    assert max(map(len, tables)) <= 80
    points = json.loads(benchd("results", "--json", "--db", db).out)
    rows = [line for line in tables if re.match(r" *\d+ +[\d.]+ +[\d.]+ (dBA|%) ", line)]
    assert len(rows) == len(points)
