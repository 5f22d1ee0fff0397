"""What is said of a run while it is played: one picture a tick, and how punctual its ticks were."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.running.sampler import Sample
from benchd.running.states import RunState
from benchd.running.steps.base import Soaking, Wants


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is going on, as of one tick. Immutable, so that anyone may look at it while the engine goes on."""

    run_id: int
    state: RunState
    stage: str
    kind: str
    attempt: int
    wants: Wants
    """What is commanded, and what the step says of itself."""
    t_s: float
    """Bench time of the run [s]."""
    points_done: int
    points_known: int
    more_to_come: bool
    done_s: float
    """Bench time that went into what is done of it [s]; attempts that were broken off, and holds, are not done."""
    left_s: float
    """Bench time that the run will still take [s], a guess."""
    samples: tuple[Sample, ...]

    @property
    def done_part(self) -> float:
        """How much of the run is done [1]."""
        whole_s = self.done_s + self.left_s
        return self.done_s / whole_s if whole_s else 0.0

    @property
    def doing(self) -> str:
        """What is being done, in words."""
        return self.wants.doing

    @property
    def soaking(self) -> Soaking | None:
        """How near a soak is to its end, None while nothing soaks."""
        return self.wants.soaking


@dataclass
class Lateness:
    """How punctual the ticks of a step were."""

    ticks: int = 0
    late: int = 0
    skipped: int = 0
    latest_s: float = 0.0

    def count(self, late_s: float, skipped: int, allowed_s: float) -> None:
        self.ticks += 1
        self.skipped += skipped
        if late_s > allowed_s:
            self.late += 1
            self.latest_s = max(self.latest_s, late_s)

    @property
    def words(self) -> str:
        """Empty when all were in time."""
        if not self.late:
            return ""
        skipped = f", {self.skipped} skipped" if self.skipped else ""
        return f"{self.late} of {self.ticks} ticks began late, by {1000 * self.latest_s:.0f} ms at most{skipped}"
