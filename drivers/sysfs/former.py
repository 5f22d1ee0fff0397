"""What stood in the files of one output before benchd took it, kept where it outlives this process.

Owns one small record file an output: written and synced before the output is taken, locked as long as its taker lives,
removed when the former values stand again. Whoever opens the output next after a SIGKILL finds the record without its
lock, and gives back. It holds for one start of the machine only, since a start resets what it is about. Knows no fan
and no power limit.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class HeldByAnother(Exception):
    """Another living program has taken the output; the text says which."""


def state_folder(given: str | None) -> Path:
    """Where records are kept: as given, or benchd's own folder below XDG_STATE_HOME."""
    if given is not None:
        return Path(given)
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "benchd"


def record_name(root: Path, *parts: str) -> str:
    """A name for the record of one output: readable, and another one for another root.

    >>> record_name(Path("/sys/class/hwmon"), "nct6775", "pwm1")
    'former-nct6775-pwm1-2973f5ba'
    """
    readable = "-".join(part.replace("/", "_") for part in parts)
    return f"former-{readable}-{hashlib.sha256(str(root).encode()).hexdigest()[:8]}"


class Former:
    """The record of one output. Values are whole numbers by the name of their file."""

    def __init__(self, folder: Path, name: str) -> None:
        self._path = folder / f"{name}.json"
        self._descriptor: int | None = None
        self.values: dict[str, int] = {}
        """What stood there before; empty when nothing is taken."""

    def adopt(self) -> bool:
        """Take over what a program that is no more has left; False when there is no such thing."""
        if self.values:
            return True
        try:
            self._path.stat()  # a record is not made by looking for one
            self._lock()
        except (HeldByAnother, OSError):
            return False
        self.values = self._recorded()
        if not self.values:
            self.forget()
        return bool(self.values)

    def keep(self, values: Mapping[str, int]) -> None:
        """Record what stands there now, on the disk when this returns; nothing if something is kept already.

        Raises `HeldByAnother`, and `OSError` when the record cannot be written: then the output must not be taken.
        """
        if self.values:
            return
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._lock()
        assert self._descriptor is not None
        # What a dead program recorded is older, and so it is the truth.
        kept = self._recorded() or dict(values)
        text = json.dumps({"boot": _boot_id(), "pid": os.getpid(), "values": kept})
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, text.encode(), 0)
        os.fsync(self._descriptor)
        self.values = kept

    def forget(self) -> None:
        """The former values stand again: the record goes."""
        self.values = {}
        if self._descriptor is not None:
            with contextlib.suppress(OSError):
                self._path.unlink()
        self.let_go()

    def let_go(self) -> None:
        """Leave the record, if there is one, to whoever opens the output next."""
        self.values = {}
        if self._descriptor is not None:
            os.close(self._descriptor)
        self._descriptor = None

    def _lock(self) -> None:
        """Lock the record file, made if need be. The kernel ends the lock with this process, however it ends."""
        if self._descriptor is not None:
            return
        while True:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                holder = _content(descriptor).get("pid", "unknown")
                os.close(descriptor)
                raise HeldByAnother(f"process {holder}") from None
            if self._is_still_there(descriptor):
                self._descriptor = descriptor
                return
            os.close(descriptor)  # its former holder has just removed it

    def _is_still_there(self, descriptor: int) -> bool:
        try:
            return os.path.samestat(os.fstat(descriptor), os.stat(self._path))
        except FileNotFoundError:
            return False

    def _recorded(self) -> dict[str, int]:
        """What the record says; nothing when it is of another start of the machine, or half written and so of no use:
        then nothing was taken after it."""
        assert self._descriptor is not None
        content = _content(self._descriptor)
        values = content.get("values")
        if content.get("boot") != _boot_id() or not isinstance(values, dict):
            return {}
        return {str(name): number for name, number in values.items() if isinstance(number, int) and number >= 0}


def _content(descriptor: int) -> dict[str, object]:
    try:
        content = json.loads(os.pread(descriptor, 65536, 0))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _boot_id() -> str:
    return _BOOT_ID.read_text(encoding="ascii").strip()
