"""The command of a bench file's `on_event`: told what became of a run, and never waited for.

One at a time; it has its time, then it and what it started are killed. Its failure is logged and nothing else.
"""

from __future__ import annotations

import json
import os
import queue
import selectors
import signal
import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple

from benchd.clock import real_s
from benchd.service.logs import log

#: So long [s] may one call take.
LIMIT_S = 30.0
#: So many wait at most; more than that are not told.
WAITING_AT_MOST = 50
#: On the way out what is under way and what waits get so long [s].
CLOSE_S = 0.9
#: Of what it says on its standard error so much of the end is looked at [bytes].
LAST_WORDS = 4096


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
            self._waiting.put_nowait(_Told(event, run, _sayable(what)))
        except queue.Full:
            log("error", "on_event_not_told", told=event, run=run)

    def close(self) -> None:
        """End within two seconds. What waits is still told when it goes quickly; what is under way then is killed."""
        if self._thread is None:
            return
        self._wake()
        self._thread.join(CLOSE_S)
        self._closing = True
        self._wake()
        self._kill()
        self._thread.join(CLOSE_S)
        self._thread = None
        while not self._waiting.empty():
            told = self._waiting.get()
            if told is not None:
                log("error", "on_event_not_told", told=told.event, run=told.run)

    def _wake(self) -> None:
        with suppress(queue.Full):
            self._waiting.put_nowait(None)

    def _serve(self) -> None:
        while not self._closing and (told := self._waiting.get()) is not None:
            self._call(told)

    def _call(self, told: _Told) -> None:
        run = "" if told.run is None else str(told.run)
        about = {**os.environ, "BENCHD_EVENT": told.event, "BENCHD_RUN": run, "BENCHD_WHAT": told.what}
        # What it is given lies in a file in memory: a pipe would have to be waited for when nobody reads it.
        with open(os.memfd_create("on_event"), "w+b") as given:
            given.write(json.dumps(told._asdict()).encode())
            given.seek(0)
            try:
                # A session of its own, so that what it starts can be killed with it.
                process = self._process = subprocess.Popen(
                    self._command,
                    env=about,
                    stdin=given,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    start_new_session=True,
                )
            except OSError as error:
                log("error", "on_event_failed", command=self._command[0], what=error.strerror)
                return
        self._wait(process)

    def _wait(self, process: subprocess.Popen[bytes]) -> None:
        if self._closing:  # and `close` came just before it was there to be killed
            self._kill()
        until_s = real_s() + self._limit_s
        try:
            last = _last_words(process, until_s)
            status = process.wait(max(0.0, until_s - real_s()))
        except subprocess.TimeoutExpired:
            self._kill()
            process.wait()
            log("error", "on_event_killed", command=self._command[0], what=f"took longer than {self._limit_s:g} s")
            return
        finally:
            self._process = None
            if process.stderr is not None:
                process.stderr.close()
        if status and not self._closing:
            log("error", "on_event_failed", command=self._command[0], status=status, what=last)

    def _kill(self) -> None:
        process = self._process
        if process is not None:
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)


def _last_words(process: subprocess.Popen[bytes], until_s: float) -> str:
    """The last line of what it says, read until all that hold its standard error have closed it.

    Raises `subprocess.TimeoutExpired` when real time until_s [s] comes first.
    """
    assert process.stderr is not None
    said = b""
    with selectors.DefaultSelector() as selector:
        selector.register(process.stderr, selectors.EVENT_READ)
        while (left_s := until_s - real_s()) > 0:
            if not selector.select(left_s):
                continue
            came = os.read(process.stderr.fileno(), 65536)
            if not came:
                return " ".join(said.decode(errors="replace").strip().splitlines()[-1:])
            said = (said + came)[-LAST_WORDS:]
    raise subprocess.TimeoutExpired(process.args, left_s)


def _sayable(text: str) -> str:
    r"""The text without what no environment can hold.

    >>> print(_sayable("a\0b \ud800"))
    a?b ?
    """
    return text.replace("\0", "?").encode(errors="replace").decode()
