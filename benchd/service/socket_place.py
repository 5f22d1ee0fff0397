"""Where the daemon's socket is, and how it is made: in a folder of mode 0750, itself 0660, whatever the umask says."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from benchd.errors import BenchdError, InputError

#: The kernel takes no longer path of a socket [bytes]: unix(7).
LONGEST = 107
FOLDER_MODE, SOCKET_MODE = 0o750, 0o660


def socket_path(given: Path | None = None) -> Path:
    """Where the socket is: as given, else $BENCHD_SOCKET, else in $XDG_RUNTIME_DIR/benchd, else in /run/benchd."""
    named = os.environ.get("BENCHD_SOCKET", "")
    if given is not None or named:
        return Path(given or named).absolute()
    return Path(os.environ.get("XDG_RUNTIME_DIR") or "/run") / "benchd" / "benchd.sock"


def bind(path: Path) -> socket.socket:
    """A socket that listens at the path. One that a dead daemon has left is taken over.

    Raises `InputError` when the path is too long, `BenchdError` when a daemon listens there or nothing can lie there.
    """
    if len(os.fsencode(path)) > LONGEST:
        raise InputError(f"{path} is too long for a socket: at most {LONGEST} bytes", "give another with --socket")
    try:
        _make_folder(path.parent)
        _clear(path)
        return _bound(path)
    except OSError as error:
        raise BenchdError(
            f"cannot make the socket {path}: {error.strerror or error}", "give another place with --socket"
        ) from error


def _make_folder(folder: Path) -> None:
    """Make the folder of a socket; one that is there is left as it is."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    try:
        folder.mkdir(mode=FOLDER_MODE)
    except FileExistsError:
        return
    folder.chmod(FOLDER_MODE)


def _clear(path: Path) -> None:
    """Remove a socket at which nobody listens any more."""
    if not path.is_socket():
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink(missing_ok=True)
            return
        except FileNotFoundError:
            return
    raise BenchdError(f"a daemon answers at {path} already", "see benchd status, or give another place with --socket")


def _bound(path: Path) -> socket.socket:
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    before = os.umask(0o777 & ~SOCKET_MODE)
    try:
        listening.bind(str(path))
        listening.listen(64)
    except BaseException:
        listening.close()
        raise
    finally:
        os.umask(before)
    return listening
