"""The folder of a served bench: names that stay, whatever number a pseudo-terminal or a port has this time.

Owns who may use it (one process at a time, and its own user only), the links in it and `ports.toml`. Knows no plant and
no protocol.

    /tmp/benchd-wires/
      ports.toml     what listens where: TCP ports, and the control port
      meter          a link to the pseudo-terminal of the instrument `meter`
      board/         the folder of an instrument that looks like sysfs
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Mapping
from pathlib import Path

PORTS_FILE = "ports.toml"
_LOCK = ".lock"
#: Where it is unless told otherwise; the same whatever the environment, so that a bench file can name it.
USUAL_FOLDER = Path("/tmp/benchd-wires")


class Folder:
    """The folder, taken: made where there is none, and locked until `close`.

    Raises OSError when it belongs to somebody else, or another process serves a bench in it.

    Args:
        path: of the folder [no unit]

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = Folder(Path(place) / "wires")
    ...     folder.link("meter", "/dev/pts/9")
    ...     folder.write_ports({"control": 4711})
    ...     os.readlink(folder.path / "meter"), (folder.path / PORTS_FILE).read_text()
    ...     folder.close()
    ('/dev/pts/9', 'control = 4711\\n')
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        """Of the folder."""
        self._made: list[Path] = []
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
        if path.is_symlink() or path.stat().st_uid != os.getuid():
            raise OSError(f"{path} belongs to somebody else: name another one with --folder")
        self._lock = (path / _LOCK).open("a")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._lock.close()
            raise OSError(f"another process serves a bench in {path}: end it, or name another --folder") from None
        self._clear()  # what a process that was killed has left

    def link(self, name: str, target: str) -> None:
        """Let a name lead to a pseudo-terminal, at once and without a moment in which there is none."""
        fresh = self.path / f".{name}"
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(target)
        fresh.replace(self.path / name)

    def unlink(self, name: str) -> None:
        """The name leads nowhere any more, as when a plug is pulled."""
        (self.path / name).unlink(missing_ok=True)

    def fresh(self, name: str) -> Path:
        """The path of a folder that is not there yet: what another process has left under that name goes."""
        path = self.path / name
        shutil.rmtree(path, ignore_errors=True)
        self._made.append(path)
        return path

    def write_ports(self, ports: Mapping[str, int]) -> None:
        """Say what listens where, whole or not at all."""
        fresh = self.path / f".{PORTS_FILE}"
        fresh.write_text("".join(f"{name} = {port}\n" for name, port in ports.items()), encoding="utf-8")
        fresh.replace(self.path / PORTS_FILE)

    def close(self) -> None:
        """Leave it without what was made in it, for whoever comes next; may be called twice."""
        if self._lock.closed:
            return
        for path in self._made:
            shutil.rmtree(path, ignore_errors=True)
        self._clear()
        self._lock.close()

    def _clear(self) -> None:
        (self.path / PORTS_FILE).unlink(missing_ok=True)
        for entry in self.path.iterdir():
            if entry.is_symlink():
                entry.unlink()
