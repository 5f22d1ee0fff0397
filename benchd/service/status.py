"""The status document: what is going on, as plain JSON values that are made anew each tick and never changed.

Made by the thread that plays, from the engine's snapshot or an idle reading, and from what the database last said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection

import benchd
from benchd.bench_file import BenchFile, Interlock
from benchd.instruments import SampleFlag, unit_of
from benchd.running.sampler import Sample
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from benchd.running.steps.base import Soaking
from benchd.service.asked import Question, questions
from benchd.service.history import History
from benchd.service.outlook import Outlook, outlooks
from benchd.service.shift import Shift
from benchd.store import queries
from benchd.store.connect import LOG_LIMIT_BYTES, wal_bytes
from benchd.store.records import EventRow

EVENTS_SHOWN = 20


@dataclass(frozen=True)
class Slow:
    """What changes only when somebody writes it."""

    questions: tuple[Question, ...] = ()
    queue: tuple[Outlook, ...] = ()
    events: tuple[EventRow, ...] = ()
    latch: EventRow | None = None


def slow_part(connection: Connection, shift: Shift) -> Slow:
    """What the database says of the bench now."""
    return Slow(
        # A run that is about to go on by itself, or was just resumed, asks for nothing.
        questions=tuple(one for one in questions(connection, shift.name) if one.run not in shift.to_play),
        queue=tuple(outlooks(connection, shift)),
        events=tuple(queries.latest_events(connection, shift.name, EVENTS_SHOWN)),
        latch=queries.trip_latch(connection, shift.name),
    )


@dataclass
class StatusMaker:
    """Makes the documents of one daemon. speed: of the bench's clock against the one on the wall."""

    shift: Shift
    speed: float
    started: datetime
    slow: Slow = field(default_factory=Slow)
    history: History = field(default_factory=History)

    def idle(self, t_s: float, samples: Sequence[Sample]) -> dict[str, Any]:
        """While nothing is played. t_s [s]: bench time of the samples."""
        return self._document("idle", None, None, t_s, samples)

    def playing(self, snapshot: Snapshot, t_s: float) -> dict[str, Any]:
        """While a run is played. t_s [s]: bench time of its samples."""
        wants = snapshot.wants
        setpoints = {"heat_w": wants.heat_w, "fan_pct": wants.fan_pct, "pump_pct": wants.pump_pct}
        setpoints = {name: value for name, value in setpoints.items() if name in self.shift.bench.setpoints}
        state = "held" if snapshot.state is RunState.HELD else "running"
        return self._document(state, self._run(snapshot), setpoints, t_s, snapshot.samples)

    def _document(
        self,
        state: str,
        run: dict[str, Any] | None,
        setpoints: dict[str, float] | None,
        t_s: float,
        samples: Sequence[Sample],
    ) -> dict[str, Any]:
        shift = self.shift
        self.history.take(t_s, samples)
        wal = wal_bytes(shift.writer.path)
        now = self._local(shift.now())
        return {
            "benchd": benchd.__version__,
            "bench": shift.name,
            "simulated": shift.bench.immediate,
            "speed": self.speed,
            "database": str(shift.writer.path),
            "local": now,
            "started_local": self._local(self.started),
            "state": state,
            "run": run,
            "setpoints": setpoints,
            "channels": [self._channel(sample) for sample in samples],
            "channels_local": now if samples else None,
            "interlocks": list(margins(shift.bench.file.interlocks, samples)),
            "hot": hot(shift.bench.file, samples),
            "latch": self._latch(),
            "silent": [{"instrument": name, "why": why} for name, why in shift.bench.silent.items()],
            "asked": [self._question(one) for one in self.slow.questions],
            "queue": [self._queued(one) for one in self.slow.queue],
            "events": [self._event(one) for one in self.slow.events],
            "wal_bytes": wal,
            "wal_too_large": wal > LOG_LIMIT_BYTES,
        }

    def _local(self, utc: datetime | None) -> str | None:
        return None if utc is None else utc.astimezone(self.shift.zone).isoformat(timespec="seconds")

    def _after(self, seconds: float | None) -> str | None:
        return None if seconds is None else self._local(self.shift.now() + timedelta(seconds=seconds))

    def _channel(self, sample: Sample) -> dict[str, Any]:
        return {
            "channel": sample.channel,
            "value": sample.value,
            "unit": unit_of(sample.channel),
            "flag": sample.flag.name.lower(),
            "history": self.history.of(sample.channel),
        }

    def _run(self, snapshot: Snapshot) -> dict[str, Any] | None:
        playing = self.shift.playing
        if playing is None:
            return None
        return {
            "run": snapshot.run_id,
            "protocol": playing.row.protocol,
            "specimen": playing.row.specimen,
            "mount": playing.row.mount,
            "state": str(snapshot.state),
            "stage": snapshot.stage,
            "step": snapshot.kind,
            "attempt": snapshot.attempt,
            "doing": snapshot.doing,
            "points_done": snapshot.points_done,
            "points_known": snapshot.points_known,
            "more_to_come": snapshot.more_to_come,
            "t_s": snapshot.t_s,
            "left_s": snapshot.left_s,
            "done_part": snapshot.done_part,
            "ends_local": self._after(snapshot.left_s),
            "quiet": playing.row.quiet,
            "soaking": self._soaking(snapshot.soaking, snapshot.t_s),
        }

    def _soaking(self, soaking: Soaking | None, t_s: float) -> dict[str, Any] | None:
        if soaking is None:
            return None
        remaining_s = None if soaking.ends_s is None else max(0.0, soaking.ends_s - t_s)
        return {
            "state": soaking.state,
            "rise_k": _finite(soaking.rise_k),
            "final_k": soaking.final_k,
            "half_width_k": soaking.half_width_k,
            "remaining_s": remaining_s,
            "ends_local": self._after(remaining_s),
            "latest_local": self._after(max(0.0, soaking.latest_s - t_s)),
            "until": soaking.until,
        }

    def _latch(self) -> dict[str, Any] | None:
        latch = self.slow.latch
        return None if latch is None else {"run": latch.run_id, "what": latch.what, "local": self._local(latch.utc)}

    def _question(self, question: Question) -> dict[str, Any]:
        return {
            "kind": question.kind,
            "run": question.run,
            "what": question.what,
            "local": self._local(question.asked_utc),
            "limit_local": self._local(question.limit_utc),
            "pending": question.pending,
            "how": question.how,
        }

    def _queued(self, outlook: Outlook) -> dict[str, Any]:
        row = outlook.row
        return {
            "run": row.id,
            "protocol": row.protocol,
            "specimen": row.specimen,
            "mount": row.mount,
            "state": str(row.state),
            "due_local": self._local(row.due_utc),
            "quiet": row.quiet,
            "why": outlook.why,
            "starts_local": self._local(outlook.starts_utc),
        }

    def _event(self, event: EventRow) -> dict[str, Any]:
        return {
            "event": event.id,
            "local": self._local(event.utc),
            "run": event.run_id,
            "kind": event.kind,
            "what": event.what,
            "who": event.who,
        }


