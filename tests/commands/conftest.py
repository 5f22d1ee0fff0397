"""The program as a person meets it: in this process where that is the same, else as a process of its own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.cli import run


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    status: int
    out: str
    err: str

    def sensible(self) -> Ended:
        """Itself, unless it says what no person should ever see."""
        for said in (self.out, self.err):
            assert "Traceback" not in said
            assert "a fault in benchd" not in said
            assert "\x1b" not in said
        return self


@pytest.fixture
def benchd(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Runs one command line in this process."""

    def benchd(*words: object) -> Ended:
        capsys.readouterr()
        status = run([str(word) for word in words])
        said = capsys.readouterr()
        return Ended(status, said.out, said.err).sensible()

    return benchd


@pytest.fixture
def process(tmp_path: Path) -> Callable[..., Ended]:
    """Runs one command line as a process of its own."""

    def process(*words: object, before: tuple[str, ...] = (), **options: object) -> Ended:
        command = [*before, sys.executable, "-m", "benchd", *map(str, words)]
        ended = subprocess.run(
            command, capture_output=True, encoding="utf-8", timeout=60, check=False, cwd=tmp_path, **options
        )
        return Ended(ended.returncode, ended.stdout, ended.stderr).sensible()

    return process


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with two runs of the protocol `quick`, for reading only."""
    db = tmp_path_factory.mktemp("night") / "night.db"
    command = [sys.executable, "-m", "benchd", "replay", "quick", "--db", str(db)]
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    return db
