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
from benchd.running.windows import QuietWindow, Span
from benchd.store.records import RunRow, WaitsFor

#: So many openings of a window are tried: the longest night of a year is never further off than that, near a change.
OPENINGS = 2


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

    Those due first come first, then by number. One that waits for somebody holds up none behind it; one whose hour is
    fixed is not kept from it by a run behind it that would last too long. latch: why the bench is latched after a trip.
    """
    decided = [(one, _alone(one, latch, now, zone)) for one in candidates]
    decided.sort(key=lambda pair: (pair[1].starts_utc or now, pair[0].row.id))
    starting: RunRow | None = None
    result = []
    for one, decision in decided:
        final = decision
        if decision.kind == "start":
            later = _in_the_way(one, decided, now)
            if starting is not None:
                final = Decision("later", f"after run {starting.id}")
            elif later is not None:
                ends, other = now + timedelta(seconds=one.expected.lasts_s), later[1].starts_utc or now
                why = (
                    f"it would last until about {_clock(ends, now, zone)}, and run {later[0].row.id} starts at "
                    f"{_clock(other, now, zone)}"
                )
                final = Decision("later", why)
            else:
                starting = one.row
        result.append((one, final))
    return result


def _in_the_way(
    one: Candidate, decided: Iterable[tuple[Candidate, Decision]], now: datetime
) -> tuple[Candidate, Decision] | None:
    """A run queued before this one whose fixed hour would come while this one is still played."""
    ends = now + timedelta(seconds=one.expected.lasts_s)
    for other, decision in decided:
        starts = decision.starts_utc if decision.kind == "later" else None
        if starts is not None and other.row.id < one.row.id and starts < ends:
            return other, decision
    return None


def _alone(one: Candidate, latch: str | None, now: datetime, zone: ZoneInfo) -> Decision:
    row = one.row
    if not one.on_bench:
        what = f"mount {row.mount} of {row.specimen} is to be on the bench"
        return Decision("wait", what, waits_for=WaitsFor.MOUNT)
    if not one.bench_same:
        return Decision("wait", "the bench file was changed since it was queued", waits_for=WaitsFor.BENCH_FILE)
    if latch is not None:
        return Decision("later", f"the bench tripped and has not been cleared: {latch}")
    earliest = max(now, row.due_utc or now)
    not_fitting = fits_at_all(one.expected, row.quiet, earliest, zone)
    if not_fitting:
        return Decision("wait", not_fitting, waits_for=WaitsFor.PERSON)
    starts = _start(one.expected, row.quiet, earliest, zone)
    if starts <= now:
        return Decision("start", "starts now", now)
    at = f"starts at {_clock(starts, now, zone)}"
    if row.quiet is not None and starts > earliest:
        at = f"{_short_of(one.expected, row.quiet, earliest, zone)}{at}"
    return Decision("later", at, starts)


def fits_at_all(expected: Expectation, quiet: str | None, now: datetime, zone: ZoneInfo) -> str:
    """Why the quiet part of a run cannot lie inside its window on any of the coming nights; empty when it can."""
    if quiet is None or expected.quiet_from_s is None:
        return ""
    longest = max(_openings(QuietWindow.parse(quiet), now, zone), key=lambda span: span.lasts_s)
    if expected.quiet_s <= longest.lasts_s:
        return ""
    return (
        f"what needs a quiet room takes about {_hours(expected.quiet_s)}, and {quiet} has {_hours(longest.lasts_s)}: "
        "make the window longer, or let fewer steps be quiet"
    )


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


def _start(expected: Expectation, quiet: str | None, earliest: datetime, zone: ZoneInfo) -> datetime:
    """When a run begins so that its quiet part lies inside the window, `earliest` at the earliest."""
    if quiet is None or expected.quiet_from_s is None:
        return earliest
    lead = timedelta(seconds=expected.quiet_from_s)
    for span in _openings(QuietWindow.parse(quiet), earliest, zone):
        begins = max(earliest + lead, span.begins)
        if begins + timedelta(seconds=expected.quiet_s) <= span.ends:
            return begins - lead
    raise ValueError("the quiet part fits no window")  # asked before, by fits_at_all


def _openings(window: QuietWindow, now: datetime, zone: ZoneInfo) -> list[Span]:
    """The window that is open now, and those of the coming nights."""
    open_now = window.around(now, zone)
    spans = [] if open_now is None else [open_now]
    at = now
    for _ in range(OPENINGS):
        spans.append(window.next_opening(at, zone))
        at = spans[-1].begins
    return spans


def _short_of(expected: Expectation, quiet: str, now: datetime, zone: ZoneInfo) -> str:
    """Words for a window that is open but too short by now."""
    lead = timedelta(seconds=expected.quiet_from_s or 0.0)
    span = QuietWindow.parse(quiet).around(now + lead, zone)
    if span is None:
        return ""
    left = _hours(span.left_s(now + lead))
    return f"too short a rest of {quiet}: {left} are left, about {_hours(expected.quiet_s)} are needed; "


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def _clock(when: datetime, now: datetime, zone: ZoneInfo) -> str:
    """A time for a person: with its day when that is not the next night or day."""
    local = when.astimezone(zone)
    near = abs((when.astimezone(UTC) - now.astimezone(UTC)).total_seconds()) < 16 * 3600
    return f"{local:%H:%M}" if near else f"{local:%a %d %b %H:%M}"
