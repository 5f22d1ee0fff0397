"""May a person go home? One list, computed from facts; and how the service answers when it is asked for it.

What is known is gathered by `ready_gather`; each item is judged by a function of its own.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.bench_file import BenchFile
from benchd.running.windows import clock_words
from benchd.service import ready_bench, ready_night
from benchd.service.board import Document
from benchd.service.orders import Order
from benchd.service.ready_facts import Facts
from benchd.service.ready_gather import gather
from benchd.service.ready_item import Item
from benchd.store import queries

#: In the order in which a person would go through them: the run, the bench, the specimen, the room, the night.
ITEMS = (
    ready_bench.protocol,
    ready_night.queued,
    ready_bench.free,
    ready_bench.instruments,
    ready_bench.interlocks,
    ready_night.mount,
    ready_night.mount_checked,
    ready_bench.calibrator,
    ready_bench.battery,
    ready_bench.meter_range,
    ready_night.background,
    ready_night.window,
    ready_night.when,
    ready_bench.disk,
    ready_night.questions,
)


@dataclass(frozen=True)
class Readiness:
    """The whole list."""

    run: int | None
    protocol: str
    specimen: str
    mount: int
    starts_local: str | None
    ends_local: str | None
    headline: str
    """The answer in one line."""
    items: tuple[Item, ...]

    @property
    def may_leave(self) -> bool:
        """Whether nothing holds a person here; what is not proven does not, but is said."""
        return not any(item.holds for item in self.items)

    def as_json(self) -> dict[str, Any]:
        """Every key; unknown is None."""
        return {
            "may_leave": self.may_leave,
            "headline": self.headline,
            "run": self.run,
            "protocol": self.protocol,
            "specimen": self.specimen,
            "mount": self.mount,
            "starts_local": self.starts_local,
            "ends_local": self.ends_local,
            "items": [item.as_json() for item in self.items],
        }


def readiness(facts: Facts) -> Readiness:
    """The list. A pure function of the facts."""
    items = tuple(item for look in ITEMS for item in look(facts))
    return Readiness(
        run=facts.run,
        protocol=facts.protocol.protocol,
        specimen=facts.specimen,
        mount=facts.mount,
        starts_local=None if facts.starts is None else facts.starts.isoformat(timespec="seconds"),
        ends_local=None if facts.ends is None else facts.ends.isoformat(timespec="seconds"),
        headline=_headline(facts, sum(item.holds for item in items)),
        items=items,
    )


def _headline(facts: Facts, to_do: int) -> str:
    if to_do:
        return f"Not yet: {to_do} thing{'s' if to_do > 1 else ''} to do."
    starts = f", starts {clock_words(facts.starts, facts.now)}" if facts.starts else ""
    ends = f", ends about {clock_words(facts.ends, facts.now)}" if facts.ends else ""
    return f"You may leave: {facts.protocol.protocol} on {facts.specimen}, mount {facts.mount}{starts}{ends}."


def ready_answer(
    order: Order | int, document: Document, database: Path, now: datetime, zone: ZoneInfo, *, bench: BenchFile
) -> dict[str, Any]:
    """The whole list as JSON, for an order or for a run that is queued already, by its number.

    document: the latest status. now: the clock of the bench. The database is read and left at once. Raises `NotFound`
    for a run that is not there, `FileProblems` when the protocol of a queued run can no longer be read.
    """
    free_bytes = shutil.disk_usage(database.parent).free
    with queries.reader(database) as connection:
        facts = gather(connection, order, document, now, zone, bench=bench, free_bytes=free_bytes)
    return readiness(facts).as_json()
