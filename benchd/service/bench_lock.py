"""One daemon a bench: a lock for every place that its instruments take for themselves, a port, an output, an address.

The place counts, not the bench file, so that no two programs command one heater whatever their files are called. A
simulated bench takes no place and may be served any number of times. The kernel lets go when the process dies; the
file stays, since taking it away would let two others lock two files of one name.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from benchd.bench_file import BenchFile
from benchd.errors import RunRefused


class BenchLock:
    """The right to command a bench. `release` gives it back."""

    def __init__(self) -> None:
        self._held: dict[str, int] = {}

    @classmethod
    def take(cls, bench: BenchFile, folder: Path | None = None, beside: BenchLock | None = None) -> BenchLock:
        """Take the places of a bench. Raises `RunRefused` naming the process that has one of them.

        folder: where the lock files lie, the machine's own unless given. beside: a lock of our own whose places may be
        taken once more; each is free when both are given back.
        """
        lock = cls()
        for place in _places(bench):
            if beside is not None and place in beside._held:
                lock._held[place] = os.dup(beside._held[place])
                continue
            descriptor = _open(_file(place, folder))
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                holder = _holder(descriptor)
                os.close(descriptor)
                lock.release()
                raise RunRefused(
                    f"process {holder or 'unknown'} already serves a bench with {place}",
                    "one daemon a bench: stop that one first; benchd status tells what it does",
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
    # Another user's daemon may have found another folder than we would.
    files = [_name(folder, place) for folder in ([folder] if folder else _folders()) for place in _places(bench)]
    for file in files:
        try:
            descriptor = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
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
    return _name(folder or next(one for one in _folders() if os.access(one, os.W_OK)), place)


def _folders() -> tuple[Path, ...]:
    return Path("/run/lock"), Path(tempfile.gettempdir())


def _name(folder: Path, place: str) -> Path:
    return folder / f"benchd-{sha256(place.encode()).hexdigest()[:16]}.lock"


def _open(file: Path) -> int:
    # In a folder for all, a file of another user's may be opened but not "created": sysctl fs.protected_regular.
    with suppress(FileNotFoundError):
        return _opened(file, os.O_RDWR)
    descriptor = _opened(file, os.O_RDWR | os.O_CREAT)
    with suppress(OSError):
        os.fchmod(descriptor, 0o666)  # whatever the umask says: the next daemon may be another user's
    return descriptor


def _opened(file: Path, flags: int) -> int:
    try:
        return os.open(file, flags | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise RunRefused(f"the lock file {file} cannot be opened: {error.strerror}", "see who owns it") from error


def _sign(descriptor: int) -> None:
    with suppress(OSError):  # a full disk: the lock holds, only the name in it is missing
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)


def _holder(descriptor: int) -> int | None:
    word = os.pread(descriptor, 32, 0).decode(errors="replace").strip()
    return int(word) if word.isdigit() else None
