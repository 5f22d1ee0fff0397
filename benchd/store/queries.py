"""Everything that is read from a database. Each function takes a connection, the writer's or a reader's.

Readers are short: `with reader(path) as connection:`, ask, leave. One that stays makes the write-ahead
log grow. Nothing here writes, judges or computes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select
from sqlalchemy.exc import DBAPIError

from benchd.errors import NotFound
from benchd.instruments import SampleFlag
from benchd.running.states import FINISHED, TO_COME, Ending, Flag, Quality, RunState
from benchd.running.steps.base import Finding
from benchd.store import schema as s
from benchd.store.connect import readable, reading, refused
from benchd.store.records import (
    CLEAR,
    REPEAT,
    TRIP,
    ChannelRow,
    EventRow,
    FindingRow,
    MountRow,
    PointPlace,
    PointRecord,
    PromptRow,
    RunRow,
    SpanRow,
    SpecimenRow,
    StepRow,
    WaitsFor,
)


@contextmanager
def reader(path: Path | str) -> Iterator[Connection]:
    """A connection that sees one unchanging state of a database and cannot write.

    Raises `NotFound` when there is none, `DatabaseRefused` when it is not ours, of another schema or damaged.
    """
    path = Path(path).resolve()
    readable(path)
    try:
        with reading(path).connect() as connection:
            yield connection
    except DBAPIError as error:
        raise refused(path, error) from error


# The books


def specimens(connection: Connection) -> list[SpecimenRow]:
    """All specimens, by name."""
    rows = connection.execute(select(s.specimen).order_by(s.specimen.c.name))
    return [SpecimenRow(**row._mapping) for row in rows]


def mounts(connection: Connection, specimen_id: int) -> list[MountRow]:
    """All mounts of a specimen, first to latest."""
    rows = connection.execute(select(s.mount).where(s.mount.c.specimen_id == specimen_id).order_by(s.mount.c.number))
    return [MountRow(**row._mapping) for row in rows]


def specimen(connection: Connection, name: str) -> SpecimenRow | None:
    """The specimen of that name, None when it is not in the books."""
    row = connection.execute(select(s.specimen).where(s.specimen.c.name == name)).one_or_none()
    return None if row is None else SpecimenRow(**row._mapping)


def standing(connection: Connection, bench: str) -> MountRow | None:
    """What stands on a bench, None when nothing does."""
    row = connection.execute(
        select(s.mount)
        .where(s.mount.c.bench == bench, s.mount.c.mounted_utc.is_not(None), s.mount.c.taken_off_utc.is_(None))
        .order_by(s.mount.c.id.desc())
        .limit(1)
    ).one_or_none()
    return None if row is None else MountRow(**row._mapping)


# Runs


def _select_runs() -> Select[Any]:
    return (
        select(
            s.run,
            s.specimen.c.name.label("specimen"),
            s.specimen.c.cooling,
            s.mount.c.number.label("mount"),
        )
        .join(s.mount, s.mount.c.id == s.run.c.mount_id)
        .join(s.specimen, s.specimen.c.id == s.mount.c.specimen_id)
    )


def _run_row(row: Row[Any]) -> RunRow:
    values = dict(row._mapping)
    del values["protocol_sha256"], values["bench_sha256"]
    values["state"] = RunState(values["state"])
    values["waits_for"] = None if values["waits_for"] is None else WaitsFor(values["waits_for"])
    values["versions"] = json.loads(values["versions"])
    return RunRow(**values)


def run(connection: Connection, run_id: int) -> RunRow:
    """One run. Raises `NotFound` with the numbers there are."""
    row = connection.execute(_select_runs().where(s.run.c.id == run_id)).one_or_none()
    if row is not None:
        return _run_row(row)
    newest = connection.scalars(select(s.run.c.id).order_by(s.run.c.id.desc()).limit(10)).all()
    raise NotFound(f"there is no run {run_id}", f"the newest: {', '.join(map(str, newest)) or 'none yet'}")


def runs(connection: Connection, limit: int | None = None) -> list[RunRow]:
    """All runs or the `limit` newest, newest first."""
    return [_run_row(row) for row in connection.execute(_select_runs().order_by(s.run.c.id.desc()).limit(limit))]


def runs_in(connection: Connection, bench: str, states: Iterable[RunState]) -> list[RunRow]:
    """The runs of a bench that stand in one of these states, oldest first."""
    query = _select_runs().where(s.run.c.bench == bench, s.run.c.state.in_(sorted(states)))
    return [_run_row(row) for row in connection.execute(query.order_by(s.run.c.id))]


def newest_runs(connection: Connection) -> list[RunRow]:
    """The newest run of each specimen, in the order in which those were queued."""
    newest = (
        select(func.max(s.run.c.id)).join(s.mount, s.mount.c.id == s.run.c.mount_id).group_by(s.mount.c.specimen_id)
    )
    rows = connection.execute(_select_runs().where(s.run.c.id.in_(newest)).order_by(s.run.c.id))
    return [_run_row(row) for row in rows]


def spans(connection: Connection, run_id: int) -> list[SpanRow]:
    """What the wall clock showed when, in bench time's order."""
    rows = connection.execute(select(s.span).where(s.span.c.run_id == run_id).order_by(s.span.c.from_ms))
    return [SpanRow(from_ms=row.from_ms, utc=row.utc) for row in rows]


