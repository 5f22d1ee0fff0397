"""`benchd watch` in a real terminal, read through an emulator, against the real daemon."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from typing import Any

import pyte
import pytest

SHORT = 'protocol = "trial"\n[[steps]]\nkind = "dwell"\nfor_min = 3\nheat_w = 60\n'
LONG = SHORT.replace("for_min = 3", "for_min = 600")
ALTERNATE, LEFT = "\x1b[?1049h", "\x1b[?1049l"


class Terminal:
    """A command in a terminal of its own, and what is to be seen there."""

    def __init__(self, command: list[str], columns: int, lines: int, environment: dict[str, str]) -> None:
        self.screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self._ours, self._theirs = pty.openpty()
        self._size(columns, lines)
        self.modes = termios.tcgetattr(self._theirs)
        self.process = subprocess.Popen(
            command,
            stdin=self._theirs,
            stdout=self._theirs,
            stderr=self._theirs,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            env={**os.environ, "TERM": "xterm", **environment},
        )

    def _size(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self._theirs, termios.TIOCSWINSZ, struct.pack("4H", lines, columns, 0, 0))

    def resize(self, columns: int, lines: int) -> None:
        self.screen.resize(lines, columns)
        self._size(columns, lines)

    def type(self, keys: bytes) -> None:
        os.write(self._ours, keys)

    @property
    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.screen.display)

    def read(self) -> None:
        while select.select([self._ours], [], [], 0.05)[0]:
            piece = os.read(self._ours, 65536)
            self.raw += piece
            # The emulator has one screen only: leaving the other one is looked at in what was sent.
            self._stream.feed(piece)

    def until(self, true: Callable[[], Any], within_s: float = 30.0) -> None:
        due_s = time.monotonic() + within_s
        while not true():
            assert time.monotonic() < due_s, f"{self.text}\n{self.raw[-2000:]!r}"
            self.read()

    def sees(self, *words: str) -> None:
        self.until(lambda: all(one in self.text for one in words))

    def ends(self) -> int:
        self.until(lambda: self.process.poll() is not None)
        self.read()
        return self.process.returncode

    def is_sane(self) -> bool:
        """Whether the terminal has been left as it was found."""
        sent = self.raw.decode()
        return (
            sent.count(ALTERNATE) == sent.count(LEFT) == 1
            and sent.rfind("\x1b[?25h") > sent.rfind("\x1b[?25l")
            and termios.tcgetattr(self._theirs) == self.modes
        )

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        os.close(self._ours)
        os.close(self._theirs)


@pytest.fixture
def watch() -> Iterator[Callable[..., Terminal]]:
    opened: list[Terminal] = []

    def start(served: Any, columns: int = 80, lines: int = 24, **environment: str) -> Terminal:
        command = [sys.executable, "-m", "benchd", "watch", "--socket", str(served.socket)]
        opened.append(Terminal(command, columns, lines, environment))
        return opened[-1]

    yield start
    for one in opened:
        one.close()


def test_it_follows_a_run_to_its_end_and_says_how_it_ended(
    serve: Callable[..., Any], watch: Callable[..., Terminal]
) -> None:
    served = serve()
    terminal = watch(served)
    terminal.sees("nothing runs")
    run = served.queue(SHORT)
    terminal.sees(f"run {run} running", "trial on brook 2x140, mount 1", "left", "ends about")
    assert terminal.ends() == 0
    after = terminal.raw.decode().rpartition(LEFT)[2]
    assert f"run {run} complete" in after
    assert f"next: benchd runs {run}" in after
    assert terminal.is_sane()


def test_ctrl_c_leaves_the_terminal_as_it_was_and_the_run_alone(
    serve: Callable[..., Any], watch: Callable[..., Terminal]
) -> None:
    served = serve()
    run = served.queue(LONG)
    terminal = watch(served)
    terminal.sees(f"run {run} running")
    terminal.type(b"\x03")
    assert terminal.ends() == 0
    assert terminal.is_sane()
    assert b"Traceback" not in terminal.raw
    assert served.status["run"]["run"] == run


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_leaves_the_terminal_as_it_was(
    number: int, serve: Callable[..., Any], watch: Callable[..., Terminal]
) -> None:
    terminal = watch(serve())
    terminal.sees("nothing runs")
    terminal.process.send_signal(number)
    assert terminal.ends() == 128 + number
    assert terminal.is_sane()


def test_it_follows_the_size_of_the_terminal(serve: Callable[..., Any], watch: Callable[..., Terminal]) -> None:
    terminal = watch(serve(), 200, 60)
    terminal.sees("nothing runs", "queue     empty", "channels  heat_w")
    assert any("nothing runs" in line and "queue" in line for line in terminal.text.splitlines())
    terminal.resize(80, 24)
    terminal.until(lambda: any(line.startswith("queue") for line in terminal.text.splitlines()))
    assert "nothing runs" in terminal.text
    assert "simulated bench" in terminal.text.splitlines()[0]


def test_no_color_is_plain(serve: Callable[..., Any], watch: Callable[..., Terminal]) -> None:
    terminal = watch(serve(), NO_COLOR="1")
    terminal.sees("nothing runs")
    terminal.type(b"\x03")
    terminal.ends()
    said = terminal.raw.decode().replace("\x1b[0m", "")
    assert not [part for part in said.split("\x1b[")[1:] if part.lstrip("0123456789;")[:1] == "m"]
    assert terminal.is_sane()


def test_a_daemon_that_goes_away_is_waited_for(serve: Callable[..., Any], watch: Callable[..., Terminal]) -> None:
    served = serve()
    terminal = watch(served)
    terminal.sees("nothing runs")
    served.stop()
    terminal.until(lambda: re.search(r"the daemon does not answer; trying for \d+ s; this was last:", terminal.text))
    served.start()
    terminal.until(lambda: "does not answer" not in terminal.text and "nothing runs" in terminal.text)
    terminal.type(b"\x03")
    assert terminal.ends() == 0
    assert terminal.is_sane()


def test_a_run_that_goes_on_by_itself_when_its_daemon_starts_again_is_followed(
    serve: Callable[..., Any], watch: Callable[..., Terminal]
) -> None:
    served = serve()
    run = served.queue('resume = "auto"\n' + LONG)
    terminal = watch(served)
    terminal.sees(f"run {run} running")
    served.stop()
    served.start()
    terminal.until(lambda: f"run {run} running" in terminal.text and "(attempt 2)" in terminal.text)
    # What it asked for when it was stopped is asked no longer.
    assert f"benchd resume {run}" not in terminal.text
    terminal.type(b"\x03")
    assert terminal.ends() == 0


def test_a_pipe_gets_a_line_for_each_change(serve: Callable[..., Any]) -> None:
    served = serve()
    run = served.queue(SHORT)
    command = [sys.executable, "-m", "benchd", "watch", "--socket", str(served.socket)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    lines = ended.stdout.splitlines()
    assert "\x1b" not in ended.stdout
    # What was queued may not have begun when the first line is written.
    assert f"running: run {run}" in next(line for line in lines if not line.endswith("idle"))
    assert any(f"run {run} complete" in line for line in lines[:-1])
    assert lines[-1].startswith(f"run {run} complete: ")
    assert lines[-1].endswith(f"next: benchd runs {run}")
