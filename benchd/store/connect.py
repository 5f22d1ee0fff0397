"""Opening a database: is it ours, of which schema, with which settings of SQLite.

A writer's connection begins every transaction with BEGIN IMMEDIATE, since SQLite does not wait for a lock
when a transaction that has read goes on to write. A reader's connection cannot write at all. It does not
know what the tables are for.
"""

from __future__ import annotations

import resource
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from benchd.errors import DatabaseRefused, NotFound, StoreError
from benchd.store import migrations
from benchd.store.schema import APPLICATION_ID

#: How long to wait for another program's lock, in real time.
BUSY_S = 5.0
#: The write-ahead log gives back what it has grown beyond this.
LOG_LIMIT_BYTES = 64 * 1024 * 1024

_MAGIC = b"SQLite format 3\x00"
_APPLICATION_ID_AT = 68  # https://www.sqlite.org/fileformat.html, 1.3 The Database Header
_PRIMARY = 0xFF  # the low byte of a result code of SQLite says which kind it is

_OTHER_FILE = "give another file with --db, or move this one out of the way"


def recognise(path: Path) -> str | None:
    """The schema revision of a database of ours, None when nothing lies at the path.

    Raises `DatabaseRefused` when what lies there is not ours, or of a newer benchd.
    """
    if not path.exists():
        return None
    _look_at_header(path)
    try:
        engine = reading(path)
        with engine.connect() as connection:
            found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalars().all()
    except DBAPIError as error:
        raise _unreadable(path, error.orig) from error
    if len(found) != 1 or found[0] not in migrations.revisions():
        raise DatabaseRefused(
            f"{path} was written by a newer benchd (its schema is {', '.join(found) or 'unnamed'})",
            "update benchd, or give another file with --db",
        )
    return str(found[0])


def _look_at_header(path: Path) -> None:
    """Refuse what the first hundred bytes show not to be ours, without letting SQLite touch it."""
    if not path.is_file():
        what = "a folder" if path.is_dir() else "not a regular file"
        raise DatabaseRefused(f"{path} is {what}, not a database", "give a file with --db")
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except OSError as error:
        raise DatabaseRefused(f"{path} cannot be read: {error.strerror}", "see who owns the file") from error
    if not header:
        raise DatabaseRefused(f"{path} is an empty file, not a database of benchd", _OTHER_FILE)
    if not header.startswith(_MAGIC):
        raise DatabaseRefused(f"{path} is not a database", _OTHER_FILE)
    if int.from_bytes(header[_APPLICATION_ID_AT : _APPLICATION_ID_AT + 4], "big") != APPLICATION_ID:
        raise DatabaseRefused(f"{path} is a database of another program", _OTHER_FILE)


def readable(path: Path) -> None:
    """Raise `NotFound` or `DatabaseRefused` unless the path holds a database of exactly our schema."""
    revision = recognise(path)
    if revision is None:
        raise NotFound(f"there is no database {path}", "give one with --db; a run or a replay makes one")
    if revision != migrations.head():
        raise DatabaseRefused(
            f"{path} was written by an older benchd (its schema is {revision}, ours is {migrations.head()})",
            "the next command that writes it upgrades it, after a backup, such as benchd replay --db FILE",
        )


def reading(path: Path) -> Engine:
    """Connections that read and cannot write; a transaction sees one unchanging state."""
    return _engine(lambda: _open_to_read(path), "BEGIN")


def writing(path: Path, *, durable: bool) -> Engine:
    """Connections that write. `durable`: what is committed outlives a loss of supply, not only a crash."""
    return _engine(lambda: _open_to_write(path, durable=durable), "BEGIN IMMEDIATE")


def making(path: Path) -> Engine:
    """Connections that make or rebuild a file. Foreign keys are not held, since tables come and go."""
    return _engine(lambda: _sqlite(f"{path.absolute().as_uri()}?mode=rwc"), "BEGIN IMMEDIATE")


def wal_bytes(path: Path) -> int:
    """Size of the write-ahead log beside a database [bytes], 0 when there is none."""
    try:
        return Path(f"{path}-wal").stat().st_size
    except OSError:
        return 0


