"""How single rows go into the tables, inside a transaction of the writer's."""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256

from sqlalchemy import Connection, Table, delete, func, select
from sqlalchemy.dialects.sqlite import insert

from benchd.running.steps.base import Finding
from benchd.store import schema as s
from benchd.store.records import REPEAT, ChannelRow, NewRun, PointRecord, json_text


def put(connection: Connection, table: Table, **values: object) -> int:
    """Insert one row, and its id."""
    return int(connection.execute(insert(table).values(values).returning(table.c.id)).scalar_one())


def put_mount(connection: Connection, specimen_id: int, note: str, utc: datetime) -> int:
    """Insert the next mount of a specimen, and its id."""
    latest = connection.scalar(select(func.max(s.mount.c.number)).where(s.mount.c.specimen_id == specimen_id))
    number = (latest or 0) + 1
    return put(connection, s.mount, specimen_id=specimen_id, number=number, note=note, mounted_utc=utc)


def put_point(
    connection: Connection,
    run_id: int,
    stage: str,
    step_id: int | None,
    point: PointRecord,
    number: int | None,
) -> int:
    """Insert a test point under its number (the next when None), and its id."""
    if number is None:
        latest = connection.scalar(select(func.max(s.point.c.number)).where(s.point.c.run_id == run_id))
        number = (latest or 0) + 1
    place = {"run_id": run_id, "stage": stage, "step_id": step_id, "number": number}
    return put(connection, s.point, **place, **point.measured())


def take_earlier_point(connection: Connection, run_id: int, stage: str, attempt: int) -> int | None:
    """Remove the point that attempts before this one have left at a stage; its number, None without one."""
    earlier = select(s.step.c.id).where(s.step.c.run_id == run_id, s.step.c.stage == stage, s.step.c.attempt < attempt)
    return connection.scalar(
        delete(s.point)
        .where(s.point.c.run_id == run_id, s.point.c.stage == stage)
        .where(s.point.c.step_id.is_(None) | s.point.c.step_id.in_(earlier))
        .returning(s.point.c.number)
    )


def take_called_off_point(connection: Connection, run_id: int, stage: str) -> int | None:
    """Remove the point of a stage whose attempts were called off by an event of kind `REPEAT`; its number, or None.

    A point that nobody called off stays, and no other can be entered at its stage.
    """
    called_off_ms = (
        select(func.max(s.event_.c.t_ms))
        .where(s.event_.c.run_id == run_id, s.event_.c.kind == REPEAT, s.event_.c.what == stage)
        .scalar_subquery()
    )
    attempt = connection.scalar(
        select(func.max(s.step.c.attempt)).where(
            s.step.c.run_id == run_id, s.step.c.stage == stage, s.step.c.started_ms < called_off_ms
        )
    )
    return None if attempt is None else take_earlier_point(connection, run_id, stage, attempt + 1)


def run_values(new: NewRun) -> dict[str, object]:
    """The columns of a new run."""
    return {
        "mount_id": new.mount_id,
        "campaign_id": new.campaign_id,
        "state": new.state,
        "protocol": new.protocol,
        "protocol_text": new.protocol_text,
        "protocol_sha256": sha256(new.protocol_text.encode()).hexdigest(),
        "bench": new.bench,
        **bench_values(new.bench_text),
        "versions": json_text(new.versions),
        "seed": new.seed,
        "simulated": new.simulated,
        "quiet": new.quiet,
        "queued_utc": new.queued_utc,
        "queued_by": new.queued_by,
        "due_utc": new.due_utc,
        "waits_for": new.waits_for,
        "reason": new.reason,
    }


def bench_values(text: str) -> dict[str, object]:
    """The columns of a run that keep its bench file."""
    return {"bench_text": text, "bench_sha256": sha256(text.encode()).hexdigest()}


def channel_values(run_id: int, row: ChannelRow) -> dict[str, object]:
    """The columns of a channel of a run."""
    return {
        "run_id": run_id,
        "name": row.name,
        "unit": row.unit,
        "instrument": row.instrument,
        "resolution": row.resolution,
        "uncertainty": row.uncertainty,
        "uncertainty_pct": row.uncertainty_pct,
    }


def finding_values(step_id: int, finding: Finding) -> dict[str, object]:
    """The columns of a finding of a step."""
    return {
        "step_id": step_id,
        "name": finding.name,
        "value": finding.value,
        "unit": finding.unit,
        "u": finding.u,
        "dof": finding.dof,
        "detail": json_text(finding.detail),
    }
