"""What becomes of each run in the queue: it starts, waits for somebody, or starts later. Facts in, decisions out.

With a quiet window only the part of a run that needs a quiet room has to lie inside: a run may begin before the window
opens and go on after it has closed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from benchd.running.forecast import Expectation
from benchd.running.windows import QuietWindow, Span, clock_words
from benchd.store.records import RunRow, WaitsFor

#: So many openings of a window are tried: after a night that a change of clocks makes short comes one of usual length.
OPENINGS = 2
#: A plan leaves so much of a window over [s]: the queue is looked at now and then, and one that needs a window to its
#: last second would come too late for it every night.
SPARE_S = 180.0
_NO_HOUR = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Candidate:
    """A run in the queue, and what has to be known of it."""

    row: RunRow
    expected: Expectation
    on_bench: bool
    """Whether its mount is on the bench."""
    bench_same: bool
    """Whether the bench file is still the one that it was queued with."""


@dataclass(frozen=True)
class Decision:
    """What becomes of a run, and why, in words for a person."""

    kind: Literal["start", "wait", "later"]
    why: str
    starts_utc: datetime | None = None
    """When it is going to start, as far as that can be said."""
    waits_for: WaitsFor | None = None


def decide(
    candidates: Iterable[Candidate], *, latch: str | None, now: datetime, zone: ZoneInfo
) -> list[tuple[Candidate, Decision]]:
    """All runs in the order in which they come, each with its decision; at most one of them starts.

    Of those that may start the one that was due first does, those without an hour after them, then by number. One that
    waits for somebody holds up none behind it; one whose hour is still to come, named or that of its window, is not
    kept from it by a run behind it that would last too long. latch: why the bench is latched after a trip. now: an
    aware time.
    """
    now = now.astimezone(UTC)
    alone = [(one, _alone(one, latch, now, zone)) for one in candidates]
    alone.sort(key=lambda pair: (pair[1].starts_utc or now, _turn(pair[0].row)))
    starting: int | None = None
    result = []
    for one, decision in alone:
        final = decision
        if decision.kind == "start":
            not_now = f"after run {starting}" if starting is not None else _in_its_way(one, alone, now, zone)
            starting = one.row.id if not not_now else starting
            final = Decision("later", not_now) if not_now else decision
        result.append((one, final))
    return result


def _turn(row: RunRow) -> tuple[datetime, int]:
    return row.due_utc or _NO_HOUR, row.id


def _in_its_way(one: Candidate, alone: Iterable[tuple[Candidate, Decision]], now: datetime, zone: ZoneInfo) -> str:
    """Why a run may not start: the hour of one before it would come while it is still played. Empty when none does."""
    ends = now + timedelta(seconds=one.expected.lasts_s)
    for other, decision in alone:
        starts = decision.starts_utc if decision.kind == "later" else None
        if starts is not None and starts < ends and _turn(other.row) < _turn(one.row):
            until, at = _clock(ends, now, zone), _clock(starts, now, zone)
            return f"it would last until about {until}, and run {other.row.id} starts at {at}"
    return ""


def _alone(one: Candidate, latch: str | None, now: datetime, zone: ZoneInfo) -> Decision:
    row = one.row
    if row.waits_for is WaitsFor.PERSON:
        return Decision("wait", row.reason, waits_for=WaitsFor.PERSON)
    if not one.on_bench:
        what = f"mount {row.mount} of {row.specimen} is to be on the bench"
        return Decision("wait", what, waits_for=WaitsFor.MOUNT)
    if not one.bench_same:
        return Decision("wait", "the bench file was changed since it was queued", waits_for=WaitsFor.BENCH_FILE)
    if latch is not None:
        return Decision("later", f"the bench tripped and has not been cleared: {latch}")
    earliest = max(now, row.due_utc or now)
    starts = _plan(one.expected, row.quiet, earliest, now, zone)
    if isinstance(starts, str):
        return Decision("wait", starts, waits_for=WaitsFor.PERSON)
    if starts <= now:
        return Decision("start", "starts now", now)
    at = f"starts at {_clock(starts, now, zone)}"
    if row.quiet is not None and starts > earliest:
        at = f"{_short_of(one.expected, row.quiet, earliest, now, zone)}{at}"
    return Decision("later", at, starts)


def fits_at_all(expected: Expectation, quiet: str | None, now: datetime, zone: ZoneInfo) -> str:
    """Why the quiet part of a run cannot lie inside its window on any of the coming nights; empty when it can."""
    now = now.astimezone(UTC)
    starts = _plan(expected, quiet, now, now, zone)
    return starts if isinstance(starts, str) else ""


def may_begin(is_quiet: bool, expected_s: float, quiet: str | None, now: datetime, zone: ZoneInfo) -> str:
    """Why a stage may not begin now, empty when it may: one that needs a quiet room must end before the window closes.

    expected_s [s]: how long it will take.
    """
    if quiet is None or not is_quiet:
        return ""
    window = QuietWindow.parse(quiet)
    span = window.around(now, zone)
    opens = _clock(window.next_opening(now, zone).begins, now, zone)
    if span is None:
        return f"the next step needs a quiet room: its window {quiet} opens at {opens}"
    if span.left_s(now) < expected_s:
        left, wanted = _hours(span.left_s(now)), _hours(expected_s)
        return f"the next step needs a quiet room for {wanted}, {left} are left of {quiet}: it opens again at {opens}"
    return ""


def _plan(
    expected: Expectation, quiet: str | None, earliest: datetime, now: datetime, zone: ZoneInfo
) -> datetime | str:
    """When a run begins so that its quiet part lies inside the window, `earliest` at the earliest, both in UTC.

    Words for a person when no coming night is long enough.
    """
    if quiet is None or expected.quiet_from_s is None:
        return earliest
    lead = timedelta(seconds=expected.quiet_from_s)
    openings = _openings(QuietWindow.parse(quiet), earliest + lead, zone)
    for span in openings:
        begins = max(earliest + lead, span.begins)
        spare_s = SPARE_S if begins - lead > now else 0.0
        if expected.quiet_s + spare_s <= span.left_s(begins):
            return begins - lead
    room_s = max(0.0, max(span.left_s(earliest + lead) for span in openings) - SPARE_S)
    return (
        f"what needs a quiet room takes about {_hours(expected.quiet_s)}, and {quiet} has room for {_hours(room_s)}: "
        "make the window longer, or let fewer steps be quiet"
    )


def _openings(window: QuietWindow, now: datetime, zone: ZoneInfo) -> list[Span]:
    """The window that is open now, and those of the coming nights."""
    open_now = window.around(now, zone)
    spans = [] if open_now is None else [open_now]
    at = now
    for _ in range(OPENINGS):
        spans.append(window.next_opening(at, zone))
        at = spans[-1].begins
    return spans


def _short_of(expected: Expectation, quiet: str, earliest: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Words for a window that is open when the quiet part would begin, but too short by then."""
    from_then = earliest + timedelta(seconds=expected.quiet_from_s or 0.0)
    span = QuietWindow.parse(quiet).around(from_then, zone)
    if span is None:
        return ""
    when = "now" if earliest <= now else "then"
    left, needed = _hours(span.left_s(from_then)), _hours(expected.quiet_s)
    return f"the quiet window is too short for it {when}: {left} are left, {needed} are needed; "


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def _clock(when: datetime, now: datetime, zone: ZoneInfo) -> str:
    return clock_words(when.astimezone(zone), now)
