"""The only hand that writes a database. It holds the lock from `open` to `close`.

Every method is one transaction, committed before it returns, but for `record`: samples are gathered and
go in with the next `commit` or `end_step`. Whatever fails raises `StoreError`, and its transaction is
undone, gathered samples included; the writer stays usable. Threads may share it: one method runs at a
time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, literal, select, update
from sqlalchemy.dialects.sqlite import insert

from benchd.clock import utc_now
from benchd.errors import InputError, NotFound
from benchd.instruments import Cooling
from benchd.running.states import ALIVE, Ending, RunState
from benchd.running.steps.base import Finding
from benchd.store import schema as s
from benchd.store.entries import (
    bench_values,
    channel_values,
    finding_values,
    put,
    put_mount,
    put_point,
    run_values,
    take_called_off_point,
    take_earlier_point,
)
from benchd.store.open_database import OpenDatabase
from benchd.store.records import ChannelRow, EventRow, NewRun, PointRecord, WaitsFor

_NO_END = frozenset({RunState.QUEUED, RunState.WAITING}) | ALIVE


class Writer(OpenDatabase):
    """Writes one database. Made by `Writer.open`, ended by `close` or by leaving its `with`."""

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

    def plan_mount(self, specimen_id: int, number: int, note: str = "") -> int:
        """The id of a mount of that number, entered as planned when there is none."""
        with self._transaction("plan a mount") as connection:
            known = connection.scalar(
                select(s.mount.c.id).where(s.mount.c.specimen_id == specimen_id, s.mount.c.number == number)
            )
            return known or put(connection, s.mount, specimen_id=specimen_id, number=number, note=note)

    def stand(self, mount_id: int, bench: str, utc: datetime) -> None:
        """A mount stands on a bench from `utc` on; what stood there has been taken off."""
        with self._transaction("enter what stands on the bench") as connection:
            connection.execute(
                update(s.mount)
                .where(s.mount.c.bench == bench, s.mount.c.taken_off_utc.is_(None), s.mount.c.id != mount_id)
                .values(taken_off_utc=utc)
            )
            connection.execute(
                update(s.mount)
                .where(s.mount.c.id == mount_id)
                .values(
                    bench=bench,
                    taken_off_utc=None,
                    mounted_utc=func.coalesce(s.mount.c.mounted_utc, literal(utc, s.Utc)),
                )
            )

    # Runs

    def new_run(self, new: NewRun) -> int:
        """Enter a run, and its id."""
        with self._transaction("enter a run") as connection:
            return put(connection, s.run, **run_values(new))

    def set_state(
        self,
        run_id: int,
        state: RunState,
        utc: datetime,
        reason: str = "",
        waits_for: WaitsFor | None = None,
        was: RunState | None = None,
    ) -> bool:
        """Enter where a run stands now and why, and say whether that was done: not when it does not stand at `was`.

        One statement, so that no run is ever taken twice. Its first start and its end get their times from here.
        waits_for: what would let it go on, in state waiting. Whether the change is allowed is decided in
        `benchd.running.states`, not here.
        """
        values: dict[str, object] = {
            "state": state,
            "reason": reason,
            "waits_for": waits_for,
            "ended_utc": None if state in _NO_END else utc,
        }
        if state == RunState.RUNNING:
            values["started_utc"] = func.coalesce(s.run.c.started_utc, literal(utc, s.Utc))
        this = (s.run.c.id == run_id) if was is None else (s.run.c.id == run_id) & (s.run.c.state == was)
        with self._transaction(f"enter that run {run_id} is {state}") as connection:
            changed = connection.execute(update(s.run).where(this).values(values).returning(s.run.c.id)).one_or_none()
        return changed is not None

    def take_bench_text(self, run_id: int, text: str) -> None:
        """A queued run will be played on the bench as its file says now."""
        with self._transaction(f"enter the bench file of run {run_id}") as connection:
            connection.execute(update(s.run).where(s.run.c.id == run_id).values(bench_values(text)))

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

    # Questions to a person

    def ask(self, run_id: int, step_id: int, what: str, utc: datetime, limit: datetime | None) -> int:
        """Enter what a step asks a person, and until when it waits for the answer; its id."""
        with self._transaction("enter a prompt") as connection:
            return put(connection, s.prompt, run_id=run_id, step_id=step_id, what=what, asked_utc=utc, limit_utc=limit)

    def answer(self, prompt_id: int, text: str, who: str, utc: datetime) -> None:
        """Enter what a person answered."""
        with self._transaction("enter an answer") as connection:
            connection.execute(
                update(s.prompt).where(s.prompt.c.id == prompt_id).values(answered_utc=utc, answer=text, who=who)
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
        """Enter a point that was not measured, and so has no step. It takes the place of one that was called off."""
        with self._transaction(f"enter the point {stage!r}") as connection:
            number = take_called_off_point(connection, run_id, stage)
            put_point(connection, run_id, stage, None, point, number)