def channels(connection: Connection, run_id: int) -> dict[str, ChannelRow]:
    """The channels of a run by name, in the order in which they were entered."""
    rows = connection.execute(select(s.channel).where(s.channel.c.run_id == run_id).order_by(s.channel.c.id))
    found = {}
    for row in rows:
        values = dict(row._mapping)
        del values["run_id"]
        found[row.name] = ChannelRow(**values)
    return found


def last_t_ms(connection: Connection, run_id: int) -> int | None:
    """The latest bench time [ms] that anything in a run speaks of, None before its first tick."""
    steps_of_run = select(s.step.c.id).where(s.step.c.run_id == run_id)
    latest = (
        select(func.max(s.sample.c.t_ms)).where(
            s.sample.c.step_id.in_(steps_of_run.order_by(s.step.c.id.desc()).limit(1))
        ),
        select(func.max(s.step.c.started_ms)).where(s.step.c.run_id == run_id),
        select(func.max(s.step.c.ended_ms)).where(s.step.c.run_id == run_id),
        select(func.max(s.event_.c.t_ms)).where(s.event_.c.run_id == run_id),
        select(func.max(s.span.c.from_ms)).where(s.span.c.run_id == run_id),
    )
    times = [connection.scalar(query) for query in latest]
    return max((t_ms for t_ms in times if t_ms is not None), default=None)


def peaks(connection: Connection, run_id: int) -> dict[str, float]:
    """The highest valid sample of each channel of a run [unit of the channel]."""
    rows = connection.execute(
        select(s.channel.c.name, func.max(s.sample.c.value))
        .select_from(s.step.join(s.sample).join(s.channel, s.channel.c.id == s.sample.c.channel_id))
        .where(s.step.c.run_id == run_id, s.sample.c.flag == SampleFlag.OK.value)
        .group_by(s.channel.c.name)
    )
    return {row[0]: row[1] for row in rows}


def sample_count(connection: Connection, run_id: int) -> int:
    """How many samples a run has."""
    return (
        connection.scalar(select(func.count()).select_from(s.sample.join(s.step)).where(s.step.c.run_id == run_id)) or 0
    )


# Steps and what they found


def _step_row(row: Row[Any]) -> StepRow:
    values = {column.name: row._mapping[column] for column in s.step.c}
    values["ending"] = None if values["ending"] is None else Ending(values["ending"])
    return StepRow(**values)


def steps(connection: Connection, run_id: int) -> list[StepRow]:
    """All steps of a run in the order in which they were played."""
    rows = connection.execute(select(*s.step.c).where(s.step.c.run_id == run_id).order_by(s.step.c.id))
    return [_step_row(row) for row in rows]


def findings(connection: Connection, run_id: int) -> list[FindingRow]:
    """All findings of a run in the order of their steps, so that the latest attempt at a stage comes last."""
    rows = connection.execute(
        select(s.step, s.finding)
        .join(s.finding, s.finding.c.step_id == s.step.c.id)
        .where(s.step.c.run_id == run_id)
        .order_by(s.step.c.id, s.finding.c.id)
    )
    return [FindingRow(step=_step_row(row), finding=_finding(row)) for row in rows]


def standing_findings(connection: Connection, run_id: int) -> tuple[Finding, ...]:
    """The findings of a run that count: of each stage those of the latest attempt that found anything."""
    rows = findings(connection, run_id)
    latest = {row.step.stage: row.step.attempt for row in rows}
    return tuple(row.finding for row in rows if row.step.attempt == latest[row.step.stage])


def findings_of_specimen(connection: Connection, specimen: str, name: str) -> list[tuple[RunRow, Finding]]:
    """All findings of a name that count in the runs of a specimen, oldest run first."""
    query = _select_runs().where(s.specimen.c.name == specimen).order_by(s.run.c.id)
    return [
        (run, found)
        for run in (_run_row(row) for row in connection.execute(query).all())
        for found in standing_findings(connection, run.id)
        if found.name == name
    ]


def _finding(row: Row[Any]) -> Finding:
    values = row._mapping
    value = values[s.finding.c.value]
    return Finding(
        name=values[s.finding.c.name],
        value=float("nan") if value is None else value,
        unit=values[s.finding.c.unit],
        u=values[s.finding.c.u],
        dof=values[s.finding.c.dof],
        detail=json.loads(values[s.finding.c.detail]),
    )


def attempts(connection: Connection, run_id: int) -> dict[str, int]:
    """The number of the latest attempt at each stage that was begun."""
    rows = connection.execute(
        select(s.step.c.stage, func.max(s.step.c.attempt)).where(s.step.c.run_id == run_id).group_by(s.step.c.stage)
    )
    return {row[0]: row[1] for row in rows}


