"""A database open to be written: its lock, its transactions, and the samples gathered for the next of them.

What is written stands in `writer`; this file knows of tables only where samples go.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection
from sqlalchemy.dialects.sqlite import dialect
from sqlalchemy.exc import SQLAlchemyError

from benchd.errors import StoreError
from benchd.store import schema as s
from benchd.store.connect import BUSY_S, store_error, writing
from benchd.store.lock import Lock
from benchd.store.prepare import prepare
from benchd.store.records import SampleRow

#: As text, for rows that are plain tuples in the order of the columns: half the cost of handing sqlalchemy a dict each.
_INSERT_SAMPLE = str(s.sample.insert().compile(dialect=dialect()))


class OpenDatabase:
    """Made by `open`, ended by `close` or by leaving its `with`."""

    def __init__(self, path: Path, connection: Connection, lock: Lock) -> None:
        self.path = path
        self._connection = connection
        self._lock = lock
        self._guard = threading.RLock()
        self._pending: list[tuple[int, int, int, float | None, int]] = []
        self._failed = False

    @classmethod
    def open(cls, path: Path | str, *, durable: bool) -> Self:
        """Open a database to write it: made when there is none, upgraded, after a backup, when it is older.

        `durable`: what is committed outlives a loss of supply, at some ms a commit. Raises
        `DatabaseRefused` when the file is not ours, `StoreError` when it cannot be written or another
        writer has it.
        """
        path = Path(path).resolve()
        lock = prepare(path)
        engine = writing(path, durable=durable)
        try:
            return cls(path, engine.connect(), lock)
        except (SQLAlchemyError, sqlite3.Error) as error:
            lock.release()
            raise store_error(path, "open the database", error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self._failed = True
        self.close()

    def close(self) -> None:
        """Commit what is gathered, fold the log into the file and give the lock back. May be called twice.

        Raises `StoreError` when samples are lost by it, but not after an earlier failure: that is the one
        to tell.
        """
        with self._guard:
            if self._connection.closed:
                return
            try:
                if self._failed:
                    with suppress(StoreError):
                        self.commit()
                else:
                    self.commit()
            finally:
                self._let_go()

    def _let_go(self) -> None:
        try:
            with suppress(SQLAlchemyError, sqlite3.Error):
                self._fold(wait_ms=0)
            with suppress(SQLAlchemyError, sqlite3.Error):
                self._connection.close()
        finally:
            self._lock.release()

    def fold_log(self) -> None:
        """Fold the write-ahead log into the file and give its space back, as far as readers allow."""
        with self._told("fold the log into the file"):
            self._fold(wait_ms=1000)

    def _fold(self, wait_ms: int) -> None:
        # SQLite does this outside of any transaction, so past sqlalchemy, which would begin one.
        sqlite = self._connection.connection.cursor()
        for pragma in (
            f"busy_timeout = {wait_ms}",
            "wal_checkpoint(TRUNCATE)",
            f"busy_timeout = {BUSY_S * 1000:.0f}",
        ):
            sqlite.execute(f"PRAGMA {pragma}")
            sqlite.fetchall()
        sqlite.close()

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        """Failures inside become `StoreError`, said in words."""
        with self._guard:
            try:
                yield
            except (SQLAlchemyError, sqlite3.Error, OSError) as error:
                self._failed = True
                raise store_error(self.path, doing, error) from error

    @contextmanager
    def _transaction(self, doing: str) -> Iterator[Connection]:
        """One transaction: committed at the end, undone by whatever goes wrong inside."""
        with self._told(doing), self._connection.begin():
            yield self._connection
        self._failed = False

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for the functions of `benchd.store.queries`: sees all that is committed so far."""
        with self._transaction("read the database") as connection:
            yield connection

    def record(self, step_id: int, t_ms: int, rows: Sequence[SampleRow]) -> None:
        """Gather the samples of one tick at bench time `t_ms` [ms]; the next `commit` writes them."""
        with self._guard:
            self._pending += [(step_id, t_ms, channel_id, value, flag) for channel_id, value, flag in rows]

    def commit(self) -> None:
        """Commit the gathered samples. When that fails they are lost, and `StoreError` says so."""
        with self._guard:
            if self._pending:
                with self._transaction(f"record {len(self._pending)} samples") as connection:
                    self._put_samples(connection)

    def _put_samples(self, connection: Connection) -> None:
        pending, self._pending = self._pending, []
        if pending:
            connection.exec_driver_sql(_INSERT_SAMPLE, pending)
