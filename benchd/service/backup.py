"""Copies of the database, one a day, the newest few kept.

A copy is whole or not there: it is made under another name, written through to the disk, and then renamed.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import date
from pathlib import Path

from benchd.errors import StoreError
from benchd.store.connect import store_error

KEEP = 7
#: Whether to call it off is asked after so many steps of SQLite's machine.
_STEPS = 1000


def back_up(
    database: Path, folder: Path, today: date, keep: int = KEEP, called_off: Callable[[], bool] = lambda: False
) -> Path | None:
    """Copy a database into a folder as `NAME-YYYY-MM-DD.db`, and remove the oldest copies beyond `keep`.

    None when nothing was written since the latest copy. Raises `StoreError` when it cannot be made, or when
    `called_off`, asked now and then on the way, says so: a large database takes its time.
    """
    copy = folder / f"{database.stem}-{today:%Y-%m-%d}.db"
    half = Path(f"{copy}.half")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # A copy bears the time of what it holds: what is written while it is made is not in it.
        changed_ns = _changed_ns(database)
        older = copies(database, folder)
        if older and older[-1].stat().st_mtime_ns == changed_ns:
            return None
        for left in _matching(database, folder, r"\.half(-journal)?"):
            left.unlink()
        with closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            connection.set_progress_handler(called_off, _STEPS)
            connection.execute("VACUUM INTO ?", (str(half),))
        os.utime(half, ns=(changed_ns, changed_ns))
        _sync(half)
        half.rename(copy)
        _sync(folder)
        for one in copies(database, folder)[:-keep]:
            one.unlink()
    except (sqlite3.Error, OSError) as error:
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_INTERRUPT:
            raise StoreError(f"{copy}: the backup was called off") from error
        raise store_error(copy, f"back up {database}", error) from error
    finally:
        with suppress(OSError):
            half.unlink(missing_ok=True)
    return copy


def copies(database: Path, folder: Path) -> list[Path]:
    """The copies of a database that lie in a folder, oldest first."""
    return _matching(database, folder, "")


def _matching(database: Path, folder: Path, ending: str) -> list[Path]:
    ours = re.compile(rf"{re.escape(database.stem)}-\d{{4}}-\d\d-\d\d\.db{ending}")
    return sorted(file for file in folder.iterdir() if ours.fullmatch(file.name) and not file.is_dir())


def _changed_ns(database: Path) -> int:
    """When anything was written last: the log beside the file counts as well."""
    log = Path(f"{database}-wal")
    logged = log.stat().st_mtime_ns if log.exists() and log.stat().st_size else 0
    return max(database.stat().st_mtime_ns, logged)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
