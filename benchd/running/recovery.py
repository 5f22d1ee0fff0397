"""After a crash or a loss of supply: find the runs that lost their engine, make safe, and decide whether to go on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, time

from benchd.protocol_file import Protocol

#: A run may go on by itself so many times.
AUTO_AT_MOST = 3
#: After a gap longer than this [min] the background is measured anew.
GAP_MIN = 30.0


@dataclass(frozen=True)
class Decision:
    """Whether an interrupted run goes on by itself, and why or why not."""

    go_on: bool
    reason: str


def decide(
    protocol: Protocol, stage: str, resumed_at: Sequence[str], quiet: str | None, local_now: datetime
) -> Decision:
    """Whether a run that lost its engine in `stage` may go on without a person.

    resumed_at: the stages at which it went on by itself before. quiet: its quiet window as "HH:MM-HH:MM" local time, or
    None when it has none. local_now: an aware local time.
    """
    if protocol.resume == "wait":
        return Decision(False, "its protocol says to wait for a person")
    if len(resumed_at) >= AUTO_AT_MOST:
        return Decision(False, f"it has already gone on by itself {AUTO_AT_MOST} times")
    if stage in resumed_at:
        return Decision(False, f"it has already gone on by itself once at stage {stage}")
    if quiet is not None and not inside(quiet, local_now):
        return Decision(False, f"it is outside its quiet window {quiet}")
    return Decision(True, "its protocol says to go on by itself")


def inside(quiet: str, local_now: datetime) -> bool:
    """Whether a local wall time lies in a quiet window "HH:MM-HH:MM", which may go over midnight.

    >>> inside("22:00-06:00", datetime(2026, 11, 24, 23, 30)), inside("22:00-06:00", datetime(2026, 11, 24, 6, 0))
    (True, False)
    """
    begins, ends = (time.fromisoformat(part) for part in quiet.split("-"))
    now = local_now.time()
    if begins <= ends:
        return begins <= now < ends
    return now >= begins or now < ends


def background_is_stale(gap_min: float, stages: Collection[str]) -> bool:
    """Whether a run that stood still for gap_min [min] must measure its background stages anew."""
    return bool(stages) and gap_min > GAP_MIN
