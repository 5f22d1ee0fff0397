"""What holds for every test: nothing is left behind, and no test looks at the files of the person who runs it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from hypothesis import settings

# The first example of a property imports scipy, and the machine may be busy: no deadline.
settings.register_profile("no_deadline", deadline=None)
settings.load_profile("no_deadline")

#: What a test started may need this long [s] to be gone after it ended.
GONE_WITHIN_S = 3.0


def _alive() -> dict[object, str]:
    """What a test could leave behind, and what to call it."""
    me = psutil.Process()
    threads: dict[object, str] = {thread: f"thread {thread.name}" for thread in threading.enumerate()}
    processes = {child: f"process {child.pid}" for child in me.children()}
    sockets = {(c.fd, c.laddr): f"socket {c.laddr}" for c in me.net_connections()}
    return {**threads, **processes, **sockets}


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fails a test that leaves a thread, a process or a socket; what a wider fixture holds is there before it."""
    before = _alive()
    yield
    deadline_s = time.monotonic() + GONE_WITHIN_S
    while (left := [name for thing, name in _alive().items() if thing not in before]) and time.monotonic() < deadline_s:
        time.sleep(0.02)
    assert not left, f"left behind: {left}"


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """XDG folders of the test's own."""
    home = tmp_path_factory.mktemp("home")
    for name in ("CONFIG", "DATA", "STATE", "CACHE", "RUNTIME"):
        suffix = "DIR" if name == "RUNTIME" else "HOME"
        monkeypatch.setenv(f"XDG_{name}_{suffix}", str(home / name.lower()))
    return home