def _engine(opener: Callable[[], sqlite3.Connection], begin: str) -> Engine:
    engine = create_engine("sqlite://", creator=opener, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _sqlite(uri: str) -> sqlite3.Connection:
    # isolation_level None: Python begins no transaction on its own. One thread at a time is the caller's
    # care.
    return sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)


def _with(connection: sqlite3.Connection, *statements: str) -> sqlite3.Connection:
    try:
        for statement in statements:
            connection.execute(statement).fetchall()
    except BaseException:
        connection.close()
        raise
    return connection


def _open_to_write(path: Path, *, durable: bool) -> sqlite3.Connection:
    return _with(
        _sqlite(f"{path.absolute().as_uri()}?mode=rw"),
        "PRAGMA journal_mode = WAL",
        f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}",
        "PRAGMA foreign_keys = ON",
        f"PRAGMA journal_size_limit = {LOG_LIMIT_BYTES}",
    )


def _open_to_read(path: Path) -> sqlite3.Connection:
    uri = path.absolute().as_uri()
    look = "SELECT count(*) FROM sqlite_master"
    try:
        return _with(_sqlite(f"{uri}?mode=ro"), look)
    except sqlite3.OperationalError:
        # Beside a file with a write-ahead log SQLite wants to make an index, even to read. Where it may
        # not, the file is whole as it stands, unless a log with something in it lies there.
        if wal_bytes(path):
            raise
        return _with(_sqlite(f"{uri}?immutable=1"), look)


def _unreadable(path: Path, error: BaseException | None) -> DatabaseRefused:
    if _kind(error) == sqlite3.SQLITE_CANTOPEN and wal_bytes(path):
        return DatabaseRefused(
            f"{path} cannot be read: part of it lies in {path.name}-wal and the folder may not be written",
            "copy both files to a folder of yours and read them there",
        )
    if _kind(error) == sqlite3.SQLITE_ERROR:
        return DatabaseRefused(f"{path} has not got the tables of benchd: {error}", _OTHER_FILE)
    return DatabaseRefused(f"{path} cannot be read: {error}", "if the file is damaged, go back to a copy of it")


def refused(path: Path, error: DBAPIError) -> DatabaseRefused:
    """What to tell a reader whose query failed."""
    return _unreadable(path, error.orig)


def store_error(path: Path, doing: str, error: Exception) -> StoreError:
    """What to tell about a failed write: `doing` says what was to be written."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    why, hint = _reason(path, cause)
    return StoreError(f"{path}: cannot {doing}: {why}", hint)


def _kind(error: BaseException | None) -> int:
    return getattr(error, "sqlite_errorcode", -1) & _PRIMARY


def _reason(path: Path, error: BaseException | None) -> tuple[str, str]:
    if isinstance(error, OSError):
        return _reason_of_system(path, error)
    kind = _kind(error)
    if kind == sqlite3.SQLITE_FULL:
        return "the disk is full", _make_room(path)
    if kind == sqlite3.SQLITE_IOERR:
        limit = resource.getrlimit(resource.RLIMIT_FSIZE)[0]
        if limit != resource.RLIM_INFINITY:
            return f"no file may grow beyond {limit} bytes here ({error})", "raise the limit: ulimit -f"
        return f"the disk answers with an error ({error})", f"see the system's log; {_make_room(path)}"
    if kind == sqlite3.SQLITE_READONLY:
        return "it may not be written", "see who owns the file and its folder, or give another one with --db"
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "another program holds its lock", "close programs that have the file open for writing"
    if kind in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return f"the file is damaged ({error})", "go back to a copy of it, or begin a new one with --db"
    if kind == sqlite3.SQLITE_CANTOPEN:
        return "it cannot be opened", "see who owns the file and its folder, or give another one with --db"
    return f"{error}", ""


def _reason_of_system(path: Path, error: OSError) -> tuple[str, str]:
    if isinstance(error, FileNotFoundError) and not path.parent.exists():
        return f"there is no folder {path.parent}", "make it first, or give another file with --db"
    if isinstance(error, NotADirectoryError):
        return f"{path.parent} is not a folder", "give another file with --db"
    return f"{error.strerror or error}", f"see who owns {path.parent}, or give another file with --db"


def _make_room(path: Path) -> str:
    try:
        free = shutil.disk_usage(path.parent).free // 2**20
    except OSError:
        return f"make room where {path.parent} lies"
    return f"{free} MiB are free where {path.parent} lies"
