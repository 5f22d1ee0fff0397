"""How well a specimen is mounted, against its earlier mounts, in words.

The rule: the check is held against the mean of the last two other mounts of the specimen that were checked in the same
way: on the same bench, against the same sink, at the same pump setting. What is worse by more than the combined
expanded uncertainty of the two calls for seating it again; what lies within it is no meaningful difference, as paste
never comes out twice the same. The uncertainty of the earlier ones is not averaged down, and both hold the calibration
of the same sensors, which is so counted twice: the rule errs towards leaving a mount alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from sqlalchemy import Connection

from benchd.analysis.comparison import Difference, difference
from benchd.analysis.uncertainty import Estimate
from benchd.protocol_file import SINKS
from benchd.running.found import MOUNT, estimate_of
from benchd.store import queries

#: How many earlier mounts a check is held against.
HELD_AGAINST = 2


@dataclass(frozen=True)
class MountChecked:
    """What the latest check of one mount found."""

    mount: int
    """Number of the mount."""
    run: int
    bench: str
    resistance: Estimate
    """From the die to the sink [K/W]."""
    sink: str
    """The channel of what takes the heat."""
    pump_pct: float
    """[%]"""

    @property
    def words(self) -> str:
        """The resistance with its uncertainty."""
        return f"die to {SINKS[self.sink]} {self.resistance.value:.4f} ±{self.resistance.expanded:.4f} K/W"

    def checked_like(self, other: MountChecked) -> bool:
        """Whether the two can be compared."""
        return (self.bench, self.sink, self.pump_pct) == (other.bench, other.sink, other.pump_pct)


def mount_checks(connection: Connection, specimen: str) -> list[MountChecked]:
    """The latest check of each mount of a specimen that was checked, in the order in which they were made."""
    latest: dict[int, MountChecked] = {}
    for run, found in queries.findings_of_specimen(connection, specimen, MOUNT):
        latest.pop(run.mount, None)
        latest[run.mount] = MountChecked(
            mount=run.mount,
            run=run.id,
            bench=run.bench,
            resistance=estimate_of(found),
            sink=found.detail["sink"],
            pump_pct=found.detail["pump_pct"],
        )
    return list(latest.values())


def compare_mounts(now: MountChecked, earlier: Sequence[MountChecked]) -> str:
    """How a mount compares with the earlier ones, in words.

    earlier: in the order in which they were checked; the mount itself may be among them and is left out.
    """
    others = _others(now, earlier)
    if not others:
        return "first mount of this specimen that was checked"
    like = _like(now, others)
    if not like:
        return "no other mount of this specimen was checked in the same way"
    last = "the last two" if len(like) > 1 else "the last one"
    found = _difference(now, like)
    if not found.meaningful:
        return f"as good as {last}"
    by = f"{_rounded(abs(found.estimate.value))} K/W"
    return f"{by} worse than {last}: seat it again?" if found.estimate.value > 0 else f"{by} better than {last}"


def seat_again(now: MountChecked, earlier: Sequence[MountChecked]) -> bool:
    """Whether a mount is so much worse than the earlier ones that it had better be seated again."""
    like = _like(now, _others(now, earlier))
    found = _difference(now, like) if like else None
    return found is not None and found.meaningful and found.estimate.value > 0


def _others(now: MountChecked, earlier: Sequence[MountChecked]) -> list[MountChecked]:
    return [one for one in earlier if one.mount != now.mount]


def _like(now: MountChecked, others: Sequence[MountChecked]) -> list[MountChecked]:
    return [one for one in others if one.checked_like(now)][-HELD_AGAINST:]


def _difference(now: MountChecked, like: Sequence[MountChecked]) -> Difference:
    known = [one.resistance for one in like]
    mean = Estimate(fmean(e.value for e in known), max(e.u_std for e in known), min(e.dof for e in known))
    return difference(now.resistance, mean)


def _rounded(k_per_w: float) -> str:
    """To the first digit that is not 0, at least two of them.

    >>> _rounded(0.0213), _rounded(0.0042)
    ('0.02', '0.004')
    """
    return f"{k_per_w:.{max(2, -math.floor(math.log10(k_per_w)))}f}"
