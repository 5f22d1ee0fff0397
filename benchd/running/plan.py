"""How far a run has come and what is left of it, as the database says: what an engine plays, a queue reckons with."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

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
    """How long the latest attempt that was finished whole took [s] of bench time, by stage.

    Without what a repeat plays before its stage: no other attempt will have to.
    """

    @property
    def done_s(self) -> float:
        """How long what is done took [s] of bench time; attempts that were broken off, and holds, are not done."""
        return sum(self.took_s.get(key, 0.0) for key in self.done)


def plan_of(connection: Connection, row: RunRow, protocol: Protocol) -> Plan:
    """The plan of a run whose protocol's text has been read: a pure function of what the database says of the run."""
    findings = queries.standing_findings(connection, row.id)
    planned = schedule(protocol, findings, seed=row.seed, cooling=row.cooling)
    took_s = _took_s(connection, row.id, protocol, planned)
    return Plan(findings, planned, _done(connection, row.id, protocol, planned), took_s)


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


def _took_s(connection: Connection, run_id: int, protocol: Protocol, planned: Schedule) -> dict[str, float]:
    stages = {stage.key: stage for stage in planned.stages}
    took = {}
    for (key, attempt), steps in groupby(queries.steps(connection, run_id), lambda step: (step.stage, step.attempt)):
        if key not in stages:
            continue
        last = len(plays_of(stages[key], attempt, protocol))
        before = last - len(stages[key].plays)
        own = [step for step in steps if step.seq > before and step.ending in FINISHED]
        if own and own[-1].seq == last:
            took[key] = sum(((step.ended_ms or 0) - step.started_ms) / 1000 for step in own)
    return took
