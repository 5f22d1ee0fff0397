"""Numbers in files of sysfs: reading one, writing one, and in words what went wrong with one.

Owns the only place of all drivers that writes into such a file. What the numbers mean is not known here. The standard
is the kernel's documentation, Documentation/hwmon/sysfs-interface.rst: one number a file, and of a write "strings which
are not a number are interpreted as 0", so that garbage stops a fan. Only digits are ever written.
"""

from __future__ import annotations

import errno
import grp
import os
import re
import stat
from pathlib import Path

from benchd.errors import LinkLost, SettingRefused
from benchd.instruments import Answer, SampleFlag

_NUMBER = re.compile(r"-?[0-9]{1,20}")
#: A file of sysfs holds at most a page.
_PAGE = 4096


class NoNumber(ValueError):
    """The file holds something that is not a number."""


class Empty(OSError):
    """The file holds nothing: as good as one that cannot be read."""


def read_text(path: Path) -> str:
    """The first line of a file without the blanks around it. Raises `OSError`, `Empty` among them."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        # Whoever rewrites a plain file in place with fewer digits leaves old ones behind the end of the line.
        text = os.read(descriptor, _PAGE).split(b"\n")[0].decode("ascii", "replace").strip()
    finally:
        os.close(descriptor)
    if not text:
        raise Empty(errno.ENODATA, "the file is empty", str(path))
    return text


def read_number(path: Path) -> int:
    """The whole number in a file. Raises `OSError`, or `NoNumber` when something else stands there."""
    text = read_text(path)
    if not _NUMBER.fullmatch(text):
        raise NoNumber(f"{path} holds {text[:40]!r}, which is not a whole number")
    return int(text)


def read_answer(path: Path, scale: float = 1.0) -> Answer:
    """The number in a file times scale, or why there is none: a device that has gone, sleeps or gives an error is
    missing (ENODEV, ENODATA, EIO), text that is not a number is garbled."""
    try:
        return read_number(path) * scale
    except OSError:
        return SampleFlag.MISSING
    except NoNumber:
        return SampleFlag.GARBLED


def write_number(path: Path, number: int) -> None:
    """Write a whole number from 0 up: digits, an end of line, nothing else. Raises `OSError`; `ValueError` for what is
    no such number, and then nothing was written."""
    text = str(number)
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"only digits may be written to {path}, not {text[:40]!r}")
    data = text.encode("ascii") + b"\n"
    # Not emptied first: there is no moment at which the file holds nothing.
    descriptor = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
    try:
        if os.write(descriptor, data) != len(data):
            raise OSError(errno.EIO, "it took only a part of the number", str(path))
    finally:
        os.close(descriptor)


def write_checked(path: Path, number: int, who: str, tolerance: int = 0) -> None:
    """Write a number and read it back. Raises `SettingRefused` unless it reads back within the tolerance."""
    try:
        write_number(path, number)
        back = read_number(path)
    except OSError as error:
        raise refused(who, path, error) from error
    except NoNumber as error:
        raise SettingRefused(f"{who}: wrote {number}, but {error}", "is this really the file of an output?") from error
    if abs(back - number) > tolerance:
        raise SettingRefused(
            f"{who}: {path.name}: wrote {number}, reads back {back}",
            "another program or the firmware may set it too, or the device rounds: then say how far it may be off",
        )


def refused(who: str, path: Path, error: OSError) -> SettingRefused:
    """What a failed write means, for a person."""
    return SettingRefused(f"{who}: cannot write {path}: {_why(error)}", _what_to_try(path, error, writing=True))


def lost(who: str, path: Path, error: OSError) -> LinkLost:
    """What a failed read means, for a person."""
    return LinkLost(f"{who}: cannot read {path}: {_why(error)}", _what_to_try(path, error, writing=False))


def need_right(path: Path, who: str, *, writing: bool) -> None:
    """Raise `LinkLost` unless this process may use the file. It is opened and closed, which changes nothing in it."""
    try:
        os.close(os.open(path, (os.O_WRONLY if writing else os.O_RDONLY) | os.O_CLOEXEC))
    except OSError as error:
        can = "write" if writing else "read"
        raise LinkLost(
            f"{who}: cannot {can} {path}: {_why(error)}", _what_to_try(path, error, writing=writing)
        ) from error


def _why(error: OSError) -> str:
    return error.strerror or str(error)


def _what_to_try(path: Path, error: OSError, *, writing: bool) -> str:
    match error.errno:
        case errno.EACCES | errno.EPERM:
            return _right(path, writing=writing)
        case errno.EROFS:
            return "sysfs is mounted read-only, as in a container: run on the machine itself"
        case errno.ENOENT | errno.ENODEV:
            return "is the kernel module of this chip loaded? `benchd instruments --find` lists what there is"
        case errno.EBUSY | errno.EINVAL:
            return (
                "the chip does not allow it in its present mode; the kernel's page about its driver says what it takes"
            )
        case _:
            return "the device gave an error; the kernel's log (`dmesg`) may say more"


def _right(path: Path, *, writing: bool) -> str:
    """Which group, or which udev rule, gives the right to a file."""
    mode, letter = (stat.S_IWGRP, "w") if writing else (stat.S_IRGRP, "r")
    try:
        status = path.stat()
    except OSError:
        return "this user may not even look into its folder"
    if status.st_mode & mode:
        return f"it belongs to the group {_group(status.st_gid)}: add the user to it and log in anew"
    subsystem = "powercap" if "powercap" in str(path) else "hwmon"
    file = re.sub(r"[0-9]+", "[0-9]*", path.name)
    rule = (
        f'SUBSYSTEM=="{subsystem}", ACTION=="add", '
        f"RUN+=\"/bin/sh -c 'chgrp benchd /sys%p/{file}; chmod g+{letter} /sys%p/{file}'\""
    )
    return f"make a group benchd with this user in it and a udev rule (/etc/udev/rules.d/90-benchd.rules): {rule}"


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
