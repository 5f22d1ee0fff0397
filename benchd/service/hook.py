"""The command of a bench file's `on_event`: told what became of a run, and never waited for.

One at a time; it has its time, then it and what it started are killed. Its failure is logged and nothing else.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple

from benchd.service.logs import log

#: So long [s] may one call take.
LIMIT_S = 30.0
#: So many wait at most; more than that are not told.
WAITING_AT_MOST = 50
#: On the way out what is under way gets so long [s].
CLOSE_S = 1.0


class _Told(NamedTuple):
    event: str
    run: int | None
    what: str


class Hook:
    """Calls a command, a list of words, for each event. An empty command does nothing."""

    def __init__(self, command: Sequence[str], limit_s: float = LIMIT_S) -> None:
        self._command = tuple(command)
        self._limit_s = limit_s
        self._waiting: queue.Queue[_Told | None] = queue.Queue(WAITING_AT_MOST)
        self._process: subprocess.Popen[bytes] | None = None
        self._closing = False
        self._thread: threading.Thread | None = None
        if self._command:
            self._thread = threading.Thread(target=self._serve, name="on_event", daemon=True)
            self._thread.start()

    def tell(self, event: str, run: int | None, what: str) -> None:
        """Something became of a run: `done`, `tripped`, `failed`, `interrupted` or `waiting`. Returns at once."""
        if self._thread is None:
            return
        try:
            self._waiting.put_nowait(_Told(event, run, what))
        except queue.Full:
            log("error", "on_event_not_told", told=event, run=run)

    def close(self) -> None:
        """End within two seconds; what is under way is killed when it takes longer."""
        if self._thread is None:
            return
        self._closing = True
        with suppress(queue.Full):
            self._waiting.put_nowait(None)
        self._thread.join(CLOSE_S)
        if self._thread.is_alive():
            self._kill()
            self._thread.join(CLOSE_S)
        self._thread = None

    def _serve(self) -> None:
        while (told := self._waiting.get()) is not None and not self._closing:
            self._call(told)

    def _call(self, told: _Told) -> None:
        run = "" if told.run is None else str(told.run)
        about = {**os.environ, "BENCHD_EVENT": told.event, "BENCHD_RUN": run, "BENCHD_WHAT": told.what}
        try:
            # A session of its own, so that what it starts can be killed with it.
            process = self._process = subprocess.Popen(
                self._command,
                env=about,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            log("error", "on_event_failed", command=self._command[0], what=error.strerror)
            return
        try:
            _, said = process.communicate(json.dumps(told._asdict()).encode(), self._limit_s)
        except subprocess.TimeoutExpired:
            self._kill()
            process.communicate()
            log("error", "on_event_killed", command=self._command[0], what=f"took longer than {self._limit_s:g} s")
            return
        if process.returncode and not self._closing:
            last = said.decode(errors="replace").strip().splitlines()[-1:]
            log("error", "on_event_failed", command=self._command[0], status=process.returncode, what=" ".join(last))

    def _kill(self) -> None:
        if self._process is not None:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