def finished_stages(connection: Connection, run_id: int) -> dict[str, StepRow]:
    """The stages that need not be played again, each with the step that finished it.

    That is the last step begun in the latest attempt. An event of kind `REPEAT` after the attempt began
    calls it off. The store does not know how many steps a stage has: whoever does compares `seq`, for a
    crash can fall between two steps of one stage.
    """
    latest: dict[str, list[StepRow]] = {}
    for step in steps(connection, run_id):
        attempt = latest.setdefault(step.stage, [])
        if attempt and attempt[0].attempt < step.attempt:
            attempt.clear()
        attempt.append(step)
    called_off = {event.what: event.t_ms or 0 for event in events(connection, run_id) if event.kind == REPEAT}
    return {
        stage: attempt[-1]
        for stage, attempt in latest.items()
        if attempt[-1].ending in FINISHED and attempt[0].started_ms >= called_off.get(stage, 0)
    }


# Test points


def points(connection: Connection, run_ids: Iterable[int]) -> list[PointRecord]:
    """The test points of some runs, run by run in the order given and by number in each."""
    return [record for run_id in run_ids for record in _points_of(connection, run_id)]


def point(connection: Connection, run_id: int, number: int) -> PointRecord:
    """The test point of that number in its run. Raises `NotFound` with those that there are."""
    there = _points_of(connection, run_id)
    found = next((one for one in there if one.point == number), None)
    if found is None:
        yet = " yet" if run(connection, run_id).state in TO_COME else ""
        words = f"it has points {there[0].point} to {there[-1].point}" if there else f"it has no points{yet}"
        raise NotFound(f"run {run_id} has no point {number}", words)
    return found


def _points_of(connection: Connection, run_id: int) -> list[PointRecord]:
    rows = connection.execute(
        select(s.point, s.specimen.c.name.label("specimen"), s.mount.c.number.label("mount"))
        .join(s.run, s.run.c.id == s.point.c.run_id)
        .join(s.mount, s.mount.c.id == s.run.c.mount_id)
        .join(s.specimen, s.specimen.c.id == s.mount.c.specimen_id)
        .where(s.point.c.run_id == run_id)
        .order_by(s.point.c.number)
    )
    return [_point_record(row) for row in rows]


def _point_record(row: Row[Any]) -> PointRecord:
    values = dict(row._mapping)
    del values["id"], values["stage"], values["step_id"]
    values["point"] = values.pop("number")
    values["run"] = values.pop("run_id")
    values["quality"] = Quality(values["quality"])
    values["flags"] = tuple(Flag(word) for word in json.loads(values["flags"]))
    return PointRecord(**values)


def point_places(connection: Connection, run_id: int) -> list[PointPlace]:
    """Where the test points of a run were measured, by number."""
    rows = connection.execute(select(s.point).where(s.point.c.run_id == run_id).order_by(s.point.c.number))
    return [PointPlace(point=row.number, stage=row.stage, step_id=row.step_id) for row in rows]


# Events


def _event_rows(connection: Connection, query: Select[Any]) -> list[EventRow]:
    return [EventRow(**row._mapping) for row in connection.execute(query)]


def events(connection: Connection, run_id: int) -> list[EventRow]:
    """All events of a run in the order in which they were entered."""
    return _event_rows(connection, select(s.event_).where(s.event_.c.run_id == run_id).order_by(s.event_.c.id))


def latest_events(connection: Connection, bench: str, limit: int) -> list[EventRow]:
    """The latest events of a bench, of all its runs and of none, oldest first."""
    query = select(s.event_).where(s.event_.c.bench == bench).order_by(s.event_.c.id.desc()).limit(limit)
    return _event_rows(connection, query)[::-1]


def open_prompts(connection: Connection, bench: str) -> list[PromptRow]:
    """What a person is still asked by runs of a bench, oldest first: by a step that waits, or has given up waiting."""
    rows = connection.execute(
        select(*s.prompt.c)
        .join(s.run, s.run.c.id == s.prompt.c.run_id)
        .join(s.step, s.step.c.id == s.prompt.c.step_id)
        .where(s.run.c.bench == bench, s.prompt.c.answered_utc.is_(None))
        .where(s.step.c.ending.is_(None) | (s.step.c.ending == Ending.PENDING))
        .order_by(s.prompt.c.id)
    )
    return [PromptRow(**row._mapping) for row in rows]


def trip_latch(connection: Connection, bench: str) -> EventRow | None:
    """The trip that latches a bench: its latest, unless it was cleared since. None when the bench is free."""
    latest = _event_rows(
        connection,
        select(s.event_)
        .where(s.event_.c.bench == bench, s.event_.c.kind.in_((TRIP, CLEAR)))
        .order_by(s.event_.c.id.desc())
        .limit(1),
    )
    return latest[0] if latest and latest[0].kind == TRIP else None
