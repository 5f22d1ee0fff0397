"""The real daemon as processes, served on a socket of the test's own, and a plain HTTP client for it."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
import pytest


class _Connection(http.client.HTTPConnection):
    def __init__(self, path: Path) -> None:
        super().__init__("benchd", timeout=20)
        self._path = str(path)

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(self._path)


@dataclass
class Served:
    """A daemon that was started, and what it was started with."""

    folder: Path
    bench: str
    speed: float | None
    process: subprocess.Popen[str] = field(init=False)
    environment: dict[str, str] = field(default_factory=dict)

    @property
    def socket(self) -> Path:
        return self.folder / "s" / "benchd.sock"

    @property
    def db(self) -> Path:
        return self.folder / "bench.db"

    @property
    def said(self) -> str:
        """What it has logged so far."""
        log = self.folder / "log"
        return log.read_text() if log.exists() else ""

    @property
    def child(self) -> int:
        """The process with the engine."""
        (child,) = psutil.Process(self.process.pid).children()
        return child.pid

    def start(self, ready: bool = True) -> Served:
        before = self.said
        command = [sys.executable, "-m", "benchd", "serve", "--bench", self.bench, "--db", str(self.db)]
        command += ["--socket", str(self.socket)] + (["--speed", str(self.speed)] if self.speed else [])
        with (self.folder / "log").open("a") as log:
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, **self.environment},
                text=True,
            )
        if ready:
            # Its API answers a moment before it says that it is up.
            self.until(lambda: "info serving" in self.said[len(before) :] and "run" in self.ask("GET", "/status"))
        return self

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Ask it to stop, and its exit status."""
        self.process.send_signal(number)
        return self.process.wait(30)

    def call(self, method: str, path: str, body: object = None) -> tuple[int, Any]:
        """One request: status and body."""
        connection = _Connection(self.socket)
        try:
            text = None if body is None else json.dumps(body)
            connection.request(method, path, text, {"Content-Type": "application/json"})
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read() or "null")
        finally:
            connection.close()

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """One request that is to be answered well."""
        status, answer = self.call(method, path, body)
        assert status < 300, (status, answer)
        return answer

    @property
    def status(self) -> dict[str, Any]:
        return self.ask("GET", "/status")

    def until(self, true: Callable[[], Any], within_s: float = 40.0) -> Any:
        """Wait until something is true; what it gave. A daemon that does not answer is asked again."""
        due_s = time.monotonic() + within_s
        seen: object = None
        while time.monotonic() < due_s:
            try:
                if seen := true():
                    return seen
            except (OSError, http.client.HTTPException) as error:
                seen = error
            assert self.process.poll() is None, self.said
            time.sleep(0.05)
        raise AssertionError(f"not within {within_s} s: {seen}\n{self.said[-3000:]}")

    def until_status(self, true: Callable[[dict[str, Any]], Any], within_s: float = 40.0) -> dict[str, Any]:
        """Wait for a picture of which something is true."""
        return self.until(lambda: next((s for s in [self.status] if true(s)), None), within_s)

    def queue(self, protocol: str, specimen: str = "brook 2x140", **more: object) -> int:
        """Queue a run of a protocol with this text, and mount what it wants."""
        order = {"protocol": {"text": protocol, "file": "trial.toml"}, "specimen": specimen, **more}
        run = self.ask("POST", "/queue", order)["run"]
        kinds = {(one["kind"], one["run"]) for one in self.until_status(self._knows(run))["asked"]}
        if ("mount", run) in kinds:
            self.ask("POST", "/confirm", {"run": run})
        return run

    @staticmethod
    def _knows(run: int) -> Callable[[dict[str, Any]], bool]:
        """A picture that shows the run: asking for its mount, played, or kept waiting by one that is played."""

        def knows(status: dict[str, Any]) -> bool:
            shown = [one["run"] for one in (*status["asked"], *([status["run"]] if status["run"] else []))]
            behind = status["run"] is not None and any(one["run"] == run for one in status["queue"])
            return run in shown or behind

        return knows

    def clean_up(self) -> None:
        if self.process.poll() is None:
            processes = [*psutil.Process(self.process.pid).children(recursive=True), psutil.Process(self.process.pid)]
            for one in processes:
                one.kill()
            psutil.wait_procs(processes, 10)
        self.process.wait(10)


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Start daemons; none outlives its test. Sockets need short paths, shorter than those pytest makes."""
    folder = Path(tempfile.mkdtemp(prefix="benchd-"))
    started: list[Served] = []

    def start(bench: str = "simulated", speed: float | None = 60.0, ready: bool = True, **environment: str) -> Served:
        one = Served(folder / str(len(started)), bench, speed, environment=environment)
        one.folder.mkdir()
        started.append(one)
        return one.start(ready)

    yield start
    for one in started:
        one.clean_up()
    shutil.rmtree(folder)
