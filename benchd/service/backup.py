"""Copies of the database, one a day, the newest few kept.

A copy is whole or not there: it is made under another name, written through to the disk, and then renamed.
"""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path

from benchd.errors import StoreError

KEEP = 7


def back_up(database: Path, folder: Path, today: date, keep: int = KEEP) -> Path | None:
    """Copy a database into a folder as `NAME-YYYY-MM-DD.db`, and remove the oldest copies beyond `keep`.

    None when nothing was written since the latest copy. Raises `StoreError` when it cannot be made.
    """
    copy = folder / f"{database.stem}-{today:%Y-%m-%d}.db"
    half = Path(f"{copy}.half")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        older = copies(database, folder)
        if older and _changed_ns(database) <= older[-1].stat().st_mtime_ns:
            return None
        half.unlink(missing_ok=True)
        with closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            connection.execute("VACUUM INTO ?", (str(half),))
        _sync(half)
        half.rename(copy)
        _sync(folder)
        for one in copies(database, folder)[:-keep]:
            one.unlink()
    except (sqlite3.Error, OSError) as error:
        half.unlink(missing_ok=True)
        raise StoreError(f"cannot back up {database} to {copy}: {error}", "see whether the disk is full") from error
    return copy


def copies(database: Path, folder: Path) -> list[Path]:
    """The copies of a database that lie in a folder, oldest first."""
    ours = re.compile(rf"{re.escape(database.stem)}-\d{{4}}-\d\d-\d\d\.db")
    return sorted(file for file in folder.iterdir() if ours.fullmatch(file.name))


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