def margins(interlocks: Iterable[Interlock], samples: Iterable[Sample]) -> Iterable[Mapping[str, Any]]:
    """Each interlock with what its channel shows, and how far that is from tripping [K for degC, else its unit]."""
    good = {sample.channel: sample.value for sample in samples if sample.flag is SampleFlag.OK}
    shown = {sample.channel for sample in samples}
    for lock in interlocks:
        if lock.channel not in shown:
            continue  # not there with this kind of specimen
        value = good.get(lock.channel)
        unit = unit_of(lock.channel)
        margin = None
        if value is not None:
            margin = lock.above - value if lock.above is not None else value - (lock.below or 0.0)
        yield {
            "limit": lock.words,
            "channel": lock.channel,
            "value": value,
            "margin": margin,
            "unit": "K" if unit == "degC" else unit,
        }


def hot(bench: BenchFile, samples: Iterable[Sample]) -> dict[str, Any] | None:
    """What is too hot to be touched, None when nothing is. What cannot be read counts as hot, with its value None."""
    there = [sample for sample in samples if unit_of(sample.channel) == "degC"]
    unknown = [sample for sample in there if sample.flag is not SampleFlag.OK]
    known = [sample for sample in there if sample.flag is SampleFlag.OK and sample.value is not None]
    hottest = max(known, key=lambda sample: sample.value or 0.0, default=None)
    if hottest is not None and (hottest.value or 0.0) > bench.touch_c:
        return {"limit_c": bench.touch_c, "channel": hottest.channel, "value": hottest.value}
    if unknown or not there:
        return {"limit_c": bench.touch_c, "channel": unknown[0].channel if unknown else None, "value": None}
    return None


def _finite(value: float) -> float | None:
    return value if value == value else None
