"""The only hand that writes a database. It holds the lock from `open` to `close`.

Every method is one transaction, committed before it returns, but for `record`: samples are gathered and
go in with the next `commit` or `end_step`. Whatever fails raises `StoreError`, and its transaction is
undone, gathered samples included; the writer stays usable. Threads may share it: one method runs at a
time.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, func, literal, select, update
from sqlalchemy.dialects.sqlite import dialect, insert
from sqlalchemy.exc import SQLAlchemyError

from benchd.clock import utc_now
from benchd.errors import InputError, NotFound, StoreError
from benchd.instruments import Cooling
from benchd.running.states import ALIVE, Ending, RunState
from benchd.running.steps.base import Finding
from benchd.store import schema as s
from benchd.store.connect import BUSY_S, store_error, writing
from benchd.store.entries import (
    channel_values,
    finding_values,
    put,
    put_mount,
    put_point,
    run_values,
    take_earlier_point,
)
from benchd.store.lock import Lock
from benchd.store.prepare import prepare
from benchd.store.records import ChannelRow, EventRow, NewRun, PointRecord, SampleRow

#: As text, for rows that are plain tuples in the order of the columns: half the cost of handing sqlalchemy a dict each.
_INSERT_SAMPLE = str(s.sample.insert().compile(dialect=dialect()))

_NO_END = frozenset({RunState.QUEUED, RunState.WAITING}) | ALIVE


class Writer:
    """Writes one database. Made by `Writer.open`, ended by `close` or by leaving its `with`."""

    def __init__(self, path: Path, connection: Connection, lock: Lock) -> None:
        self.path = path
        self._connection = connection
        self._lock = lock
        self._guard = threading.RLock()
        self._pending: list[tuple[int, int, int, float | None, int]] = []
        self._failed = False

    @classmethod
    def open(cls, path: Path | str, *, durable: bool) -> Writer:
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

    # The books

    def specimen(self, name: str, cooling: Cooling, note: str = "") -> int:
        """The id of a specimen, entered when new. Raises `InputError` when its cooling is another one."""
        with self._transaction(f"enter specimen {name!r}") as connection:
            known = connection.execute(select(s.specimen).where(s.specimen.c.name == name)).one_or_none()
            if known is None:
                return put(connection, s.specimen, name=name, cooling=cooling, note=note)
            if known.cooling != cooling:
                raise InputError(
                    f"specimen {name!r} is in the books with {known.cooling} cooling, not {cooling}",
                    "give the other one a name of its own",
                )
            return int(known.id)

    def mount(self, specimen_id: int, number: int | None = None, *, utc: datetime | None = None) -> int:
        """The id of a mount of a specimen: the one of that number, or else the latest that stands.

        When none stands it is a new one, mounted at `utc` (now unless given). Raises `NotFound` when the
        specimen has no mount of that number.
        """
        with self._transaction("enter a mount") as connection:
            mounts = connection.execute(
                select(s.mount).where(s.mount.c.specimen_id == specimen_id).order_by(s.mount.c.number)
            ).all()
            if number is None:
                standing = [row.id for row in mounts if row.taken_off_utc is None]
                return int(standing[-1]) if standing else put_mount(connection, specimen_id, "", utc or utc_now())
            for row in mounts:
                if row.number == number:
                    return int(row.id)
        known = ", ".join(str(row.number) for row in mounts) or "none"
        raise NotFound(f"the specimen has no mount {number}", f"its mounts: {known}")

    def add_mount(self, specimen_id: int, note: str, utc: datetime) -> int:
        """The id of a new mount of a specimen. One that still stands is taken off by it."""
        with self._transaction("enter a mount") as connection:
            connection.execute(
                update(s.mount)
                .where(s.mount.c.specimen_id == specimen_id, s.mount.c.taken_off_utc.is_(None))
                .values(taken_off_utc=utc)
            )
            return put_mount(connection, specimen_id, note, utc)

    # Runs

    def new_run(self, new: NewRun) -> int:
        """Enter a run, and its id."""
        with self._transaction("enter a run") as connection:
            return put(connection, s.run, **run_values(new))

    def set_state(self, run_id: int, state: RunState, utc: datetime, reason: str = "") -> None:
        """Enter where a run stands now and why. Its first start and its end get their times from here.

        Whether the change is allowed is decided in `benchd.running.states`, not here.
        """
        values: dict[str, object] = {
            "state": state,
            "reason": reason,
            "ended_utc": None if state in _NO_END else utc,
        }
        if state == RunState.RUNNING:
            values["started_utc"] = func.coalesce(s.run.c.started_utc, literal(utc, s.Utc))
        with self._transaction(f"enter that run {run_id} is {state}") as connection:
            connection.execute(update(s.run).where(s.run.c.id == run_id).values(values))

    def add_span(self, run_id: int, from_ms: int, utc: datetime) -> None:
        """Enter what the wall clock shows at bench time `from_ms` [ms]: at each start and each clock jump."""
        with self._transaction("enter the time") as connection:
            entry = insert(s.span).values(run_id=run_id, from_ms=from_ms, utc=utc)
            connection.execute(entry.on_conflict_do_update(index_elements=["run_id", "from_ms"], set_={"utc": utc}))

    def add_channels(self, run_id: int, rows: Sequence[ChannelRow]) -> dict[str, int]:
        """Enter the channels of a run, and the id of each by name. Those it already has stay as they are."""
        with self._transaction(f"enter the channels of run {run_id}") as connection:
            if rows:
                entry = insert(s.channel).on_conflict_do_nothing(index_elements=["run_id", "name"])
                connection.execute(entry, [channel_values(run_id, row) for row in rows])
            known = connection.execute(select(s.channel.c.name, s.channel.c.id).where(s.channel.c.run_id == run_id))
            return {row.name: row.id for row in known}

    def add_event(self, event: EventRow) -> int:
        """Enter an event, and its id."""
        with self._transaction(f"enter the event {event.kind!r}") as connection:
            return put(
                connection,
                s.event_,
                run_id=event.run_id,
                bench=event.bench,
                t_ms=event.t_ms,
                utc=event.utc,
                kind=event.kind,
                what=event.what,
                who=event.who,
            )

    # Steps and samples

    def begin_step(
        self, run_id: int, stage: str, attempt: int, seq: int, kind: str, spec_json: str, started_ms: int
    ) -> int:
        """Enter a step that begins at bench time `started_ms` [ms], and its id."""
        with self._transaction(f"begin a step of run {run_id}, stage {stage!r}") as connection:
            return put(
                connection,
                s.step,
                run_id=run_id,
                stage=stage,
                attempt=attempt,
                seq=seq,
                kind=kind,
                spec=spec_json,
                started_ms=started_ms,
                reason="",
            )

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

    def exclude(self, step_id: int, from_ms: int, to_ms: int, reason: str, channel_id: int | None = None) -> None:
        """Enter that samples from `from_ms` to `to_ms` [ms], both included, do not count, and why.

        They are those of one channel, or of all when `channel_id` is None.
        """
        with self._transaction("exclude samples") as connection:
            put(
                connection,
                s.exclusion,
                step_id=step_id,
                channel_id=channel_id,
                from_ms=from_ms,
                to_ms=to_ms,
                reason=reason,
            )

    def end_step(
        self,
        step_id: int,
        ended_ms: int,
        ending: Ending,
        reason: str,
        findings: Sequence[Finding] = (),
        point: PointRecord | None = None,
    ) -> None:
        """End a step at bench time `ended_ms` [ms].

        Samples so far, ending, findings and point go in together or not at all. A point takes the place
        of the one that an earlier attempt at its stage has left.
        """
        with self._transaction(f"end step {step_id}") as connection:
            self._put_samples(connection)
            ended = connection.execute(
                update(s.step)
                .where(s.step.c.id == step_id, s.step.c.ending.is_(None))
                .values(ended_ms=ended_ms, ending=ending, reason=reason)
                .returning(s.step.c.run_id, s.step.c.stage, s.step.c.attempt)
            ).one_or_none()
            if ended is None:
                raise sqlite3.IntegrityError("there is no such step that is open")
            if findings:
                connection.execute(insert(s.finding), [finding_values(step_id, finding) for finding in findings])
            if point is not None:
                number = take_earlier_point(connection, ended.run_id, ended.stage, ended.attempt)
                put_point(connection, ended.run_id, ended.stage, step_id, point, number)

    def add_point(self, run_id: int, stage: str, point: PointRecord) -> None:
        """Enter a point that was not measured, and so has no step."""
        with self._transaction(f"enter the point {stage!r}") as connection:
            put_point(connection, run_id, stage, None, point, None)
