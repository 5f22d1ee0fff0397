"""How far a run has come and what is left of it, as the database says: what an engine plays, a queue reckons with."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection

from benchd.protocol_file import Protocol
from benchd.running.schedule import Schedule, plays_of, schedule
from benchd.running.states import FINISHED
from benchd.running.steps.base import Finding
from benchd.store import queries
from benchd.store.records import RunRow


@dataclass(frozen=True)
class Plan:
    """The stages of a run as of now, and which of them are done."""

    findings: tuple[Finding, ...]
    schedule: Schedule
    done: frozenset[str]
    took_s: dict[str, float]
    """How long finished attempts took [s] of bench time, by stage."""


def plan_of(connection: Connection, row: RunRow, protocol: Protocol) -> Plan:
    """The plan of a run whose protocol's text has been read: a pure function of what the database says of the run."""
    findings = queries.standing_findings(connection, row.id)
    planned = schedule(protocol, findings, seed=row.seed, cooling=row.cooling)
    return Plan(findings, planned, _done(connection, row.id, protocol, planned), _took_s(connection, row.id))


def _done(connection: Connection, run_id: int, protocol: Protocol, planned: Schedule) -> frozenset[str]:
    ended = queries.finished_stages(connection, run_id)
    placed = {place.stage for place in queries.point_places(connection, run_id) if place.step_id is None}
    done = set()
    for stage in planned.stages:
        step = ended.get(stage.key)
        # A crash may fall between two steps of one stage: only its last one finishes it.
        if (step is not None and step.seq == len(plays_of(stage, step.attempt, protocol))) or (
            stage.skip and stage.key in placed
        ):
            done.add(stage.key)
    return frozenset(done)


def _took_s(connection: Connection, run_id: int) -> dict[str, float]:
    took: dict[str, float] = {}
    attempt: dict[str, int] = {}
    for step in queries.steps(connection, run_id):
        if step.ended_ms is None or step.ending not in FINISHED:
            continue
        if attempt.get(step.stage) != step.attempt:
            took[step.stage] = 0.0
            attempt[step.stage] = step.attempt
        took[step.stage] += (step.ended_ms - step.started_ms) / 1000
    return took
