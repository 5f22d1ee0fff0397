"""One daemon a bench: a lock for every place on this machine that its instruments take for themselves.

The place counts, not the bench file, so that no two programs command one heater whatever their files are called. A
simulated bench takes no place and may be served any number of times. The kernel lets go when the process dies.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from hashlib import sha256
from pathlib import Path

from benchd.bench_file import BenchFile
from benchd.errors import RunRefused


class BenchLock:
    """The right to command a bench. `release` gives it back."""

    def __init__(self) -> None:
        self._held: dict[str, int] = {}

    @classmethod
    def take(cls, bench: BenchFile, folder: Path | None = None) -> BenchLock:
        """Take the places of a bench. Raises `RunRefused` naming the process that has one of them.

        folder: where the lock files lie, the machine's own unless given.
        """
        lock = cls()
        for place in _places(bench):
            descriptor = _open(_file(place, folder))
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                holder = _holder(descriptor)
                os.close(descriptor)
                lock.release()
                raise RunRefused(
                    f"process {holder or 'unknown'} already serves a bench with {place}",
                    "one daemon a bench: stop that one first, or see it with benchd status",
                ) from None
            lock._held[place] = descriptor
            _sign(descriptor)
        return lock

    def release(self) -> None:
        """Give all places back. May be called twice."""
        while self._held:
            _, descriptor = self._held.popitem()
            os.close(descriptor)


def held_by(bench: BenchFile, folder: Path | None = None) -> int | None:
    """The process that serves a bench with one of these places, None when none does."""
    for place in _places(bench):
        try:
            descriptor = os.open(_file(place, folder), os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return _holder(descriptor)
        finally:
            os.close(descriptor)
    return None


def _places(bench: BenchFile) -> list[str]:
    return sorted({place for spec in bench.instruments.values() for place in spec.occupies()})


def _file(place: str, folder: Path | None) -> Path:
    shared = Path("/run/lock")
    folder = folder or (shared if os.access(shared, os.W_OK) else Path(tempfile.gettempdir()))
    return folder / f"benchd-{sha256(place.encode()).hexdigest()[:16]}.lock"


def _open(file: Path) -> int:
    # A file of another user's in a folder for all may be opened but not "created": fs.protected_regular.
    for flags, mode in ((os.O_RDWR, 0), (os.O_RDWR | os.O_CREAT, 0o644), (os.O_RDONLY, 0)):
        try:
            return os.open(file, flags | os.O_CLOEXEC, mode)
        except (FileNotFoundError, PermissionError):
            continue
    raise RunRefused(f"the lock file {file} can be neither opened nor made", "see who owns it")


def _sign(descriptor: int) -> None:
    try:
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    except OSError:
        pass  # another user's file: the lock holds, only the name in it is not ours


def _holder(descriptor: int) -> int | None:
    word = os.pread(descriptor, 32, 0).decode(errors="replace").strip()
    return int(word) if word.isdigit() else None
