"""Gathers what is known before a person goes home: from the database, from the status document, from the disk.

Nothing is concluded here. It must not know the bench itself: what is live stands in the document.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from benchd.bench_file import BenchFile
from benchd.cross_check import cross_check
from benchd.errors import FileProblems, InputError
from benchd.instruments import Cooling
from benchd.protocol_file import AnyStep, Confirm, LoadedProtocol, load_protocol
from benchd.report.mounts import compare_mounts, mount_checks, seat_again
from benchd.running.forecast import left_by_step
from benchd.running.found import BACKGROUND
from benchd.running.plan import plan_of
from benchd.running.schedule import schedule
from benchd.running.states import RunState
from benchd.service.board import Document
from benchd.service.orders import Order
from benchd.service.ready_facts import Asking, Background, Facts, MountTried, Standing
from benchd.service.ready_window import quiet_window
from benchd.store import queries
from benchd.store.records import FindingRow, MountRow, RunRow, SpanRow

#: So many of the newest runs are looked through for a background of the last days.
RUNS_LOOKED_AT = 60
#: States of a run that is still to be played.
TO_COME = (RunState.QUEUED, RunState.WAITING, RunState.RUNNING, RunState.HELD)


@dataclass(frozen=True)
class _Meant:
    """The run that is asked about, queued or only ordered."""

    protocol: LoadedProtocol
    specimen: str
    cooling: Cooling | None
    mount: MountRow | None
    """None while it is not in the books."""
    number: int
    due: datetime | None
    quiet: str | None
    seed: int
    row: RunRow | None


def gather(
    connection: Connection,
    order: Order | int,
    document: Document,
    now: datetime,
    zone: ZoneInfo,
    *,
    bench: BenchFile,
    free_bytes: int,
) -> Facts:
    """The facts about an order, or about a run that is queued already, by its number.

    now: the clock of the bench. free_bytes: room beside the database. Raises `NotFound` for a run that is not there,
    `InputError` for the number of a mount that would leave some out.
    """
    meant = _queued(connection, order) if isinstance(order, int) else _ordered(connection, order, bench.bench)
    left = _left(connection, meant)
    takes_s = sum(seconds for _, seconds in left)
    starts, ends = _starts_ends(meant, document, now, takes_s)
    return Facts(
        now=now.astimezone(zone),
        bench=bench,
        document=document,
        protocol=meant.protocol.protocol,
        typed=_typed(meant.protocol),
        problems=_problems(meant, bench),
        specimen=meant.specimen,
        cooling=meant.cooling,
        mount=meant.number,
        taken_off=_local(meant.mount.taken_off_utc, zone) if meant.mount else None,
        standing=_standing(connection, bench.bench),
        mount_check=_mount_check(connection, meant, bench.bench),
        background=_background(connection, bench.bench, zone),
        run=meant.row.id if meant.row else None,
        due=_local(meant.due, zone),
        quiet=meant.quiet,
        starts=_local(starts, zone),
        takes_s=takes_s,
        ends=_local(ends, zone),
        window=quiet_window(left, meant.quiet, max(starts, now) if starts else None, zone),
        askings=tuple(_askings(left, max(starts, now) if starts else None, zone)),
        free_bytes=free_bytes,
    )


# --- which run


def _queued(connection: Connection, run: int) -> _Meant:
    row = queries.run(connection, run)
    protocol = load_protocol(row.protocol_text, row.protocol)
    known = queries.specimen(connection, row.specimen)
    mounts = queries.mounts(connection, known.id) if known else []
    mount = next((one for one in mounts if one.id == row.mount_id), None)
    return _Meant(protocol, row.specimen, row.cooling, mount, row.mount, row.due_utc, row.quiet, row.seed, row)


def _ordered(connection: Connection, order: Order, bench: str) -> _Meant:
    """The order, or the run that stands in the queue for it already."""
    row = _queued_already(connection, order, bench)
    if row is not None:
        return _queued(connection, row.id)
    known = queries.specimen(connection, order.specimen)
    mounts = queries.mounts(connection, known.id) if known else []
    standing = queries.standing(connection, bench)
    number = _number(order, mounts, standing)
    mount = next((one for one in mounts if one.number == number), None)
    cooling = known.cooling if known else order.cooling
    return _Meant(order.protocol, order.specimen, cooling, mount, number, order.due_utc, order.quiet, order.seed, None)


def _number(order: Order, mounts: Sequence[MountRow], standing: MountRow | None) -> int:
    """The mount that queueing would take: the given one, the one that stands, the one that is planned, the next."""
    following = max((one.number for one in mounts), default=0) + 1
    if order.mount is None:
        planned = [one for one in mounts if one.mounted_utc is None and one.taken_off_utc is None]
        here = [one for one in mounts if standing is not None and one.id == standing.id]
        return next((one.number for one in (*here, *planned)), following)
    if order.mount != following and order.mount not in {one.number for one in mounts}:
        hint = f"the next mounting is number {following}"
        raise InputError(f"{order.specimen} has no mount {order.mount}", hint)
    return order.mount


def _queued_already(connection: Connection, order: Order, bench: str) -> RunRow | None:
    """The latest run in the queue that is what the order asks for; what the order leaves open may be anything."""
    rows = queries.runs_in(connection, bench, TO_COME)
    return next((row for row in reversed(rows) if _is_for(row, order)), None)


def _is_for(row: RunRow, order: Order) -> bool:
    return (
        (row.protocol_text, row.specimen) == (order.protocol.text, order.specimen)
        and order.mount in (None, row.mount)
        and order.due_utc in (None, row.due_utc)
        and order.quiet in (None, row.quiet)
    )


def _typed(protocol: LoadedProtocol) -> str:
    """How a person names the protocol: by the name of its file in a folder of protocols, else by its path."""
    file = Path(protocol.file)
    return file.stem if file.parent.name == "protocols" else protocol.file


# --- what is known of it


def _problems(meant: _Meant, bench: BenchFile) -> tuple[str, ...]:
    try:
        cross_check(meant.protocol, bench, meant.cooling)
    except FileProblems as error:
        return tuple(
            f"{problem.where}: {problem.what}" if problem.where else problem.what for problem in error.problems
        )
    return ()


def _left(connection: Connection, meant: _Meant) -> list[tuple[AnyStep, float]]:
    """The steps still to be played, with the time each takes [s]."""
    protocol = meant.protocol.protocol
    if meant.row is not None:
        plan = plan_of(connection, meant.row, protocol)
        return left_by_step(protocol, plan.schedule, plan.done, plan.took_s)
    # A specimen that nobody knows yet is taken as one with a pump: that takes longer.
    planned = schedule(protocol, (), seed=meant.seed, cooling=meant.cooling or "liquid")
    return left_by_step(protocol, planned, frozenset(), {})


def _standing(connection: Connection, bench: str) -> Standing | None:
    row = queries.standing(connection, bench)
    if row is None:
        return None
    name = next(one.name for one in queries.specimens(connection) if one.id == row.specimen_id)
    return Standing(specimen=name, mount=row.number)


def _mount_check(connection: Connection, meant: _Meant, bench: str) -> MountTried | None:
    """What the latest check of the mount on this bench says, against those of other mounts."""
    checks = mount_checks(connection, meant.specimen)
    here = next((one for one in checks if (one.mount, one.bench) == (meant.number, bench)), None)
    if here is None:
        return None
    return MountTried(words=f"{here.words}, {compare_mounts(here, checks)}", worse=seat_again(here, checks))


def _background(connection: Connection, bench: str, zone: ZoneInfo) -> Background | None:
    """The latest background that any run on the bench has found."""
    for row in queries.runs(connection, RUNS_LOOKED_AT):
        if row.bench != bench or row.started_utc is None:
            continue
        spans = queries.spans(connection, row.id)
        found = [one for one in queries.findings(connection, row.id) if one.finding.name == BACKGROUND]
        if found and spans:
            at = _utc_of(found[-1], spans)
            finding = found[-1].finding
            return Background(level_dba=finding.value, u_db=finding.u, measured=at.astimezone(zone), run=row.id)
    return None


def _utc_of(found: FindingRow, spans: Sequence[SpanRow]) -> datetime:
    """What the wall clock showed when a step ended."""
    ended_ms = found.step.ended_ms or found.step.started_ms
    span = next((one for one in reversed(spans) if one.from_ms <= ended_ms), spans[0])
    return span.utc + timedelta(milliseconds=ended_ms - span.from_ms)


def _local(utc: datetime | None, zone: ZoneInfo) -> datetime | None:
    return None if utc is None else utc.astimezone(zone)


# --- when


def _askings(left: Sequence[tuple[AnyStep, float]], starts: datetime | None, zone: ZoneInfo) -> Iterator[Asking]:
    """What steps will ask a person, and about when."""
    after_s = 0.0
    for step, seconds in left:
        if isinstance(step, Confirm):
            comes = starts + timedelta(seconds=after_s) if starts else None
            yield Asking(what=step.ask, comes=_local(comes, zone), waits_min=step.at_most_min, later=step.later)
        after_s += seconds


def _starts_ends(
    meant: _Meant, document: Document, now: datetime, takes_s: float
) -> tuple[datetime | None, datetime | None]:
    """About when the run starts and ends, in UTC, as the status says it; None: what comes before has no known end."""
    running = document["run"]
    run = meant.row.id if meant.row else None
    if running is not None and running["run"] == run:
        return meant.row.started_utc if meant.row else None, _utc(running["ends_local"])
    entry = next((one for one in document["queue"] if one["run"] == run), None)
    starts = _utc(entry["starts_local"]) if entry else None
    # What is queued before an order has no end that the status tells.
    if starts is None and (entry is not None or not document["queue"]):
        free = now if running is None else _utc(running["ends_local"])
        starts = max(free, now, meant.due or now) if free else None
    return starts, starts + timedelta(seconds=takes_s) if starts else None


def _utc(local: str | None) -> datetime | None:
    return None if local is None else datetime.fromisoformat(local).astimezone(UTC)
