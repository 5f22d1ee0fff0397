"""How the program starts: quickly, with help that tells, with a true exit status."""

from __future__ import annotations

import subprocess
import sys

import pytest

COMMANDS = ("replay", "check", "results", "make-safe")


def test_nothing_heavy_is_imported_before_a_command_runs():
    command = [sys.executable, "-X", "importtime", "-c", "import benchd.cli"]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=30).stderr
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in told.splitlines()}
    assert {"benchd", "click"} <= imported
    heavy = {"sqlalchemy", "pydantic", "pymodbus", "numpy", "scipy", "rich", "matplotlib", "fastapi", "alembic"}
    assert not imported & heavy


def test_as_a_process_it_is_the_same_program(process):
    assert process("--version").out.startswith("benchd 0.")


def test_help_lists_the_commands_and_the_exit_status(benchd):
    told = benchd("--help")
    assert (told.status, told.err) == (0, "")
    assert all(command in told.out for command in COMMANDS)
    assert "Exit status: 0 done; 1 the run or the question failed; 2 the input is wrong" in told.out
    assert "thermal cut-out" in " ".join(told.out.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(benchd, command):
    told = benchd(command, "--help")
    assert (told.status, told.err) == (0, "")
    assert told.out.startswith(f"Usage: benchd {command}")
    assert "--json" in told.out


@pytest.mark.parametrize(
    "words",
    [
        ("nonsense",),
        ("replay",),
        ("check",),
        ("make-safe",),
        ("results", "one"),
        ("results", "1.5"),
        ("results", "0"),
        ("results", "9" * 30),
        ("results", "--nonsense"),
        ("results", "--at-dba"),
        ("replay", "quick", "--seed", "-1"),
        ("replay", "quick", "--seed", "9" * 30),
        ("replay", "quick", "--seed", "nan"),
    ],
)
def test_words_that_are_none_are_wrong_input(benchd, words):
    told = benchd(*words)
    assert (told.status, told.out) == (2, "")
    assert "Error: " in told.err
