"""One writer owns a database: a lock file beside it, with the process id of the writer inside.

The kernel lets go of the lock when the process dies, so a file left behind locks nobody out. A process forked
while the lock is held holds it too. This file knows nothing of what is in the database.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from benchd.errors import StoreError


def lock_file(database: Path) -> Path:
    """Where the lock of a database lies."""
    return Path(f"{database}.lock")


def is_held(database: Path) -> bool:
    """Whether some process, this one or another, is writing a database now."""
    try:
        descriptor = os.open(lock_file(database), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False  # no such file, or not for us to see
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


class Lock:
    """The right to write one database. `release` gives it back."""

    def __init__(self, file: Path, descriptor: int) -> None:
        self._file = file
        self._descriptor = descriptor

    @classmethod
    def take(cls, database: Path) -> Lock:
        """Take the lock of a database.

        Raises `StoreError` naming the process that has it, OSError when no file can lie there.
        """
        file = lock_file(database)
        while True:
            descriptor = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                if _still_there(file, descriptor):
                    _sign(file, descriptor)
                    return cls(file, descriptor)
            except BlockingIOError:
                holder = os.pread(descriptor, 32, 0).decode(errors="replace").strip()
                os.close(descriptor)
                raise StoreError(
                    f"{database} is being written by process {holder or 'unknown'}",
                    "wait until it is done; with a daemon running, commands reach it through its socket",
                ) from None
            except BaseException:
                os.close(descriptor)
                raise
            os.close(descriptor)

    def release(self) -> None:
        """Give the lock back; the file goes with it. May be called twice."""
        if self._descriptor < 0:
            return
        # Whoever opened the file before it went notices that it is gone and makes a new one.
        if _still_there(self._file, self._descriptor):
            self._file.unlink()
        os.close(self._descriptor)
        self._descriptor = -1


def _sign(file: Path, descriptor: int) -> None:
    """Write our process id into a lock file that is ours; on a full disk the file goes again."""
    try:
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    except OSError:
        file.unlink()
        raise


def _still_there(file: Path, descriptor: int) -> bool:
    """Whether the locked file is still the one at its path: its last owner may just have removed it."""
    try:
        return os.path.samestat(file.stat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False
