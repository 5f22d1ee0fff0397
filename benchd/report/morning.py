"""The morning page of one run: did it finish, what tripped, what is each point worth, and what to do next.

Read off the database and nothing else. `morning_page` gives it as JSON values; the command prints them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection
from tzlocal import get_localzone

from benchd.report.found import told_lines
from benchd.report.mounts import compare_mounts, mount_checks
from benchd.running.states import ALIVE, Quality, RunState
from benchd.service.asked import question_of
from benchd.store import queries
from benchd.store.records import EventRow, PointRecord, PromptRow, RunRow

#: Events that a person wants to know of in the morning; the others are the usual course of a night.
TELLING = frozenset(
    {
        *(
            "trip",
            "clear",
            "hold",
            "abort",
            "refused",
            "setting_refused",
            "interrupted",
            "auto_resume",
            "resume",
            "failed",
        ),
        *("instrument_lost", "instrument_back", "not_safe", "clock_jump", "ticks_late", "skipped", "asked", "answered"),
    }
)
#: What may be measured once more, and is worth it: what is over limit or not reached would be so again.
WORTH_REPAIR = (Quality.FLAGGED, Quality.VOID)


def history_line(row: RunRow, points: Sequence[PointRecord], zone: ZoneInfo | None = None) -> dict[str, Any]:
    """The head of the page, which is all that the history shows of a run. zone: as for the page."""
    zone = zone or get_localzone()
    return {
        "run": row.id,
        "protocol": row.protocol,
        "specimen": row.specimen,
        "mount": row.mount,
        "state": str(row.state),
        "reason": row.reason,
        "started_local": _local(row.started_utc, zone),
        "ended_local": _local(row.ended_utc, zone),
        "says": _says(row, Counter(point.quality for point in points)),
    }


def morning_page(connection: Connection, run_id: int, zone: ZoneInfo | None = None) -> dict[str, Any]:
    """The page as JSON values; unknown is None. Raises `NotFound` when there is no such run.

    zone: for local times, the machine's own unless given.
    """
    zone = zone or get_localzone()
    row = queries.run(connection, run_id)
    points = queries.points(connection, [run_id])
    stages = {place.point: place.stage for place in queries.point_places(connection, run_id)}
    prompts = [one for one in queries.open_prompts(connection, row.bench) if one.run_id == run_id]
    worths = Counter(point.quality for point in points)
    last_ms = queries.last_t_ms(connection, run_id)
    return {
        **history_line(row, points, zone),
        "bench": row.bench,
        "simulated": row.simulated,
        "lasted_s": None if last_ms is None else last_ms / 1000,
        "counts": {str(quality): worths[quality] for quality in Quality},
        "points": [{**point.as_json(), "stage": stages[point.point]} for point in points],
        "found": told_lines(connection, run_id),
        "mount_check": _mount_check(connection, row),
        "events": [_event(one, zone) for one in queries.events(connection, run_id) if one.kind in TELLING],
        "prompts": [_prompt(one, zone) for one in prompts],
        "next": _next(connection, row, points, prompts),
    }


def _local(utc: datetime | None, zone: ZoneInfo) -> str | None:
    return None if utc is None else utc.astimezone(zone).isoformat(timespec="seconds")


def _says(row: RunRow, worths: Mapping[Quality, int]) -> str:
    whole = sum(worths.values())
    if not whole:
        return f"{row.state}, no test points" + (f": {row.reason}" if row.reason else "")
    rest = [f"{worths[one]} {str(one).replace('_', ' ')}" for one in Quality if one is not Quality.GOOD and worths[one]]
    said = ", ".join([f"{worths[Quality.GOOD]} of {whole} good", *rest])
    if row.state is RunState.COMPLETE:
        return said
    return f"{row.state}: {row.reason}; {said}" if row.reason else f"{row.state}, {said}"


def _event(event: EventRow, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "t_s": None if event.t_ms is None else event.t_ms / 1000,
        "local": _local(event.utc, zone),
        "kind": event.kind,
        "what": event.what,
        "who": event.who,
    }


def _prompt(prompt: PromptRow, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "what": prompt.what,
        "asked_local": _local(prompt.asked_utc, zone),
        "limit_local": _local(prompt.limit_utc, zone),
    }


def _mount_check(connection: Connection, row: RunRow) -> str | None:
    """What this run's check of the mount says against earlier mounts, None when it made none."""
    checks = mount_checks(connection, row.specimen)
    ours = next((one for one in checks if one.run == row.id), None)
    if ours is None:
        return None
    earlier = [one for one in checks if one.run < row.id]
    return f"{ours.words}: {compare_mounts(ours, earlier)}"


def _next(
    connection: Connection, row: RunRow, points: Sequence[PointRecord], prompts: Sequence[PromptRow]
) -> str | None:
    """The one command to type next, None when there is nothing to do."""
    if row.state in ALIVE:
        return "benchd watch"
    if prompts:
        return f"benchd confirm --run {row.id} TEXT"
    if row.state is RunState.TRIPPED:
        latched = queries.trip_latch(connection, row.bench) is not None
        return f"benchd clear, then benchd resume {row.id}" if latched else f"benchd resume {row.id}"
    if row.state in (RunState.FAILED, RunState.INTERRUPTED):
        return f"benchd resume {row.id}"
    if row.state is RunState.WAITING and (question := question_of(row)) is not None:
        return question.how if question.confirmable else f"benchd resume {row.id}"
    if row.state in (RunState.QUEUED, RunState.WAITING):
        return "benchd status"  # it goes on by itself
    standing = queries.standing(connection, row.bench)
    if any(one.quality in WORTH_REPAIR for one in points) and standing is not None and standing.id == row.mount_id:
        return f"benchd queue --repair {row.id}"
    return f"benchd results {row.id}" if points else None
