"""The detector on random plants whose end is known: how often its interval holds the truth, and how early it says so.

Coverage comes first: an early end that is wrong is worth nothing.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.equilibrium.bound import K
from tests.equilibrium.plants import FAMILIES, random_plants
from tests.equilibrium.trials import (
    CONFIDENCE,
    Trial,
    coverage_limit,
    covers,
    lower_limit,
    played,
    rms,
    tolerance_k,
    tried,
)

RELEASED = 20261127
"""The seed is the date of the release, so that nobody chooses it."""


@cache
def trials(n: int) -> tuple[Trial, ...]:
    return tuple(tried(plant) for plant in random_plants(n, RELEASED))


def test_a_hundred_plants() -> None:
    """A small sample for every day, which finds what is grossly wrong. Of 96 plants with 95 % covered, fewer than 80
    would come five times in a million."""
    some = trials(96)
    assert sum(trial.covered for trial in some) >= 80
    assert 0.6 < rms([trial.error_in_u for trial in some]) < 1.3
    assert np.median([trial.to_bound for trial in some]) <= 1.4
    known = [trial for trial in some if trial.predicted.state == "predicted"]
    assert len(known) > 48
    assert all(trial.predicted.half_width_k <= tolerance_k(trial.plant) for trial in known)


def test_plants_of_one_exponential() -> None:
    """Nothing tells how to share it between two, and its samples are far more exact than what two would add up from:
    where arithmetic is not exact enough for that, every fifth interval misses, some by several half widths."""
    of_one = [
        replace(plant, fast_k=0.0, slow_k=plant.fast_k + plant.slow_k, noise_sd_k=0.005, resolution_k=0.001)
        for plant in random_plants(48, RELEASED)
    ]
    ends = [played(plant)[0] for plant in of_one]
    off = [(end.final_k - plant.final_k) / end.half_width_k for plant, end in zip(of_one, ends, strict=True)]
    assert sum(abs(part) <= 1 for part in off) >= 43
    assert rms(off) * K < 1.25
    assert np.median([end.t_s / plant.slow_s for plant, end in zip(of_one, ends, strict=True)]) < 6


@pytest.mark.slow
class TestAThousand:
    def test_the_interval_holds_the_truth_as_often_as_it_says(self) -> None:
        assert coverage_limit(trials(1000)) >= CONFIDENCE - 0.02

    def test_not_by_wide_intervals(self) -> None:
        assert 0.7 <= rms([trial.error_in_u for trial in trials(1000)]) <= 1.15

    def test_it_is_as_early_as_physics_allows(self) -> None:
        median, nine_in_ten = np.percentile([trial.to_bound for trial in trials(1000)], [50, 90])
        assert median <= 1.3
        assert nine_in_ten <= 1.8


@cache
def covered(n: int) -> dict[str, list[bool]]:
    """Whether the interval holds the truth, family by family, of `n` plants."""
    found: dict[str, list[bool]] = {family: [] for family in FAMILIES}
    for plant in random_plants(n, RELEASED):
        found[plant.family].append(covers(plant, played(plant)[0]))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_in_each_family_the_interval_holds_the_truth(family: str) -> None:
    """Of a thousand plants a family has 125, too few to show a share of 0.95 to be over 0.90 with a confidence of 99 %:
    500 are enough."""
    of_it = covered(4000)[family]
    assert len(of_it) == 500
    assert lower_limit(sum(of_it), len(of_it)) >= 0.90
