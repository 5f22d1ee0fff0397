"""`benchd status` against the real daemon: to a pipe, to a terminal, as JSON, and what it costs to start."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

BENCHD = [sys.executable, "-m", "benchd"]
HEAVY = ("sqlalchemy", "pydantic", "numpy", "rich", "fastapi", "httpx", "asyncio", "zoneinfo")


def status(served: Any, *more: str) -> subprocess.CompletedProcess[str]:
    command = [*BENCHD, "status", "--socket", str(served.socket), *more]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=True)


def test_a_pipe_gets_everything_80_wide_without_colours(serve: Callable[..., Any]) -> None:
    served = serve()
    said = status(served).stdout
    assert "nothing runs" in said
    assert "\x1b" not in said
    assert max(map(len, said.splitlines())) <= 80
    assert all(one["channel"] in said for one in served.status["channels"])


def test_json_is_the_document_alone(serve: Callable[..., Any]) -> None:
    served = serve()
    document = json.loads(status(served, "--json").stdout)
    assert document.keys() == served.status.keys()
    assert document["state"] == "idle"


def test_an_output_of_ascii_gets_ascii(serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    served = serve()
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    said = status(served).stdout
    assert said.isascii()
    assert "?" not in said


def test_no_daemon_is_told(tmp_path: Any) -> None:
    for command in ("status", "watch"):
        ended = subprocess.run(
            [*BENCHD, command, "--socket", str(tmp_path / "no.sock")], capture_output=True, text=True, timeout=30
        )
        assert ended.returncode == 3
        assert "no daemon answers" in ended.stderr
        assert ended.stdout == ""


def test_nothing_heavy_is_imported() -> None:
    modules = "benchd.cli, benchd.commands.status, benchd.report.status_view, benchd.service.client"
    command = [sys.executable, "-X", "importtime", "-c", f"import {modules}"]
    said = subprocess.run(command, capture_output=True, text=True, timeout=30, check=True).stderr
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in said.splitlines()}
    assert "benchd" in imported
    assert imported.isdisjoint(HEAVY)
