"""Makes a database ready to be written: takes its lock, makes it when there is none, upgrades an older one.

A new file is completed under another name first, and an upgrade is one transaction, so there is never half a
database at the path.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from benchd.errors import StoreError
from benchd.store import migrations
from benchd.store import schema as s
from benchd.store.connect import making, recognise, store_error
from benchd.store.lock import Lock


def prepare(path: Path) -> Lock:
    """The lock of a database that now is there and of our schema.

    Raises `DatabaseRefused` when the file is not ours, `StoreError` when it cannot be locked, made or
    upgraded.
    """
    recognise(path)  # before a lock file is put beside what may be somebody else's
    try:
        lock = Lock.take(path)
    except OSError as error:
        raise store_error(path, "lock the database", error) from error
    try:
        _bring_up(path, recognise(path))
    except BaseException:
        lock.release()
        raise
    return lock


def _bring_up(path: Path, revision: str | None) -> None:
    if revision is None:
        _make(path)
    elif revision != migrations.head():
        _upgrade(path, revision)


def _make(path: Path) -> None:
    new = Path(f"{path}.new")
    try:
        new.unlink(missing_ok=True)
        with making(new).connect() as connection, connection.begin():
            s.metadata.create_all(connection)
            connection.execute(s.alembic_version.insert().values(version_num=migrations.head()))
        new.rename(path)
        _sync_folder(path.parent)
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise store_error(path, "make the database", error) from error
    finally:
        for left in (new, Path(f"{new}-journal")):
            left.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Without this the new name may be gone after a loss of supply."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def backup_file(path: Path, revision: str) -> Path:
    """Where the copy of a database lies that was made before its upgrade from `revision`."""
    return Path(f"{path}.before-upgrade-from-{revision}")


def _upgrade(path: Path, revision: str) -> None:
    try:
        active = _active_run(path)
        if active is not None:
            raise StoreError(
                f"{path} is of an older benchd, and its run {active} has not ended: it is not upgraded now",
                "let the older benchd end it: benchd serve starts it there, then benchd abort or let it finish",
            )
        _copy(path, backup_file(path, revision))
        with making(path).connect() as connection, connection.begin():
            migrations.upgrade(connection)
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise sqlite3.IntegrityError(f"{len(broken)} rows would point to nothing, first {broken[0]}")
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise store_error(path, f"upgrade the database from schema {revision}", error) from error


def _active_run(path: Path) -> int | None:
    """A run that an engine has, or had when it died; None when there is none."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        row = connection.execute("SELECT id FROM run WHERE state IN ('running', 'held') LIMIT 1").fetchone()
    return None if row is None else int(row[0])


def _copy(path: Path, to: Path) -> None:
    """A whole copy, what is still in the write-ahead log included."""
    half = Path(f"{to}.half")
    try:
        half.unlink(missing_ok=True)
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(half)) as target:
            source.backup(target)
        half.rename(to)
    finally:
        half.unlink(missing_ok=True)
