"""The detector, through its public interface, on a plant whose end is known: when it ends a soak, how wrong it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.stats import beta

from benchd.analysis.equilibrium import EquilibriumDetector
from tests.equilibrium.bound import K, bound_time
from tests.equilibrium.plants import Plant

TOLERANCE_K = 0.2
"""How well the end has to be known [K]; a coarser sensor cannot ask for more than its own step."""
CONFIDENCE = 0.95
IN_A_ROW = 10
"""A soak ends when it was told so many times in a row [1]."""
AT_MOST_S = 4 * 3600
"""No soak lasts longer [s]."""


class Ended(NamedTuple):
    """What was said when a soak was ended; never, if `t_s` is infinite."""

    t_s: float
    final_k: float
    half_width_k: float
    state: str


NEVER = Ended(math.inf, math.nan, math.nan, "settling")


@dataclass(frozen=True)
class Trial:
    """One plant: what the detector made of it."""

    plant: Plant
    predicted: Ended
    """With the ending that a prediction is enough for."""
    settled: Ended
    """With the ending that waits for the rise itself; never, unless it was asked for."""
    bound_s: float
    """When it could have been known at the earliest [s]."""

    @property
    def family(self) -> str:
        return self.plant.family

    @property
    def error_k(self) -> float:
        return self.predicted.final_k - self.plant.final_k

    @property
    def covered(self) -> bool:
        return covers(self.plant, self.predicted)

    @property
    def error_in_u(self) -> float:
        """Error over standard uncertainty [1]."""
        return self.error_k / (self.predicted.half_width_k / K)

    @property
    def to_bound(self) -> float:
        """Soak time over the shortest possible [1]."""
        return self.predicted.t_s / self.bound_s


def covers(plant: Plant, ended: Ended) -> bool:
    """Whether the interval holds the truth; what never ended holds nothing."""
    return abs(ended.final_k - plant.final_k) <= ended.half_width_k


def tolerance_k(plant: Plant) -> float:
    return max(TOLERANCE_K, plant.resolution_k)


def tried(plant: Plant, to_the_end: bool = False) -> Trial:
    """Plays a plant until a prediction is enough, or with `to_the_end` until the rise has settled too."""
    predicted, settled = played(plant, to_the_end)
    return Trial(plant, predicted, settled, bound_time(plant, tolerance_k(plant)))


def played(plant: Plant, to_the_end: bool = False) -> tuple[Ended, Ended]:
    """When a prediction was enough, and with `to_the_end` when the rise had settled."""
    detector = EquilibriumDetector(tolerance_k(plant), CONFIDENCE, plant.resolution_k)
    predicted = settled = NEVER
    known = there = 0
    t_s, shown_k = plant.series(AT_MOST_S)
    for t, rise_k in zip(t_s.tolist(), shown_k.tolist(), strict=True):
        now = detector.update(t, rise_k)
        known = known + 1 if now.state in ("predicted", "settled") else 0
        there = there + 1 if now.state == "settled" else 0
        if predicted is NEVER and known == IN_A_ROW:
            predicted = Ended(t, now.final_k, now.half_width_k, now.state)
        if there == IN_A_ROW:
            settled = Ended(t, now.final_k, now.half_width_k, now.state)
        if predicted is not NEVER and (settled is not NEVER or not to_the_end):
            break
    return predicted, settled if to_the_end else NEVER


def lower_limit(hits: int, of: int, confidence: float = 0.99) -> float:
    """One-sided lower limit of a share [1]. Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413."""
    return float(beta.ppf(1 - confidence, hits, of - hits + 1)) if hits else 0.0


def coverage_limit(trials: Sequence[Trial]) -> float:
    """Lower 99 % limit of how often the interval holds the truth [1]."""
    return lower_limit(sum(trial.covered for trial in trials), len(trials))


def rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
