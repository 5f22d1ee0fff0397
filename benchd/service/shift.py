"""What the thread that plays has in its hands: the bench, the books, the clock, and the run that is played.

Only that thread touches any of it. Nothing is decided here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from benchd.bench_file import LoadedBench
from benchd.clock import Clock, PacedClock, SystemClock, utc_now
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine
from benchd.running.states import ALIVE
from benchd.store import queries
from benchd.store.records import EventRow, MountRow, RunRow
from benchd.store.writer import Writer


@dataclass(frozen=True)
class Playing:
    """The run that is played now."""

    row: RunRow
    engine: Engine
    book: RunBook


@dataclass
class Shift:
    """The state of the daemon."""

    loaded: LoadedBench
    """The bench file as it was last read."""
    bench: OpenBench
    writer: Writer
    clock: Clock
    zone: ZoneInfo
    playing: Playing | None = None
    to_play: list[int] = field(default_factory=list)
    """Runs that are to go on before any other: a person says so, or they go on by themselves after a loss."""
    changed: bool = True
    """Something was written that the status does not show yet."""
    look: bool = True
    """Something happened after which the queue is to be looked at."""

    @property
    def name(self) -> str:
        """Name of the bench."""
        return self.loaded.bench.bench

    def now(self) -> datetime:
        """What the clock on the wall shows, in UTC."""
        return self.clock.utc()

    def event(self, kind: str, what: str, who: str = "", run: int | None = None, t_ms: int | None = None) -> None:
        """Enter that something happened on the bench."""
        row = EventRow(bench=self.name, utc=self.now(), kind=kind, what=what, run_id=run, t_ms=t_ms, who=who or None)
        self.writer.add_event(row)
        self.changed = self.look = True

    def standing(self, connection: Connection) -> MountRow | None:
        """What stands on the bench."""
        return queries.standing(connection, self.name)


def clock_of(speed: float | None, writer: Writer, bench: str) -> Clock:
    """The clock of a bench: the real one, or one that runs `speed` times as fast.

    A fast one goes on at the latest event of the bench, or the latest sample of a run that lost its engine, when that
    lies ahead, so that the time which a rehearsal reckons with does not go back when its daemon starts again.
    """
    if speed is None:
        return SystemClock()
    with writer.reading() as connection:
        known = [event.utc for event in queries.latest_events(connection, bench, 1)]
        for row in queries.runs_in(connection, bench, ALIVE):
            last_ms, spans = queries.last_t_ms(connection, row.id), queries.spans(connection, row.id)
            if last_ms is not None:
                known.append(spans[-1].utc + timedelta(milliseconds=last_ms - spans[-1].from_ms))
    return PacedClock(speed, max([utc_now(), *known]))
