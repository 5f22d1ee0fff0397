"""The workers that heat a package: one a processor, niced, each a process of its own that dies with its parent.

Owns starting, telling and ending them; what one does is `spin`. Three ways out of heat, one behind the other: they are
killed when heat is off; the end of their input tells them that their parent is dead; and they rest when their parent
has told them nothing for some seconds. Knows no watts.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, TypeAlias

from benchd.errors import SettingRefused

Work: TypeAlias = Literal["spin", "matrix"]
_PROGRAM = Path(__file__).with_name("spin.py")
#: The workers are as many as there are processors: each is one thread.
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Workers:
    """Workers for these processors; none runs before `drive`."""

    def __init__(self, cpus: Sequence[int], work: Work, nice: int, who: str) -> None:
        self._cpus = list(cpus)
        self._work = work
        self._nice = nice
        self._who = who
        self._running: dict[int, subprocess.Popen[bytes]] = {}

    @property
    def pids(self) -> list[int]:
        """The processes that run."""
        return [process.pid for process in self._running.values() if process.poll() is None]

    def drive(self, duty: float) -> None:
        """Let each work this share of the time, 0 to 1; one that has died or hangs gets a successor.

        Must be said again every few seconds. Raises `SettingRefused` when no process can be started.
        """
        for place, cpu in enumerate(self._cpus):
            if not self._told(place, duty):
                self._end(place)
                self._running[place] = self._started(place, cpu)
                self._told(place, duty)

    def stop(self) -> None:
        """End them all, at once. May be called twice."""
        for process in self._running.values():
            process.kill()
        for place in list(self._running):
            self._end(place)

    def _told(self, place: int, duty: float) -> bool:
        process = self._running.get(place)
        if process is None or process.poll() is not None:
            return False
        assert process.stdin is not None
        data = f"{duty:.4f}\n".encode("ascii")
        try:
            return os.write(process.stdin.fileno(), data) == len(data)
        except OSError:  # it has just died, or reads no more: its pipe does not block
            return False

    def _started(self, place: int, cpu: int) -> subprocess.Popen[bytes]:
        # The program needs nothing of its surroundings; only numpy lies where packages are.
        alone = [] if self._work == "matrix" else ["-I", "-S"]
        delay = f"{place / len(self._cpus):.4f}"
        command = [sys.executable, *alone, str(_PROGRAM), self._work, delay]
        try:
            process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=os.environ | _ONE_THREAD
            )
        except OSError as error:
            raise SettingRefused(
                f"{self._who}: a worker cannot be started: {error.strerror or error}",
                "how many processes may this user have?",
            ) from error
        assert process.stdin is not None
        os.set_blocking(process.stdin.fileno(), False)
        with contextlib.suppress(OSError):  # it works anywhere, only less evenly
            os.sched_setaffinity(process.pid, {cpu})
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, self._nice)
        return process

    def _end(self, place: int) -> None:
        process = self._running.pop(place, None)
        if process is None:
            return
        process.kill()
        process.wait()
        assert process.stdin is not None
        with contextlib.suppress(OSError):
            process.stdin.close()
